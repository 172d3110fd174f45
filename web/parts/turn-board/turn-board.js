/**
 * Whose turn it is, how long it still lasts, who is next: what a director looks at most.
 *
 *     <turn-board></turn-board>
 *     board.show({ roster, state })    on each state
 *     board.frame(nowMs)               on each frame
 */

import { fill, h, put } from '../../lib/html.js'
import { clockText, countdownText } from '../../lib/race-clock.js'
import { ridersOf, riderTag } from '../rider-mark/rider-mark.js'

/** @typedef {import('../../lib/messages.js').RiderCard} RiderCard */
/** @typedef {import('../../lib/messages.js').StateMessage} StateMessage */
/** @typedef {import('../../lib/messages.js').TurnMessage} TurnMessage */

/** The last seconds before a switch are lit. */
const NEAR_MS = 5000

export class TurnBoard extends HTMLElement {
  /** @type {StateMessage | null} */
  #state = null
  #frontLabel = h('p', { class: 'label' })
  #front = h('p', { class: 'who' })
  #frontNote = h('p', { class: 'note' })
  #leftLabel = h('p', { class: 'label' })
  #left = h('p', { class: 'figure' })
  #leftCell = h('div', { class: 'left' }, this.#leftLabel, this.#left)
  #next = h('p', { class: 'who' })
  #nextNote = h('p', { class: 'note' })
  #then = h('p', { class: 'then' })
  #frontCell = h('div', { class: 'front' }, this.#frontLabel, this.#front, this.#frontNote)

  connectedCallback() {
    if (this.childElementCount) return
    this.append(this.#frontCell, this.#leftCell,
      h('div', { class: 'next' }, h('p', { class: 'label' }, 'Next'), this.#next, this.#nextNote, this.#then))
  }

  /** @param {{ roster: readonly RiderCard[], state: StateMessage }} values */
  show({ roster, state }) {
    this.#state = state
    const riderOf = ridersOf(roster)
    const leads = state.turn ? riderOf(state.turn.rider) : null
    // Before the gun the first turn to come is the one to look at; afterwards it is the one after the present.
    const [first, second, ...more] = state.turn ? [state.turn, ...state.upcoming] : [undefined, ...state.upcoming]
    this.#frontCell.classList.toggle('now', leads !== null)
    put(this.#frontLabel, state.phase === 'over' ? 'Finished' : leads ? 'On the front' : 'Nobody on the front')
    fill(this.#front, leads ? riderTag(leads) : state.phase === 'over' ? clockOf(state) : '–')
    put(this.#frontNote, first ? noteOf(first) : '')
    put(this.#leftLabel, state.phase === 'countdown' ? 'To the gun' : 'Left')
    const next = second ? riderOf(second.rider) : null
    fill(this.#next, next ? riderTag(next) : '–')
    put(this.#nextNote, second ? noteOf(second) : '')
    const names = more.map((turn) => riderOf(turn.rider)?.name ?? turn.rider).slice(0, 4)
    put(this.#then, names.length ? `then ${names.join(', ')}` : '')
  }

  /** @param {number | null} now */
  frame(now) {
    const state = this.#state
    const end = state?.phase === 'countdown' ? 0 : (state?.turn?.ends_ms ?? null)
    const left = end === null || now === null ? null : end - now
    put(this.#left, left === null ? '–' : countdownText(left))
    this.#leftCell.classList.toggle('now', left !== null && left <= NEAR_MS)
    this.#left.classList.toggle('long', this.#left.textContent.length > 3)
  }
}

export function registerTurnBoard() {
  customElements.define('turn-board', TurnBoard)
}

/** @param {TurnMessage} turn */
function noteOf(turn) {
  // A rider who only follows here, and is first all the same, goes through and off.
  const length = turn.planned_ms > 0 ? `${Math.round(turn.planned_ms / 1000)} s` : 'straight through'
  return [`${turn.power_w} W`, length, turn.because].filter(Boolean).join(' · ')
}

/** @param {StateMessage} state */
function clockOf(state) {
  return state.clock === null ? '' : clockText(state.clock)
}
