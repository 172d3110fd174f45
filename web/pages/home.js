/**
 * Home: a new race, a race to join, a rehearsal, and the races this browser was given.
 */

import { call, keepTicket } from '../lib/api.js'
import { find, h, put } from '../lib/html.js'
import { forgetRace, givenRaces, linkedRaces, rememberRace } from '../lib/keep.js'

/** @typedef {{ name: string, title: string, about: string }} RehearsalCard */

const newForm = find('#new-race', HTMLFormElement)
const newName = find('#new-name', HTMLInputElement)
const joinForm = find('#join', HTMLFormElement)
const joinCode = find('#join-code', HTMLInputElement)

newForm.addEventListener('submit', async (event) => {
  event.preventDefault()
  const name = newName.value.trim()
  if (!name) {
    refuse(newName, '#new-refusal', 'Give the race a name; it can be changed at any time.')
    newName.focus()
    return
  }
  refuse(newName, '#new-refusal', '')
  await withButton(newForm, '#new-refusal', async () => {
    const { code, ticket } = await call('POST', '/api/races', { json: { name } })
    keepTicket(code, ticket)
    rememberRace({ code, name, role: 'director', ticket, rider: '' })
    location.assign(`/race/${code}#${ticket}`)
  })
})

joinForm.addEventListener('submit', (event) => {
  event.preventDefault()
  const code = joinCode.value.replace(/\W/g, '').toUpperCase()
  if (!code) {
    refuse(joinCode, '#join-refusal', 'Type the six letters and digits your director gave you.')
    joinCode.focus()
    return
  }
  location.assign(`/join/${encodeURIComponent(code)}`)
})

/**
 * @param {HTMLElement} input
 * @param {string} place
 * @param {string} sentence
 */
function refuse(input, place, sentence) {
  put(find(place, HTMLElement), sentence)
  if (sentence) input.setAttribute('aria-invalid', 'true')
  else input.removeAttribute('aria-invalid')
}

/**
 * Run something once, with its button shut meanwhile, and say at a place what went wrong.
 * @param {ParentNode} root
 * @param {string} place
 * @param {() => Promise<void>} run
 */
async function withButton(root, place, run) {
  const button = find('button', HTMLButtonElement, root)
  button.disabled = true
  put(find(place, HTMLElement), '')
  try {
    await run()
  } catch (error) {
    put(find(place, HTMLElement), error instanceof Error ? error.message : String(error))
  }
  button.disabled = false
}

async function drawRehearsals() {
  const list = find('#rehearsals', HTMLUListElement)
  /** @type {RehearsalCard[]} */
  let cards
  try {
    cards = await call('GET', '/api/rehearsals')
  } catch (error) {
    put(find('#rehearse-refusal', HTMLElement), error instanceof Error ? error.message : String(error))
    return
  }
  list.replaceChildren(...cards.map(rehearsalLine))
  if (cards.length === 0) list.append(h('li', { class: 'soft' }, 'No rehearsal came along with this installation.'))
}

/** @param {RehearsalCard} card */
function rehearsalLine(card) {
  const item = h(
    'li',
    {},
    h('div', {}, h('h3', {}, card.title), h('p', { class: 'soft' }, card.about)),
    h(
      'button',
      { type: 'button', 'aria-label': `Rehearse ${card.title}`, onclick: () => void rehearse(item, card) },
      'Rehearse',
    ),
  )
  return item
}

/**
 * @param {HTMLElement} item
 * @param {RehearsalCard} card
 */
async function rehearse(item, card) {
  await withButton(item, '#rehearse-refusal', async () => {
    const { code, ticket, links } = await call('POST', '/api/rehearsals', { json: { name: card.name } })
    keepTicket(code, ticket)
    rememberRace({ code, name: `Rehearsal: ${card.title}`, role: 'director', ticket, rider: '' })
    location.assign(links?.director?.url ? sameOrigin(links.director.url) : `/desk/${code}#${ticket}`)
  })
}

/**
 * The same page on the address this browser already uses: the server names the one that phones can reach.
 * @param {string} url
 */
function sameOrigin(url) {
  const { pathname, hash } = new URL(url, location.href)
  return pathname + hash
}

function drawRaces() {
  const races = givenRaces()
  find('#given', HTMLElement).hidden = races.length === 0
  find('#races', HTMLUListElement).replaceChildren(
    ...races.map((race) => {
      const director = race.role === 'director'
      const doors = director
        ? [
            h('a', { class: 'button', href: `/race/${race.code}#${race.ticket}` }, 'Set up'),
            h('a', { class: 'button', href: `/lobby/${race.code}#${race.ticket}` }, 'Lobby'),
          ]
        : [h('a', { class: 'button', href: `/lobby/${race.code}#${race.ticket}` }, 'Lobby')]
      return h(
        'li',
        {},
        h(
          'div',
          {},
          h('h3', {}, race.name || 'Race'),
          h(
            'p',
            { class: 'soft' },
            h('b', { class: 'code' }, race.code),
            director ? ' as director' : race.rider ? ` as ${race.rider}` : '',
          ),
        ),
        h(
          'span',
          { class: 'row' },
          ...doors,
          h(
            'button',
            {
              type: 'button',
              class: 'quiet',
              'aria-label': `Forget ${race.name} on this device`,
              onclick: () => {
                forgetRace(race.code)
                drawRaces()
              },
            },
            'Forget',
          ),
        ),
      )
    }),
  )
}

/** Races that came by a link: their names are asked for, once. */
async function nameLinkedRaces() {
  for (const { code, ticket } of linkedRaces()) {
    try {
      const { race } = await call('GET', `/api/join/${encodeURIComponent(code)}`)
      rememberRace({ code, name: race, role: 'rider', ticket, rider: '' })
      drawRaces()
    } catch {
      // Not open, or no longer there: it is not worth a line.
    }
  }
}

drawRaces()
void drawRehearsals()
void nameLinkedRaces()
