/**
 * A rider's whole screen: one verb, one number counting down, one line that says what comes next.
 *
 *     <big-cue></big-cue>
 *     big.show({ verb: 'Follow', figure: '42', then: 'then', next: 'Lead', field: '' })
 *
 * Sizes are the largest that fit. `field` is '', 'now' or 'danger'.
 */

import { fill, h, mark, put } from '../../lib/html.js'

/** @typedef {{ verb: string, figure: string, then: string, next: string, field: '' | 'now' | 'danger' }} Values */

/** Letters measured in these units give their width as a share of the size. */
const TRIAL_PX = 100

export class BigCue extends HTMLElement {
  #verb = h('p', { class: 'verb', 'aria-live': 'assertive' })
  #figure = h('p', { class: 'number' })
  #then = h('span', { class: 'then' })
  #next = h('span', { class: 'next' })
  #line = h('p', { class: 'line' }, this.#then, this.#next)
  #fitted = ''

  connectedCallback() {
    if (this.childElementCount) return
    this.append(this.#verb, this.#figure, this.#line)
    new ResizeObserver(() => this.#fit(true)).observe(this)
  }

  /** @param {Values} values */
  show({ verb, figure, then, next, field }) {
    if (this.#verb.dataset.text !== verb) {
      this.#verb.dataset.text = verb
      fill(this.#verb, ...verb.split(' ').map((word) => h('span', {}, `${word} `)))
    }
    put(this.#figure, figure)
    put(this.#then, then)
    put(this.#next, next)
    this.#line.hidden = !next
    this.#figure.hidden = !figure
    mark(this, 'data-field', field || null)
    this.#fit(false)
  }

  /** @param {boolean} anew the screen has changed */
  #fit(anew) {
    const shape = `${this.#verb.textContent} ${this.#figure.textContent.length} ${this.#next.textContent}`
    if (!this.clientWidth || (!anew && shape === this.#fitted)) return
    this.#fitted = shape
    const style = getComputedStyle(this)
    const wide = this.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight)
    const high = this.clientHeight
    const across = style.getPropertyValue('--across').trim() === '1'
    const rows = Array.from(this.#verb.children)
    const room = { wide: across ? wide * 0.58 : wide, high: high * (across ? 0.54 : 0.42) }
    // A word a row, or all in one: whichever can be larger.
    this.#verb.classList.remove('stacked')
    const inOne = size(this.#verb, [this.#verb], room.wide, room.high)
    this.#verb.classList.add('stacked')
    const stacked = size(this.#verb, rows, room.wide, room.high / rows.length)
    if (inOne > stacked) {
      this.#verb.classList.remove('stacked')
      this.#verb.style.fontSize = `${inOne}px`
    }
    size(this.#figure, [this.#figure], across ? wide * 0.38 : wide, high * (across ? 0.95 : 0.42))
    size(this.#next, [this.#next], room.wide - (across ? this.#then.offsetWidth + 12 : 0), high * (across ? 0.38 : 0.17))
  }
}

export function registerBigCue() {
  customElements.define('big-cue', BigCue)
}

/**
 * The largest size at which rows fit; a row is as high as its size.
 * @param {HTMLElement} element
 * @param {Element[]} rows
 * @param {number} wide
 * @param {number} high a row's
 * @returns {number} px
 */
function size(element, rows, wide, high) {
  element.style.fontSize = `${TRIAL_PX}px`
  const widest = Math.max(...rows.map((row) => row.getBoundingClientRect().width), 1)
  const fitting = Math.floor(Math.min((TRIAL_PX * wide) / widest, high))
  element.style.fontSize = `${fitting}px`
  return fitting
}
