/**
 * A plan as tables: who leads how long and how hard on each stretch, when which place is passed, what is left.
 * For the set-up page and the briefing. It arranges what the server worked out and works out nothing of a race.
 */

import { h } from '../../lib/html.js'
import { clockOf, gradeOf, kmOf } from '../../lib/cells.js'
import { letterOf } from '../setup-silhouette/setup-silhouette.js'

/** @typedef {import('../../lib/messages.js').PlanCard} PlanCard */
/** @typedef {import('../../lib/messages.js').CourseCard} CourseCard */
/** @typedef {import('../../lib/messages.js').RuleCard} RuleCard */
/** @typedef {{ id: string, name: string }} Named */

/** A stretch that begins this near a landmark needs no line of its own. */
const SAME_PLACE_M = 100

/** Who lets the line go no sooner finishes with it, empty. */
const AT_THE_FINISH_M = 100

/**
 * When the plan expects the front of the line at a place: between two marks of its schedule, in proportion.
 * @param {PlanCard} plan
 * @param {number} at_m
 */
export function timeAt(plan, at_m) {
  const after = plan.schedule.findIndex(([mark_m]) => mark_m >= at_m)
  const [m_after, s_after] = plan.schedule[after] ?? plan.schedule.at(-1) ?? [0, 0]
  const [m_before, s_before] = plan.schedule[after - 1] ?? [0, 0]
  if (after <= 0 || m_after === m_before) return s_after
  return s_before + ((at_m - m_before) / (m_after - m_before)) * (s_after - s_before)
}

/**
 * The terrain under a rule of the plan: that of the course's stretch around its middle.
 * @param {CourseCard | null} course
 * @param {RuleCard} rule
 */
export function stretchUnder(course, rule) {
  const middle_m = (rule.start_m + rule.end_m) / 2
  return course?.stretches.find((stretch) => stretch.start_m <= middle_m && middle_m <= stretch.end_m)
}

/**
 * Rider by stretch: seconds and watts.
 * @param {PlanCard} plan
 * @param {CourseCard | null} course
 * @param {readonly Named[]} riders
 */
export function turnTable(plan, course, riders) {
  const names = namesOf(riders)
  return h(
    'table',
    { class: 'sheet turns' },
    h('caption', {}, 'Turns: seconds on the front, and watts there'),
    h(
      'thead',
      {},
      h(
        'tr',
        {},
        h('th', { scope: 'col' }, 'In this order'),
        ...plan.rules.map((rule) => {
          const under = stretchUnder(course, rule)
          return h(
            'th',
            { scope: 'col', class: 'number', 'data-terrain': under?.terrain },
            h('b', {}, rule.name),
            h('span', {}, `km ${kmOf(rule.start_m)}–${kmOf(rule.end_m)}`),
            h('span', {}, under && under.terrain !== 'flat' ? gradeOf(under.mean_grade) : 'flat'),
            h('span', {}, `${(rule.speed_mps * 3.6).toFixed(1)} km/h`),
          )
        }),
      ),
    ),
    h(
      'tbody',
      {},
      ...plan.order.map((rider, place) =>
        h(
          'tr',
          {},
          h('th', { scope: 'row' }, h('span', { class: 'place' }, String(place + 1)), names.get(rider) ?? rider),
          ...plan.rules.map((rule) => turnCell(plan, rule, rider)),
        ),
      ),
    ),
  )
}

/**
 * The same, a row a stretch: what fits on paper, with the time each stretch begins.
 * @param {PlanCard} plan
 * @param {CourseCard | null} course
 * @param {readonly Named[]} riders
 */
export function turnSheet(plan, course, riders) {
  const names = namesOf(riders)
  return h(
    'table',
    { class: 'sheet turns' },
    h('caption', {}, 'Turns in this order: seconds on the front, and watts there'),
    h(
      'thead',
      {},
      h(
        'tr',
        {},
        h('th', { scope: 'col' }, 'Stretch'),
        h('th', { scope: 'col', class: 'number' }, 'from'),
        h('th', { scope: 'col', class: 'number' }, 'km/h'),
        ...plan.order.map((rider) => h('th', { scope: 'col', class: 'number' }, h('b', {}, names.get(rider) ?? rider))),
      ),
    ),
    h(
      'tbody',
      {},
      ...plan.rules.map((rule) => {
        const under = stretchUnder(course, rule)
        const grade = under && under.terrain !== 'flat' ? `, ${gradeOf(under.mean_grade)}` : ''
        return h(
          'tr',
          { 'data-terrain': under?.terrain },
          h('th', { scope: 'row' }, rule.name, h('span', {}, `km ${kmOf(rule.start_m)}–${kmOf(rule.end_m)}${grade}`)),
          h('td', { class: 'number' }, clockOf(timeAt(plan, rule.start_m))),
          h('td', { class: 'number' }, (rule.speed_mps * 3.6).toFixed(0)),
          ...plan.order.map((rider) => turnCell(plan, rule, rider)),
        )
      }),
    ),
  )
}

/**
 * When each landmark is passed, as a list that runs in columns.
 * @param {PlanCard} plan
 * @param {CourseCard} course
 */
export function landmarkTimes(plan, course) {
  const places = [...course.landmarks, { name: 'Finish', at_m: course.length_m }]
  return h(
    'ol',
    { class: 'landmark-times', 'aria-label': 'When we are where' },
    ...places.map((place, index) =>
      h(
        'li',
        {},
        h('b', {}, index < course.landmarks.length ? letterOf(index) : ''),
        h('span', {}, place.name),
        h('span', {}, kmOf(place.at_m)),
        h('b', {}, clockOf(index < course.landmarks.length ? timeAt(plan, place.at_m) : plan.finish_s)),
      ),
    ),
  )
}

/**
 * Whether a rider who need not finish has let the line go before a stretch.
 * @param {PlanCard} plan
 * @param {RuleCard} rule
 * @param {string} rider
 */
export function isGone(plan, rule, rider) {
  const from_m = (plan.spent ?? []).find(([id]) => id === rider)?.[1]
  if (from_m === undefined || from_m > rule.start_m) return false
  return !(plan.turns ?? []).some((turn) => turn.rider === rider && turn.end_m > rule.start_m + SAME_PLACE_M)
}

/**
 * @param {PlanCard} plan
 * @param {RuleCard} rule
 * @param {string} rider
 */
function turnCell(plan, rule, rider) {
  if (isGone(plan, rule, rider)) return h('td', { class: 'number follows' }, 'gone')
  const turn = rule.turns.find((one) => one.rider === rider)
  if (!turn || turn.length_s === 0) return h('td', { class: 'number follows' }, 'follows')
  return h(
    'td',
    { class: 'number' },
    h('b', {}, `${Math.round(turn.length_s)} s`),
    h('span', {}, `${Math.round(turn.power_w)} W`),
  )
}

/**
 * When the line passes each landmark and each stretch's beginning.
 * @param {PlanCard} plan
 * @param {CourseCard} course
 */
export function timeTable(plan, course) {
  const marks = course.landmarks.map((one) => ({ name: one.name, at_m: one.at_m, mark: true }))
  const starts = plan.rules
    .slice(1)
    .map((rule) => ({ name: `${rule.name} begins`, at_m: rule.start_m, mark: false }))
    .filter((start) => marks.every((mark) => Math.abs(mark.at_m - start.at_m) > SAME_PLACE_M))
  const places = [...marks, ...starts].sort((one, other) => one.at_m - other.at_m)
  const row = (/** @type {string} */ name, /** @type {number} */ at_m, /** @type {string} */ time, mark = false) =>
    h(
      'tr',
      { class: mark ? 'landmark' : null },
      h('th', { scope: 'row' }, name),
      h('td', { class: 'number' }, kmOf(at_m)),
      h('td', { class: 'number time' }, time),
    )
  return h(
    'table',
    { class: 'sheet times' },
    h('caption', {}, 'When we are where'),
    h(
      'thead',
      {},
      h(
        'tr',
        {},
        h('th', { scope: 'col' }, 'Place'),
        h('th', { scope: 'col', class: 'number' }, 'km'),
        h('th', { scope: 'col', class: 'number' }, 'Time'),
      ),
    ),
    h(
      'tbody',
      {},
      row('Start', 0, '0:00'),
      ...places.map((place) => row(place.name, place.at_m, clockOf(timeAt(plan, place.at_m)), place.mark)),
      row('Finish', course.length_m, clockOf(plan.finish_s)),
    ),
  )
}

/**
 * The worst moment of each rider, in words.
 * @param {PlanCard} plan
 * @param {readonly Named[]} riders
 * @param {number} margin  share of W′ nobody who must finish goes below
 */
export function worstMoments(plan, riders, margin) {
  const names = namesOf(riders)
  const spent = new Map(plan.spent ?? [])
  return h(
    'div',
    { class: 'worst' },
    h('h3', {}, 'The worst moment of each'),
    h(
      'ul',
      {},
      ...plan.order.map((rider) => {
        const reserve = plan.reserves.find((one) => one.rider === rider)
        if (!reserve) return null
        const where = reserve.least_at_m === null ? '' : ` at ${kmOf(reserve.least_at_m)} km`
        const left = reserve.w_prime_j ? `${((reserve.least * reserve.w_prime_j) / 1000).toFixed(1)} kJ left, ` : ''
        const from_m = spent.get(rider)
        const gone = from_m === undefined ? '' : `; need not finish: ${spentWords(plan, from_m)}`
        return h(
          'li',
          {},
          h('b', {}, names.get(rider) ?? rider),
          `: least${where}, ${left}${Math.round(reserve.least * 100)} % of W′${gone}`,
        )
      }),
    ),
    h('p', { class: 'hint' }, `Nobody who must finish goes below ${Math.round(margin * 100)} %, the dashed line above.`),
  )
}

/**
 * When a rider who is used up lets the line go.
 * @param {PlanCard} plan
 * @param {number} from_m
 */
export function spentWords(plan, from_m) {
  const length_m = plan.schedule.at(-1)?.[0] ?? 0
  return from_m > length_m - AT_THE_FINISH_M ? 'may be empty by then' : `lets the line go from km ${kmOf(from_m)} on`
}

/**
 * Every stay on the front, one after another.
 * @param {PlanCard} plan
 * @param {readonly Named[]} riders
 */
export function turnList(plan, riders) {
  const names = namesOf(riders)
  const turns = plan.turns ?? []
  return h(
    'details',
    { class: 'fold' },
    h('summary', {}, `Every turn, one after another (${turns.length})`),
    h(
      'div',
      { class: 'scroll' },
      h(
        'table',
        { class: 'sheet turn-list' },
        h(
          'thead',
          {},
          h(
            'tr',
            {},
            ...['Turn', 'km', 'Time', 'Leads', 'for', 'at', 'km/h'].map((words, index) =>
              h('th', { scope: 'col', class: index === 3 ? null : 'number' }, words),
            ),
          ),
        ),
        h(
          'tbody',
          {},
          ...turns.map((turn, index) =>
            h(
              'tr',
              {},
              h('td', { class: 'number' }, String(index + 1)),
              h('td', { class: 'number' }, kmOf(turn.start_m)),
              h('td', { class: 'number' }, clockOf(turn.start_s)),
              h('th', { scope: 'row' }, names.get(turn.rider) ?? turn.rider),
              h('td', { class: 'number' }, `${Math.round(turn.length_s)} s`),
              h('td', { class: 'number' }, `${Math.round(turn.power_w)} W`),
              h('td', { class: 'number' }, (turn.speed_mps * 3.6).toFixed(1)),
            ),
          ),
        ),
      ),
    ),
  )
}

/** @param {readonly Named[]} riders */
export function namesOf(riders) {
  return new Map(riders.map((rider) => [rider.id, rider.name]))
}

/**
 * How good the plan is, in a few lines of a label and a figure.
 * @param {PlanCard} plan
 * @returns {[string, string][]}
 */
export function worth(plan) {
  /** @type {[string, string][]} */
  const lines = []
  if (plan.equal_turns_s !== null) {
    const gain_s = plan.equal_turns_s - plan.finish_s
    const much = Math.abs(gain_s) < 60 ? `${Math.abs(gain_s).toFixed(1)} s` : `${clockOf(Math.abs(gain_s))} min`
    lines.push(['Against equal turns', `${much} ${gain_s >= 0 ? 'faster' : 'slower'}`])
  }
  if (plan.bound_s !== null) {
    const gap = plan.finish_s / plan.bound_s - 1
    lines.push(['No rotation can beat', clockOf(plan.bound_s)])
    lines.push(['So at most', `${(gap * 100).toFixed(1)} % to be won`])
  }
  lines.push(['Made by', METHODS[plan.method] ?? plan.method])
  return lines
}

/** @type {Record<string, string>} */
const METHODS = {
  steady: 'steady: one effort a stretch, shared out',
  optimised: 'optimised: the fastest turns found, in steps of 5 s',
  'optimised, free': 'optimised: the fastest turns found, to the second',
  'by hand': 'turns set by hand, at the speeds they hold',
}
