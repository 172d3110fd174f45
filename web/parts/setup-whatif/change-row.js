/** One change to try: what it is about, and its figures. Which figures are allowed is the server's to say. */

import { h } from '../../lib/html.js'
import { readNumber, writeNumber } from '../../lib/cells.js'
import { RULES } from '../setup-rules/figures.js'
import { TERRAINS, WISHES } from '../setup-riders/columns.js'

/**
 * What can be changed: riders, the order as planned, the rules as the server has them, the form of the plan.
 * @typedef {{ riders: { id: string, name: string }[], order: string[], rules: Record<string, any>, form: string }} Offer
 */

/** @type {[string, string][]} */
const KINDS = [
  ['stronger', 'a rider is weaker or stronger'],
  ['without', 'a rider is left out'],
  ['wish', 'a rider leads otherwise'],
  ['rule', 'weather, shelter or a rule is otherwise'],
  ['order', 'the order is another'],
  ['form', 'the turns are to the second, or in steps'],
]

const COUNTED = 'counted'

export class ChangeRow {
  /**
   * @param {Offer} offer
   * @param {() => void} remove
   */
  constructor(offer, remove) {
    this.offered = offer
    this.kind = choice('What if', KINDS)
    this.fields = h('span', { class: 'change-fields' })
    this.drop = h('button', { type: 'button', class: 'quiet', 'aria-label': 'Leave this change out' }, 'Leave out')
    this.drop.addEventListener('click', remove)
    this.root = h('div', { class: 'change' }, this.kind, this.fields, this.drop)
    this.kind.addEventListener('change', () => this.draw())
    /** @type {string[]} */
    this.order = []
    this.draw()
  }

  /** @param {boolean} alone */
  set alone(alone) {
    this.drop.hidden = alone
  }

  /** Other riders, another plan. @param {Offer} offer */
  offer(offer) {
    const same = JSON.stringify([offer.riders, offer.order]) === JSON.stringify([this.offered.riders, this.offered.order])
    this.offered = offer
    if (!same) this.draw()
  }

  draw() {
    const { riders, order } = this.offered
    /** @type {[string, string][]} */
    const names = riders.map((rider) => [rider.id, rider.name])
    this.rider = choice('Rider', names)
    this.text = h('input', { type: 'text', inputmode: 'decimal', autocomplete: 'off', maxlength: '12', 'aria-label': 'By how many per cent' })
    switch (this.kind.value) {
      case 'without':
        this.fields.replaceChildren(this.rider)
        break
      case 'stronger':
        this.text.value = '-5'
        this.fields.replaceChildren(this.rider, h('span', { class: 'field-row' }, this.text, h('span', { class: 'unit' }, '% critical power and W′')))
        break
      case 'wish':
        this.terrain = choice('Where', TERRAINS)
        this.wish = choice(
          'How',
          WISHES.map(([wish, words]) => [wish, words]),
        )
        this.terrain.value = 'on_climbs'
        this.wish.value = 'none'
        this.fields.replaceChildren(this.rider, this.terrain, this.wish)
        break
      case 'rule':
        this.drawRule()
        break
      case 'order':
        this.order = order.length ? [...order] : riders.map((rider) => rider.id)
        this.drawOrder()
        break
      case 'form':
        this.form = choice('Turns', [
          ['free', 'to the second, as fast as it gets'],
          ['memorable', 'in steps of 5 s, short enough to remember'],
        ])
        this.form.value = this.offered.form === 'free' ? 'memorable' : 'free'
        this.fields.replaceChildren(this.form)
        break
    }
  }

  drawRule() {
    /** @type {[string, string][]} */
    const rules = RULES.map((rule) => [rule.key, `${rule.label}${rule.unit ? `, ${rule.unit}` : ''}`])
    const which = (this.rule = choice('Which', [['wind_mps', ''], [COUNTED, 'The time counts on number']]))
    which.replaceChildren(
      ...[/** @type {[string, string]} */ ([COUNTED, 'The time counts on number']), ...rules].map(([value, words]) => h('option', { value }, words)),
    )
    which.value = 'wind_mps'
    const figures = h('span', { class: 'field-row' })
    const show = () => {
      const rule = RULES.find((one) => one.key === which.value)
      const now = this.offered.rules[which.value]
      if (rule?.choices) {
        this.value = choice(rule.label, rule.choices)
        this.value.value = String(now)
      } else {
        this.value = h('input', { type: 'text', inputmode: 'decimal', autocomplete: 'off', maxlength: '12', 'aria-label': rule?.label ?? 'Number' })
        this.value.value = writeNumber(now === null || now === undefined ? null : Number(now) / (rule?.scale ?? 1), rule?.decimals ?? 0)
      }
      figures.replaceChildren(this.value, ...(rule?.unit ? [h('span', { class: 'unit' }, rule.unit)] : []))
    }
    which.addEventListener('change', show)
    show()
    this.fields.replaceChildren(which, figures)
  }

  drawOrder() {
    const names = new Map(this.offered.riders.map((rider) => [rider.id, rider.name]))
    this.fields.replaceChildren(
      h(
        'ol',
        { class: 'change-order' },
        ...this.order.map((rider, place) => {
          const name = names.get(rider) ?? rider
          const later = this.order[place + 1]
          const button = h('button', { type: 'button', class: 'quiet', 'aria-label': `Move ${name} back`, disabled: later === undefined }, '↓')
          button.addEventListener('click', () => {
            if (later === undefined) return
            this.order[place] = later
            this.order[place + 1] = rider
            this.drawOrder()
          })
          return h('li', {}, h('span', {}, `${place + 1} ${name}`), button)
        }),
      ),
    )
  }

  /**
   * Put the change into what is asked for. Answers what is wrong with it, in a sentence; '' if nothing is.
   * @param {Record<string, any>} ask
   */
  into(ask) {
    const rider = this.rider?.value ?? ''
    switch (this.kind.value) {
      case 'without':
        ask.without = [...(ask.without ?? []), rider]
        return ''
      case 'stronger': {
        const percent = readNumber(this.text?.value ?? '')
        if (percent === null || Number.isNaN(percent)) return numberSentence('per cent', this.text?.value)
        merge(ask, rider, { stronger: percent / 100 })
        return ''
      }
      case 'wish':
        merge(ask, rider, { [this.terrain?.value ?? '']: this.wish?.value })
        return ''
      case 'rule': {
        const key = this.rule?.value ?? ''
        const rule = RULES.find((one) => one.key === key)
        const text = this.value?.value ?? ''
        const number = rule?.choices ? 0 : readNumber(text)
        if (Number.isNaN(number) || (number === null && !rule?.maybe)) return numberSentence(rule?.label ?? 'the rule', text)
        const value = rule?.choices ? text : number === null ? null : Number((number * (rule?.scale ?? 1)).toPrecision(9))
        ask.rules = { ...ask.rules, [key]: value }
        return ''
      }
      case 'order':
        ask.order = [...this.order]
        return ''
      default:
        ask.form = this.form?.value
        return ''
    }
  }
}

/**
 * @param {Record<string, any>} ask
 * @param {string} rider
 * @param {Record<string, unknown>} change
 */
function merge(ask, rider, change) {
  const others = (ask.riders ?? []).filter((/** @type {any} */ one) => one.rider !== rider)
  const before = (ask.riders ?? []).find((/** @type {any} */ one) => one.rider === rider) ?? { rider }
  ask.riders = [...others, { ...before, ...change }]
}

/**
 * @param {string} what
 * @param {string | undefined} text
 */
function numberSentence(what, text) {
  return `${what}: found ${text?.trim() ? `“${text.slice(0, 20)}”` : 'nothing'}; expected a number`
}

/**
 * @param {string} label
 * @param {readonly (readonly [string, string])[]} choices
 */
function choice(label, choices) {
  return /** @type {HTMLSelectElement} */ (
    h('select', { 'aria-label': label }, ...choices.map(([value, words]) => h('option', { value }, words)))
  )
}
