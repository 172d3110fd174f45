/**
 * How far something is that is being worked out, with a way to break it off.
 *
 * Usage:
 *   part.begin();                                        moves, and promises nothing yet
 *   part.tell({ step: 'search', share: 0.4 });           what is being done, and which share is behind
 *   part.end();
 * Sends up: work-cancelled.
 */

import { h } from '../../lib/html.js'

/** @type {Record<string, string>} */
const STEPS = {
  waiting: 'waiting for its turn',
  'steady plan': 'a first, steady plan',
  search: 'trying turns, orders and speeds',
  bound: 'proving how much faster any plan could be',
  done: 'writing it down',
  climbs: 'without other turns on climbs',
  descents: 'without other turns on descents',
  unequal: 'with equal turns',
  turned_round: 'in the order turned round',
  as_listed: 'in the order as listed',
  form: 'in the other form',
}

export class SetupWork extends HTMLElement {
  constructor() {
    super()
    this.bar = h('div', { class: 'work-bar', role: 'progressbar', 'aria-label': 'Working it out' }, h('span', {}))
    this.words = h('p', { class: 'work-words', 'aria-live': 'polite' })
    this.cancel = h('button', { type: 'button' }, 'Cancel')
    this.cancel.addEventListener('click', () =>
      this.dispatchEvent(new CustomEvent('work-cancelled', { bubbles: true })),
    )
  }

  connectedCallback() {
    if (this.childElementCount) return
    this.hidden = true
    this.append(this.bar, h('div', { class: 'work-row' }, this.words, this.cancel))
  }

  /** @param {string} [words] */
  begin(words = 'Working it out …') {
    this.hidden = false
    this.words.textContent = words
    this.draw(null)
  }

  /** @param {{ step: string, share: number }} now */
  tell({ step, share }) {
    const doing = STEPS[step] ?? step
    this.words.textContent = `${Math.round(share * 100)} %: ${doing}`
    this.draw(step === 'waiting' ? null : share)
  }

  end() {
    this.hidden = true
    this.words.textContent = ''
  }

  /** @param {number | null} share */
  draw(share) {
    const line = /** @type {HTMLElement} */ (this.bar.firstElementChild)
    this.bar.classList.toggle('unknown', share === null)
    line.style.width = share === null ? '' : `${Math.max(2, share * 100).toFixed(1)}%`
    if (share === null) this.bar.removeAttribute('aria-valuenow')
    else this.bar.setAttribute('aria-valuenow', String(Math.round(share * 100)))
  }
}

customElements.define('setup-work', SetupWork)
