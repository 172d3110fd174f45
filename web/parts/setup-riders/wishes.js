/**
 * The wishes below the riders' table: how each is to lead on the flat, on climbs, on descents. What a wish does to a
 * plan is the planner's to know.
 */

import { h } from '../../lib/html.js'
import { TERRAINS, WISHES, wishesOf } from './columns.js'

/** @typedef {import('./columns.js').TypedRider} TypedRider */

/**
 * Draw them anew for these rows; a choice goes into its row.
 * @param {HTMLDetailsElement} fold
 * @param {TypedRider[]} rows
 * @param {() => void} changed
 */
export function drawWishes(fold, rows, changed) {
  const summary = h('summary', {}, told(rows))
  const choices = (/** @type {TypedRider} */ row, /** @type {number} */ index) =>
    TERRAINS.map(([key, where]) => {
      const select = /** @type {HTMLSelectElement} */ (
        h(
          'select',
          { dataset: { where }, 'aria-label': labelOf(row.name, index, where) },
          ...WISHES.map(([wish, words]) => h('option', { value: wish }, words)),
        )
      )
      select.value = row[key] ?? 'planned'
      select.classList.toggle('wished', select.value !== 'planned')
      select.addEventListener('change', () => {
        row[key] = select.value
        select.classList.toggle('wished', select.value !== 'planned')
        summary.textContent = told(rows)
        changed()
      })
      return h('td', {}, select)
    })
  fold.replaceChildren(
    summary,
    h(
      'p',
      { class: 'hint' },
      'What you know of a rider that figures don’t say. Short turns are 15 s at most. The plan keeps to it, and the briefing says so.',
    ),
    h(
      'div',
      { class: 'scroll' },
      h(
        'table',
        { class: 'sheet wish-table' },
        h(
          'thead',
          {},
          h('tr', {}, h('th', { scope: 'col' }, 'Rider'), ...TERRAINS.map(([, where]) => h('th', { scope: 'col' }, where))),
        ),
        h(
          'tbody',
          {},
          ...rows.map((row, index) =>
            h('tr', {}, h('th', { scope: 'row' }, row.name || `Rider ${index + 1}`), ...choices(row, index)),
          ),
        ),
      ),
    ),
  )
}

/**
 * A rider has another name.
 * @param {HTMLDetailsElement} fold
 * @param {number} index
 * @param {string} name
 */
export function nameWish(fold, index, name) {
  const row = fold.querySelectorAll('tbody tr')[index]
  const head = row?.querySelector('th')
  if (head) head.textContent = name || `Rider ${index + 1}`
  for (const select of row?.querySelectorAll('select') ?? []) {
    select.setAttribute('aria-label', labelOf(name, index, select.dataset.where ?? ''))
  }
}

/**
 * @param {string} name
 * @param {number} index
 * @param {string} where
 */
function labelOf(name, index, where) {
  return `${name || `Rider ${index + 1}`} ${where}`
}

/** @param {TypedRider[]} rows */
function told(rows) {
  const words = rows
    .filter((row) => wishesOf(row))
    .map((row, index) => `${row.name || `rider ${index + 1}`} ${wishesOf(row)}`)
  return words.length ? `Wishes: ${words.join('; ')}` : 'A rider who should lead shortly somewhere, or not at all?'
}
