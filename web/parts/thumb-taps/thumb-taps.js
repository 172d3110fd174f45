/**
 * What a rider can say with a thumb: good, empty, lost the wheel, back on, and, held down, must stop.
 *
 *     <thumb-taps></thumb-taps>
 *     taps.show({ words, leading })
 *
 * Event: `say` {what}: good, empty, lost, off, back or stop.
 */

import { h, put } from '../../lib/html.js'

/** @typedef {import('../big-cue/words.js').Words} Words */

const SAYINGS = /** @type {const} */ (['good', 'empty', 'lost', 'back'])

export class ThumbTaps extends HTMLElement {
  #leading = false
  #buttons = SAYINGS.map((what) => h('button', { type: 'button', dataset: { what }, onclick: () => this.#say(what) }))
  #stopWord = h('span')
  #stopHow = h('small')
  #stop = h('button', {
    type: 'button', class: 'stop', dataset: { what: 'stop' },
    onpointerdown: () => this.#hold(), onpointerup: () => this.#release(), onpointerleave: () => this.#release(),
    onpointercancel: () => this.#release(), oncontextmenu: (/** @type {Event} */ event) => event.preventDefault(),
    onkeydown: (/** @type {KeyboardEvent} */ event) => event.key === 'Enter' && this.#hold(),
    onkeyup: () => this.#release(), onblur: () => this.#release(),
  }, this.#stopWord, ' ', this.#stopHow)

  connectedCallback() {
    if (this.childElementCount) return
    this.append(...this.#buttons, this.#stop)
    // The bar that fills is the time to hold: when it is full, the hold is over. No timer, and nothing to keep in step.
    this.#stop.addEventListener('animationend', () => {
      this.#release()
      this.#say('stop')
    })
  }

  /** @param {{ words: Words, leading: boolean }} values */
  show({ words, leading }) {
    this.#leading = leading
    for (const button of this.#buttons) {
      const what = /** @type {typeof SAYINGS[number]} */ (button.dataset.what)
      put(button, words.taps[what === 'lost' && leading ? 'off' : what])
    }
    put(this.#stopWord, words.taps.stop)
    put(this.#stopHow, words.taps.hold)
  }

  #hold() {
    this.#stop.classList.add('held')
  }

  #release() {
    this.#stop.classList.remove('held')
  }

  /** @param {typeof SAYINGS[number] | 'stop'} what */
  #say(what) {
    // Who leads has no wheel to lose: there the same place on the glass says "I'm off".
    const said = what === 'lost' && this.#leading ? 'off' : what
    navigator.vibrate?.(30)
    this.dispatchEvent(new CustomEvent('say', { detail: { what: said }, bubbles: true }))
  }
}

export function registerThumbTaps() {
  customElements.define('thumb-taps', ThumbTaps)
}
