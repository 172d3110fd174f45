/**
 * The banner: what a person must know of the connection, the voice and the last refusal. Empty when all is well.
 *
 *     <link-strip></link-strip>
 *     strip.say('voice', 'The voice is silent: …')    strip.say('voice', '')
 *
 * One sentence a subject; the subjects don't know each other.
 */

import { each, h, put } from '../../lib/html.js'

/** @typedef {{ subject: string, sentence: string }} Line */

export class LinkStrip extends HTMLElement {
  /** @type {Map<string, string>} */
  #lines = new Map()
  #list = h('ul', { role: 'status', 'aria-live': 'assertive' })

  connectedCallback() {
    if (!this.#list.isConnected) this.append(this.#list)
  }

  /** @param {string} subject @param {string} sentence empty takes it away */
  say(subject, sentence) {
    if ((this.#lines.get(subject) ?? '') === sentence) return
    if (sentence) this.#lines.set(subject, sentence)
    else this.#lines.delete(subject)
    each(this.#list, [...this.#lines], ([key]) => key,
      ([key]) => h('li', {}, h('span', {}), h('button', {
        type: 'button', class: 'quiet', 'aria-label': 'Take this message away', onclick: () => this.say(key, ''),
      }, 'Close')),
      (row, [, text]) => {
        const words = row.firstElementChild
        if (words) put(words, text)
      })
  }
}

export function registerLinkStrip() {
  customElements.define('link-strip', LinkStrip)
}
