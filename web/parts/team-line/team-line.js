/**
 * The line drawn as a line: beads on a string, the front at the right; who drifts goes back below it, who is adrift
 * hangs behind with the gap drawn. The bar under a bead is what that rider is believed to have left.
 *
 *     <team-line></team-line>
 *     line.show({ roster, state, selected })   on each state
 *     line.frame(nowMs)                        on each frame: only what moves
 *
 * Events: `pick` {rider}; `move` {rider, slot}; `lose` {rider}. A bead is a button; dragging it to a slot moves it,
 * dragging it off the back loses the wheel. While a bead is chosen, the slots are buttons. The keys 1 to 9 do the same by the page.
 */

import { each, mark, put, s } from '../../lib/html.js'
import { countdownText } from '../../lib/race-clock.js'
import { ridersOf, riderShape } from '../rider-mark/rider-mark.js'

/** @typedef {import('../../lib/messages.js').RiderCard} RiderCard */
/** @typedef {import('../../lib/messages.js').StateMessage} StateMessage */
/** @typedef {import('../../lib/messages.js').PlaceMessage} PlaceMessage */
/** @typedef {{ roster: readonly RiderCard[], state: StateMessage, selected: string | null }} Values */
/** @typedef {{ place: PlaceMessage, card: RiderCard, key: number, share: number | null, x: number, y: number, from: number }} Bead */
/** @typedef {{ width: number, height: number, radius: number, string: number, lane: number, front: number, step: number, count: number }} Grid */

const WORDS = {
  following: 'following',
  leading: 'on the front',
  drifting: 'drifting back',
  latching: 'latching on',
  adrift: 'adrift',
  out: 'out',
}
/** A finger trembles; less than this is a tap. */
const DRAG_PX = 10

export class TeamLine extends HTMLElement {
  /** @type {Values | null} */
  #values = null
  /** @type {Bead[]} */
  #beads = []
  /** @type {Grid | null} */
  #grid = null
  /** @type {{ rider: string, startX: number, startY: number, moved: boolean } | null} */
  #drag = null
  #swallowClick = false
  /** @type {number | null} */
  #now = null

  #field = s('rect', { class: 'now-field' })
  #lane = s('path', { class: 'lane' })
  #string = s('path', { class: 'string' })
  #slots = s('g', { class: 'slots' })
  #notes = s('g', { class: 'notes' })
  #riders = s('g', { class: 'riders' })
  #target = s('rect', { class: 'target' })
  #svg = s('svg', { role: 'group', 'aria-label': 'The line, front at the right' }, this.#field, this.#lane, this.#string,
    this.#notes, this.#target, this.#riders, this.#slots)

  connectedCallback() {
    if (this.#svg.isConnected) return
    this.append(this.#svg)
    new ResizeObserver(() => this.#draw()).observe(this)
  }

  /** @param {Values} values */
  show(values) {
    this.#values = values
    this.#draw()
  }

  /** @param {number | null} now */
  frame(now) {
    this.#now = now
    for (const bead of this.#beads) {
      if (bead.place.until_ms === null) continue
      this.#settle(bead)
      const group = this.#groupOf(bead.place.rider)
      if (group) this.#placeBead(group, bead)
    }
    this.#times()
  }

  #draw() {
    if (!this.#values || !this.clientWidth) return
    const { roster, state } = this.#values
    const riderOf = ridersOf(roster)
    const grid = this.#measure(state)
    this.#grid = grid
    mark(this.#svg, 'viewBox', `0 0 ${grid.width} ${grid.height}`)
    this.style.setProperty('--radius', `${grid.radius}px`)
    this.#beads = state.line.flatMap((place) => {
      const card = riderOf(place.rider)
      if (!card) return []
      const key = roster.findIndex((one) => one.id === card.id) + 1
      const share = state.reserves.find(({ rider }) => rider === card.id)?.share ?? null
      return [{ place, card, key, share, x: 0, y: 0, from: state.turn?.began_ms ?? 0 }]
    })
    for (const bead of this.#beads) this.#settle(bead)
    this.#drawString(grid, state)
    this.#drawSlots(grid)
    this.#drawNotes(state)
    each(this.#riders, this.#beads, (bead) => bead.card.id, (bead) => this.#makeBead(bead), (group, bead) => {
      this.#placeBead(group, bead)
      this.#nameBead(group, bead)
    })
  }

  /** @param {StateMessage} state @returns {Grid} */
  #measure(state) {
    const width = this.clientWidth
    const height = this.clientHeight
    const small = width < 600
    const count = Math.max(1, state.line.filter(onString).length)
    const behind = state.line.some(({ place }) => place === 'adrift') ? 2.4 : 1.3
    const margin = small ? 34 : 64
    const step = Math.min(small ? 76 : 210, (width - 2 * margin) / (count - 1 + behind))
    const radius = Math.min(small ? 15 : 38, step * 0.26, height / 8.5)
    return { width, height, radius, string: height * 0.45, lane: height * 0.81, front: width - margin, step, count }
  }

  /** Where a bead is now. @param {Bead} bead */
  #settle(bead) {
    const grid = this.#grid
    if (!grid) return
    const { place } = bead
    const tail = grid.front - grid.count * grid.step
    bead.y = grid.string
    switch (place.place) {
      case 'leading':
      case 'following':
        bead.x = grid.front - this.#rank(place) * grid.step
        return
      case 'drifting':
        bead.y = grid.lane
        bead.x = grid.front + (tail - grid.front) * this.#share(bead)
        return
      case 'latching':
        bead.y = (grid.lane + grid.string) / 2
        bead.x = tail
        return
      case 'adrift':
        bead.x = grid.radius * 1.6 + this.#among(place, 'adrift') * grid.radius * 3
        return
      case 'out':
        bead.y = grid.lane
        bead.x = grid.radius * 3.4 + this.#among(place, 'out') * grid.radius * 4.4 // its name stands before it
    }
  }

  /** How far through its drift a bead is, 0 to 1, for drawing alone. @param {Bead} bead */
  #share({ place, from }) {
    const now = this.#now
    if (place.until_ms === null || now === null) return 0.1
    return Math.min(1, Math.max(0, (now - from) / Math.max(1, place.until_ms - from)))
  }

  /** @param {PlaceMessage} place */
  #rank(place) {
    const ranked = this.#beads.map((bead) => bead.place).filter(onString).sort(byFront)
    return ranked.findIndex((one) => one.rider === place.rider)
  }

  /** @param {PlaceMessage} place @param {PlaceMessage['place']} kind */
  #among(place, kind) {
    return this.#beads.filter((bead) => bead.place.place === kind).findIndex((bead) => bead.place.rider === place.rider)
  }

  /** The string goes from bead to bead and stops at a gap. @param {Grid} grid @param {StateMessage} state */
  #drawString(grid, state) {
    const gaps = new Set(state.troubles.filter(({ kind }) => kind === 'gap').map(({ rider }) => rider))
    const ranked = this.#beads.filter((bead) => onString(bead.place)).sort((a, b) => b.x - a.x)
    const parts = ranked.slice(1).map((bead, index) => {
      const ahead = ranked[index]
      if (!ahead) return ''
      return gaps.has(bead.card.id) ? gapPath(bead.x, ahead.x, grid) : `M${bead.x} ${grid.string}H${ahead.x}`
    })
    mark(this.#string, 'd', parts.join(''))
    const drifts = this.#beads.some(({ place }) => place.place === 'drifting' || place.place === 'latching')
    const tail = grid.front - grid.count * grid.step
    mark(this.#lane, 'd', drifts ? `M${grid.front} ${grid.lane}H${tail}m7-6l-7 6l7 6` : '')
    const leads = state.turn !== null && this.#beads.some(({ place }) => place.place === 'leading')
    const half = Math.min(grid.step / 2 - 4, grid.radius * 2.2)
    box(this.#field, grid.front - half, 0, half * 2, grid.string + grid.radius * 1.9)
    mark(this.#field, 'visibility', leads ? 'visible' : 'hidden')
    mark(this.#svg, 'data-led', leads)
  }

  /** Slots are named while a rider is chosen: that is what the digits mean then. @param {Grid} grid */
  #drawSlots(grid) {
    const chosen = this.#values?.selected ?? null
    const slots = chosen === null ? [] : Array.from({ length: Math.min(9, grid.count + 1) }, (_, slot) => slot)
    each(this.#slots, slots, String, (slot) => this.#makeSlot(slot), (group, slot) => {
      mark(group, 'transform', `translate(${grid.front - slot * grid.step} ${grid.string - grid.radius * 1.55 - Math.max(16, grid.radius * 1.15) - 8})`)
      const [hit, frame, text] = group.children
      if (!hit || !frame || !text) return
      box(hit, -grid.step / 2, -34, grid.step, 50)
      box(frame, -13, -14, 26, 26)
      mark(text, 'y', 5)
      put(text, slot + 1)
    })
  }

  /** A slot is pressed as well as typed: a finger has no digits. @param {number} slot */
  #makeSlot(slot) {
    const move = () => {
      const rider = this.#values?.selected
      if (rider) this.#tell('move', { rider, slot })
    }
    const group = s('g', { class: 'slot', role: 'button', tabindex: '0', 'aria-label': `Seen in slot ${slot + 1}` },
      s('rect', { class: 'hit' }), s('rect', { class: 'frame' }), s('text'))
    group.addEventListener('click', move)
    group.addEventListener('keydown', (event) => event.key === 'Enter' && move())
    return group
  }

  /** What stands beside beads: how long adrift, a gap, who is out. @param {StateMessage} state */
  #drawNotes(state) {
    const grid = this.#grid
    if (!grid) return
    const tail = grid.front - (grid.count - 1) * grid.step
    const adrift = this.#beads.filter(({ place }) => place.place === 'adrift')
    const last = adrift.at(-1)
    const measure = last ? [{ key: 'measure', from: last.x + grid.radius * 1.6, to: tail - grid.radius * 1.6 }] : []
    each(this.#notes, measure, ({ key }) => key, () => s('g', {}, s('path'), s('text')), (group, { from, to }) => {
      const [path, text] = group.children
      if (!path || !text) return
      mark(path, 'd', `M${from} ${grid.string - 8}v16M${from} ${grid.string}H${to}M${to} ${grid.string - 8}v16`)
      mark(text, 'x', (from + to) / 2)
      mark(text, 'y', grid.string - 14)
      const since = state.troubles.find((trouble) => trouble.kind === 'adrift')?.since_ms
      if (group instanceof SVGElement) group.dataset.since = since === undefined ? '' : String(since)
    })
    this.#times()
  }

  #times() {
    const note = this.#notes.firstElementChild
    const since = note instanceof SVGElement ? note.dataset.since : ''
    const text = note?.querySelector('text')
    if (text) put(text, since && this.#now !== null ? `adrift ${countdownText(this.#now - Number(since))}` : 'adrift')
    for (const bead of this.#beads) {
      const label = this.#groupOf(bead.place.rider)?.querySelector('.until')
      if (!label) continue
      const until = bead.place.until_ms
      const left = until === null || this.#now === null ? 0 : until - this.#now
      put(label, left > 0 ? countdownText(left) : '')
    }
  }

  /** @param {string} rider */
  #groupOf(rider) {
    return Array.from(this.#riders.children).find((group) => /** @type {SVGElement} */ (group).dataset.key === rider) ?? null
  }

  /** @param {Bead} bead */
  #makeBead(bead) {
    const { rider } = bead.place
    const group = s('g', { class: 'bead', role: 'button', tabindex: '0' },
      s('rect', { class: 'hit' }), s('g', { class: 'shape' }),
      s('text', { class: 'name' }, s('tspan', { class: 'initials' }), s('tspan', { class: 'key', dx: 5 })),
      s('text', { class: 'until' }), s('path', { class: 'chosen' }),
      s('g', { class: 'reserve' }, s('rect', { class: 'whole' }), s('rect', { class: 'left' })))
    group.addEventListener('pointerdown', (event) => this.#grab(event, rider))
    group.addEventListener('pointermove', (event) => this.#pull(event))
    group.addEventListener('pointerup', () => this.#drop())
    group.addEventListener('pointercancel', () => this.#letGo())
    group.addEventListener('click', () => this.#pick(rider))
    group.addEventListener('keydown', (event) => {
      if (event.key !== 'Enter') return
      event.preventDefault()
      this.#pick(rider)
    })
    return group
  }

  /** @param {Element} group @param {Bead} bead */
  #placeBead(group, bead) {
    if (this.#drag?.rider === bead.card.id && this.#drag.moved) return
    mark(group, 'transform', `translate(${round(bead.x)} ${round(bead.y)})`)
  }

  /** @param {SVGGElement} group @param {Bead} bead */
  #nameBead(group, bead) {
    const grid = this.#grid
    if (!grid) return
    const r = grid.radius
    const [hit, shape, name, until, chosen, reserve] = Array.from(group.children)
    const [initials, key] = Array.from(name?.children ?? [])
    const [whole, left] = Array.from(reserve?.children ?? [])
    if (!hit || !shape || !name || !initials || !key || !until || !chosen || !whole || !left) return
    // Off the string a name stands beside its bead: above it there is the string.
    const beside = bead.place.place === 'drifting' || bead.place.place === 'latching' || bead.place.place === 'out'
    box(hit, beside ? -r * 4 : -r * 1.8, beside ? -r * 1.5 : -r * 3.2, beside ? r * 6 : r * 3.6, beside ? r * 3 : r * 4.8)
    const look = `${bead.card.mark} ${bead.card.hue} ${r}`
    if (/** @type {SVGElement} */ (shape).dataset.look !== look) {
      /** @type {SVGElement} */ (shape).dataset.look = look
      shape.replaceChildren(riderShape(bead.card, r))
    }
    put(initials, bead.card.initials)
    put(key, bead.key)
    mark(name, 'x', beside ? -r * 1.4 : 0)
    mark(name, 'y', beside ? r * 0.4 : -r * 1.55)
    mark(until, 'x', r * 1.4)
    mark(until, 'y', r * 0.4)
    mark(chosen, 'd', `M${-r * 1.5} ${-r * 1.1}v${-r * 0.4}h${r * 0.4}M${r * 1.1} ${-r * 1.5}h${r * 0.4}v${r * 0.4}M${r * 1.5} ${r * 1.1}v${r * 0.4}h${-r * 0.4}M${-r * 1.1} ${r * 1.5}h${-r * 0.4}v${-r * 0.4}`)
    // What is believed to be left, as the filled part of a bar under the bead.
    const share = Math.min(1, Math.max(0, bead.share ?? 0))
    mark(reserve ?? group, 'visibility', bead.share === null ? 'hidden' : 'visible')
    box(whole, -r, r * 1.4, r * 2, 3)
    box(left, -r, r * 1.4 - 2, r * 2 * share, 7)
    const selected = this.#values?.selected === bead.card.id
    mark(group, 'class', `bead ${bead.place.place}${beside ? ' beside' : ''}${selected ? ' selected' : ''}${this.#values?.selected ? ' slotting' : ''}`)
    mark(group, 'aria-pressed', String(selected))
    const told = bead.share === null ? '' : `, ${Math.round(100 * share)} % in reserve`
    mark(group, 'aria-label', `${bead.card.name}, ${WORDS[bead.place.place]}, key ${bead.key}${told}`)
  }

  /** @param {PointerEvent} event @param {string} rider */
  #grab(event, rider) {
    if (event.button !== 0) return
    this.#drag = { rider, startX: event.clientX, startY: event.clientY, moved: false }
    if (event.currentTarget instanceof Element) event.currentTarget.setPointerCapture(event.pointerId)
  }

  /** @param {PointerEvent} event */
  #pull(event) {
    const drag = this.#drag
    const grid = this.#grid
    if (!drag || !grid) return
    if (!drag.moved && Math.hypot(event.clientX - drag.startX, event.clientY - drag.startY) < DRAG_PX) return
    drag.moved = true
    const frame = this.getBoundingClientRect()
    const x = event.clientX - frame.left
    const group = this.#groupOf(drag.rider)
    if (group) mark(group, 'transform', `translate(${round(x)} ${round(event.clientY - frame.top)})`)
    const slot = this.#slotAt(x)
    box(this.#target, grid.front - slot * grid.step - 2, grid.string - grid.radius * 2, 4, grid.radius * 4)
    mark(this.#target, 'visibility', slot > grid.count ? 'hidden' : 'visible')
    this.dataset.x = String(x)
  }

  #drop() {
    const drag = this.#drag
    const x = Number(this.dataset.x)
    this.#letGo()
    if (!drag?.moved) return
    this.#swallowClick = true
    const slot = this.#slotAt(x)
    if (this.#grid && slot > this.#grid.count) this.#tell('lose', { rider: drag.rider })
    else this.#tell('move', { rider: drag.rider, slot })
    this.#draw()
  }

  #letGo() {
    this.#drag = null
    mark(this.#target, 'visibility', 'hidden')
  }

  /** @param {string} rider */
  #pick(rider) {
    if (this.#swallowClick) this.#swallowClick = false
    else this.#tell('pick', { rider })
  }

  /** The slot nearest to an x; one more than the last place means off the back. @param {number} x */
  #slotAt(x) {
    const grid = this.#grid
    if (!grid) return 0
    return Math.max(0, Math.min(grid.count + 1, Math.round((grid.front - x) / grid.step)))
  }

  /** @param {string} name @param {object} detail */
  #tell(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { detail, bubbles: true }))
  }
}

export function registerTeamLine() {
  customElements.define('team-line', TeamLine)
}

/** @param {PlaceMessage} place */
function onString({ place }) {
  return place === 'leading' || place === 'following'
}

/** @param {PlaceMessage} a @param {PlaceMessage} b */
function byFront(a, b) {
  return (a.slot ?? Infinity) - (b.slot ?? Infinity)
}

/** A string that has parted: two ends with a tick each. @param {number} from @param {number} to @param {Grid} grid */
function gapPath(from, to, { string, radius }) {
  const third = (to - from) / 3
  const tick = radius * 0.6
  return `M${from} ${string}h${third}m0-${tick}v${2 * tick}M${to} ${string}h${-third}m0-${tick}v${2 * tick}`
}

/** @param {Element} rect @param {number} x @param {number} y @param {number} width @param {number} height */
function box(rect, x, y, width, height) {
  for (const [name, value] of Object.entries({ x, y, width, height })) mark(rect, name, round(value))
}

/** @param {number} value */
function round(value) {
  return Math.round(value * 10) / 10
}
