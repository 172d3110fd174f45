/**
 * The sound check: play, ask, believe only the answer.
 *
 *     <sound-check></sound-check>
 *     check.show({ heard, blocked })
 *     check.frame(open)                whether the browser lets us sound at all; before the first touch it may not
 *
 * Events: `play`, `heard` {heard}.
 */

import { h, put } from '../../lib/html.js'

export class SoundCheck extends HTMLElement {
  #play = h('button', { type: 'button', class: 'play', onclick: () => this.#ask() }, 'Play the sound')
  #question = h('div', { class: 'row', hidden: true }, h('strong', {}, 'Heard it?'),
    h('button', { type: 'button', onclick: () => this.#answer(true) }, 'Yes, heard'),
    h('button', { type: 'button', onclick: () => this.#answer(false) }, 'No'))
  #note = h('p', { class: 'soft', role: 'status' })
  /** Whether it was pressed and no sound came out even so. */
  #tried = false
  #words = 'Put the earpiece in first. Only a cue that is heard counts.'

  connectedCallback() {
    if (!this.childElementCount) this.append(h('div', { class: 'row' }, this.#play, this.#question), this.#note)
  }

  /** @param {{ heard: boolean | null, blocked: boolean }} values heard: null before any answer */
  show({ heard, blocked }) {
    this.#tried = blocked
    if (blocked) this.#words = 'This browser lets no sound out yet. Press again; if it stays so, allow sound for this page.'
    else if (heard) this.#words = 'Heard. Play it again whenever the earpiece or the volume changes.'
    else if (heard === false) {
      this.#words = 'Turn the volume up, switch silent mode off, see where the sound goes to, and play it again. Everything is on the screen as well.'
    }
  }

  /** @param {boolean} open */
  frame(open) {
    const wait = !open && !this.#tried
    put(this.#note, wait ? 'Sound is blocked: tap once.' : this.#words)
    this.#note.classList.toggle('blocked', wait)
  }

  #ask() {
    this.#question.hidden = false
    this.dispatchEvent(new CustomEvent('play', { bubbles: true }))
  }

  /** @param {boolean} heard */
  #answer(heard) {
    this.#question.hidden = heard
    this.dispatchEvent(new CustomEvent('heard', { detail: { heard }, bubbles: true }))
  }
}

export function registerSoundCheck() {
  customElements.define('sound-check', SoundCheck)
}
