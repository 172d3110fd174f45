/** What each choice of a plan buys, as a short table. It says what was solved; it works out nothing. */

import { h } from '../../lib/html.js'
import { secondsOf } from '../../lib/cells.js'

/** @typedef {import('../../lib/messages.js').Effects} Effects */
/** @typedef {import('../../lib/messages.js').EffectCard} EffectCard */

/** @param {Effects} effects */
export function effectTable(effects) {
  return h(
    'table',
    { class: 'sheet effect-table' },
    h(
      'thead',
      {},
      h(
        'tr',
        {},
        h('th', { scope: 'col' }, 'The choice'),
        h('th', { scope: 'col' }, 'Solved without it'),
        h('th', { scope: 'col', class: 'number' }, 'It buys'),
      ),
    ),
    h(
      'tbody',
      {},
      ...effects.rows.map((row) =>
        h(
          'tr',
          { dataset: { effect: row.key } },
          h('th', { scope: 'row' }, row.words),
          h('td', {}, row.otherwise),
          h('td', { class: 'number' }, bought(row)),
        ),
      ),
    ),
  )
}

/** @param {EffectCard} row */
function bought(row) {
  if (row.gain_s === null) return 'everything: without it nobody holds'
  const figure = h('b', {}, row.gain_s < 0 ? `costs ${secondsOf(-row.gain_s)}` : secondsOf(row.gain_s))
  return row.tells ? figure : h('span', {}, 'too little to tell ', h('span', { class: 'soft' }, `(${secondsOf(row.gain_s)})`))
}
