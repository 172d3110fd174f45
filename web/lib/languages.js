/**
 * The languages that cues are spoken in, as their speakers call them.
 */

/** @type {readonly (readonly [code: string, name: string])[]} */
export const LANGUAGES = [
  ['en', 'English'],
  ['es', 'español'],
  ['fr', 'français'],
  ['de', 'Deutsch'],
  ['it', 'italiano'],
  ['nl', 'Nederlands'],
]

/** @param {string} code */
export function languageName(code) {
  return LANGUAGES.find(([one]) => one === code)?.[1] ?? code
}
