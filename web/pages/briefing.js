/**
 * The briefing: one page for all, and one for each rider, made to be printed and taped to a stem.
 */

import { call, codeHere, ticketFor } from '../lib/api.js'
import { clockOf, gradeOf, kmOf } from '../lib/cells.js'
import { find, h } from '../lib/html.js'
import { SetupSilhouette } from '../parts/setup-silhouette/setup-silhouette.js'
import { wishesOf } from '../parts/setup-riders/columns.js'
import { isGone, landmarkTimes, namesOf, spentWords, stretchUnder, timeAt, turnSheet } from '../parts/setup-plan/tables.js'

/** @typedef {import('../lib/messages.js').CourseCard} CourseCard */
/** @typedef {import('../lib/messages.js').PlanCard} PlanCard */
/** @typedef {import('../lib/messages.js').RuleCard} RuleCard */
/** @typedef {{ id: string, name: string, spoken: string, on_flat: string, on_climbs: string, on_descents: string }} RiderCard */
/** @typedef {{ name: string, course: CourseCard, plan: PlanCard, riders: RiderCard[], rules: { counted: number }, links: { join: { url: string } } | null }} Ready */

const code = codeHere()
const ticket = ticketFor(code)
const sheets = find('#sheets', HTMLElement)

find('#print', HTMLButtonElement).addEventListener('click', () => print())
find('#back', HTMLAnchorElement).href = `/race/${code}`

/** What is called, and what to do then: the same words on every page. */
/**
 * @param {string} next  a rider's name, for the examples
 * @param {string} leader
 * @param {boolean} spends  whether anybody is used up before the finish
 * @returns {[string, string][]}
 */
function whatIsHeard(next, leader, spends) {
  return [
    [`“${next}, you’re next”`, `${next} leads in about ten seconds`],
    [`“${leader}, switch now”`, `${leader} swings off on that word; ${next} holds the speed, no surge`],
    [`“${next}, three eighty”`, 'hold 380 watts on the front'],
    [`“${leader}, on”`, 'accelerate now: the last wheel comes by'],
    ['“ease”, “come past”, “close gap”', 'leader too fast; past whoever swung off; shut the gap before you'],
    ...(spends ? [/** @type {[string, string]} */ (['“last turn, all you have”', 'yours alone: empty yourself, swing off, let the line go'])] : []),
    ['“order now …”', 'what happened is the new order; nobody moves up'],
    ['“stop”', 'stop, safely, now: it outranks everything'],
  ]
}

/** @param {string} sentence */
function lost(sentence) {
  sheets.replaceChildren(h('p', { class: 'refusal' }, sentence))
}

async function start() {
  if (!ticket) {
    lost('The briefing needs the director’s link: open it from the set-up page of the race.')
    return
  }
  try {
    const draft = await call('GET', `/api/races/${code}`, { ticket })
    if (!draft.plan || !draft.course) {
      lost('There is no plan yet: work it out on the set-up page, then come back.')
      return
    }
    draw(draft)
  } catch (error) {
    lost(error instanceof Error ? error.message : String(error))
  }
}

/** @param {Ready} ready */
function draw(ready) {
  document.title = `${ready.name} – briefing – swingoff`
  const pages = [sheetForAll(ready), ...ready.plan.order.map((rider) => sheetFor(ready, rider))]
  sheets.replaceChildren(...pages)
  const names = ['Team', ...ready.plan.order.map((rider) => namesOf(ready.riders).get(rider) ?? rider)]
  const buttons = names.map((name, index) =>
    h('button', { type: 'button', 'aria-pressed': 'false', onclick: () => only(index) }, name),
  )
  const every = h('button', { type: 'button', 'aria-pressed': 'true', onclick: () => only(-1) }, 'Every page')
  find('#which', HTMLElement).replaceChildren(every, ...buttons)

  /** @param {number} wanted  -1 for every page */
  function only(wanted) {
    pages.forEach((page, index) => (page.hidden = wanted >= 0 && index !== wanted))
    buttons.forEach((button, index) => button.setAttribute('aria-pressed', String(index === wanted)))
    every.setAttribute('aria-pressed', String(wanted < 0))
  }
}

/**
 * @param {Ready} ready
 * @param {string} whose
 */
function sheetHead(ready, whose) {
  return h(
    'header',
    { class: 'sheet-head' },
    h('h1', {}, whose),
    h(
      'p',
      {},
      h('b', {}, ready.name),
      h('span', {}, `${ready.course.name}, ${kmOf(ready.course.length_m)} km`),
      h('span', {}, `${clockOf(ready.plan.finish_s)} on rider number ${ready.rules.counted}`),
    ),
    h('p', { class: 'sheet-code' }, h('span', { class: 'label' }, 'Code to join'), h('b', {}, code)),
  )
}

/**
 * More stretches than fit a page in the usual size.
 * @param {Ready} ready
 */
function many(ready) {
  return ready.plan.rules.length + agreed(ready).length > 10
}

/** @param {Ready} ready */
function sheetForAll(ready) {
  const view = new SetupSilhouette()
  view.show(ready.course)
  const names = namesOf(ready.riders)
  return h(
    'article',
    { class: many(ready) ? 'brief many' : 'brief' },
    sheetHead(ready, 'Team'),
    h(
      'ol',
      { class: 'line-up', 'aria-label': 'The line at the gun, front first' },
      ...ready.plan.order.map((rider, place) =>
        h('li', {}, h('span', { class: 'place' }, place + 1), names.get(rider) ?? rider),
      ),
    ),
    ...agreed(ready),
    view,
    h('div', { class: 'scroll' }, turnSheet(ready.plan, ready.course, ready.riders)),
    landmarkTimes(ready.plan, ready.course),
    heard(ready),
    care(),
  )
}

/**
 * What was agreed beforehand: who is wished to lead otherwise, who is used up before the finish.
 * @param {Ready} ready
 */
function agreed(ready) {
  const names = namesOf(ready.riders)
  const wishes = ready.riders.filter((rider) => wishesOf(rider)).map((rider) => `${rider.name} ${wishesOf(rider)}`)
  const spent = (ready.plan.spent ?? []).map(
    ([rider, from_m]) => `${names.get(rider) ?? rider} need not finish: ${spentWords(ready.plan, from_m)}`,
  )
  const all = [...wishes, ...spent]
  return all.length ? [h('p', { class: 'brief-agreed' }, h('b', {}, 'Agreed: '), `${all.join('; ')}.`)] : []
}

/** @param {Ready} ready */
function heard(ready) {
  const names = namesOf(ready.riders)
  const [leader = 'Otto', next = 'Maya'] = ready.plan.order.map((rider) => names.get(rider) ?? rider)
  return h(
    'table',
    { class: 'sheet heard' },
    h('caption', {}, 'What you will hear'),
    h(
      'tbody',
      {},
      ...whatIsHeard(next, leader, (ready.plan.spent ?? []).length > 0).map(([words, means]) =>
        h('tr', {}, h('th', { scope: 'row' }, words), h('td', {}, means)),
      ),
    ),
  )
}

function care() {
  return h(
    'p',
    { class: 'brief-care' },
    'Ill, dizzy, too hot, or a pain that is new: stop, and say so. Law, race rules and the road come before any call.',
  )
}

/**
 * @param {Ready} ready
 * @param {string} rider
 */
function sheetFor(ready, rider) {
  const names = namesOf(ready.riders)
  const name = names.get(rider) ?? rider
  const place = ready.plan.order.indexOf(rider)
  return h(
    'article',
    { class: many(ready) ? 'brief mine many' : 'brief mine' },
    sheetHead(ready, name),
    h('p', { class: 'brief-first' }, ...firstWords(ready, place)),
    h('ol', { class: 'brief-stretches' }, ...ready.plan.rules.map((rule) => stretchLine(ready, rule, rider))),
    landmarkTimes(ready.plan, ready.course),
    heard(ready),
    care(),
  )
}

/**
 * @param {Ready} ready
 * @param {number} place
 */
function firstWords(ready, place) {
  const { order } = ready.plan
  const names = namesOf(ready.riders)
  const ahead = names.get(order[(place - 1 + order.length) % order.length] ?? '') ?? ''
  const last = lastWords(ready, order[place] ?? '')
  if (place === 0) return [h('b', {}, 'You start on the front.'), ` Afterwards you come through after ${ahead}.`, ...last]
  return [h('b', {}, `You start as number ${place + 1}`), `, on the wheel of ${ahead}.`, ...last]
}

/**
 * What a rider who is used up has to know, and how much is left at the worst.
 * @param {Ready} ready
 * @param {string} rider
 */
function lastWords(ready, rider) {
  const names = namesOf(ready.riders)
  const from_m = (ready.plan.spent ?? []).find(([id]) => id === rider)?.[1]
  if (from_m !== undefined) {
    return [h('b', {}, ` You need not finish. ${names.get(rider) ?? rider} ${spentWords(ready.plan, from_m)}; your last turn is called.`)]
  }
  const reserve = ready.plan.reserves.find((one) => one.rider === rider)
  if (!reserve || (reserve.least_at_m ?? null) === null) return []
  return [` Your worst moment comes at km ${kmOf(reserve.least_at_m ?? 0)}, about ${clockOf(timeAt(ready.plan, reserve.least_at_m ?? 0))} into it.`]
}

/**
 * Somebody who only follows may still be the first wheel for a moment, while all others drift back: better said before.
 * @param {Ready} ready
 * @param {RuleCard} rule
 * @param {string} rider
 */
function moments(ready, rule, rider) {
  const mine = (ready.plan.turns ?? []).filter(
    (turn) => turn.rider === rider && turn.start_m >= rule.start_m && turn.start_m < rule.end_m,
  )
  if (!mine.length) return []
  const places = mine.map((turn) => kmOf(turn.start_m)).join(', ')
  return [h('span', { class: 'soft' }, `a moment on the front at km ${places}, while the others drift back`)]
}

/**
 * How a rider is wished to lead on a terrain.
 * @param {Ready} ready
 * @param {string} rider
 * @param {string | undefined} terrain
 */
function wishOn(ready, rider, terrain) {
  const one = ready.riders.find((card) => card.id === rider)
  if (terrain === 'climb') return one?.on_climbs
  return terrain === 'descent' ? one?.on_descents : one?.on_flat
}

/**
 * What a rider does on one stretch: when, how long, how hard, after whom, for whom.
 * @param {Ready} ready
 * @param {RuleCard} rule
 * @param {string} rider
 */
function stretchLine(ready, rule, rider) {
  const names = namesOf(ready.riders)
  const under = stretchUnder(ready.course, rule)
  const wish = wishOn(ready, rider, under?.terrain)
  const leading = rule.turns.filter((turn) => turn.length_s > 0 && !isGone(ready.plan, rule, turn.rider))
  const index = leading.findIndex((turn) => turn.rider === rider)
  const mine = leading[index]
  const before = leading[(index - 1 + leading.length) % leading.length]
  const after = leading[(index + 1) % leading.length]
  const others_s = leading.reduce((sum, turn) => sum + (turn.rider === rider ? 0 : turn.length_s), 0)
  const call = (/** @type {string | undefined} */ id) => names.get(id ?? '') ?? ''
  // On a stretch that is over sooner nobody comes round again, and whoever is far back does not lead at all.
  const short = (rule.end_m - rule.start_m) / rule.speed_mps < others_s + (mine?.length_s ?? 0)
  const gone = isGone(ready.plan, rule, rider)
  const what = gone
    ? [h('b', { class: 'big-number follow' }, 'Gone'), h('span', { class: 'wheels' }, 'you have let the line go')]
    : mine
    ? [
        h('b', { class: 'big-number' }, `${Math.round(mine.length_s)} s`),
        h('b', { class: 'big-number' }, `${Math.round(mine.power_w)} W`),
        leading.length > 1
          ? h(
              'span',
              { class: 'wheels' },
              h('span', {}, `after ${call(before?.rider)}, then ${call(after?.rider)}`),
              h('span', { class: 'soft' }, short ? 'one turn here, or none: it is short' : `rest about ${clockOf(others_s)}`),
              wish === 'short' ? h('span', { class: 'soft' }, 'short turns, as agreed') : null,
            )
          : h('span', { class: 'wheels' }, 'you lead all of it'),
      ]
    : [
        h('b', { class: 'big-number follow' }, 'Follow'),
        h(
          'span',
          { class: 'wheels' },
          h('span', {}, wish === 'none' ? 'you don’t lead here, as agreed' : 'rest on the wheel'),
          ...moments(ready, rule, rider),
        ),
      ]
  return h(
    'li',
    { 'data-terrain': under?.terrain },
    h(
      'div',
      { class: 'where' },
      h('h2', {}, rule.name),
      h(
        'p',
        {},
        `km ${kmOf(rule.start_m)}–${kmOf(rule.end_m)}`,
        under && under.terrain !== 'flat' ? `, ${gradeOf(under.mean_grade)}` : '',
        `, from ${clockOf(timeAt(ready.plan, rule.start_m))}, ${(rule.speed_mps * 3.6).toFixed(1)} km/h`,
      ),
    ),
    h('div', { class: 'what' }, ...what),
  )
}

void start()
