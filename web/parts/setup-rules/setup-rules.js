/**
 * Step 3, the race: whose time counts, what nobody may go below, how long turns are, the air, the shelter.
 *
 * Usage:
 *   part.show({ counted: '4', reserve_margin: '10', ... });   texts as typed, one a key of RULES
 *   part.refuse(sentence);                                    beside the field it is about; '' takes it away
 * Sends up: rules-typed (at every key), rules-changed (when a field is left); detail: the texts.
 */

import { h } from '../../lib/html.js'
import { freshId, makeField } from '../setup-fields/setup-fields.js'
import { RULES, SLOTS, placedRefusal, rulesTrouble } from './figures.js'

/** @typedef {import('./figures.js').TypedRules} TypedRules */

export class SetupRules extends HTMLElement {
  constructor() {
    super()
    /** @type {TypedRules} */
    this.typed = {}
    /** @type {Map<string, import('../setup-fields/setup-fields.js').Field>} */
    this.fields = new Map()
    this.counted = countedChoice()
    this.slots = slotFields()
    this.whole = h('p', { class: 'refusal', 'aria-live': 'polite' })
    this.more = h('details', { class: 'fold' })
  }

  connectedCallback() {
    if (this.childElementCount) return
    for (const rule of RULES) {
      this.fields.set(
        rule.key,
        makeField({
          key: rule.key,
          label: rule.label,
          unit: rule.unit,
          hint: rule.hint,
          choices: rule.choices,
          numeric: !rule.choices,
        }),
      )
    }
    const group = (/** @type {string} */ name) =>
      RULES.filter((rule) => rule.group === name).map((rule) => this.fields.get(rule.key)?.root)
    this.more.append(
      h('summary', {}, 'More: own shelter table, recovery, drift and latch'),
      h('div', { class: 'rules-grid' }, ...group('more')),
      this.slots.root,
    )
    this.append(
      this.counted.root,
      h('div', { class: 'rules-grid' }, ...group('limits')),
      h('h3', { class: 'rules-part' }, 'The air'),
      h('div', { class: 'rules-grid' }, ...group('air')),
      h('h3', { class: 'rules-part' }, 'The shelter'),
      h('div', { class: 'rules-grid' }, ...group('shelter')),
      this.more,
      this.whole,
    )
    this.addEventListener('input', () => {
      this.read()
      this.send('rules-typed')
    })
    this.addEventListener('change', () => {
      this.read()
      this.check()
      this.send('rules-changed')
    })
  }

  /** @param {TypedRules} typed */
  show(typed) {
    this.typed = { ...typed }
    this.counted.set(typed.counted ?? '')
    for (const [key, field] of this.fields) field.input.value = typed[key] ?? ''
    this.slots.set(typed.shelter_table ?? '')
    this.check()
  }

  read() {
    this.typed = { counted: this.counted.value, shelter_table: this.slots.value }
    for (const [key, field] of this.fields) this.typed[key] = field.input.value
  }

  /** @param {number} riders  how many there are: nobody behind the last can be counted */
  set riders(riders) {
    this.counted.limit(riders)
  }

  /** Say what the fields themselves can see. Answers whether the rules can be sent. */
  check() {
    const trouble = rulesTrouble(this.typed)
    this.say(trouble?.key ?? '', trouble?.sentence ?? '')
    return trouble === null
  }

  /** What keeps the rules from being sent, in a sentence; '' if nothing does. */
  get unfinished() {
    return rulesTrouble(this.typed)?.sentence ?? ''
  }

  /** @param {string} sentence */
  refuse(sentence) {
    if (!this.check() || !sentence) return
    const placed = placedRefusal(sentence)
    this.say(placed.key, placed.sentence)
  }

  /**
   * @param {string} key       of the field to say it beside; another one says it below all
   * @param {string} sentence
   */
  say(key, sentence) {
    for (const [name, field] of this.fields) field.refuse(name === key ? sentence : '')
    this.slots.refuse(key === 'shelter_table' ? sentence : '')
    this.counted.refuse(key === 'counted' ? sentence : '')
    const placed = this.fields.has(key) || key === 'shelter_table' || key === 'counted'
    this.whole.textContent = placed ? '' : sentence
    const field = this.fields.get(key)
    if (sentence && (key === 'shelter_table' || (field && this.more.contains(field.root)))) {
      this.more.setAttribute('open', '')
    }
  }

  /** @param {string} name */
  send(name) {
    this.dispatchEvent(new CustomEvent(name, { detail: this.typed, bubbles: true }))
  }
}

/** Whose time is the team's: one big figure a place. */
function countedChoice() {
  const name = freshId('counted')
  const inputs = Array.from({ length: SLOTS }, (_, index) =>
    h('input', { type: 'radio', name, value: String(index + 1), id: `${name}-${index + 1}`, class: 'unseen' }),
  )
  const said = h('p', { class: 'refusal', 'aria-live': 'polite' })
  const root = h(
    'fieldset',
    { class: 'counted' },
    h('legend', {}, 'The time counts on the wheel of rider number'),
    h(
      'div',
      { class: 'counted-row' },
      ...inputs.map((input) => h('span', {}, input, h('label', { for: input.id }, input.value))),
    ),
    h('p', { class: 'hint' }, 'Whoever is not needed for it may be spent before the finish.'),
    said,
  )
  return {
    root,
    get value() {
      return inputs.find((input) => input.checked)?.value ?? ''
    },
    /** @param {string} value */
    set(value) {
      for (const input of inputs) input.checked = input.value === value
    },
    /** @param {string} sentence */
    refuse(sentence) {
      said.textContent = sentence
    },
    /** @param {number} riders */
    limit(riders) {
      inputs.forEach((input, index) => {
        input.disabled = riders >= 2 && index >= riders && !input.checked
      })
    },
  }
}

/** The user's own share of solo drag by slot, in per cent. */
function slotFields() {
  const said = h('p', { class: 'refusal', id: freshId('slots-refusal'), 'aria-live': 'polite' })
  const inputs = Array.from({ length: SLOTS }, (_, index) =>
    h('input', {
      type: 'text',
      inputmode: 'decimal',
      autocomplete: 'off',
      id: freshId('slot'),
      'aria-label': `Slot ${index + 1}, per cent of solo drag`,
    }),
  )
  const root = h(
    'fieldset',
    { class: 'slots' },
    h('legend', {}, 'Own shelter table: drag in each slot, in % of riding alone'),
    h('p', { class: 'hint' }, 'Front first. Leave it empty to use the published one.'),
    h(
      'div',
      { class: 'slots-row' },
      ...inputs.map((input, index) => h('label', { for: input.id }, h('span', {}, String(index + 1)), input)),
    ),
    said,
  )
  return {
    root,
    get value() {
      const texts = inputs.map((input) => input.value.trim())
      while (texts.length && texts.at(-1) === '') texts.pop()
      return texts.join(' ')
    },
    /** @param {string} value */
    set(value) {
      const texts = value.split(' ')
      inputs.forEach((input, index) => (input.value = texts[index] ?? ''))
    },
    /** @param {string} sentence */
    refuse(sentence) {
      said.textContent = sentence
      for (const input of inputs) {
        input.toggleAttribute('aria-invalid', false)
        if (sentence && input.value.trim()) input.setAttribute('aria-invalid', 'true')
        if (sentence) input.setAttribute('aria-describedby', said.id)
        else input.removeAttribute('aria-describedby')
      }
    },
  }
}

customElements.define('setup-rules', SetupRules)
