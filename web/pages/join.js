/**
 * Joining: a code, then a name, then the lobby. For riders who came without a link of their own.
 */

import { call, keepTicket } from '../lib/api.js'
import { find, h, put } from '../lib/html.js'
import { rememberRace } from '../lib/keep.js'

/** @typedef {{ id: string, name: string, claimed: boolean }} OpenSlot */
/** @typedef {{ race: string, riders: OpenSlot[] }} JoinPage */

const ask = find('#ask', HTMLFormElement)
const input = find('#code', HTMLInputElement)
const choose = find('#choose', HTMLElement)

const given = decodeURIComponent(location.pathname.split('/').filter(Boolean)[1] ?? '')

ask.addEventListener('submit', (event) => {
  event.preventDefault()
  void look(input.value)
})

/** @param {string} typed */
async function look(typed) {
  const code = typed.replace(/\W/g, '').toUpperCase()
  input.value = code
  if (!code) {
    refuse('Type the code first; it has six letters and digits.')
    return
  }
  try {
    const page = await call('GET', `/api/join/${encodeURIComponent(code)}`)
    refuse('')
    history.replaceState(null, '', `/join/${encodeURIComponent(code)}`)
    draw(code, page)
  } catch (error) {
    refuse(error instanceof Error ? error.message : String(error))
  }
}

/** @param {string} sentence */
function refuse(sentence) {
  put(find('#code-refusal', HTMLElement), sentence)
  if (sentence) {
    input.setAttribute('aria-invalid', 'true')
    input.focus()
    input.select()
  } else {
    input.removeAttribute('aria-invalid')
  }
}

/**
 * @param {string} code
 * @param {JoinPage} page
 */
function draw(code, page) {
  ask.hidden = true
  choose.hidden = false
  const head = find('#race', HTMLElement)
  put(head, page.race)
  document.title = `Join ${page.race} – swingoff`
  find('#riders', HTMLUListElement).replaceChildren(
    ...page.riders.map((rider) =>
      h(
        'li',
        {},
        h(
          'button',
          { type: 'button', disabled: rider.claimed, onclick: () => void take(code, page.race, rider) },
          h('span', {}, rider.name),
          rider.claimed ? h('span', { class: 'taken' }, 'taken') : null,
        ),
      ),
    ),
  )
  find('#taken-hint', HTMLElement).hidden = !page.riders.some((rider) => rider.claimed)
  head.focus()
}

/**
 * @param {string} code
 * @param {string} race
 * @param {OpenSlot} rider
 */
async function take(code, race, rider) {
  const said = find('#choose-refusal', HTMLElement)
  put(said, '')
  try {
    const { ticket } = await call('POST', `/api/join/${encodeURIComponent(code)}`, { json: { rider: rider.id } })
    keepTicket(code, ticket)
    rememberRace({ code, name: race, role: 'rider', ticket, rider: rider.name })
    location.assign(`/lobby/${code}#${ticket}`)
  } catch (error) {
    const sentence = error instanceof Error ? error.message : String(error)
    await look(code) // somebody else may have been quicker: show who is left
    put(said, sentence)
  }
}

if (given) {
  input.value = given
  void look(given)
} else {
  input.focus()
}
