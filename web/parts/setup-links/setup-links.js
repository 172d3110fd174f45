/**
 * Step 5, the links: the join code in big, and for each rider a code to scan and a link to copy.
 *
 * Usage:
 *   part.show(links, riders, code);   links as the server gave them, or null while the lobby is shut
 *   part.refuse(sentence);
 * Sends up: open-lobby.
 */

import { fill, h } from '../../lib/html.js'

/** @typedef {{ url: string, qr_svg: string }} Link */
/** @typedef {{ director: Link, riders: (Link & { rider: string, name: string })[], join: Link & { code: string } }} Links */

const WAITING = {
  shut: 'The lobby opens once there is a plan.',
  open: 'The lobby still has the plan from before: work it out again, and it gets the new one at once.',
}

export class SetupLinks extends HTMLElement {
  constructor() {
    super()
    this.openButton = h('button', { type: 'button', class: 'primary big' }, 'Open the lobby')
    this.waiting = h('p', { class: 'hint' })
    this.said = h('p', { class: 'refusal', 'aria-live': 'polite' })
    this.result = h('div', { class: 'links' })
  }

  connectedCallback() {
    if (this.childElementCount) return
    this.append(this.openButton, this.waiting, this.said, this.result)
    this.openButton.addEventListener('click', () => {
      this.said.textContent = ''
      this.dispatchEvent(new CustomEvent('open-lobby', { bubbles: true }))
    })
  }

  /** @param {string} sentence */
  refuse(sentence) {
    this.said.textContent = sentence
  }

  /**
   * @param {Links | null} links
   * @param {string} code
   * @param {boolean} planned   there is a plan to open the lobby with
   */
  show(links, code, planned) {
    this.openButton.hidden = links !== null
    this.openButton.toggleAttribute('disabled', !planned)
    this.waiting.textContent = planned ? '' : WAITING[links ? 'open' : 'shut']
    if (!links) {
      this.result.replaceChildren()
      return
    }
    const status = h('p', { class: 'unseen', 'aria-live': 'polite' })
    fill(
      this.result,
      h(
        'div',
        { class: 'join-sign' },
        h(
          'div',
          {},
          h('p', { class: 'label' }, 'Code to join'),
          h('p', { class: 'join-code' }, links.join.code || code),
          h('p', { class: 'join-url' }, plain(links.join.url)),
        ),
        qr(links.join, 'Code to scan: join this race'),
      ),
      h(
        'p',
        { class: 'links-doors' },
        h(
          'a',
          { class: 'button primary', href: here(links.director.url).replace('/desk/', '/lobby/') },
          'To the lobby',
        ),
        h('a', { class: 'button', href: here(links.director.url) }, 'To the desk'),
        this.copy('Copy the director’s link', links.director.url, status),
      ),
      onlyHere(links.join.url)
        ? h(
            'p',
            { class: 'caution' },
            'These links work on this machine alone. For phones, end swingoff and start it again with ',
            h('code', {}, '--host 0.0.0.0'),
            '; races are kept.',
          )
        : null,
      h(
        'p',
        { class: 'caution' },
        'A link is a key: whoever has it can speak for its owner. The director’s link belongs to directors only.',
      ),
      h(
        'ul',
        { class: 'rider-links' },
        ...links.riders.map((link) =>
          h(
            'li',
            {},
            h('p', { class: 'rider-name' }, link.name),
            qr(link, `Code to scan: ${link.name}’s own link`),
            this.copy('Copy link', link.url, status, `Copy ${link.name}’s link`),
          ),
        ),
      ),
      status,
    )
  }

  /**
   * @param {string} words
   * @param {string} url
   * @param {HTMLElement} status
   * @param {string} [aloud]
   */
  copy(words, url, status, aloud) {
    const button = h('button', { type: 'button', 'aria-label': aloud ?? words }, words)
    button.addEventListener('click', async () => {
      try {
        await navigator.clipboard.writeText(url)
        button.textContent = 'Copied'
        status.textContent = 'The link is copied.'
      } catch {
        // Without a secure address the clipboard is shut: show the link, ready to be taken by hand.
        const field = h('input', { type: 'text', readonly: true, value: url, 'aria-label': aloud ?? words })
        button.replaceWith(field)
        field.focus()
        field.select()
      }
    })
    button.addEventListener('blur', () => (button.textContent = words))
    return button
  }
}

/**
 * @param {Link} link
 * @param {string} words
 */
function qr(link, words) {
  const src = `data:image/svg+xml;charset=utf-8,${encodeURIComponent(link.qr_svg)}`
  return h('img', { class: 'qr', alt: words, src, width: '160', height: '160' })
}

/**
 * The same page at the address this browser uses already: what it keeps, it keeps there.
 * @param {string} url
 */
function here(url) {
  const { pathname, hash } = new URL(url, location.href)
  return pathname + hash
}

/**
 * Whether only the machine that serves can follow a link.
 * @param {string} url
 */
function onlyHere(url) {
  return /^(localhost|127\.|\[::1\])/.test(new URL(url, location.href).host)
}

/** @param {string} url */
function plain(url) {
  return url.replace(/^https?:\/\//, '').replace(/#.*$/, '')
}

customElements.define('setup-links', SetupLinks)
