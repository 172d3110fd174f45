/**
 * Who has said that they must stop: out of the race by their own word, and not taken back since.
 */

/** @typedef {import('./messages.js').StateMessage} StateMessage */
/** @typedef {{ rider: string, at_ms: number }} MustStop */

/** @param {StateMessage} state @returns {MustStop[]} */
export function mustStop({ line, log }) {
  return line.filter(({ place }) => place === 'out').flatMap(({ rider }) => {
    const told = log.filter(({ kind, what, by }) => kind === 'fact' && what === 'retired' && by === `rider:${rider}`).at(-1)
    return told ? [{ rider, at_ms: told.at_ms }] : []
  })
}
