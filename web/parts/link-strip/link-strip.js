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
  /** @type {Map<string, string>} what a person has read and put away; the same sentence doesn't come back */
  #read = new Map()
  #list = h('ul', { role: 'status', 'aria-live': 'assertive' })

  connectedCallback() {
    if (!this.#list.isConnected) this.append(this.#list)
  }

  /** @param {string} subject @param {string} sentence empty takes it away */
  say(subject, sentence) {
    if (!sentence) this.#read.delete(subject)
    if ((this.#lines.get(subject) ?? '') === sentence || (sentence && this.#read.get(subject) === sentence)) return
    if (sentence) this.#lines.set(subject, sentence)
    else this.#lines.delete(subject)
    each(this.#list, [...this.#lines], ([key]) => key,
      ([key]) => h('li', {}, h('span', {}), h('button', {
        type: 'button', class: 'quiet', 'aria-label': 'Take this message away', onclick: () => this.#putAway(key),
      }, 'Close')),
      (row, [, text]) => {
        const words = row.firstElementChild
        if (words) put(words, text)
      })
  }

  /** @param {string} subject */
  #putAway(subject) {
    const sentence = this.#lines.get(subject) ?? ''
    this.say(subject, '')
    this.#read.set(subject, sentence)
  }
}

export function registerLinkStrip() {
  customElements.define('link-strip', LinkStrip)
}
