/** One thing that differs, in the words and units of the set-up's own fields. */

import { RULES } from '../setup-rules/figures.js'
import { COLUMNS, TERRAINS, WISHES } from '../setup-riders/columns.js'
import { writeNumber } from '../../lib/cells.js'

/** @typedef {import('../../lib/messages.js').ChangeCard} ChangeCard */

/** Which column of the riders' table holds a figure of the server. @type {Record<string, { key: string, factor: number, decimals: number }>} */
const FIGURES = {
  mass_kg: { key: 'mass', factor: 1, decimals: 1 },
  critical_power_w: { key: 'power', factor: 1, decimals: 0 },
  w_prime_j: { key: 'reserve', factor: 0.001, decimals: 1 },
  bike_mass_kg: { key: 'bike', factor: 1, decimals: 1 },
}

/** @type {Record<string, string>} */
const FORMS = { memorable: 'turns short enough to remember', free: 'any turn length' }

/**
 * @param {ChangeCard} change
 * @returns {string}
 */
export function changeWords(change) {
  switch (change.kind) {
    case 'without':
      return `without ${change.rider}`
    case 'with':
      return `with ${change.rider}`
    case 'order':
      return `in the order ${change.after}`
    case 'form':
      return FORMS[String(change.after)] ?? String(change.after)
    case 'by_hand':
      return 'the plan’s turns, ridden as they hold'
    case 'turn':
      return `${change.rider} on ${change.key}: ${change.after} s instead of ${change.before} s`
    case 'rule':
      return ruleWords(change)
    case 'figure':
      return figureWords(change)
  }
}

/** @param {ChangeCard} change */
function ruleWords({ key, before, after }) {
  if (key === 'counted') return `the time counts on number ${after}, not ${before}`
  if (key === 'shelter_table') return after ? 'an own shelter table' : 'the published shelter'
  const rule = RULES.find((one) => one.key === key)
  if (!rule) return `${key.replaceAll('_', ' ')}: ${after} instead of ${before}`
  const text = (/** @type {unknown} */ value) => {
    if (value === null || value === undefined) return 'usual'
    if (rule.choices) return rule.choices.find(([choice]) => choice === value)?.[1] ?? String(value)
    return `${writeNumber(Number(value) / rule.scale, rule.decimals)} ${rule.unit ?? ''}`.trimEnd()
  }
  return `${rule.label}: ${text(after)} instead of ${text(before)}`
}

/** @param {ChangeCard} change */
function figureWords({ rider, key, before, after }) {
  if (key === 'stronger') {
    return `${rider} ${writeNumber(Math.abs(Number(after)) * 100, 1)} % ${Number(after) < 0 ? 'weaker' : 'stronger'}`
  }
  const terrain = TERRAINS.find(([one]) => one === key)
  if (terrain) return `${rider} ${WISHES.find(([wish]) => wish === after)?.[2] ?? after} ${terrain[1]}`
  if (key === 'drag_area_m2') return `${rider}: drag area ${after} m² instead of ${before} m²`
  const figure = FIGURES[key]
  const column = COLUMNS.find((one) => one.key === figure?.key)
  if (!figure || !column) return `${rider}: ${key} ${after} instead of ${before}`
  const text = (/** @type {unknown} */ value) => writeNumber(Number(value) * figure.factor, figure.decimals)
  return `${rider}: ${column.label} ${text(after)} instead of ${text(before)} ${column.unit}`
}
