/**
 * Who is here: one row a seat, in words, so that a glance tells who is missing.
 *
 *     <people-here></people-here>
 *     people.show({ roster, presence, you })
 */

import { each, h, put } from '../../lib/html.js'
import { riderTag } from '../rider-mark/rider-mark.js'

/** @typedef {import('../../lib/messages.js').RiderCard} RiderCard */
/** @typedef {import('../../lib/messages.js').Presence} Presence */
/** @typedef {{ key: string, card: RiderCard | null, here: Presence | null, own: boolean }} Seat */

export class PeopleHere extends HTMLElement {
  #list = h('ol', { 'aria-label': 'Who is here' })

  connectedCallback() {
    if (!this.#list.isConnected) this.append(this.#list)
  }

  /** @param {{ roster: readonly RiderCard[], here: readonly Presence[], own: string }} values own: seat of this page */
  show({ roster, here, own }) {
    const seated = new Map(here.map((one) => [seatOf(one.who), one]))
    /** @type {Seat[]} */
    const seats = ['director', ...roster.map((card) => card.id)].map((key) => ({
      key, card: roster.find((card) => card.id === key) ?? null, here: seated.get(key) ?? null, own: key === own,
    }))
    each(this.#list, seats, (seat) => seat.key,
      ({ card, own: mine }) => h('li', {}, h('span', { class: 'who' }, card ? riderTag(card) : 'Director', mine && h('span', { class: 'soft' }, ' you')),
        h('span', { class: 'device' }), h('span', { class: 'sound' }), h('span', { class: 'ready' })),
      (row, { card, here: one }) => {
        const [, device, sound, ready] = row.children
        if (!device || !sound || !ready) return
        const devices = one?.devices ?? 0
        put(device, devices === 0 ? 'not here' : devices === 1 ? 'here' : `${devices} devices`)
        put(sound, devices === 0 ? '' : one?.sound ? 'heard' : 'not heard yet')
        put(ready, one?.ready ? 'ready' : devices && card ? 'not ready' : '')
        ready.classList.toggle('now', one?.ready ?? false)
        row.classList.toggle('away', devices === 0)
      })
  }
}

export function registerPeopleHere() {
  customElements.define('people-here', PeopleHere)
}

/** A seat's key is "director" or "rider:maya"; riders are known by the latter half. @param {string} who */
function seatOf(who) {
  return who.replace(/^rider:/, '')
}
