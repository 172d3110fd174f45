/**
 * Setting up a race: course, riders, rules, plan, links, on one page, each editable at any time.
 *
 * The server keeps what it accepted. This browser keeps what was typed, accepted or not, so that a reload loses nothing:
 * text goes to storage at every key, and to the server when a field is left.
 */

import { call, codeHere, ticketFor } from '../lib/api.js'
import { clockOf, kmOf } from '../lib/cells.js'
import { find, h, put } from '../lib/html.js'
import { keep, recall, rememberRace } from '../lib/keep.js'
import { Saver } from '../lib/saver.js'
import { SetupCourse } from '../parts/setup-course/setup-course.js'
import { emptyRider, fromRiders, toRiders } from '../parts/setup-riders/columns.js'
import { SetupRiders } from '../parts/setup-riders/setup-riders.js'
import { fromRules, toRules } from '../parts/setup-rules/figures.js'
import { SetupRules } from '../parts/setup-rules/setup-rules.js'
import { KINDS, SetupPlan } from '../parts/setup-plan/setup-plan.js'
import { SetupWhatif } from '../parts/setup-whatif/setup-whatif.js'
import { PlanWork } from './plan-work.js'
import { SetupLinks } from '../parts/setup-links/setup-links.js'
import { SetupVoice } from '../parts/setup-voice/setup-voice.js'
import { VoiceWork } from './voice-work.js'

/** @typedef {import('../lib/messages.js').CourseCard} CourseCard */
/** @typedef {import('../lib/messages.js').PlanCard} PlanCard */
/** @typedef {import('../parts/setup-riders/columns.js').TypedRoster} TypedRoster */
/** @typedef {import('../parts/setup-links/setup-links.js').Links} Links */

/**
 * What the server has of the race.
 * @typedef {object} Draft
 * @property {string} name
 * @property {CourseCard | null} course
 * @property {Record<string, any>[]} riders
 * @property {Record<string, any>} rules
 * @property {PlanCard | null} plan
 * @property {string} phase
 * @property {Links | null} links
 * @property {readonly string[]} refused
 */

/** @typedef {{ riders?: TypedRoster, rules?: Record<string, string>, table?: any, name?: string }} Edits */

const code = codeHere()
const ticket = ticketFor(code)
const path = `/api/races/${code}`
const editsKey = `edits.${code}`

const parts = {
  course: find('setup-course', SetupCourse),
  riders: find('setup-riders', SetupRiders),
  rules: find('setup-rules', SetupRules),
  plan: find('setup-plan', SetupPlan),
  whatif: find('setup-whatif', SetupWhatif),
  voice: find('setup-voice', SetupVoice),
  links: find('setup-links', SetupLinks),
}
const nameInput = find('#race-name', HTMLInputElement)
const nameRefusal = find('#race-name-refusal', HTMLElement)
const saving = find('#saving', HTMLElement)

/** @type {Draft} */
let draft
/** @type {Edits} */
let edits = recall(editsKey, {})

// Saving

/** @type {Record<string, import('../lib/saver.js').SaverState>} */
const states = {}
const WORDS = {
  saved: 'All saved',
  saving: 'Saving …',
  refused: 'Something below is refused; it is kept here as typed',
  waiting: 'No answer from the server; kept in this browser, sent when it is back',
  unfinished: 'Kept in this browser; sent when the row is complete',
}

/**
 * @template V
 * @param {string} section
 * @param {(value: V) => Promise<void>} send
 * @param {(sentence: string) => void} refuse
 */
function saverOf(section, send, refuse) {
  return new Saver(send, (/** @type {import('../lib/saver.js').SaverState} */ state, sentence) => {
    states[section] = state
    if (state === 'refused') refuse(sentence)
    if (state === 'saved') sendAgain()
    drawSaving()
    drawStations()
  })
}

/** One section got through: so may those that did not. */
function sendAgain() {
  for (const saver of Object.values(savers)) saver.again()
}

find('#send-again', HTMLButtonElement).addEventListener('click', sendAgain)

function drawSaving() {
  const all = Object.values(states)
  const worst = /** @type {const} */ (['waiting', 'saving', 'refused']).find((state) => all.includes(state))
  const unfinished = !worst && draft && (parts.riders.unfinished || parts.rules.unfinished)
  put(saving, WORDS[worst ?? (unfinished ? 'unfinished' : 'saved')])
  saving.dataset.state = worst ?? (unfinished ? 'unfinished' : 'saved')
  find('#send-again', HTMLElement).hidden = worst !== 'waiting'
}

/** @param {Edits} more */
function keepEdits(more) {
  edits = { ...edits, ...more }
  keep(editsKey, edits)
}

/**
 * Let go of what was typed once the server has it, unless more was typed meanwhile.
 * @param {'name' | 'riders' | 'rules'} section
 * @param {unknown} sent
 * @param {unknown} shown
 */
function letGo(section, sent, shown) {
  if (JSON.stringify(sent) !== JSON.stringify(shown)) return
  delete edits[section]
  keep(editsKey, edits)
}

/** The plan was made for other riders, another course or other rules: the server has dropped it. */
function planGone() {
  if (!draft.plan) return
  draft.plan = null
  drawPlan()
}

const savers = {
  name: saverOf(
    'name',
    async (/** @type {string} */ name) => {
      await call('PUT', `${path}/name`, { ticket, json: { name } })
      draft.name = name
      letGo('name', name, nameInput.value.trim())
      put(nameRefusal, '')
      rememberRace({ code, name, role: 'director', ticket, rider: '' })
      title()
      await tellLobby()
    },
    (sentence) => put(nameRefusal, sentence),
  ),
  riders: saverOf(
    'riders',
    async (/** @type {TypedRoster} */ roster) => {
      const before = JSON.stringify(draft.riders)
      draft.riders = await call('PUT', `${path}/riders`, { ticket, json: toRiders(roster) })
      giveIds(roster)
      letGo('riders', roster, parts.riders.roster)
      parts.riders.refuse('')
      if (JSON.stringify(draft.riders) !== before) planGone()
      ridersChanged()
    },
    (sentence) => parts.riders.refuse(sentence),
  ),
  rules: saverOf(
    'rules',
    async (/** @type {Record<string, string>} */ typed) => {
      const before = JSON.stringify(draft.rules)
      const answer = await call('PUT', `${path}/rules`, { ticket, json: toRules(typed) })
      draft.rules = answer?.counted ? answer : toRules(typed)
      letGo('rules', typed, parts.rules.typed)
      parts.rules.refuse('')
      if (JSON.stringify(draft.rules) !== before) planGone()
      drawReady()
    },
    (sentence) => parts.rules.refuse(sentence),
  ),
}

/**
 * The server gave new riders their keys: put them into the rows, so that the next save is about the same riders.
 * @param {TypedRoster} sent
 */
function giveIds(sent) {
  const rows = sent.rows.filter((row) => row.name.trim() !== '')
  draft.riders.forEach((rider, index) => {
    const row = rows[index]
    if (!row || row.id) return
    row.id = rider.id
    const shown = parts.riders.roster.rows.find((one) => !one.id && one.name.trim() === row.name.trim())
    if (shown) shown.id = rider.id
  })
  if (edits.riders) keepEdits({ riders: parts.riders.roster })
}

// What the parts tell

parts.course.addEventListener('course-file', async (event) => {
  const file = /** @type {CustomEvent<File>} */ (event).detail
  await takeCourse(
    () => call('PUT', `${path}/course`, { ticket, bytes: file, fileName: file.name }),
    (sentence) => parts.course.refuseFile(sentence),
  )
})

parts.course.addEventListener('course-table', async (event) => {
  const { name, rows } = /** @type {CustomEvent<{ name: string, rows: number[][] }>} */ (event).detail
  await takeCourse(
    () => call('PUT', `${path}/course-table`, { ticket, json: { name, rows } }),
    (sentence) => parts.course.refuseTable(sentence),
  )
})

parts.course.addEventListener('course-typed', (event) =>
  keepEdits({ table: /** @type {CustomEvent} */ (event).detail }),
)

/**
 * @param {() => Promise<CourseCard>} send
 * @param {(sentence: string) => void} refuse
 */
async function takeCourse(send, refuse) {
  states.course = 'saving'
  drawSaving()
  try {
    draft.course = await send()
    parts.course.show(draft.course)
    refuse('')
    planGone()
    states.course = 'saved'
  } catch (error) {
    states.course = 'refused'
    parts.course.busy('')
    refuse(sentenceOf(error))
  }
  drawSaving()
  drawReady()
}

parts.riders.addEventListener('riders-typed', () => {
  keepEdits({ riders: parts.riders.roster })
  keep('reserve-unit', parts.riders.roster.unit)
})

parts.riders.addEventListener('riders-changed', () => {
  if (parts.riders.unfinished === '') void savers.riders.push(copyOf(parts.riders.roster))
  drawSaving()
  drawReady()
})

parts.riders.addEventListener('roster-keep', (event) => {
  const name = /** @type {CustomEvent<string>} */ (event).detail
  const { unit, rows } = parts.riders.roster
  const others = rosters().filter((one) => one.name !== name)
  keep('rosters', [{ name, unit, rows: rows.map((row) => ({ ...row, id: '' })) }, ...others])
  parts.riders.rosters = rosters()
})

parts.riders.addEventListener('roster-use', (event) => {
  const saved = rosters().find((one) => one.name === /** @type {CustomEvent<string>} */ (event).detail)
  if (!saved) return
  parts.riders.show({ unit: saved.unit, rows: saved.rows })
  parts.riders.send('riders-typed')
  parts.riders.send('riders-changed')
})

parts.riders.addEventListener('roster-forget', (event) => {
  const name = /** @type {CustomEvent<string>} */ (event).detail
  keep(
    'rosters',
    rosters().filter((one) => one.name !== name),
  )
  parts.riders.rosters = rosters()
})

parts.rules.addEventListener('rules-typed', () => keepEdits({ rules: parts.rules.typed }))

parts.rules.addEventListener('rules-changed', () => {
  if (parts.rules.unfinished === '') void savers.rules.push({ ...parts.rules.typed })
  drawSaving()
  drawReady()
})

nameInput.addEventListener('input', () => keepEdits({ name: nameInput.value }))
nameInput.addEventListener('change', () => {
  const name = nameInput.value.trim()
  if (name) void savers.name.push(name)
  else put(nameRefusal, 'the race: found no name; expected 1 to 80 characters')
})

parts.course.addEventListener('course-named', async (event) => {
  const names = /** @type {CustomEvent} */ (event).detail
  states.course = 'saving'
  drawSaving()
  try {
    draft.course = await call('PUT', `${path}/course-names`, { ticket, json: names })
    if (draft.course) parts.course.renamed(draft.course)
    draft.plan = (await call('GET', path, { ticket })).plan
    drawPlan()
    states.course = 'saved'
    await tellLobby()
  } catch (error) {
    states.course = 'refused'
    parts.course.refuseNames(sentenceOf(error))
  }
  drawSaving()
  drawStations()
})

const working = new PlanWork({
  path,
  ticket,
  plan: parts.plan,
  whatif: parts.whatif,
  planned: async (plan) => {
    draft.plan = plan ?? (await call('GET', path, { ticket })).plan
    drawPlan()
    await tellLobby()
  },
  taken: async (taken) => {
    draft = taken
    delete edits.riders
    delete edits.rules
    keep(editsKey, edits)
    keepOrder(null)
    parts.riders.show(ridersToShow())
    parts.rules.show(fromRules(draft.rules))
    ridersChanged()
    drawPlan()
    drawSaving()
    await tellLobby()
  },
  over: () => drawReady(),
})

parts.plan.addEventListener('plan-wanted', () => {
  const order = parts.plan.order
  void working.plan({ ...KINDS[parts.plan.kind]?.ask, ...(order ? { order } : {}) })
})

parts.plan.addEventListener('plan-kind', () => keep(`plan-kind.${code}`, parts.plan.kind))
parts.plan.addEventListener('plan-order', () => keepOrder(parts.plan.order))

/**
 * The order that the next plan is to keep, by riders' keys; null to look for the best.
 * @param {string[] | null} order
 */
function keepOrder(order) {
  keep(`plan-order.${code}`, order)
  offerOrder()
}

/** The plan's order can be kept, or the one that was, as long as these riders are the race's. */
function offerOrder() {
  /** @type {string[] | null} */
  const kept = recall(`plan-order.${code}`, null)
  const fits = (/** @type {readonly string[]} */ order) =>
    order.length === draft.riders.length && order.every((id) => draft.riders.some((rider) => rider.id === id))
  const order = kept && fits(kept) ? kept : (draft.plan?.order ?? [])
  const names = new Map(named().map((rider) => [rider.id, rider.name]))
  parts.plan.offerOrder(
    fits(order) ? order.map((id) => ({ id, name: names.get(id) ?? id })) : [],
    kept !== null && fits(kept),
  )
}

const voice = new VoiceWork({
  path,
  ticket,
  part: parts.voice,
  onState: (state) => {
    states.voice = state
    drawSaving()
    drawStations()
  },
  onCard: (card) => {
    voiceWords = `${card.choice.rate} words a minute`
    drawStations()
  },
})
let voiceWords = '–'

parts.riders.addEventListener('name-hear', async (event) => {
  const { spoken, language } = /** @type {CustomEvent<{ spoken: string, language: string }>} */ (event).detail
  parts.riders.unheard(await voice.hearName(spoken, language))
})

parts.links.addEventListener('open-lobby', () => void openLobby())

async function openLobby() {
  try {
    draft.links = await call('POST', `${path}/open`, { ticket })
    draft.phase = 'lobby'
    drawLinks()
  } catch (error) {
    parts.links.refuse(sentenceOf(error))
  }
}

/** An open lobby gets each new plan and name at once: nobody should start on the one before. */
async function tellLobby() {
  if (draft.links && draft.phase === 'lobby' && draft.plan) await openLobby()
}

// Drawing

function title() {
  document.title = `${draft.name} – set up – swingoff`
}

function ridersChanged() {
  void voice.load() // who hears what follows from the riders
  parts.rules.riders = draft.riders.length
  offerOrder()
  drawReady()
}

function drawPlan() {
  const margin = Number(draft.rules.reserve_margin ?? 0)
  parts.plan.show(draft.plan, draft.course, named(), margin, `/briefing/${code}`)
  offerOrder()
  parts.whatif.offer({
    riders: named(),
    order: [...(draft.plan?.order ?? [])],
    rules: draft.rules,
    form: draft.plan?.method.endsWith('free') ? 'free' : 'memorable',
  })
  void working.refresh()
  drawReady()
  drawLinks()
}

function drawLinks() {
  parts.links.show(draft.links, code, draft.plan !== null)
  put(find('#late', HTMLElement), LATE[draft.phase] ?? '')
  drawStations()
}

/** Riders as the plan names them. */
function named() {
  return draft.riders.map((rider) => ({
    id: String(rider.id),
    name: String(rider.name),
    initials: String(rider.initials ?? ''),
    mark: rider.mark ?? 'circle',
    hue: Number(rider.hue ?? 0),
  }))
}

function drawReady() {
  parts.plan.ready = missing()
  drawStations()
}

/** What is still missing for a plan, in a sentence; '' if nothing is. */
function missing() {
  if (!draft.course) return 'First a course.'
  if (parts.riders.unfinished) return `${parts.riders.unfinished}.`
  if (states.riders === 'refused') return 'Some rider’s figure is refused: see above.'
  if (draft.riders.length < 2) return 'First the riders, two at least.'
  if (parts.rules.unfinished || states.rules === 'refused') return 'A figure of the race is refused: see above.'
  if (Number(draft.rules.counted) > draft.riders.length) {
    return `The time counts on rider ${draft.rules.counted}, but there are ${draft.riders.length}: choose a smaller number.`
  }
  return ''
}

/** @type {Record<string, string>} */
const LATE = {
  countdown: 'The start is set: course, riders, rules and plan stay as they are. The voice may still be changed.',
  racing: 'The race is on: course, riders, rules and plan stay as they are. The voice may still be changed.',
  over: 'The race is over: what it was ridden with stays. Make a new race for the next one.',
}

const STATIONS = /** @type {const} */ ([
  ['course', 'Course'],
  ['riders', 'Riders'],
  ['rules', 'Race'],
  ['plan', 'Plan'],
  ['voice', 'Voice'],
  ['links', 'Links'],
])

function drawStations() {
  if (!draft) return
  const list = find('#stations', HTMLOListElement)
  if (!list.childElementCount) {
    list.append(
      ...STATIONS.map(([key, words], index) =>
        h(
          'li',
          { dataset: { step: key } },
          h(
            'button',
            { type: 'button', onclick: () => goTo(key) },
            h('span', { class: 'stop', 'aria-hidden': 'true' }, String(index + 1)),
            h('span', { class: 'station' }, words),
            h('span', { class: 'status' }),
          ),
        ),
      ),
    )
  }
  for (const [key] of STATIONS) {
    const item = find(`[data-step="${key}"]`, HTMLLIElement, list)
    const { words, done } = statusOf(key)
    put(find('.status', HTMLElement, item), words)
    item.classList.toggle('done', done)
  }
}

/**
 * @param {(typeof STATIONS)[number][0]} key
 * @returns {{ words: string, done: boolean }}
 */
function statusOf(key) {
  if (states[key] === 'refused') return { words: 'refused', done: false }
  const count = draft.riders.length
  switch (key) {
    case 'course':
      return draft.course ? { words: `${kmOf(draft.course.length_m)} km`, done: true } : { words: '–', done: false }
    case 'riders':
      if (parts.riders.unfinished) return { words: 'unfinished', done: false }
      return count
        ? { words: `${count} ${count === 1 ? 'rider' : 'riders'}`, done: count >= 2 }
        : { words: '–', done: false }
    case 'rules':
      return { words: `number ${draft.rules.counted} counts`, done: Number(draft.rules.counted) <= count }
    case 'plan':
      return draft.plan ? { words: clockOf(draft.plan.finish_s), done: true } : { words: '–', done: false }
    case 'voice':
      return { words: voiceWords, done: voiceWords !== '–' }
    case 'links':
      return draft.links ? { words: 'lobby is open', done: true } : { words: '–', done: false }
  }
}

/** @param {string} key */
function goTo(key) {
  const head = find(`#head-${key}`, HTMLElement)
  head.scrollIntoView({ block: 'start', behavior: 'smooth' })
  head.focus({ preventScroll: true })
}

/** @param {unknown} error */
function sentenceOf(error) {
  return error instanceof Error ? error.message : String(error)
}

/** @returns {{ name: string, unit: 'kJ' | 'J', rows: import('../parts/setup-riders/columns.js').TypedRider[] }[]} */
function rosters() {
  return recall('rosters', [])
}

/** @param {TypedRoster} roster @returns {TypedRoster} */
function copyOf(roster) {
  return { unit: roster.unit, rows: roster.rows.map((row) => ({ ...row })) }
}

// Starting

/**
 * The riders as typed here, if they are the server's or more than the server has; else the server's.
 * @returns {TypedRoster}
 */
function ridersToShow() {
  const typed = edits.riders
  if (typed?.rows.length) return typed
  /** @type {'kJ' | 'J'} */
  const unit = recall('reserve-unit', 'kJ')
  const rows = fromRiders(draft.riders, unit)
  return { unit, rows: rows.length ? rows : [emptyRider(), emptyRider(), emptyRider(), emptyRider()] }
}

/** @param {string} sentence */
function lost(sentence) {
  const place = find('#lost', HTMLElement)
  place.replaceChildren(
    h('h1', {}, 'This race did not open.'),
    h('p', { class: 'refusal' }, sentence),
    h(
      'p',
      { class: 'row' },
      h('button', { type: 'button', onclick: () => void start() }, 'Try again'),
      h('a', { class: 'button', href: '/' }, 'Home'),
    ),
  )
  place.hidden = false
  find('#setup', HTMLElement).hidden = true
}

async function start() {
  if (!ticket) {
    lost('This page needs the director’s link: the whole address, with the part behind the #.')
    return
  }
  try {
    draft = await call('GET', path, { ticket })
  } catch (error) {
    lost(sentenceOf(error))
    return
  }
  find('#lost', HTMLElement).hidden = true
  find('#setup', HTMLElement).hidden = false
  put(find('#code', HTMLElement), code)
  rememberRace({ code, name: draft.name, role: 'director', ticket, rider: '' })
  nameInput.value = edits.name ?? draft.name
  title()
  parts.course.show(draft.course)
  if (edits.table) parts.course.typed = edits.table
  parts.riders.rosters = rosters()
  parts.riders.show(ridersToShow())
  parts.rules.show(edits.rules ?? fromRules(draft.rules))
  parts.plan.kind = recall(`plan-kind.${code}`, 'memorable')
  ridersChanged()
  drawPlan()
  sendWhatIsNotThere()
  void tellLobby()
  void working.comeBack()
  drawSaving()
}

/** Edits that were typed here and never accepted, or typed while the server was away, are offered again. */
function sendWhatIsNotThere() {
  const name = nameInput.value.trim()
  if (name && name !== draft.name) void savers.name.push(name)
  const { roster } = parts.riders
  const same = JSON.stringify(fromRiders(draft.riders, roster.unit)) === JSON.stringify(roster.rows)
  if (edits.riders && !same && parts.riders.unfinished === '') void savers.riders.push(copyOf(roster))
  const typed = parts.rules.typed
  const sameRules = JSON.stringify(fromRules(draft.rules)) === JSON.stringify(typed)
  if (edits.rules && !sameRules && parts.rules.unfinished === '') void savers.rules.push({ ...typed })
}

void start()
