/**
 * The one connection to the race. Says hello first, comes back by itself, and sees to it that each tap counts once.
 */

/** @typedef {import('./messages.js').Outbound} Outbound */
/** @typedef {import('./messages.js').Inbound} Inbound */
/** @typedef {import('./messages.js').Tap} Tap */
/** @typedef {'connecting' | 'open' | 'lost' | 'refused'} Link */

const FIRST_WAIT = 250
const LONGEST_WAIT = 4000
/** The clock asks at least once a second, so silence this long is a dead line, even if nobody closed it. */
const SILENCE = 3500
/** Close codes by which the server says that coming back is no use. */
const FOR_GOOD = new Set([1008, 4403, 4404])

export class Socket {
  /** @type {Link} */
  link = 'connecting'
  /** The page's clock when anything last came; null before the first. @type {number | null} */
  heard = null
  /** Why the server sent us away. */
  refusal = ''
  /** @type {WebSocket | null} */
  #socket = null
  #attempts = 0
  #opened = 0
  /** The page's clock when to try again. Not a timer of the page's: those sleep in the background. */
  #again = Infinity
  /** @type {Map<string, Tap>} taps that nobody has answered yet, oldest first */
  #waiting = new Map()
  /** @type {Map<string, Inbound>} the last word on being ready and on the sound, for a server that forgot us */
  #standing = new Map()

  /**
   * @param {object} options
   * @param {string} options.path of the socket, from the root of this server
   * @param {string} options.ticket
   * @param {() => number} options.read the page's own clock
   * @param {(message: Outbound) => void} options.onMessage
   * @param {(link: Link) => void} options.onLink
   */
  constructor({ path, ticket, read, onMessage, onLink }) {
    this.url = `${location.protocol === 'https:' ? 'wss' : 'ws'}://${location.host}${path}`
    this.ticket = ticket
    this.read = read
    this.onMessage = onMessage
    this.onLink = onLink
    this.#recall()
    addEventListener('online', () => this.#soon(0))
    this.#connect()
  }

  /** How many taps are still on their way. */
  get pending() {
    return this.#waiting.size
  }

  /**
   * Send something that is worth nothing later; lost if the line is down.
   * @param {Inbound} message
   */
  send(message) {
    if (this.#socket?.readyState === WebSocket.OPEN) this.#socket.send(JSON.stringify(message))
  }

  /**
   * Send something that stands until it is said anew, such as being ready.
   * @param {import('./messages.js').Ready | import('./messages.js').Sound} message
   */
  state(message) {
    this.#standing.set(message.kind, message)
    this.send(message)
  }

  /**
   * Send a tap, and send it again after each reconnection until the server has answered it.
   *
   * @param {Tap['act']} act
   * @param {number | null} seenMs the race clock when it was seen
   * @returns {string} the tap's key
   */
  tap(act, seenMs) {
    /** @type {Tap} */
    const message = { kind: 'tap', tap: newKey(), seen_ms: seenMs === null ? null : Math.round(seenMs), act }
    this.#waiting.set(message.tap, message)
    this.#keep()
    this.send(message)
    return message.tap
  }

  // A page may be loaded anew while the line is down: what was tapped before goes out all the same. The key of each tap
  // sees to it that it counts once, and `seen_ms` still says when it was seen.

  #keep() {
    try {
      if (this.#waiting.size) sessionStorage.setItem(`waiting:${this.ticket}`, JSON.stringify([...this.#waiting.values()]))
      else sessionStorage.removeItem(`waiting:${this.ticket}`)
    } catch {
      // A browser that keeps nothing still sends what it can.
    }
  }

  #recall() {
    try {
      /** @type {Tap[]} */
      const kept = JSON.parse(sessionStorage.getItem(`waiting:${this.ticket}`) ?? '[]')
      for (const tap of kept) this.#waiting.set(tap.tap, tap)
    } catch {
      // Nothing was kept, or nothing that can be read.
    }
  }

  /** @param {string} tap its key */
  #answered(tap) {
    if (this.#waiting.delete(tap)) this.#keep()
  }

  /** To be called often: gives up a line that has gone silent, and comes back to one that was lost. */
  watch() {
    if (this.read() >= this.#again) this.#connect()
    const silent = this.read() - Math.max(this.heard ?? 0, this.#opened)
    if (this.#socket && silent > SILENCE && (this.link === 'open' || this.link === 'connecting')) this.#lost()
  }

  #connect() {
    if (this.link === 'refused') return
    this.#again = Infinity
    const socket = new WebSocket(this.url)
    this.#socket = socket
    this.#opened = this.read()
    socket.onopen = () => {
      if (socket === this.#socket) socket.send(JSON.stringify({ kind: 'hello', ticket: this.ticket }))
    }
    socket.onmessage = (event) => {
      if (socket === this.#socket) this.#hear(String(event.data))
    }
    socket.onclose = (event) => {
      if (socket !== this.#socket) return
      if (FOR_GOOD.has(event.code)) this.#refused(event.reason)
      else this.#lost()
    }
  }

  /** @param {string} text */
  #hear(text) {
    /** @type {Outbound} */
    const message = JSON.parse(text)
    this.heard = this.read()
    if (message.kind === 'welcome' && this.link !== 'open') this.#welcomed()
    if (message.kind === 'ack') this.#answered(message.tap)
    if (message.kind === 'error') {
      if (message.tap !== null) this.#answered(message.tap)
      if (this.link !== 'open') this.refusal = message.sentence
    }
    this.onMessage(message)
  }

  #welcomed() {
    this.#attempts = 0
    this.refusal = ''
    this.#set('open')
    for (const message of this.#standing.values()) this.send(message)
    for (const message of this.#waiting.values()) this.send(message)
  }

  #lost() {
    const socket = this.#socket
    this.#socket = null
    socket?.close()
    this.#set('lost')
    // Whole teams come back at once after a tunnel; a random part keeps them from knocking in step.
    this.#soon(Math.min(LONGEST_WAIT, FIRST_WAIT * 2 ** this.#attempts++) * (0.5 + Math.random() / 2))
  }

  /** @param {string} reason */
  #refused(reason) {
    this.refusal ||= reason || 'This link is not valid here; ask the director for a new one.'
    this.#socket = null
    this.#set('refused')
  }

  /** @param {number} wait ms */
  #soon(wait) {
    if (this.#socket || this.link === 'refused') return
    this.#again = this.read() + wait
  }

  /** @param {Link} link */
  #set(link) {
    this.link = link
    this.onLink(link)
  }
}

/** A key nobody else makes; crypto.randomUUID is missing on plain http, and phones on the desk's network are there. */
function newKey() {
  return Array.from(crypto.getRandomValues(new Uint8Array(12)), (byte) => byte.toString(16).padStart(2, '0')).join('')
}
