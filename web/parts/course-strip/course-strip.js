/**
 * The course as one quiet silhouette, its stretches marked, and us on it: the band is as wide as we may be wrong.
 *
 *     <course-strip></course-strip>
 *     strip.course(courseCard)          once
 *     strip.show(positionMessage)       on each state
 *     strip.frame(nowMs)                on each frame
 *
 * Event: `landmark` {at_m}, when a landmark is pressed.
 */

import { fill, h, mark, put, s } from '../../lib/html.js'

/** @typedef {import('../../lib/messages.js').CourseCard} CourseCard */
/** @typedef {import('../../lib/messages.js').PositionMessage} PositionMessage */

/** A flat course is drawn flat: a hill must be this high before it fills the strip. */
const LEAST_RISE_M = 60

export class CourseStrip extends HTMLElement {
  /** @type {CourseCard | null} */
  #course = null
  /** @type {PositionMessage | null} */
  #position = null

  #ground = s('path', { class: 'ground' })
  #edge = s('path', { class: 'edge', 'vector-effect': 'non-scaling-stroke' })
  #ridden = s('path', { class: 'ridden', 'clip-path': 'url(#ridden)' })
  #behind = s('rect', { x: 0, y: 0, width: 0, height: 100 })
  #picture = s('svg', { viewBox: '0 0 1000 100', preserveAspectRatio: 'none', 'aria-hidden': 'true' },
    s('clipPath', { id: 'ridden' }, this.#behind), this.#ground, this.#ridden, this.#edge)
  #error = h('div', { class: 'error now' })
  #us = h('div', { class: 'us' })
  #where = h('p', { class: 'where' })
  #sky = h('div', { class: 'sky' }, this.#picture, this.#error, this.#us)
  #marks = h('div', { class: 'marks' })
  #stretches = h('ol', { class: 'stretches' })

  connectedCallback() {
    if (!this.#sky.isConnected) this.append(this.#where, this.#sky, this.#stretches, this.#marks)
  }

  /** @param {CourseCard} course */
  course(course) {
    this.#course = course
    const points = heightsIn(course)
    for (const area of [this.#ground, this.#ridden]) mark(area, 'd', `M0 100L${points.join('L')}L1000 100Z`)
    mark(this.#edge, 'd', `M${points.join('L')}`)
    fill(this.#stretches, ...course.stretches.map((stretch) => {
      const share = (stretch.end_m - stretch.start_m) / course.length_m
      const item = h('li', { title: `${stretch.name}, ${km(stretch.end_m - stretch.start_m)}, ${percent(stretch.mean_grade)}` },
        h('span', {}, stretch.name), h('span', { class: 'grade' }, percent(stretch.mean_grade)))
      item.style.flexGrow = String(share)
      return item
    }))
    fill(this.#marks, ...course.landmarks.map((landmark, index) => {
      const button = h('button', {
        class: 'landmark', type: 'button', title: `Press when the front passes: ${landmark.name}, ${km(landmark.at_m)}`,
        onclick: () => this.dispatchEvent(new CustomEvent('landmark', { detail: { at_m: landmark.at_m }, bubbles: true })),
      }, h('span', {}, landmark.name))
      button.style.left = `${(100 * landmark.at_m) / course.length_m}%`
      // A name has the room up to the next one, or to the finish.
      const next = course.landmarks[index + 1]?.at_m ?? course.length_m
      button.style.maxWidth = `${(100 * (next - landmark.at_m)) / course.length_m}%`
      return button
    }))
  }

  /** @param {PositionMessage | null} position */
  show(position) {
    this.#position = position
  }

  /** @param {number | null} now */
  frame(now) {
    const course = this.#course
    if (!course) return
    const at = this.#position && now !== null ? along(this.#position.track, now) : null
    this.#us.hidden = this.#error.hidden = at === null
    mark(this.#behind, 'width', at === null ? 0 : round((1000 * at) / course.length_m))
    if (at === null || !this.#position) return put(this.#where, `${course.name}, ${km(course.length_m)}`)
    const share = (100 * at) / course.length_m
    const error = (100 * this.#position.error_m) / course.length_m
    this.#us.style.left = `${round(share)}%`
    this.#error.style.left = `${round(Math.max(0, share - error))}%`
    this.#error.style.width = `${round(2 * error)}%`
    const left = Math.max(0, course.length_m - at)
    put(this.#where, `${km(at)} ± ${Math.round(this.#position.error_m)} m · ${km(left)} to go`)
    return undefined
  }

  /** Where the front is believed to be, metres; null if nobody knows. @param {number | null} now */
  at(now) {
    return this.#position && now !== null ? along(this.#position.track, now) : null
  }
}

export function registerCourseStrip() {
  customElements.define('course-strip', CourseStrip)
}

/**
 * The told track at an instant; between two told points a straight line, for drawing.
 * @param {readonly (readonly [number, number])[]} track
 * @param {number} now
 */
function along(track, now) {
  const first = track[0]
  const last = track.at(-1)
  if (!first || !last) return null
  if (now <= first[0]) return first[1]
  const next = track.findIndex(([ms]) => ms > now)
  const before = track[next - 1]
  const after = track[next]
  if (!before || !after) return last[1]
  return before[1] + ((after[1] - before[1]) * (now - before[0])) / (after[0] - before[0])
}

/** @param {CourseCard} course */
function heightsIn(course) {
  const heights = course.profile.map(([, height]) => height)
  const lowest = Math.min(...heights)
  const rise = Math.max(LEAST_RISE_M, Math.max(...heights) - lowest)
  return course.profile.map(([at, height]) =>
    `${round((1000 * at) / course.length_m)} ${round(90 - (80 * (height - lowest)) / rise)}`)
}

/** @param {number} metres */
function km(metres) {
  return `${(metres / 1000).toFixed(1)} km`
}

/** @param {number} grade */
function percent(grade) {
  return `${grade < 0 ? '−' : ''}${Math.abs(grade * 100).toFixed(1)} %`
}

/** @param {number} value */
function round(value) {
  return Math.round(value * 100) / 100
}
