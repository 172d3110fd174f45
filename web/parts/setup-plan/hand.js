/** A plan's turns as fields, and its order with a way to move each rider: what a director changes by hand. */

import { h } from '../../lib/html.js'
import { readNumber } from '../../lib/cells.js'
import { namesOf } from './tables.js'

/** @typedef {import('../../lib/messages.js').PlanCard} PlanCard */
/** @typedef {{ order: string[] | null, turns: { stretch: number, rider: string, length_s: number }[], trouble: string }} HandAsk */

export class HandTable {
  /**
   * @param {PlanCard} plan
   * @param {readonly { id: string, name: string }[]} riders
   */
  constructor(plan, riders) {
    this.plan = plan
    this.names = namesOf(riders)
    this.order = [...plan.order]
    /** @type {Map<string, string>} texts by "stretch rider" */
    this.typed = new Map()
    this.root = h('table', { class: 'sheet hand' })
    this.draw()
  }

  draw() {
    this.root.replaceChildren(
      h(
        'thead',
        {},
        h(
          'tr',
          {},
          h('th', { scope: 'col' }, 'Order at the gun'),
          ...this.plan.rules.map((rule) => h('th', { scope: 'col', class: 'number' }, h('b', {}, rule.name), h('span', {}, 's'))),
        ),
      ),
      h('tbody', {}, ...this.order.map((rider, place) => this.row(rider, place))),
    )
  }

  /**
   * @param {string} rider
   * @param {number} place
   */
  row(rider, place) {
    const name = this.names.get(rider) ?? rider
    return h(
      'tr',
      {},
      h(
        'th',
        { scope: 'row' },
        h('span', { class: 'hand-move' }, this.move(rider, place, -1, `Move ${name} forward`, '↑'), this.move(rider, place, 1, `Move ${name} back`, '↓')),
        name,
      ),
      ...this.plan.rules.map((rule, stretch) => {
        const planned = rule.turns.find((turn) => turn.rider === rider)?.length_s ?? 0
        const key = `${stretch} ${rider}`
        const input = h('input', {
          type: 'text',
          inputmode: 'numeric',
          autocomplete: 'off',
          maxlength: '5',
          'aria-label': `${name} on ${rule.name}, seconds`,
        })
        input.value = this.typed.get(key) ?? String(planned)
        input.addEventListener('input', () => this.typed.set(key, input.value))
        return h('td', { class: 'number' }, input)
      }),
    )
  }

  /**
   * @param {string} rider
   * @param {number} place
   * @param {number} by
   * @param {string} words
   * @param {string} sign
   */
  move(rider, place, by, words, sign) {
    const other = this.order[place + by]
    const button = h('button', { type: 'button', class: 'quiet', 'aria-label': words, disabled: other === undefined }, sign)
    button.addEventListener('click', () => {
      if (other === undefined) return
      this.order[place] = other
      this.order[place + by] = rider
      this.draw()
      const again = Array.from(this.root.querySelectorAll('button')).find((one) => one.getAttribute('aria-label') === words)
      again?.focus()
    })
    return button
  }

  /** What is to be tried: the turns that differ, and the order if it does. @returns {HandAsk} */
  get asked() {
    const turns = []
    for (const [key, text] of this.typed) {
      const stretch = Number(key.slice(0, key.indexOf(' ')))
      const rider = key.slice(key.indexOf(' ') + 1)
      const number = readNumber(text)
      if (number === null || Number.isNaN(number)) {
        const place = `${this.names.get(rider) ?? rider} on ${this.plan.rules[stretch]?.name}`
        const trouble = `${place}: found “${text.slice(0, 20)}”; expected seconds, 0 for a rider who only follows`
        return { order: null, turns: [], trouble }
      }
      turns.push({ stretch, rider, length_s: number })
    }
    const same = this.order.every((rider, place) => rider === this.plan.order[place])
    return { order: same ? null : [...this.order], turns, trouble: '' }
  }
}
