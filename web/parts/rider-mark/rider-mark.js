/**
 * A rider's mark: one shape a rider, in the rider's hue, always with the initials or the name beside it.
 *
 *     row.append(riderTag(card))        // ● MA Maya
 *     g.append(riderShape(card, 20))    // in an SVG, centred on 0, 0
 *
 * Shape and initials carry the identity; hue only helps those who see it.
 */

import { h, s } from '../../lib/html.js'

/** @typedef {import('../../lib/messages.js').RiderCard} RiderCard */

const HUES = 10

/** Outlines in a box from −1 to 1, of about equal weight to the eye. @type {Record<RiderCard['mark'], string>} */
const SHAPES = {
  circle: 'M0-.92A.92.92 0 1 1 0 .92A.92.92 0 1 1 0-.92Z',
  square: 'M-.82-.82H.82V.82H-.82Z',
  triangle: 'M0-1L1.02.8H-1.02Z',
  diamond: 'M0-1.1L.95 0L0 1.1L-.95 0Z',
  hexagon: 'M-.54-.94H.54L1.06 0L.54.94H-.54L-1.06 0Z',
  star: 'M0-1.12L.31-.38L1.1-.31L.5.22L.68 1L0 .58L-.68 1L-.5.22L-1.1-.31L-.31-.38Z',
  cross: 'M-.36-1H.36V-.36H1V.36H.36V1H-.36V.36H-1V-.36H-.36Z',
  drop: 'M0-1.12C.5-.4.84-.05.84.3A.84.84 0 1 1-.84.3C-.84-.05-.5-.4 0-1.12Z',
  bar: 'M-.46-1.05H.46V1.05H-.46Z',
  ring: 'M0-1A1 1 0 1 1 0 1A1 1 0 1 1 0-1ZM0-.46A.46.46 0 1 0 0 .46A.46.46 0 1 0 0-.46Z',
}

/**
 * @param {RiderCard} card
 * @param {number} radius
 * @returns {SVGPathElement}
 */
export function riderShape(card, radius) {
  const shape = s('path', { d: SHAPES[card.mark], transform: `scale(${radius})`, class: 'rider-shape' })
  shape.style.fill = `var(--hue-${((card.hue % HUES) + HUES) % HUES})`
  return shape
}

/**
 * A shape with the name, for lists; `short` writes the initials and leaves the name to screen readers.
 *
 * @param {RiderCard} card
 * @param {{ short?: boolean }} [how]
 */
export function riderTag(card, { short = false } = {}) {
  const picture = s('svg', { viewBox: '-1.2 -1.2 2.4 2.4', class: 'rider-picture', 'aria-hidden': 'true' }, riderShape(card, 1))
  const name = short
    ? [h('span', { 'aria-hidden': 'true' }, card.initials), h('span', { class: 'unseen' }, card.name)]
    : [h('span', {}, card.name)]
  return h('span', { class: 'rider-tag' }, picture, ...name)
}

/**
 * How to find riders by id, for parts that are given a roster.
 *
 * @param {readonly RiderCard[]} roster
 * @returns {(id: string | null | undefined) => RiderCard | null}
 */
export function ridersOf(roster) {
  const cards = new Map(roster.map((card) => [card.id, card]))
  return (id) => (id ? (cards.get(id) ?? null) : null)
}
