/**
 * What is wrong with the line until it is mended, each with what can be done about it. Says so when nothing is, and
 * how the race ended once it is over, to be kept as a file.
 *
 *     <trouble-strip></trouble-strip>
 *     strip.show({ roster, state })    strip.frame(nowMs)
 *
 * Event: `act` {act}, a wire act.
 */

import { each, h, mark, put } from '../../lib/html.js'
import { countdownText } from '../../lib/race-clock.js'
import { ridersOf } from '../rider-mark/rider-mark.js'

/** @typedef {import('../../lib/messages.js').RiderCard} RiderCard */
/** @typedef {import('../../lib/messages.js').StateMessage} StateMessage */
/** @typedef {import('../../lib/messages.js').TroubleMessage} TroubleMessage */
/** @typedef {import('../../lib/messages.js').Tap['act']} Act */

const DECIDED = { '': '', wait: ': the line waits', go: ': the line goes on' }

export class TroubleStrip extends HTMLElement {
  /** @type {readonly TroubleMessage[]} */
  #troubles = []
  #whole = h('p', { class: 'whole soft' })
  #list = h('ul', { role: 'status' })
  #result = h('span')
  #file = h('a', { download: 'result.json' }, 'Keep it')
  #end = h('p', { class: 'end', hidden: true }, this.#result, ' ', this.#file)

  connectedCallback() {
    if (!this.childElementCount) this.append(this.#whole, this.#list, this.#end)
  }

  /** @param {{ roster: readonly RiderCard[], state: StateMessage }} values */
  show({ roster, state }) {
    const riderOf = ridersOf(roster)
    // Once the race is over there is nothing left to decide.
    const over = state.phase === 'over'
    this.#troubles = over ? [] : state.troubles
    this.#whole.hidden = over || state.troubles.length > 0
    this.#end.hidden = !state.result
    if (state.result) {
      put(this.#result, `${state.result.text}.`)
      mark(this.#file, 'href', `data:application/json,${encodeURIComponent(JSON.stringify(state.result, null, 2))}`)
    }
    const spare = state.spare === 1 ? '1 rider may still be lost' : `${state.spare} riders may still be lost`
    put(this.#whole, `Nobody adrift, no gap. ${state.spare > 0 ? spare : 'Nobody may be lost'}.`)
    each(this.#list, this.#troubles, (trouble) => `${trouble.kind} ${trouble.rider}`,
      (trouble) => h('li', {}, h('strong', { class: 'what' }), h('span', { class: 'since' }), ...this.#ways(trouble)),
      (row, trouble) => {
        const name = riderOf(trouble.rider)?.name ?? trouble.rider
        const what = row.querySelector('.what')
        if (what) put(what, trouble.kind === 'gap' ? `Gap before ${name}` : `${name} is adrift${DECIDED[trouble.decided]}`)
        for (const button of row.querySelectorAll('button')) {
          const decided = button.dataset.act === 'wait_for' ? 'wait' : 'go'
          button.setAttribute('aria-pressed', String(trouble.kind === 'adrift' && trouble.decided === decided))
        }
      })
  }

  /** @param {number | null} now */
  frame(now) {
    for (const [index, trouble] of this.#troubles.entries()) {
      const since = this.#list.children[index]?.querySelector('.since')
      if (since && now !== null) put(since, countdownText(now - trouble.since_ms))
    }
  }

  /** @param {TroubleMessage} trouble */
  #ways({ kind, rider }) {
    if (kind === 'gap') return [this.#button({ act: 'gap_closed', rider }, 'Closed', '')]
    return [this.#button({ act: 'wait_for', rider }, 'Wait', 'w'), this.#button({ act: 'go_without', rider }, 'Go on', 'd')]
  }

  /** @param {Act} act @param {string} text @param {string} key */
  #button(act, text, key) {
    return h('button', {
      type: 'button', dataset: { act: act.act },
      onclick: () => this.dispatchEvent(new CustomEvent('act', { detail: { act }, bubbles: true })),
    }, text, key && h('kbd', {}, key))
  }
}

export function registerTroubleStrip() {
  customElements.define('trouble-strip', TroubleStrip)
}
