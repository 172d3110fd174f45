/**
 * A labelled field with its unit, its hint and, beside it, what was refused.
 *
 * Usage:
 *   const mass = makeField({ label: 'Body mass', unit: 'kg', numeric: true });
 *   mass.refuse('rider Maya, body mass: found 720 kg; expected 35 to 150 kg');
 *
 * Looks: setup-fields.css. Must not know which quantity it holds.
 */

import { h } from '../../lib/html.js'

let made = 0

/** A key for an element that others point at. */
export function freshId(stem = 'field') {
  made += 1
  return `${stem}-${made}`
}

/**
 * @typedef {object} Field
 * @property {HTMLElement} root
 * @property {HTMLInputElement | HTMLSelectElement} input
 * @property {(sentence: string) => void} refuse   shows the sentence beside the field; '' takes it away
 */

/**
 * @typedef {object} FieldSpec
 * @property {string} label
 * @property {string} [unit]        shown after the field and read with the label
 * @property {string} [hint]
 * @property {boolean} [numeric]    brings up the number keys on a phone
 * @property {[string, string][]} [choices]   value and words: makes it a select
 * @property {string} [placeholder]
 * @property {string} [key]         carried as data-key
 * @property {number} [most]        longest text
 */

/**
 * @param {FieldSpec} spec
 * @returns {Field}
 */
export function makeField(spec) {
  const id = freshId()
  const input = spec.choices
    ? /** @type {HTMLSelectElement} */ (
        h('select', { id }, ...spec.choices.map(([value, words]) => h('option', { value }, words)))
      )
    : /** @type {HTMLInputElement} */ (
        h('input', {
          id,
          type: 'text',
          autocomplete: 'off',
          spellcheck: 'false',
          inputmode: spec.numeric ? 'decimal' : null,
          placeholder: spec.placeholder ?? null,
          maxlength: spec.most ? String(spec.most) : null,
        })
      )
  if (spec.key) input.dataset.key = spec.key
  const refusal = h('p', { class: 'refusal', id: `${id}-refusal`, 'aria-live': 'polite' })
  const hint = spec.hint ? h('p', { class: 'hint', id: `${id}-hint` }, spec.hint) : null
  const unit = spec.unit ? h('span', { class: 'unit' }, spec.unit) : null
  const root = h(
    'div',
    { class: 'field' },
    h('label', { for: id }, spec.label, unit ? h('span', { class: 'unseen' }, `, in ${spec.unit}`) : null),
    h('span', { class: 'field-row' }, input, unit && h('span', { class: 'unit', 'aria-hidden': 'true' }, spec.unit)),
    hint,
    refusal,
  )
  describe(input, [hint?.id])
  return {
    root,
    input,
    refuse(sentence) {
      refuse(input, refusal, sentence, hint?.id)
      root.classList.toggle('refused', sentence !== '')
    },
  }
}

/**
 * Tie a sentence to an input, or take it away with ''.
 * @param {HTMLElement} input
 * @param {HTMLElement} refusal  where the sentence stands
 * @param {string} sentence
 * @param {string} [hintId]
 */
export function refuse(input, refusal, sentence, hintId) {
  if (refusal.textContent !== sentence) refusal.textContent = sentence
  if (sentence) input.setAttribute('aria-invalid', 'true')
  else input.removeAttribute('aria-invalid')
  describe(input, [hintId, sentence ? refusal.id : undefined])
}

/**
 * @param {HTMLElement} input
 * @param {(string | undefined)[]} ids
 */
function describe(input, ids) {
  const known = ids.filter(Boolean).join(' ')
  if (known) input.setAttribute('aria-describedby', known)
  else input.removeAttribute('aria-describedby')
}
