/**
 * The race clock on this device: the one place that reads a clock.
 *
 * Each exchange gives four readings: ours when the ping left and when the pong came, the server's between. Half the
 * round trip bounds what one exchange can be wrong by, whatever the network does, so the exchanges with the shortest
 * round trips are the ones to believe. The estimate is the mean of the three shortest in the last minute.
 */

/** @typedef {import('./messages.js').Pong} Pong */
/** @typedef {{ at: number, offset: number, trip: number }} Exchange */

const WINDOW = 60_000
const BELIEVED = 3
const FAST_GAP = 200
const SLOW_GAP = 1000
/** Below this the estimate is as good as a screen can show, and one exchange a second keeps it so. */
const GOOD_ERROR_MS = 8
/** Two quartz clocks drift apart by up to 50 ppm each (from memory); it is added to the bound. */
const DRIFT = 1e-4

export class RaceClock {
  /** @type {Exchange[]} */
  #exchanges = []
  /** @type {number | null} race clock less rate × page clock; null before the first exchange or in the lobby */
  #offset = null
  #error = Infinity
  #trip = Infinity
  #rate = 1
  #running = false
  #asked = -Infinity
  /** Kept while new exchanges gather after a reconnection, so that the clock doesn't stop in between. */
  #stale = false

  /**
   * @param {() => number} [read] the page's own clock, milliseconds that only rise
   */
  constructor(read = () => performance.now()) {
    this.read = read
  }

  /** Whether the race clock runs and is known here. */
  get running() {
    return this.#running && this.#offset !== null
  }

  /** The race clock now, in ms; null while it stands still or isn't known. */
  get now() {
    return this.running && this.#offset !== null ? this.read() * this.#rate + this.#offset : null
  }

  /** How wrong `now` may be at the most, race ms, however lopsided the network; Infinity if not known. */
  get error() {
    return this.#error
  }

  /** The shortest recent round trip, ms; Infinity if not known. */
  get trip() {
    return this.#trip
  }

  /** How many race milliseconds go by in one of ours. */
  get rate() {
    return this.#rate
  }

  /**
   * The page's clock at an instant of the race.
   * @param {number} raceMs
   * @returns {number | null}
   */
  pageTime(raceMs) {
    return this.#offset === null ? null : (raceMs - this.#offset) / this.#rate
  }

  /**
   * Whether it is time to ask again; the answer for `ping.sent`, or null.
   * Five exchanges a second until the estimate is good, then one.
   */
  ask() {
    const now = this.read()
    const few = this.#exchanges.length < 25
    if (now - this.#asked < (few || this.#error > GOOD_ERROR_MS ? FAST_GAP : SLOW_GAP)) return null
    this.#asked = now
    return now
  }

  /** @param {Pong} pong */
  hear(pong) {
    const came = this.read()
    if (pong.running !== this.#running || pong.rate !== this.#rate) this.#begin(pong.running, pong.rate)
    const trip = came - pong.sent - (pong.answered_ms - pong.received_ms) / (pong.running ? pong.rate : 1)
    const offset = (pong.received_ms + pong.answered_ms) / 2 - (this.#rate * (pong.sent + came)) / 2
    const exchange = { at: came, offset, trip: Math.max(0, trip) }
    if (this.#contradicts(exchange)) this.#exchanges = []
    this.#exchanges.push(exchange)
    this.#believe(came)
  }

  /**
   * What a state message says of the clock, until exchanges say it better.
   * @param {number | null} clock its `clock`
   */
  hint(clock) {
    if (clock === null) {
      if (this.#running) this.#begin(false, this.#rate)
    } else if (!this.#running || this.#offset === null) {
      this.#begin(true, this.#rate)
      this.#offset = clock - this.read() * this.#rate
    }
  }

  /** A new connection may be to a server that started anew: old exchanges stand only until three new ones are here. */
  reconnected() {
    this.#stale = true
    this.#exchanges = []
    this.#asked = -Infinity
  }

  /** @param {boolean} running @param {number} rate */
  #begin(running, rate) {
    if (running !== this.#running || rate !== this.#rate) this.#offset = null
    this.#running = running
    this.#rate = rate
    this.#exchanges = []
    this.#stale = false
    this.#error = Infinity
  }

  /**
   * The server's clock was set, or the race was started anew: no exchange can be off by more than half its trip.
   * @param {Exchange} exchange
   */
  #contradicts(exchange) {
    if (this.#stale || this.#offset === null || !this.#running || this.#error === Infinity) return false
    return Math.abs(exchange.offset - this.#offset) > (exchange.trip / 2) * this.#rate + this.#error + 20
  }

  /** @param {number} now */
  #believe(now) {
    this.#exchanges = this.#exchanges.filter((exchange) => now - exchange.at < WINDOW)
    const best = [...this.#exchanges].sort((a, b) => a.trip - b.trip).slice(0, BELIEVED)
    if (this.#stale && best.length < BELIEVED) return
    this.#stale = false
    const shortest = best[0]
    if (!shortest) return
    this.#trip = shortest.trip
    const offset = best.reduce((sum, one) => sum + one.offset, 0) / best.length
    // The truth is within half a trip of the shortest exchange; the mean may lie apart from it.
    this.#error = (shortest.trip / 2 + (now - shortest.at) * DRIFT) * this.#rate + Math.abs(offset - shortest.offset)
    if (this.#running) this.#offset = offset
  }
}

/**
 * A duration for people: 9 → "9", 75 → "1:15", 3661 → "1:01:01". Counts down to 0 by rounding up, so that "1" lasts
 * until the instant itself.
 *
 * @param {number} ms below 0 is shown as 0
 * @returns {string}
 */
export function countdownText(ms) {
  const whole = Math.max(0, Math.ceil(ms / 1000))
  return whole < 60 ? String(whole) : clockText(whole * 1000)
}

/**
 * An instant of the race clock for people, whole seconds: "−0:05", "12:34", "1:02:03".
 *
 * @param {number} ms
 * @returns {string}
 */
export function clockText(ms) {
  const whole = Math.abs(Math.floor(ms / 1000))
  const sign = ms < 0 ? '−' : ''
  const hours = Math.floor(whole / 3600)
  const minutes = Math.floor(whole / 60) % 60
  const seconds = String(whole % 60).padStart(2, '0')
  return hours ? `${sign}${hours}:${String(minutes).padStart(2, '0')}:${seconds}` : `${sign}${minutes}:${seconds}`
}
