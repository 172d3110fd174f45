/**
 * HTTP calls to our own server, and the tickets that say who is asking. Every failure is one sentence for people.
 */

/** What the server refused, or that it could not be reached. `message` is the sentence to show. */
export class ApiError extends Error {
  /**
   * @param {string} sentence
   * @param {string} code the server's, or "unreachable"
   * @param {number} status HTTP status; 0 when there was no answer
   */
  constructor(sentence, code, status) {
    super(sentence)
    this.name = 'ApiError'
    this.code = code
    this.status = status
  }
}

/**
 * @typedef {object} Options
 * @property {string} [ticket] sent as a bearer ticket, never in the address
 * @property {unknown} [json] a body, sent as JSON
 * @property {Blob | ArrayBuffer} [bytes] a body, sent as it is
 * @property {string} [fileName] goes with bytes
 * @property {AbortSignal} [signal] breaks the call off
 */

/**
 * Call the server.
 *
 * @param {'GET' | 'POST' | 'PUT' | 'DELETE'} method
 * @param {string} path begins with /api/
 * @param {Options} [options]
 * @returns {Promise<any>} the answer's JSON; null if it was empty
 * @throws {ApiError}
 */
export async function call(method, path, { ticket, json, bytes, fileName, signal } = {}) {
  const headers = new Headers()
  if (ticket) headers.set('Authorization', `Bearer ${ticket}`)
  if (json !== undefined) headers.set('Content-Type', 'application/json')
  if (fileName !== undefined) headers.set('X-File-Name', encodeURIComponent(fileName))
  const body = json === undefined ? bytes : JSON.stringify(json)
  /** @type {Response} */
  let answer
  try {
    answer = await fetch(path, { method, headers, body, signal, cache: 'no-store' })
  } catch {
    throw new ApiError('The server does not answer; see that it runs and that this device is on its network.', 'unreachable', 0)
  }
  const told = await readJson(answer)
  if (answer.ok) return told
  const sentence = told?.sentence ?? `The server answered ${answer.status}; try again, and reload the page if it stays so.`
  throw new ApiError(sentence, told?.code ?? 'unexpected', answer.status)
}

/** The race's code: the last part of this page's address. */
export function codeHere() {
  return decodeURIComponent(location.pathname.split('/').filter(Boolean).at(-1) ?? '').toUpperCase()
}

/**
 * The ticket for a race: from the fragment of the address, which no request carries, or as this tab or device kept it.
 * One device can hold several tickets of one race, one a tab; the address outranks the tab, the tab the device.
 *
 * @param {string} code
 * @returns {string} empty if there is none
 */
export function ticketFor(code) {
  const key = `ticket:${code}`
  const given = decodeURIComponent(location.hash.slice(1))
  if (given) keepTicket(code, given)
  return given || (read(sessionStorage, key) ?? read(localStorage, key) ?? '')
}

/**
 * Keep a ticket for this tab and, for another day, this device.
 *
 * @param {string} code
 * @param {string} ticket
 */
export function keepTicket(code, ticket) {
  for (const store of [sessionStorage, localStorage]) {
    try {
      store.setItem(`ticket:${code}`, ticket)
    } catch {
      // A private window may refuse; the ticket still stands in the address.
    }
  }
}

/** @param {Storage} store @param {string} key */
function read(store, key) {
  try {
    return store.getItem(key)
  } catch {
    return null
  }
}

/** @param {Response} answer */
async function readJson(answer) {
  try {
    return await answer.json()
  } catch {
    return null
  }
}
