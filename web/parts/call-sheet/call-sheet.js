/**
 * The call sheet: what is to be called falls from above through now, and what was called and told lies below.
 *
 *     <call-sheet></call-sheet>
 *     sheet.show({ cues, log, textOf, nameOf })   on each state; cues soonest first, log newest last
 *     sheet.called(text, dueMs, kind)     when a cue's instant has come
 *     sheet.frame(nowMs)                  on each frame
 */

import { each, h, put } from '../../lib/html.js'
import { clockText, countdownText } from '../../lib/race-clock.js'

/** @typedef {import('../../lib/messages.js').CueMessage} CueMessage */
/** @typedef {import('../../lib/messages.js').LogLine} LogLine */

const COMING = 8
const SAID = 40
/** How long a cue stands under now; afterwards it is the first of what was called. */
const NOW_MS = 4000
/** A stop stands longer, and nothing takes its place meanwhile. */
const STOP_MS = 10_000
/** The race clock stands this far before the gun in the lobby. */
const LOBBY_MS = -3_600_000

export class CallSheet extends HTMLElement {
  /** @type {CueMessage[]} */
  #coming = []
  #until = -Infinity
  #list = h('ol', { class: 'coming', 'aria-label': 'To be called, the next one last' })
  #now = h('p', { class: 'called now', role: 'status' })
  #log = h('ol', { class: 'log', 'aria-label': 'Called and told, the latest first', tabindex: '0' })

  connectedCallback() {
    if (!this.childElementCount) this.append(this.#list, this.#now, this.#log)
  }

  /** @param {{ cues: readonly CueMessage[], log: readonly LogLine[], textOf: (cue: CueMessage) => string, nameOf: (seat: string) => string }} values */
  show({ cues, log, textOf, nameOf }) {
    this.#coming = cues.slice(0, COMING)
    each(this.#list, [...this.#coming].reverse(), (cue) => cue.id,
      () => h('li', {}, h('span', { class: 'when' }), h('span', { class: 'text' })),
      (row, cue) => {
        const [, text] = row.children
        if (text) put(text, textOf(cue))
        row.title = cue.because
        row.classList.toggle('fixed', cue.fixed)
      })
    const newest = log.slice(-SAID).reverse()
    each(this.#log, newest, keyOf,
      (line) => h('li', { class: line.kind }, h('span', { class: 'when' }, line.at_ms <= LOBBY_MS ? 'lobby' : clockText(line.at_ms)),
        h('span', { class: 'text' }, h('span', {}, line.text), line.because && h('small', {}, line.because),
          line.kind === 'fact' && h('small', {}, `told by ${nameOf(line.by)}`), h('small', { class: 'air' }))),
      // Only then is it known: what was moved may be cut short while it is said.
      (row, line) => {
        const air = row.querySelector('.air')
        if (air) put(air, line.air)
      })
  }

  /** @param {string} text @param {number} dueMs @param {string} kind the cue's */
  called(text, dueMs, kind) {
    const stop = kind === 'stop'
    if (!stop && this.#now.classList.contains('stop') && dueMs < this.#until) return
    put(this.#now, text)
    this.#now.classList.toggle('stop', stop)
    this.#until = dueMs + (stop ? STOP_MS : NOW_MS)
  }

  /** @param {number | null} now */
  frame(now) {
    if (now === null || now > this.#until) put(this.#now, '')
    const rows = this.#list.children
    for (const [index, cue] of this.#coming.entries()) {
      const row = rows[rows.length - 1 - index]
      const when = row?.firstElementChild
      if (!row || !when) continue
      put(when, now === null ? '' : countdownText(cue.due_ms - now))
      // Its instant has come: it is the one beneath now, until the next state leaves it out.
      row.classList.toggle('gone', now !== null && cue.due_ms <= now)
    }
  }
}

export function registerCallSheet() {
  customElements.define('call-sheet', CallSheet)
}

/** @param {LogLine} line */
function keyOf(line) {
  return `${line.at_ms} ${line.kind} ${line.what} ${line.text}`
}
