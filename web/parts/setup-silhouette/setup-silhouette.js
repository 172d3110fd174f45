/**
 * The course as one quiet silhouette: stretches marked, landmarks below, and with a plan who leads where.
 *
 * Usage:
 *   const view = document.createElement('setup-silhouette');
 *   view.show(course);                 // a CourseCard
 *   view.show(course, plan, riders);   // the lanes of a PlanCard beneath it
 *
 * Lines are SVG stretched to the width at hand; words are HTML, so that they keep their size and wrap in print.
 */

import { h, s } from '../../lib/html.js'
import { gradeOf, kmOf } from '../../lib/cells.js'

/** @typedef {import('../../lib/messages.js').CourseCard} CourseCard */
/** @typedef {import('../../lib/messages.js').PlanCard} PlanCard */

const ARROWS = { flat: '→', climb: '↗', descent: '↘' }
const HEADROOM = 0.12

export class SetupSilhouette extends HTMLElement {
  /**
   * @param {CourseCard} course
   * @param {PlanCard | null} [plan]
   * @param {{ id: string, name: string }[]} [riders]
   */
  show(course, plan = null, riders = []) {
    const share = (/** @type {number} */ at_m) => `${((at_m / course.length_m) * 100).toFixed(3)}%`
    this.replaceChildren(
      h(
        'figure',
        { class: plan ? 'silhouette with-lanes' : 'silhouette', 'aria-label': describe(course) },
        stretchNames(course, share),
        h('div', { class: 'silhouette-ground' }, ground(course)),
        landmarks(course, share),
        plan ? lanes(course, plan, riders, share) : null,
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
 * One lane a rider, in the order of the line: each stay on the front where it is expected.
 * A plan that came without single turns shows each rider's part of every stretch instead.
 * @param {CourseCard} course
 * @param {PlanCard} plan
 * @param {{ id: string, name: string }[]} riders
 * @param {(at_m: number) => string} share
 */
function lanes(course, plan, riders, share) {
  const names = new Map(riders.map((rider) => [rider.id, rider.name]))
  const longest_s = Math.max(1, ...plan.rules.flatMap((rule) => rule.turns.map((turn) => turn.length_s)))
  return h(
    'ol',
    { class: 'silhouette-lanes', 'aria-label': 'Who leads where' },
    ...plan.order.map((rider) =>
      h(
        'li',
        {},
        h('span', { class: 'lane-name' }, names.get(rider) ?? rider),
        h(
          'span',
          { class: 'lane-track', 'aria-hidden': 'true' },
          ...plan.rules.map((rule) => {
            const turn = rule.turns.find((one) => one.rider === rider)
            const length_s = turn?.length_s ?? 0
            const title = length_s ? `${rule.name}: ${Math.round(length_s)} s` : `${rule.name}: follows`
            const words = h('b', {}, length_s ? Math.round(length_s) : '–')
            const element = h('span', { class: length_s ? 'lane-part' : 'lane-part idle', title }, words)
            element.style.setProperty('--long', (length_s / longest_s).toFixed(3))
            return placed(element, share(rule.start_m), share(rule.end_m - rule.start_m))
          }),
        ),
      ),
    ),
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
