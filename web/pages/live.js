/**
 * The entry of lobby, desk and bar screen. One document for all three: who has been let in to make sound in the lobby
 * may still make sound in the race, and no connection is lost on the way. Which screen is shown follows from the
 * phase of the race and from who you are.
 */

import { codeHere, ticketFor } from '../lib/api.js'
import { h } from '../lib/html.js'
import { Live } from '../lib/live.js'
import { mustStop } from '../lib/must-stop.js'
import { keepPages, openedOffline, serverBack } from '../lib/offline.js'
import { clockText, countdownText } from '../lib/race-clock.js'
import { keepAwake } from '../lib/wake-lock.js'
import { LinkStrip, registerLinkStrip } from '../parts/link-strip/link-strip.js'
import { Bars } from './bars.js'
import { Desk } from './desk.js'
import { Lobby } from './lobby.js'

/** @typedef {import('../lib/messages.js').Welcome} Welcome */
/** @typedef {import('../lib/messages.js').StateMessage} StateMessage */
/** @typedef {import('../lib/messages.js').PresenceMessage} PresenceMessage */
/** @typedef {import('../lib/messages.js').CueMessage} CueMessage */
/** @typedef {import('../lib/messages.js').Said} Said */
/**
 * What the entry shares with a screen.
 * @typedef {object} Stage
 * @property {Live} live
 * @property {LinkStrip} strip
 * @property {string} code
 * @property {string} ticket
 * @property {Promise<boolean>} awake whether the screen stays on by itself
 */
/**
 * A screen: gets messages, draws, taps.
 * @typedef {object} Screen
 * @property {HTMLElement} root
 * @property {(welcome: Welcome) => void} welcome
 * @property {(state: StateMessage) => void} state
 * @property {(presence: PresenceMessage) => void} presence
 * @property {(cue: CueMessage) => void} cue
 * @property {(cue: CueMessage) => Said | null} words
 * @property {(nowMs: number | null) => void} frame
 * @property {() => void} close
 */

const OTHER_EDITION = 'The server has newer pages than this device kept: load this page again as soon as the race allows.'
const SCREENS = { lobby: Lobby, desk: Desk, bars: Bars }

keepPages()
registerLinkStrip()
const strip = new LinkStrip()
const main = h('main', {})
// A slow network is taken for none, and what was kept may be from before an upgrade.
if (openedOffline) void serverBack().then((same) => strip.say('edition', same ? '' : OTHER_EDITION))
document.body.append(strip, main)

const code = codeHere()
const ticket = ticketFor(code)
/** @type {Screen | null} */
let screen = null
/** @type {keyof typeof SCREENS | null} */
let shown = null
/** @type {PresenceMessage | null} */
let presence = null
/** How long it is said that calls were missed. */
const MISSED_MS = 15_000
/** A page that knows less ahead, with no connection, says how much. */
const WHOLE_MS = 180_000
/** A clock that may be off by more is no clock to switch by. */
const POOR_CLOCK_MS = 250
/** @type {Map<string, number>} riders for whom the bell has rung, and for which word of theirs */
const rung = new Map()
/**
 * Calls that went by unheard here, and the page's clock when that was first to be seen; null if it wasn't yet.
 * @type {{ count: number, seen: number | null }}
 */
const missed = { count: 0, seen: null }

if (ticket) {
  const live = new Live(code, ticket, {
    onWelcome: (welcome) => {
      document.title = `${welcome.race}, swingoff`
      screen?.welcome(welcome)
    },
    onState: (state) => {
      show(state)
      alarm(state)
      screen?.state(state)
    },
    onPresence: (message) => {
      presence = message
      // A rider can't mend the voice; a rider must know that nothing will be heard.
      const mended = live.welcome?.you.role === 'director' ? message.voice_sentence : 'The voice is silent: watch the screen.'
      strip.say('voice', message.voice_ok ? '' : mended)
      screen?.presence(message)
    },
    onError: (error) => strip.say('refusal', error.sentence),
    onLink: (link) => link === 'open' && strip.say('refusal', ''),
    onCue: (cue) => {
      screen?.cue(cue)
    },
    onMissed: (cue) => {
      if (!screen?.words(cue)) return
      missed.count += 1
      missed.seen = null
    },
    words: (cue) => screen?.words(cue) ?? null,
    onFrame: (now) => {
      strip.say('link', linkSentence())
      strip.say('clock', clockSentence())
      strip.say('missed', missedSentence())
      screen?.frame(now)
    },
  })
  Object.assign(globalThis, { live }) // for whoever looks into a running page, and for its tests
  const unlock = () => void live.voice.unlock()
  for (const touch of ['pointerdown', 'keydown']) addEventListener(touch, unlock)
  const awake = keepAwake()

  /** @param {StateMessage} state */
  const show = (state) => {
    if (!live.welcome) return
    const wanted = state.phase === 'lobby' ? 'lobby' : live.welcome.you.role === 'director' ? 'desk' : 'bars'
    if (wanted === shown) return
    screen?.close()
    shown = wanted
    screen = new SCREENS[wanted]({ live, strip, code, ticket, awake })
    main.replaceChildren(screen.root)
    scrollTo(0, 0) // where the lobby was scrolled to means nothing on the desk
    document.documentElement.dataset.screen = wanted
    history.replaceState(null, '', `/${wanted}/${code}${location.hash}`)
    screen.welcome(live.welcome)
    if (presence) screen.presence(presence)
  }

  /**
   * A rider in need is told to directors above everything else, with a bell, until they have put it away.
   * @param {StateMessage} state
   */
  const alarm = (state) => {
    if (live.welcome?.you.role !== 'director') return
    const told = new Map(mustStop(state).map(({ rider, at_ms }) => [rider, at_ms]))
    for (const { id, name } of live.welcome.roster) {
      const at = told.get(id)
      strip.say(`stop ${id}`, at === undefined ? '' : `${name} must stop. Told at ${clockText(at)} by ${name}: see who can help.`)
      if (at !== undefined && rung.get(id) !== at) void live.voice.chime()
      if (at === undefined) rung.delete(id)
      else rung.set(id, at)
    }
  }

  const linkSentence = () => {
    const { link, refusal, pending } = live.socket
    if (link === 'open') return ''
    if (link === 'refused') return refusal
    const waiting = pending ? ` ${pending} ${pending === 1 ? 'tap waits' : 'taps wait'} to be sent.` : ''
    if (live.recalled !== null) {
      const ago = Math.round((live.clock.wall() - live.recalled) / 1000)
      const when = ago < 120 ? `${ago} s` : `${Math.round(ago / 60)} min`
      return `No connection: ${aloneWords()} Opened with what was known ${when} ago, by this device’s own clock: wrong if that was set since.${waiting}`
    }
    if (live.socket.heard === null) return openedOffline || live.clock.read() > 3000 ? 'No connection to the race yet; trying again.' : ''
    return `No connection: ${aloneWords()} Last heard ${Math.round(live.silence / 1000)} s ago.${waiting}`
  }

  /** What this page still knows by itself. */
  const aloneWords = () => {
    const { now } = live.clock
    if (!live.clock.running || now === null || live.state?.phase === 'over') return 'nothing new comes in.'
    const left = (live.timeline.known - now) / live.clock.rate
    if (live.state?.phase === 'halted') return 'the line was stopped, and whether it rides on is not known here.'
    if (left <= 0) return 'all that was known here is told. Ride on by sight.'
    return left > WHOLE_MS ? 'calling on alone.' : `calling on alone; what is known here ends in ${countdownText(left)}.`
  }

  /** Never silently wrong: a clock that can't be trusted says so where calls are looked at. */
  const clockSentence = () => {
    const { clock } = live
    if (clock.inDoubt) return 'Clock not reliable: this device slept, or its clock was set. Nothing is called until the race’s clock is heard again.'
    if (!clock.running || live.state?.phase === 'over' || clock.error < POOR_CLOCK_MS) return ''
    return clock.error === Infinity ? '' : `Clock not reliable: calls may come ${Math.ceil(clock.error / 100) / 10} s too soon or too late.`
  }

  const missedSentence = () => {
    missed.seen ??= live.clock.read()
    if (live.clock.read() > missed.seen + MISSED_MS) missed.count = 0
    if (!missed.count) return ''
    const calls = missed.count === 1 ? 'A call was' : `${missed.count} calls were`
    return `${calls} missed here: this page was asleep or held up. Keep it in front and the screen on.`
  }
} else {
  strip.say('link', 'This link is not whole: its ticket is missing. Open the link or the code that the director shared.')
}
