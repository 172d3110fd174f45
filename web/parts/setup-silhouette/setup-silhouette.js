/**
 * The course as one quiet silhouette: stretches marked, landmarks below, and with a plan who leads where.
 *
 * Usage:
 *   const view = document.createElement('setup-silhouette');
 *   view.show(course);                 // a CourseCard
 *   view.show(course, plan, riders, margin);   // a lane a rider of a PlanCard beneath it
 *
 * Lines are SVG stretched to the width at hand; words are HTML, so that they keep their size and wrap in print.
 */

import { h, s } from '../../lib/html.js'
import { gradeOf, kmOf } from '../../lib/cells.js'
import { riderTag } from '../rider-mark/rider-mark.js'

/** @typedef {import('../../lib/messages.js').CourseCard} CourseCard */
/** @typedef {import('../../lib/messages.js').PlanCard} PlanCard */
/** @typedef {import('../../lib/messages.js').RiderCard} RiderCard */
/** @typedef {Pick<RiderCard, 'id' | 'name' | 'initials' | 'mark' | 'hue'>} LaneRider */

const ARROWS = { flat: '→', climb: '↗', descent: '↘' }
const HEADROOM = 0.12

export class SetupSilhouette extends HTMLElement {
  /**
   * @param {CourseCard} course
   * @param {PlanCard | null} [plan]
   * @param {readonly LaneRider[]} [riders]
   * @param {number} [margin]  share of W′ that nobody who must finish goes below
   */
  show(course, plan = null, riders = [], margin = 0) {
    const share = (/** @type {number} */ at_m) => `${((at_m / course.length_m) * 100).toFixed(3)}%`
    this.replaceChildren(
      h(
        'figure',
        { class: plan ? 'silhouette with-lanes' : 'silhouette', 'aria-label': describe(course) },
        stretchNames(course, share),
        h('div', { class: 'silhouette-ground' }, ground(course)),
        landmarks(course, share),
        plan ? lanes(course, plan, riders, margin, share) : null,
        kilometres(course, share),
      ),
    )
  }
}

/** @param {CourseCard} course */
function describe(course) {
  const climbs = course.stretches.filter((stretch) => stretch.terrain === 'climb').length
  return `${course.name}: ${kmOf(course.length_m)} kilometres, ${climbs} ${climbs === 1 ? 'climb' : 'climbs'}`
}

/**
 * @param {CourseCard} course
 * @param {(at_m: number) => string} share
 */
function stretchNames(course, share) {
  return h(
    'ol',
    { class: 'silhouette-stretches' },
    ...course.stretches.map((stretch) => {
      return placed(
        h(
          'li',
          {
            'data-terrain': stretch.terrain,
            title: `${stretch.name}, ${gradeOf(stretch.mean_grade)}`,
          },
          h('span', { class: 'arrow', 'aria-hidden': 'true' }, ARROWS[stretch.terrain]),
          h('span', { class: 'name' }, stretch.name),
          stretch.terrain === 'flat' ? null : h('span', { class: 'grade' }, gradeOf(stretch.mean_grade)),
        ),
        share(stretch.start_m),
        share(stretch.end_m - stretch.start_m),
      )
    }),
  )
}

/** @param {CourseCard} course */
function ground(course) {
  const [low, high] = range(course)
  const y = (/** @type {number} */ height_m) =>
    (100 * (1 - ((height_m - low) / (high - low)) * (1 - HEADROOM) - 0.04)).toFixed(2)
  const x = (/** @type {number} */ at_m) => ((at_m / course.length_m) * 1000).toFixed(1)
  const line = course.profile.map(([at_m, height_m]) => `${x(at_m)},${y(height_m)}`).join(' L')
  const fences = course.stretches
    .slice(1)
    .map((stretch) => `M${x(stretch.start_m)},0 V100`)
    .join(' ')
  const picture = s('svg', { viewBox: '0 0 1000 100', preserveAspectRatio: 'none', 'aria-hidden': 'true' })
  picture.append(
    s('path', { class: 'land', d: `M0,100 L${line} L1000,100 Z` }),
    s('path', { class: 'fence', d: fences }),
    s('path', { class: 'ridge', d: `M${line}` }),
  )
  for (const stretch of course.stretches.filter((one) => one.terrain === 'climb')) {
    const part = course.profile.filter(([at_m]) => at_m >= stretch.start_m && at_m <= stretch.end_m)
    if (part.length > 1) {
      const d = `M${part.map(([at_m, height_m]) => `${x(at_m)},${y(height_m)}`).join(' L')}`
      picture.append(s('path', { class: 'ridge climb', d }))
    }
  }
  return picture
}

/**
 * Lowest and highest height of the picture. At least 60 m apart: a flat course has to look flat.
 * @param {CourseCard} course
 * @returns {[number, number]}
 */
function range(course) {
  const all = course.profile.map(([, height_m]) => height_m)
  const low = Math.min(...all)
  const high = Math.max(...all)
  return [low, Math.max(high, low + 60)]
}

/**
 * @param {CourseCard} course
 * @param {(at_m: number) => string} share
 */
function landmarks(course, share) {
  if (course.landmarks.length === 0) return null
  const crowded = spaced(course, 0.022)
  const crowdedOnPhone = spaced(course, 0.055)
  return h(
    'ol',
    { class: 'silhouette-landmarks' },
    ...course.landmarks.map((landmark, index) =>
      placed(
        h(
          'li',
          {
            title: `${landmark.name}, km ${kmOf(landmark.at_m)}`,
            class: crowded[index] ? 'crowded' : crowdedOnPhone[index] ? 'crowded-on-phone' : null,
          },
          h('span', { class: 'letter' }, letterOf(index)),
          h('span', { class: 'unseen' }, ` ${landmark.name}, kilometre ${kmOf(landmark.at_m)}`),
        ),
        share(landmark.at_m),
      ),
    ),
  )
}

/**
 * Which landmarks stand too near to the letter before them for a letter of their own; their tick stays.
 * @param {CourseCard} course
 * @param {number} least  as a share of the course
 */
function spaced(course, least) {
  let last_m = -Infinity
  return course.landmarks.map(({ at_m }) => {
    if (at_m - last_m < least * course.length_m) return true
    last_m = at_m
    return false
  })
}

/**
 * One lane a rider, in the order of the line: above, each stay on the front where it is expected; beneath, what is left
 * of W′ along the course, the margin dashed and the least marked.
 * @param {CourseCard} course
 * @param {PlanCard} plan
 * @param {readonly LaneRider[]} riders
 * @param {number} margin
 * @param {(at_m: number) => string} share
 */
function lanes(course, plan, riders, margin, share) {
  const cards = new Map(riders.map((rider) => [rider.id, rider]))
  return h(
    'ol',
    { class: 'silhouette-lanes', 'aria-label': 'Who leads where, and what each has left' },
    ...plan.order.map((rider) => {
      const card = cards.get(rider)
      const reserve = plan.reserves.find((one) => one.rider === rider)
      const least = reserve && reserve.w_prime_j ? `${((reserve.least * reserve.w_prime_j) / 1000).toFixed(1)}\u00a0kJ` : ''
      const at_m = reserve?.least_at_m ?? null
      const dot = at_m === null || !reserve ? null : placed(h('i', { class: 'lane-least' }), share(at_m))
      if (dot && reserve) dot.style.bottom = `${(Math.max(0, reserve.least) * 100).toFixed(1)}%`
      return h(
        'li',
        { class: reserve && reserve.least < margin - 0.001 ? 'spent' : null },
        h(
          'span',
          { class: 'lane-name' },
          card ? riderTag(/** @type {RiderCard} */ (card)) : rider,
          least ? h('span', { class: 'lane-left' }, `least ${least}`) : null,
          at_m === null ? null : h('span', { class: 'lane-left' }, `at km ${kmOf(at_m)}`),
        ),
        h(
          'span',
          { class: 'lane-track', 'aria-hidden': 'true' },
          stays(course, plan, rider, card?.hue ?? 0),
          h('span', { class: 'lane-reserve' }, reserveCurve(course, plan, rider, margin), dot),
        ),
      )
    }),
  )
}

/**
 * Each stay on the front as a bar at its place.
 * @param {CourseCard} course
 * @param {PlanCard} plan
 * @param {string} rider
 * @param {number} hue
 */
function stays(course, plan, rider, hue) {
  const x = (/** @type {number} */ at_m) => (at_m / course.length_m) * 1000
  const mine = (plan.turns ?? []).filter((turn) => turn.rider === rider)
  const d = mine
    .map((turn) => `M${x(turn.start_m).toFixed(2)},0 H${Math.max(x(turn.end_m) - 0.6, x(turn.start_m) + 0.4).toFixed(2)} V10 H${x(turn.start_m).toFixed(2)} Z`)
    .join(' ')
  const bars = s('path', { class: 'stays', d: d || 'M0,0' })
  bars.style.fill = `var(--hue-${hue % 10})`
  return s('svg', { viewBox: '0 0 1000 10', preserveAspectRatio: 'none', class: 'lane-stays' }, bars)
}

/**
 * @param {CourseCard} course
 * @param {PlanCard} plan
 * @param {string} rider
 * @param {number} margin
 */
function reserveCurve(course, plan, rider, margin) {
  const reserve = plan.reserves.find((one) => one.rider === rider)
  if (!reserve) return null
  const x = (/** @type {number} */ at_m) => ((at_m / course.length_m) * 1000).toFixed(1)
  const y = (/** @type {number} */ left) => (100 * (1 - Math.max(0, left))).toFixed(2)
  const curve = reserve.curve ?? []
  // A plan kept from before curves were noted has only the ends of stretches.
  const points = curve.length
    ? curve.map(([at_m, left]) => `${x(at_m)},${y(left)}`)
    : ['0,0', ...plan.rules.map((rule, index) => `${x(rule.end_m)},${y(reserve.at_stretch_end[index] ?? 0)}`)]
  const last = (points.at(-1) ?? '0,0').split(',')[0]
  const fences = course.stretches
    .slice(1)
    .map((stretch) => `M${x(stretch.start_m)},0 V100`)
    .join(' ')
  return s(
    'svg',
    { viewBox: '0 0 1000 100', preserveAspectRatio: 'none' },
    s('path', { class: 'left', d: `M0,100 L${points.join(' L')} L${last},100 Z` }),
    s('path', { class: 'fence', d: fences }),
    s('path', { class: 'margin', d: `M0,${y(margin)} H1000` }),
    s('path', { class: 'line', d: `M${points.join(' L')}` }),
  )
}

/**
 * @param {CourseCard} course
 * @param {(at_m: number) => string} share
 */
function kilometres(course, share) {
  const steps_m = [500, 1000, 2000, 5000, 10_000, 20_000, 50_000]
  const step_m = steps_m.find((step) => course.length_m / step <= 8) ?? 100_000
  const marks = []
  for (let at_m = 0; at_m < course.length_m - step_m * 0.45; at_m += step_m) marks.push(at_m)
  return h(
    'div',
    { class: 'silhouette-km', 'aria-hidden': 'true' },
    ...marks.map((at_m) =>
      placed(
        h('span', { class: at_m > course.length_m * 0.7 ? 'late' : null }, kmOf(at_m, step_m < 1000 ? 1 : 0)),
        share(at_m),
      ),
    ),
    h('span', { class: 'finish' }, `${kmOf(course.length_m)}\u00a0km`),
  )
}

/**
 * The letter a landmark has in the picture and in the lists beside it.
 * @param {number} index
 */
export function letterOf(index) {
  const letter = String.fromCharCode(65 + (index % 26))
  return index < 26 ? letter : `${letter}${Math.floor(index / 26) + 1}`
}

/**
 * Put an element at its place along the course; by the style object, for a page may forbid style attributes.
 * @template {HTMLElement} E
 * @param {E} element
 * @param {string} left
 * @param {string} [width]
 * @returns {E}
 */
function placed(element, left, width) {
  element.style.left = left
  if (width !== undefined) element.style.width = width
  return element
}

customElements.define('setup-silhouette', SetupSilhouette)
