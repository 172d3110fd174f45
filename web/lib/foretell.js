/**
 * The state a page goes on with while nobody tells it anything: the turns it was told begin and end on their instants.
 * It holds no rule of the race. Who leads when, and when the last wheel comes by, was told; anything else waits until
 * the server is heard again.
 */

/** @typedef {import('./messages.js').StateMessage} StateMessage */
/** @typedef {import('./messages.js').PlaceMessage} PlaceMessage */
/** @typedef {import('./messages.js').TurnMessage} TurnMessage */
/** @typedef {import('./messages.js').CueMessage} CueMessage */

/**
 * @param {StateMessage} state
 * @param {readonly CueMessage[]} coming what is still to be called, soonest first
 * @param {number} now race ms
 * @returns {StateMessage} the same one if nothing told for by now changes it
 */
export function foretold(state, coming, now) {
  let next = state
  if (next.phase === 'countdown' && now >= 0) next = { ...begun(next), phase: 'racing' }
  if (next.phase !== 'racing') return next
  while (next.turn && next.turn.ends_ms !== null && next.turn.ends_ms <= now && next.upcoming.length) {
    next = begun({ ...next, line: swungOff(next.line, next.turn, coming) })
  }
  const back = (/** @type {PlaceMessage} */ { place, until_ms }) =>
    (place === 'drifting' || place === 'latching') && until_ms !== null && until_ms <= now
  if (!next.line.some(back)) return next
  return { ...next, line: next.line.map((one) => (back(one) ? { ...one, place: /** @type {const} */ ('following'), until_ms: null } : one)) }
}

/** The next turn has begun. @param {StateMessage} state @returns {StateMessage} */
function begun(state) {
  const [turn = null, ...upcoming] = state.upcoming
  const line = state.line.map((one) => (one.rider === turn?.rider ? { ...one, place: /** @type {const} */ ('leading'), until_ms: null } : one))
  return { ...state, turn, upcoming, line }
}

/**
 * Whoever led is last now, and drifts until called onto the last wheel.
 * @param {readonly PlaceMessage[]} line @param {TurnMessage} turn @param {readonly CueMessage[]} coming
 * @returns {PlaceMessage[]}
 */
function swungOff(line, turn, coming) {
  const call = coming.find((cue) => cue.kind === 'latch_on' && cue.rider === turn.rider && cue.due_ms >= (turn.ends_ms ?? 0))
  const inLine = line.filter(({ slot, rider }) => slot !== null && rider !== turn.rider)
  const apart = line.filter(({ slot, rider }) => slot === null && rider !== turn.rider)
  const last = { rider: turn.rider, place: /** @type {const} */ ('drifting'), slot: 0, until_ms: call?.due_ms ?? turn.ends_ms }
  return [...[...inLine, last].map((one, slot) => ({ ...one, slot })), ...apart]
}
