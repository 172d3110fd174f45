/**
 * What every live page needs, wired once: socket, race clock, timeline, cue player and voice. Knows no role.
 */

import { foretold } from './foretell.js'
import { keepRace, recallRace } from './kept-race.js'
import { openedOffline } from './offline.js'
import { RaceClock } from './race-clock.js'
import { Timeline } from './timeline.js'
import { CuePlayer } from './cue-player.js'
import { Socket } from './socket.js'
import { Voice } from './voice.js'

/** @typedef {import('./messages.js').Welcome} Welcome */
/** @typedef {import('./messages.js').StateMessage} StateMessage */
/** @typedef {import('./messages.js').PresenceMessage} PresenceMessage */
/** @typedef {import('./messages.js').ErrorMessage} ErrorMessage */
/** @typedef {import('./messages.js').CueMessage} CueMessage */
/** @typedef {import('./messages.js').Said} Said */

/**
 * @typedef {object} Handlers
 * @property {(welcome: Welcome) => void} onWelcome
 * @property {(state: StateMessage) => void} onState
 * @property {(presence: PresenceMessage) => void} [onPresence]
 * @property {(error: ErrorMessage) => void} [onError]
 * @property {(cue: CueMessage) => void} [onCue] a cue's instant has come
 * @property {(cue: CueMessage) => void} [onMissed] a cue's instant went by unnoticed, too long ago to be told
 * @property {(cue: CueMessage) => Said | null} [words] what this device speaks of a cue
 * @property {(nowMs: number | null) => void} [onFrame]
 * @property {(link: import('./socket.js').Link) => unknown} [onLink]
 */

/** The clock is asked at least once a second: who hears nothing for longer is alone, be the line open or not. */
const ALONE_MS = 2000
/** How often at the most what is known is kept; another future is kept at once. */
const KEEP_MS = 5000
/** A page that wasn't opened offline gives the server so long before it goes by what was kept. */
const PATIENCE_MS = 2500

export class Live {
  /** @type {Welcome | null} */
  welcome = null
  /** @type {StateMessage | null} */
  state = null
  /** When what is shown was kept by an earlier page, on this device's own clock; null once the server is heard. @type {number | null} */
  recalled = null
  #newest = -Infinity
  #kept = { at: -Infinity, future: -1 }
  /** @type {import('./kept-race.js').KeptRace | null} */
  #found = null

  /**
   * @param {string} code
   * @param {string} ticket
   * @param {Handlers} handlers
   */
  constructor(code, ticket, handlers) {
    this.code = code
    this.ticket = ticket
    this.handlers = handlers
    this.clock = new RaceClock()
    void recallRace(code, ticket, this.clock.wall()).then((found) => {
      this.#found = found
    })
    this.timeline = new Timeline()
    this.voice = new Voice(this.clock.read)
    this.player = new CuePlayer({
      clock: this.clock,
      timeline: this.timeline,
      voice: this.voice,
      words: (cue) => handlers.words?.(cue) ?? null,
      air: (cue) => cue.air?.[this.seat] ?? null,
      onCue: (cue) => handlers.onCue?.(cue),
      onMissed: (cue) => handlers.onMissed?.(cue),
      onTick: () => this.#tick(),
      onFrame: (now) => handlers.onFrame?.(now),
    })
    this.socket = new Socket({
      path: `/api/races/${encodeURIComponent(code)}/live`,
      ticket,
      read: this.clock.read,
      onMessage: (message) => this.#hear(message),
      onLink: (link) => {
        if (link === 'open') {
          this.clock.reconnected()
          this.#newest = -Infinity // a server started anew may count from less
        }
        handlers.onLink?.(link)
      },
    })
  }

  /**
   * Tell the race something. Counts once, even if the line breaks while it is on its way.
   * @param {import('./messages.js').Tap['act']} act
   */
  tap(act) {
    return this.socket.tap(act, this.clock.now)
  }

  /** Whose device this is, as the server names it: that voice's share of the air is obeyed here. */
  get seat() {
    const { role, rider } = this.welcome?.you ?? { role: 'director', rider: null }
    return rider === null ? role : `${role}:${rider}`
  }

  /** How long nothing has been heard, ms. */
  get silence() {
    if (this.socket.heard !== null) return this.clock.read() - this.socket.heard
    return this.recalled === null ? 0 : Infinity
  }

  #tick() {
    const sent = this.clock.ask()
    if (sent !== null) this.socket.send({ kind: 'ping', sent })
    this.socket.watch()
    if (this.#found && this.clock.read() > (openedOffline ? 0 : PATIENCE_MS)) this.#recall(this.#found)
    this.#goOn()
  }

  /** Nobody tells how the race goes on: it is shown to go on as it was told it would. */
  #goOn() {
    const { now, reliable } = this.clock
    if (!this.state || now === null || !reliable || this.silence < ALONE_MS) return
    const state = foretold(this.state, this.timeline.coming, now)
    if (state === this.state) return
    this.state = state
    this.handlers.onState(state)
  }

  /** @param {import('./messages.js').Outbound} message */
  #hear(message) {
    const { handlers } = this
    this.#found = this.recalled = null
    switch (message.kind) {
      case 'welcome':
        this.welcome = message
        return handlers.onWelcome(message)
      case 'state':
        return this.#take(message)
      case 'presence':
        return handlers.onPresence?.(message)
      case 'pong':
        return this.clock.hear(message)
      case 'error':
        return handlers.onError?.(message)
      case 'ack':
        return undefined
    }
  }

  /** @param {StateMessage} state */
  #take(state) {
    // The near future overtakes the whole one on a slow line; what is older than what is known says nothing new.
    if (state.revision < this.#newest) return
    this.#newest = state.revision
    this.state = state
    this.clock.hint(state.clock)
    if (state.phase === 'lobby') this.timeline.clear()
    else if (state.phase === 'halted') this.timeline.halt(state.cues)
    else this.timeline.replace(state.cues, state.cues_until_ms, state.future)
    if (state.phase === 'lobby' || state.phase === 'halted') this.player.hush(state.cues)
    // First the screens, which know what this device speaks of a cue.
    this.handlers.onState(state)
    this.player.changed(state.cues)
    this.#keep()
  }

  /** For a page that is loaded without the server. What it holds is what this one would have gone on with. */
  #keep() {
    const { welcome, state, timeline, clock } = this
    const now = clock.read()
    if (!welcome || !state || this.recalled !== null || (now - this.#kept.at < KEEP_MS && state.future === this.#kept.future)) return
    this.#kept = { at: now, future: state.future }
    void keepRace(this.code, this.ticket, {
      wall: clock.wall(), welcome, state: { ...state, cues: timeline.coming }, until: timeline.known, clock: clock.kept,
    })
  }

  /**
   * Nobody answers: go on with what an earlier page kept. What fell due meanwhile was told there, or is over.
   * @param {import('./kept-race.js').KeptRace} found
   */
  #recall({ wall, welcome, state, until, clock }) {
    this.#found = null
    this.recalled = wall
    this.welcome = welcome
    this.handlers.onWelcome(welcome)
    if (clock) this.clock.recall(clock)
    const now = this.clock.now
    const cues = now === null ? [] : state.cues.filter((cue) => cue.due_ms > now)
    this.#take({ ...state, cues, cues_until_ms: until, clock: now === null ? null : Math.round(now) })
    this.#newest = -Infinity
  }
}
