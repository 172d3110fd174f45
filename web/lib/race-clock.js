/**
 * The race clock on this device: the one place that reads a clock.
 *
 * Each exchange gives four readings: ours when the ping left and when the pong came, the server's between. A ping can't
 * arrive before it left, nor a pong leave after it came: so each exchange says what the server's clock is at the most,
 * and what at the least, whatever the network does (RFC 5905, section 8; F. Cristian, 1989). The least of all such
 * tops and the greatest of all bottoms leave the room in which the truth lies, and the middle of it is believed. Both
 * ways are taken apart, so that a quick way out counts though its way back was slow.
 *
 * How fast the two clocks drift apart shows in how that middle wanders over minutes; it is what keeps a page right that
 * has been cut off for long.
 */

/** @typedef {import('./messages.js').Pong} Pong */
/** @typedef {{ at: number, ahead: number }} Bound what the server's clock was ahead of ours at an instant of ours, at the most or least */
/** @typedef {{ low: number, high: number }} Room */
/** @typedef {{ wall: number, ahead: number, drift: number, error: number, gun: number, rate: number, epoch: number | null }} KeptClock how the server's clock lay to this device's own */
/** @typedef {{ at: number, ahead: number, drift: number, error: number }} Belief how far ahead, and when that was found */

/** Of each slot of time only the tightest top and bottom are kept; in it drift is too little to matter. */
const SLOT_MS = 5_000
const KEPT_MS = 600_000
/** Two quartz clocks drift apart by up to 50 ppm each (from memory); in the error it is taken at its worst. */
const DRIFT = 1e-4
/** How fast two of them usually do (from memory), as a standard deviation: what is believed before anything is seen. */
const USUAL_DRIFT = 2e-5
const LEAST_SLOTS = 6
/** At once, then often, then now and then, once the error is less than any screen can show. */
const FIRST = 40
const FIRST_GAP = 50
const FAST_GAP = 200
const SLOW_GAP = 1000
const GOOD_ERROR_MS = 8
/** So many exchanges with a server that was started anew outweigh what was known of the one before. */
const ENOUGH = 25
/** Our clock stood still while this machine slept, or the wall clock was set; either way more than clocks are slewed. */
const LEAP_MS = 300
/** A wall clock is rounded, and slewed by whoever keeps it right; what it may have been set by isn't in this. */
const WALL_ERROR_MS = 20
/** Browsers round their clock to a tenth of a millisecond or so. */
const SLACK_MS = 1
const STRANGE_MS = 1000

export class RaceClock {
  /** @type {Bound[]} the tightest of each slot, oldest first: the server's clock is no further ahead */
  #tops = []
  /** @type {Bound[]} the server's clock is at least so far ahead */
  #bottoms = []
  #exchanges = 0
  /** @type {Belief | null} */
  #belief = null
  /** @type {Belief | null} of the server before it was started anew */
  #held = null
  /** @type {number | null} what the server's clock showed at the gun; null while the race clock stands still */
  #gun = null
  /** @type {number | null} the race clock less rate × page clock, as a state said, until an exchange says it better */
  #hinted = null
  /** @type {number | null} which of the server's clocks the exchanges are of */
  #epoch = null
  #trip = Infinity
  #rate = 1
  #asked = -Infinity
  #quickly = FIRST
  /** @type {number | null} the wall clock less ours, when last looked */
  #wallAhead = null
  /** @type {number | null} since when we can't be sure of our own clock; null if we are */
  #doubted = null

  /**
   * @param {() => number} [read] the page's own clock, milliseconds that only rise
   * @param {() => number} [wall] the wall clock, ms; only its leaps are of interest
   */
  constructor(read = () => performance.now(), wall = () => Date.now()) {
    this.read = read
    this.wall = wall
  }

  /** Whether the race clock runs and is known here. */
  get running() {
    return this.#hinted !== null || (this.#gun !== null && this.#belief !== null)
  }

  /** Whether cues may be told by it: it is running, and our own clock is not in doubt. */
  get reliable() {
    return this.running && this.#doubted === null
  }

  /** Our own clock stood still for a while or the wall clock was set, and no exchange has settled yet which. */
  get inDoubt() {
    return this.#doubted !== null
  }

  /** The race clock now, in ms; null while it stands still or isn't known. */
  get now() {
    return this.at(this.read())
  }

  /**
   * The race clock at an instant of the page's.
   * @param {number} pageMs
   * @returns {number | null} null while it stands still or isn't known
   */
  at(pageMs) {
    if (this.#hinted !== null) return pageMs * this.#rate + this.#hinted
    if (this.#gun === null || this.#belief === null) return null
    const { at, ahead, drift } = this.#belief
    return (pageMs + ahead + drift * (pageMs - at) - this.#gun) * this.#rate
  }

  /**
   * The page's clock at an instant of the race.
   * @param {number} raceMs
   * @returns {number | null}
   */
  pageTime(raceMs) {
    if (this.#hinted !== null) return (raceMs - this.#hinted) / this.#rate
    if (this.#gun === null || this.#belief === null) return null
    const { at, ahead, drift } = this.#belief
    return (raceMs / this.#rate + this.#gun - ahead + drift * at) / (1 + drift)
  }

  /** How wrong `now` may be at the most, race ms, however lopsided the network; Infinity if not known. */
  get error() {
    if (this.#hinted !== null || this.#belief === null || this.inDoubt) return Infinity
    return (this.#belief.error + DRIFT * (this.read() - this.#belief.at)) * this.#rate
  }

  /** The shortest round trip of late, ms; Infinity if not known. */
  get trip() {
    return this.#trip
  }

  /** How many race milliseconds go by in one of ours. */
  get rate() {
    return this.#rate
  }

  /** How fast the server's clock is believed to run away from ours, ms a ms. */
  get drift() {
    return this.#belief?.drift ?? 0
  }

  /** To be called often. Whether it is time to ask again; the answer is for `ping.sent`, or null. */
  ask() {
    this.#look()
    const now = this.read()
    const gap = this.#quickly > 0 ? FIRST_GAP : this.error > GOOD_ERROR_MS ? FAST_GAP : SLOW_GAP
    if (now - this.#asked < gap) return null
    this.#asked = now
    this.#quickly = Math.max(0, this.#quickly - 1)
    return now
  }

  /** @param {Pong} pong */
  hear(pong) {
    const came = this.read()
    this.#look()
    // A ping that left before our clock stood still seems to have come back sooner than it did.
    if (this.#doubted !== null && pong.sent < this.#doubted) return
    this.#doubted = null
    this.#rate = pong.rate
    this.#gun = pong.running ? (pong.gun_ms ?? 0) : null
    this.#hinted = null
    /** @param {number} ms */
    const server = (ms) => (this.#gun === null ? ms : ms / pong.rate + this.#gun)
    const top = { at: pong.sent, ahead: server(pong.received_ms) - pong.sent }
    const bottom = { at: came, ahead: server(pong.answered_ms) - came }
    if (pong.epoch !== this.#epoch) {
      this.#held = this.#belief
      this.#forget()
    }
    this.#epoch = pong.epoch
    this.#note(top, bottom)
    const { low, high } = this.#room(came, 0, DRIFT)
    if (low > high + SLACK_MS) {
      // The server's clock was set, or ours stood still: what was known is of no use.
      this.#forget()
      this.#held = null
      this.#note(top, bottom)
    }
    this.#believe(came)
  }

  /**
   * What a state message says of the clock, until an exchange says it better.
   * @param {number | null} clock its `clock`
   */
  hint(clock) {
    const now = this.now
    if (clock === null) this.#gun = this.#hinted = null
    else if (now === null) this.#hinted = clock - this.read() * this.#rate
    // The start was called off and set anew, or this state was long on its way: an exchange will say.
    else if (Math.abs(clock - now) > STRANGE_MS) this.#asked = -Infinity
  }

  /** How the race clock lies to this device's own, for a page that is loaded while nobody can be asked; null if unsure. */
  get kept() {
    if (this.#gun === null || this.#belief === null || this.inDoubt) return null
    const [at, wall, { ahead, drift }] = [this.read(), this.wall(), this.#belief]
    /** @type {KeptClock} */
    const kept = {
      wall, drift, gun: this.#gun, rate: this.#rate, epoch: this.#epoch,
      ahead: ahead + drift * (at - this.#belief.at) + at - wall, error: this.error / this.#rate,
    }
    return kept
  }

  /**
   * Go by what the page before this one kept, until an exchange says it better. It is right to within its error unless
   * this device's clock was set meanwhile, which nobody can see.
   * @param {KeptClock} kept
   */
  recall({ wall, ahead, drift, error, gun, rate, epoch }) {
    const at = this.read()
    const gone = this.wall() - wall
    if (gone < 0) return
    this.#gun = gun
    this.#rate = rate
    this.#epoch = epoch
    this.#belief = { at, ahead: ahead + drift * gone + wall + gone - at, drift, error: error + DRIFT * gone + WALL_ERROR_MS }
  }

  /** A new connection: perhaps to a server that was started anew, so ask at once. */
  reconnected() {
    this.#quickly = Math.max(this.#quickly, FIRST / 4)
    this.#asked = -Infinity
  }

  /** Whether our own clock stood still since this was last asked, or the wall clock was set. */
  #look() {
    const before = this.read()
    const wallAhead = this.wall() - before
    const after = this.read()
    if (after - before > LEAP_MS / 4) return // held up between two readings, which say nothing of each other then
    const leapt = Math.abs(wallAhead - (this.#wallAhead ?? wallAhead))
    this.#wallAhead = wallAhead
    if (leapt < LEAP_MS) return
    this.#doubted = after
    this.reconnected()
  }

  #forget() {
    this.#tops = []
    this.#bottoms = []
    this.#exchanges = 0
  }

  /** @param {Bound} top @param {Bound} bottom */
  #note(top, bottom) {
    this.#exchanges += 1
    keep(this.#tops, top, (one, other) => one.ahead < other.ahead)
    keep(this.#bottoms, bottom, (one, other) => one.ahead > other.ahead)
  }

  /**
   * What the server's clock is ahead of ours, at the least and at the most.
   * @param {number} at
   * @param {number} drift by which older exchanges are carried on
   * @param {number} unsure how wrong that may be
   * @returns {Room}
   */
  #room(at, drift, unsure) {
    let [low, high] = [-Infinity, Infinity]
    for (const top of this.#tops) high = Math.min(high, top.ahead + (drift + unsure) * (at - top.at))
    for (const bottom of this.#bottoms) low = Math.max(low, bottom.ahead + (drift - unsure) * (at - bottom.at))
    return { low, high }
  }

  /** @param {number} now */
  #believe(now) {
    const { drift, unsure } = this.#driftSeen()
    const sure = this.#room(now, 0, DRIFT)
    const likely = this.#room(now, drift, unsure)
    const { low, high } = likely.low <= likely.high ? likely : sure
    let ahead = (low + high) / 2
    // A server started anew most often has the clock it had: that stands, as far as what is seen allows.
    if (this.#held && this.#exchanges < ENOUGH) {
      const held = this.#held.ahead + this.#held.drift * (now - this.#held.at)
      ahead = Math.min(Math.max(held, low), Math.max(low, high))
    }
    this.#belief = { at: now, ahead, drift, error: Math.max(sure.high - ahead, ahead - sure.low, 0) }
    this.#trip = Math.max(0, sure.high - sure.low)
  }

  /** How fast the middle of the room has wandered, by the slots that say it well; and how wrong that may be. */
  #driftSeen() {
    const tops = new Map(this.#tops.map((top) => [slotOf(top), top]))
    const middles = this.#bottoms.flatMap((bottom) => {
      const top = tops.get(slotOf(bottom))
      return top ? [{ at: (top.at + bottom.at) / 2, ahead: (top.ahead + bottom.ahead) / 2, wide: top.ahead - bottom.ahead }] : []
    })
    if (middles.length < LEAST_SLOTS) return { drift: 0, unsure: 2 * USUAL_DRIFT }
    const narrowest = Math.min(...middles.map(({ wide }) => wide))
    // A middle is off by half of what its slot's room is wider than need be, at the most.
    const weighed = middles.map((middle) => ({ ...middle, weight: 1 / (((middle.wide - narrowest) / 2) ** 2 + 0.25) }))
    const weights = weighed.reduce((sum, { weight }) => sum + weight, 0)
    const meanAt = weighed.reduce((sum, { weight, at }) => sum + weight * at, 0) / weights
    const mean = weighed.reduce((sum, { weight, ahead }) => sum + weight * ahead, 0) / weights
    const spread = weighed.reduce((sum, { weight, at }) => sum + weight * (at - meanAt) ** 2, 0) + 1 / USUAL_DRIFT ** 2
    const lean = weighed.reduce((sum, { weight, at, ahead }) => sum + weight * (at - meanAt) * (ahead - mean), 0)
    const drift = Math.min(DRIFT, Math.max(-DRIFT, lean / spread))
    return { drift, unsure: 2 / Math.sqrt(spread) }
  }
}

/** @param {Bound} bound */
function slotOf({ at }) {
  return Math.floor(at / SLOT_MS)
}

/** @param {Bound[]} kept oldest first @param {Bound} bound @param {(one: Bound, other: Bound) => boolean} tighter */
function keep(kept, bound, tighter) {
  const last = kept.at(-1)
  if (!last || slotOf(last) !== slotOf(bound)) kept.push(bound)
  else if (tighter(bound, last)) kept[kept.length - 1] = bound
  while (kept[0] && bound.at - kept[0].at > KEPT_MS) kept.shift()
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
