/**
 * The figures of a race's rules: how each is called, in which unit people give it, and what that is for the server.
 * Which range a figure may lie in is the server's to say.
 */

import { readNumber, refusalInUnit, writeNumber } from '../../lib/cells.js'

export const SLOTS = 10

/**
 * Texts as typed, one a key.
 * @typedef {Record<string, string>} TypedRules
 */

/**
 * @typedef {object} RuleFigure
 * @property {string} key
 * @property {'limits' | 'air' | 'shelter' | 'more'} group
 * @property {string} label
 * @property {string} [unit]
 * @property {string} [hint]
 * @property {number} scale       what people type times this is what the server takes
 * @property {number} decimals
 * @property {boolean} [maybe]    may be left empty
 * @property {[string, string][]} [choices]
 * @property {string} refused     how the server's sentence calls it
 */

/** @type {RuleFigure[]} */
export const RULES = [
  {
    key: 'shortest_turn_s',
    group: 'limits',
    label: 'Shortest turn',
    unit: 's',
    scale: 1,
    decimals: 0,
    refused: 'shortest turn',
  },
  {
    key: 'longest_turn_s',
    group: 'limits',
    label: 'Longest turn',
    unit: 's',
    scale: 1,
    decimals: 0,
    refused: 'longest turn',
  },
  {
    key: 'reserve_margin',
    group: 'limits',
    label: 'Keep in reserve',
    unit: '% of W′',
    hint: 'Nobody who must finish goes below this.',
    scale: 0.01,
    decimals: 1,
    refused: 'reserve margin',
  },
  {
    key: 'temperature_c',
    group: 'air',
    label: 'Temperature',
    unit: '°C',
    scale: 1,
    decimals: 1,
    refused: 'temperature',
  },
  {
    key: 'wind_mps',
    group: 'air',
    label: 'Head wind',
    unit: 'km/h',
    hint: 'Along the whole course; a tail wind has a minus.',
    scale: 1 / 3.6,
    decimals: 1,
    refused: 'wind',
  },
  {
    key: 'pressure_hpa',
    group: 'air',
    label: 'Air pressure',
    unit: 'hPa',
    hint: 'At the course. Empty: what is usual at its height.',
    scale: 1,
    decimals: 1,
    maybe: true,
    refused: 'pressure',
  },
  {
    key: 'humidity',
    group: 'air',
    label: 'Humidity',
    unit: '%',
    scale: 0.01,
    decimals: 0,
    refused: 'humidity',
  },
  {
    key: 'shelter_efficiency',
    group: 'shelter',
    label: 'Shelter efficiency',
    unit: '%',
    hint: '90 suits a practised line. Lower it for gaps and corners; 0 is no shelter at all.',
    scale: 0.01,
    decimals: 1,
    refused: 'shelter efficiency',
  },
  {
    key: 'rolling',
    group: 'shelter',
    label: 'Rolling resistance',
    hint: '0.004 is a good tyre on ordinary road.',
    scale: 1,
    decimals: 5,
    refused: 'rolling',
  },
  {
    key: 'draw_per_turn',
    group: 'more',
    label: 'One turn may cost',
    unit: '% of W′',
    scale: 0.01,
    decimals: 1,
    refused: 'draw per turn',
  },
  {
    key: 'recovery',
    group: 'more',
    label: 'How W′ refills',
    hint: 'Published models disagree, by a factor of two and more. The margin is for that.',
    choices: [
      ['differential-2015', 'differential, 2015 (default)'],
      ['integral-2012', 'integral, 2012 (slowest)'],
      ['elite-2018', 'elite constant, 2018 (fastest)'],
    ],
    scale: 1,
    decimals: 0,
    refused: 'recovery',
  },
  {
    key: 'closing_mps',
    group: 'more',
    label: 'Drifting: slower than the line by',
    unit: 'km/h',
    scale: 1 / 3.6,
    decimals: 2,
    refused: 'closing mps',
  },
  {
    key: 'latch_s',
    group: 'more',
    label: 'Latching on takes',
    unit: 's',
    scale: 1,
    decimals: 1,
    refused: 'latch',
  },
  {
    key: 'all_in_m',
    group: 'more',
    label: 'All in over the last',
    unit: 'm',
    scale: 1,
    decimals: 0,
    refused: 'all in',
  },
]

/**
 * The server's rules as they stand in the fields.
 * @param {Record<string, any>} rules
 * @returns {TypedRules}
 */
export function fromRules(rules) {
  /** @type {TypedRules} */
  const typed = { counted: String(rules.counted ?? '') }
  for (const rule of RULES) {
    const value = rules[rule.key]
    typed[rule.key] = rule.choices ? String(value ?? '') : writeNumber(scaled(value, 1 / rule.scale), rule.decimals)
  }
  typed.shelter_table = (rules.shelter_table ?? [])
    .map((/** @type {number} */ share) => writeNumber(share * 100, 2))
    .join(' ')
  return typed
}

/**
 * The rules for the server. Only to be asked when rulesTrouble() found none.
 * @param {TypedRules} typed
 */
export function toRules(typed) {
  /** @type {Record<string, unknown>} */
  const rules = { counted: Number(typed.counted) }
  for (const rule of RULES) {
    const text = typed[rule.key] ?? ''
    rules[rule.key] = rule.choices ? text : tidy(scaled(readNumber(text), rule.scale))
  }
  const slots = slotTexts(typed)
  rules.shelter_table = slots.length ? slots.map((text) => tidy((readNumber(text) ?? NaN) / 100)) : null
  return rules
}

/**
 * The first thing the fields themselves can tell is wrong; null if there is none.
 * @param {TypedRules} typed
 * @returns {{ key: string, sentence: string } | null}
 */
export function rulesTrouble(typed) {
  for (const rule of RULES) {
    const text = (typed[rule.key] ?? '').trim()
    if (rule.choices || (rule.maybe && text === '')) continue
    const number = readNumber(text)
    if (number === null) return { key: rule.key, sentence: `${rule.label}: found nothing; expected a number` }
    if (Number.isNaN(number)) {
      return { key: rule.key, sentence: `${rule.label}: found “${text.slice(0, 20)}”; expected a number` }
    }
  }
  for (const [index, text] of slotTexts(typed).entries()) {
    const number = readNumber(text)
    if (number === null || Number.isNaN(number)) {
      const sentence = `shelter table, slot ${index + 1}: found “${text}”; expected a number of per cent`
      return { key: 'shelter_table', sentence }
    }
  }
  return null
}

/**
 * Where a refusal of the server belongs, and the same in this form's words and units:
 * “race rules, reserve margin: found 0.9; expected 0 to 0.5”.
 * @param {string} sentence
 * @returns {{ key: string, sentence: string }}   key '' if it is about no field of ours
 */
export function placedRefusal(sentence) {
  const cut = sentence.indexOf(': found')
  const head = sentence.slice(0, cut).toLowerCase()
  if (head.includes('shelter table')) return { key: 'shelter_table', sentence: refusalInUnit(sentence, 100, '%') }
  if (head.endsWith('counted')) return { key: 'counted', sentence }
  const rule = RULES.find((one) => head.includes(one.refused))
  if (!rule) return { key: '', sentence }
  const own = `${rule.label}${sentence.slice(cut)}`
  return { key: rule.key, sentence: rule.choices ? own : refusalInUnit(own, 1 / rule.scale, rule.unit ?? '') }
}

/** @param {TypedRules} typed */
function slotTexts(typed) {
  const text = (typed.shelter_table ?? '').trimEnd()
  return text === '' ? [] : text.split(' ')
}

/**
 * @param {number | null | undefined} value
 * @param {number} factor
 */
function scaled(value, factor) {
  return value === null || value === undefined ? null : value * factor
}

/**
 * Without the dust of binary fractions: 0.1, not 0.1000000001.
 * @param {number | null} value
 */
function tidy(value) {
  return value === null ? null : Number(value.toPrecision(9))
}
