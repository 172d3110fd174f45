/**
 * What this browser remembers between visits: the races it was given, saved rosters, edits nobody has accepted yet.
 * Must not know what any of it means. A browser that refuses storage still works; it only forgets.
 */

import { dropRace } from './kept-race.js'

const PREFIX = 'swingoff.'

/** Where lib/api.js keeps tickets. */
const TICKET = 'ticket:'

/**
 * Remember a value. Answers whether the browser took it.
 * @param {string} key
 * @param {unknown} value  anything JSON can hold
 * @returns {boolean}
 */
export function keep(key, value) {
  try {
    localStorage.setItem(PREFIX + key, JSON.stringify(value))
    return true
  } catch {
    return false // storage is full, or switched off
  }
}

/**
 * What was remembered under a key; the fallback if nothing was, or if it cannot be read.
 * @template T
 * @param {string} key
 * @param {T} fallback
 * @returns {T}
 */
export function recall(key, fallback) {
  try {
    const text = localStorage.getItem(PREFIX + key)
    return text === null ? fallback : JSON.parse(text)
  } catch {
    return fallback
  }
}

/** @param {string} key */
export function forget(key) {
  try {
    localStorage.removeItem(PREFIX + key)
  } catch {
    // nothing was kept either
  }
}

/**
 * A race this browser was given.
 * @typedef {object} GivenRace
 * @property {string} code
 * @property {string} name
 * @property {'director' | 'rider'} role
 * @property {string} ticket
 * @property {string} rider    how the rider is called; empty for a director
 */

/** @returns {GivenRace[]} newest first */
export function givenRaces() {
  return recall('races', [])
}

/**
 * Put a race at the head of the list, once.
 * @param {GivenRace} race
 */
export function rememberRace(race) {
  const others = givenRaces().filter((known) => known.code !== race.code || known.role !== race.role)
  keep('races', [race, ...others].slice(0, 40))
}

/**
 * Codes of races this device has a ticket for that nobody put on the list: it came by a link.
 * @returns {{ code: string, ticket: string }[]}
 */
export function linkedRaces() {
  const known = new Set(givenRaces().map((race) => race.code))
  try {
    return Object.keys(localStorage)
      .filter((key) => key.startsWith(TICKET) && !known.has(key.slice(TICKET.length)))
      .map((key) => ({ code: key.slice(TICKET.length), ticket: localStorage.getItem(key) ?? '' }))
  } catch {
    return []
  }
}

/**
 * Take a race off the list, and its ticket and all that was kept of it off this device; whoever wants it back needs its link.
 * @param {string} code
 */
export function forgetRace(code) {
  void dropRace(code)
  try {
    localStorage.removeItem(TICKET + code)
    sessionStorage.removeItem(TICKET + code)
  } catch {
    // nothing was kept
  }
  keep(
    'races',
    givenRaces().filter((known) => known.code !== code),
  )
}
