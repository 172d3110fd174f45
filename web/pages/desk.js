/**
 * The desk: the line in the middle, whose turn, how long, who is next, what is to be called; and every act by hand and key.
 */

import { h, mark, put } from '../lib/html.js'
import { clockText } from '../lib/race-clock.js'
import { registerCallSheet, CallSheet } from '../parts/call-sheet/call-sheet.js'
import { registerCourseStrip, CourseStrip } from '../parts/course-strip/course-strip.js'
import { DirectorKeys, pageOfKeys, registerDirectorKeys } from '../parts/director-keys/director-keys.js'
import { registerTeamLine, TeamLine } from '../parts/team-line/team-line.js'
import { registerTroubleStrip, TroubleStrip } from '../parts/trouble-strip/trouble-strip.js'
import { registerTurnBoard, TurnBoard } from '../parts/turn-board/turn-board.js'

/** @typedef {import('./live.js').Stage} Stage */
/** @typedef {import('./live.js').Screen} Screen */
/** @typedef {import('../lib/messages.js').Welcome} Welcome */
/** @typedef {import('../lib/messages.js').StateMessage} StateMessage */
/** @typedef {import('../lib/messages.js').CueMessage} CueMessage */
/** @typedef {import('../lib/messages.js').Tap['act']} Act */

registerCallSheet()
registerCourseStrip()
registerDirectorKeys()
registerTeamLine()
registerTroubleStrip()
registerTurnBoard()

const PHASES = { lobby: 'Lobby', countdown: 'Countdown', racing: 'Racing', halted: 'Stopped', over: 'Over' }

/** Characters of a director's own words; the server refuses more. */
const MOST_SAID = 120

/** @implements {Screen} */
export class Desk {
  #board = new TurnBoard()
  #line = new TeamLine()
  #course = new CourseStrip()
  #sheet = new CallSheet()
  #troubles = new TroubleStrip()
  #keys = new DirectorKeys()
  #race = h('strong')
  #phase = h('span', { class: 'phase' })
  #clock = h('span', { class: 'race-clock' })
  #finish = h('span')
  #off = h('button', { type: 'button', class: 'danger', hidden: true, onclick: () => this.#tell({ act: 'call_off_start' }) }, 'Call the start off')
  #mute = h('button', { type: 'button', class: 'quiet', 'aria-pressed': 'false', 'aria-keyshortcuts': 'm', onclick: () => this.#toggleVoice() })
  #volume = h('input', { type: 'range', min: 0, max: 1, step: 0.05, value: 1, 'aria-label': 'Volume of the team voice', oninput: () => this.#setVoice() })
  #keyPage = h('dialog', { 'aria-label': 'Keys' }, h('h2', {}, 'Keys'), pageOfKeys(),
    h('form', { method: 'dialog' }, h('button', { class: 'primary' }, 'Close')))
  #question = h('p')
  #confirm = h('dialog', { 'aria-label': 'Confirm' }, h('h2', {}, this.#question), h('form', { method: 'dialog', class: 'row confirm' },
    h('button', { class: 'primary', value: 'yes', autofocus: true }, 'Yes ', h('kbd', {}, 'Enter')),
    h('button', { value: 'no' }, 'No ', h('kbd', {}, 'Esc'))))
  #words = h('input', { type: 'text', maxlength: MOST_SAID, autocomplete: 'off', enterkeyhint: 'send', 'aria-label': 'What is said', required: true })
  #sayTo = h('h2')
  #sayPage = h('dialog', { 'aria-label': 'Say in your own words' }, this.#sayTo, h('form', { method: 'dialog', class: 'say', onsubmit: () => this.#say() }, this.#words,
    h('p', { class: 'soft' }, 'Said as soon as every phone has it, a second from now, in the team voice’s language. A switch or a stop cuts in.'),
    h('p', { class: 'row' }, h('button', { class: 'primary' }, 'Say it ', h('kbd', {}, 'Enter')),
      h('button', { type: 'button', onclick: () => this.#sayPage.close() }, 'Don’t ', h('kbd', {}, 'Esc')))))
  #silent = false
  /** @type {string | null} */
  #selected = null
  /** @type {Act | null} */
  #asked = null
  /** @type {string[] | null} riders chosen so far, front first, while a whole order is being told */
  #order = null
  /** The landmark told last, metres: those up to it lie behind us. */
  #passed = -Infinity
  #language = 'en'
  #onKey = (/** @type {KeyboardEvent} */ event) => this.#key(event)

  /** @param {Stage} stage */
  constructor(stage) {
    this.stage = stage
    this.root = h('div', { class: 'desk' },
      h('header', { class: 'strip' }, h('a', { class: 'wordmark', href: '/' }, 'swingoff'), this.#race, this.#phase, this.#clock, this.#finish,
        this.#off, h('span', { class: 'push' }), this.#mute, this.#volume,
        h('button', { type: 'button', class: 'quiet', 'data-theme-switch': true }, 'Screen'),
        h('button', { type: 'button', class: 'quiet keys-button', onclick: () => this.#keyPage.showModal() }, 'Keys ', h('kbd', {}, '?'))),
      h('div', { class: 'floor' },
        h('div', { class: 'left' }, this.#board, this.#line, this.#troubles, this.#course, this.#keys),
        this.#sheet),
      this.#keyPage, this.#confirm, this.#sayPage)
    this.#line.addEventListener('pick', (event) => this.#choose(detail(event).rider))
    this.#line.addEventListener('move', (event) => this.#tell({ act: 'rejoined_at', rider: detail(event).rider, slot: detail(event).slot }))
    this.#line.addEventListener('lose', (event) => this.#tell({ act: 'lost_wheel', rider: detail(event).rider }))
    this.#course.addEventListener('landmark', (event) => this.#tell({ act: 'landmark_passed', at_m: detail(event).at_m }))
    this.#troubles.addEventListener('act', (event) => this.#tell(detail(event).act))
    this.#keys.addEventListener('act', (event) => this.#tell(detail(event).act))
    this.#keys.addEventListener('why', (event) => stage.strip.say('refusal', detail(event).sentence))
    this.#keys.addEventListener('order', () => (this.#order === null ? this.#beginOrder() : this.#endOrder()))
    this.#keys.addEventListener('confirm', (event) => this.#ask(detail(event)))
    this.#keys.addEventListener('words', () => this.#askWords())
    this.#confirm.addEventListener('close', () => this.#answer())
    addEventListener('keydown', this.#onKey)
    this.#setVoice()
  }

  /** @param {Welcome} welcome */
  welcome(welcome) {
    this.#language = welcome.language
    put(this.#race, welcome.race)
    this.#course.course(welcome.course)
    if (this.stage.live.state) this.state(this.stage.live.state)
  }

  /** @param {StateMessage} state */
  state(state) {
    const { welcome } = this.stage.live
    if (!welcome) return
    const { roster } = welcome
    put(this.#phase, PHASES[state.phase])
    put(this.#finish, finishText(state))
    this.stage.strip.say('halted', state.phase === 'halted' ? haltedText(state) : '')
    this.#off.hidden = !state.may.includes('call_off_start')
    this.#board.show({ roster, state })
    this.#troubles.show({ roster, state })
    this.#course.show(state.position)
    const over = state.phase === 'over'
    this.#sheet.show({ cues: over ? [] : this.stage.live.timeline.coming, log: state.log, textOf: (cue) => this.#textOf(cue), nameOf: (seat) => this.#nameOf(seat.replace(/^rider:/, '')) })
    this.#draw()
  }

  presence() {}

  /** @param {CueMessage} cue */
  cue(cue) {
    this.#sheet.called(this.#textOf(cue), cue.due_ms, cue.kind)
  }

  /** The team voice speaks every cue. @param {CueMessage} cue */
  words(cue) {
    return this.#silent ? null : (cue.said[this.#language] ?? Object.values(cue.said)[0] ?? null)
  }

  /** @param {number | null} now */
  frame(now) {
    const { state } = this.stage.live
    const shown = state?.phase === 'over' ? state.clock : now // the race is over: its clock stands where it ended
    put(this.#clock, shown === null ? '–' : clockText(shown))
    this.#board.frame(now)
    this.#line.frame(now)
    this.#course.frame(now)
    this.#sheet.frame(now)
    this.#troubles.frame(now)
    const shut = !this.#silent && !this.stage.live.voice.open
    this.stage.strip.say('sound', shut ? 'The team voice is shut: touch this page or press a key to let it sound.' : '')
  }

  close() {
    removeEventListener('keydown', this.#onKey)
    for (const subject of ['sound', 'refusal', 'order']) this.stage.strip.say(subject, '')
  }

  #draw() {
    const { welcome, state } = this.stage.live
    if (!welcome || !state) return
    this.#line.show({ roster: welcome.roster, state, selected: this.#selected })
    this.#keys.show({ roster: welcome.roster, state, selected: this.#selected, landmark: this.#nearestLandmark() })
  }

  #nearestLandmark() {
    const landmarks = (this.stage.live.welcome?.course.landmarks ?? []).filter(({ at_m }) => at_m > this.#passed)
    const at = this.#course.at(this.stage.live.clock.now) ?? 0
    return [...landmarks].sort((a, b) => Math.abs(a.at_m - at) - Math.abs(b.at_m - at))[0] ?? null
  }

  /** @param {Act} act */
  #tell(act) {
    this.stage.strip.say('refusal', '')
    this.stage.live.tap(act)
    if (act.act === 'landmark_passed') this.#passed = act.at_m
    if (act.act === 'undo') this.#passed = -Infinity
    this.#dropOrder()
    this.#choose(null)
  }

  /** @param {string | null} rider */
  #choose(rider) {
    if (this.#order && rider !== null) return this.#addToOrder(rider)
    this.#selected = rider === this.#selected ? null : rider
    return this.#draw()
  }

  // A whole order is told bead by bead, front first; the last one goes without saying.

  #beginOrder() {
    this.#choose(null)
    this.#order = []
    this.#sayOrder()
  }

  /** @param {string} rider */
  #addToOrder(rider) {
    if (!this.#order || this.#order.includes(rider)) return
    this.#order.push(rider)
    const rest = this.#leftOut()
    if (rest.length === 1) this.#order.push(...rest)
    if (rest.length <= 1) this.#tell({ act: 'order_seen', order: this.#order })
    else this.#sayOrder()
  }

  #endOrder() {
    const order = this.#order ?? []
    const rest = this.#leftOut().map((rider) => this.#nameOf(rider))
    if (!order.length) return this.#dropOrder()
    return this.#ask({ act: { act: 'order_seen', order }, question: `Left out, so adrift: ${rest.join(', ')}?` })
  }

  #dropOrder() {
    this.#order = null
    this.stage.strip.say('order', '')
  }

  #sayOrder() {
    const names = (this.#order ?? []).map((rider) => this.#nameOf(rider))
    this.stage.strip.say('order', `New order, front first: ${names.join(', ') || 'touch beads or press 1 to 9'} … n ends it, Esc drops it.`)
  }

  /** Those in the rotation who aren't in the order yet. */
  #leftOut() {
    const line = this.stage.live.state?.line ?? []
    return line.filter(({ place, rider }) => place !== 'out' && place !== 'adrift' && !this.#order?.includes(rider)).map(({ rider }) => rider)
  }

  /** @param {string} rider */
  #nameOf(rider) {
    return this.stage.live.welcome?.roster.find((card) => card.id === rider)?.name ?? rider
  }

  /** @param {{ act: Act, question: string }} asked */
  #ask({ act, question }) {
    this.#asked = act
    put(this.#question, question)
    this.#confirm.returnValue = ''
    this.#confirm.showModal()
  }

  #answer() {
    if (this.#confirm.returnValue === 'yes' && this.#asked) this.#tell(this.#asked)
    this.#asked = null
  }

  /** What was typed last stays to be said again, or mended if it was refused. */
  #askWords() {
    put(this.#sayTo, `Say to ${this.#selected === null ? 'everybody' : this.#nameOf(this.#selected)}`)
    this.#sayPage.showModal()
    this.#words.select()
  }

  #say() {
    const text = this.#words.value.trim()
    if (text) this.#tell({ act: 'say_aloud', text, rider: this.#selected })
  }

  /** @param {KeyboardEvent} event */
  #key(event) {
    const { target, key } = event
    if (event.repeat || event.ctrlKey || event.metaKey || event.altKey) return
    if (this.#keyPage.open || this.#confirm.open || this.#sayPage.open) return
    // A field keeps its keys, but not one that was left with its dialog: browsers leave the focus there.
    if (target instanceof HTMLInputElement && target.offsetParent !== null) return
    // A button that was reached with Tab keeps what activates it.
    if (target instanceof HTMLButtonElement && (key === ' ' || key === 'Enter')) return
    if (this.#press(key)) event.preventDefault()
  }

  /** @param {string} key */
  #press(key) {
    const { welcome } = this.stage.live
    if (/^[1-9]$/.test(key) && welcome) {
      const number = Number(key) - 1
      if (this.#selected !== null) this.#tell({ act: 'rejoined_at', rider: this.#selected, slot: number })
      else this.#choose(welcome.roster[number]?.id ?? null)
      return true
    }
    if (key === 'Escape') {
      this.#dropOrder()
      this.#choose(null)
    } else if (key === 'm') this.#toggleVoice()
    else if (key === '?') this.#keyPage.showModal()
    else return this.#keys.press(key)
    return true
  }

  #toggleVoice() {
    this.#silent = !this.#silent
    this.#setVoice()
  }

  #setVoice() {
    this.stage.live.voice.volume = this.#silent ? 0 : Number(this.#volume.value)
    mark(this.#volume, 'disabled', this.#silent)
    this.#mute.replaceChildren(this.#silent ? 'Team voice off ' : 'Team voice on ', h('kbd', {}, 'm'))
  }

  /** @param {CueMessage} cue */
  #textOf(cue) {
    const said = cue.said[this.#language] ?? Object.values(cue.said)[0]
    const text = said?.text || cue.kind.replaceAll('_', ' ')
    return text.charAt(0).toUpperCase() + text.slice(1)
  }
}

/** @param {Event} event */
function detail(event) {
  return /** @type {CustomEvent} */ (event).detail
}

/** What a director must know while the line stands. @param {StateMessage} state */
function haltedText({ may }) {
  return may.includes('resume')
    ? 'Stopped. Nothing is called until you resume with y: then the line rides off in this order.'
    : 'The start is stopped. Call it off, and set it again when all is well.'
}

/** @param {StateMessage} state */
function finishText({ position, phase }) {
  if (!position || phase !== 'racing') return ''
  const against = Math.round(position.against_plan_ms / 1000)
  const words = against === 0 ? 'on plan' : `${Math.abs(against)} s ${against > 0 ? 'behind' : 'ahead of'} plan`
  return `Finish ${clockText(position.finish_ms)}, ${words}`
}
