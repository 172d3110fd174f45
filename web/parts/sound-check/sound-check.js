/**
 * The sound check: play, ask, believe only the answer.
 *
 *     <sound-check></sound-check>
 *     check.show({ heard })
 *
 * Events: `play`, `heard` {heard}.
 */

import { h, put } from '../../lib/html.js'

export class SoundCheck extends HTMLElement {
  #play = h('button', { type: 'button', class: 'play', onclick: () => this.#ask() }, 'Play the sound')
  #question = h('div', { class: 'row', hidden: true }, h('strong', {}, 'Heard it?'),
    h('button', { type: 'button', onclick: () => this.#answer(true) }, 'Yes, heard'),
    h('button', { type: 'button', onclick: () => this.#answer(false) }, 'No'))
  #note = h('p', { class: 'soft', role: 'status' }, 'Put the earpiece in first. Only a cue that is heard counts.')

  connectedCallback() {
    if (!this.childElementCount) this.append(h('div', { class: 'row' }, this.#play, this.#question), this.#note)
  }

  /** @param {{ heard: boolean | null, blocked: boolean }} values heard: null before any answer */
  show({ heard, blocked }) {
    if (blocked) put(this.#note, 'This browser lets no sound out yet. Press again; if it stays so, allow sound for this page.')
    else if (heard) put(this.#note, 'Heard. Play it again whenever the earpiece or the volume changes.')
    else if (heard === false) {
      put(this.#note, 'Turn the volume up, switch silent mode off, see where the sound goes to, and play it again. Everything is on the screen as well.')
    }
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
