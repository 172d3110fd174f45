/**
 * The lobby: who is here, is the sound heard, is the clock right; and the director's start.
 */

import { ApiError, call } from '../lib/api.js'
import { fill, find, h, mark, put } from '../lib/html.js'
import { registerPeopleHere, PeopleHere } from '../parts/people-here/people-here.js'
import { SetupVoice } from '../parts/setup-voice/setup-voice.js'
import { registerSoundCheck, SoundCheck } from '../parts/sound-check/sound-check.js'
import { VoiceWork } from './voice-work.js'

/** @typedef {import('./live.js').Stage} Stage */
/** @typedef {import('./live.js').Screen} Screen */
/** @typedef {import('../lib/messages.js').Welcome} Welcome */
/** @typedef {import('../lib/messages.js').StateMessage} StateMessage */
/** @typedef {import('../lib/messages.js').PresenceMessage} PresenceMessage */

registerPeopleHere()
registerSoundCheck()

const COUNTDOWNS_S = [10, 20, 30, 60]

const CAUTIONS = [
  'This is a maximal effort. Ride it only if you are well: not with a fever, not in pain, not against a doctor’s word.',
  'In heat drink, cool and ride easier; stop when you are dizzy, cold or confused, and say so.',
  'On the road the road comes first. Never read a screen while riding there: listen, and look where you go.',
  'Cues advise. Doctors, coaches, the law and the rules of the race outrank them, and so do your own eyes.',
]

/** Browsers keep a screen on for pages that came over https, and for this machine's own. */
const DARK = 'This page can’t keep the screen on' + (isSecureContext ? '. ' : ', because it came without https. ') +
  'Set the phone’s own screen timeout to its longest before the start, or the screen goes dark and the voice may fall silent.'

/** @implements {Screen} */
export class Lobby {
  #people = new PeopleHere()
  #check = new SoundCheck()
  #name = h('h1')
  #about = h('p', { class: 'soft' })
  #you = h('h2')
  #clock = h('p', { role: 'status' })
  #screen = h('div', { class: 'block', hidden: true }, h('p', { class: 'label' }, 'Screen'), h('p', {}, DARK))
  #ready = h('button', { type: 'button', class: 'big', 'aria-pressed': 'false', onclick: () => this.#toggle() }, 'I am ready')
  #readyBlock = h('div', { class: 'block' }, this.#ready)
  #counts = COUNTDOWNS_S.map((seconds) =>
    h('button', { type: 'button', 'aria-pressed': String(seconds === 20), onclick: () => this.#count(seconds) }, `${seconds} s`))
  #start = h('button', { type: 'button', class: 'primary big', onclick: () => this.#go() }, 'Start the countdown')
  #missing = h('p', { class: 'soft', role: 'status' })
  #links = h('div', { class: 'links-again' })
  #clips = h('p', { class: 'soft clips' })
  #voice = new SetupVoice()
  #voiceFold = h('details', { class: 'voice-room', ontoggle: () => this.#openVoice() },
    h('summary', {}, 'Voice, pace, loudness'), this.#voice)
  /** @type {VoiceWork | null} */
  #voiceWork = null
  #director = h('section', { class: 'block director', hidden: true },
    h('p', { class: 'label' }, 'Countdown'), h('div', { class: 'row' }, ...this.#counts), this.#start, this.#missing,
    h('button', { type: 'button', class: 'quiet', onclick: () => void this.#again() }, 'Show the links again'), this.#links,
    this.#voiceFold)
  #seconds = 20
  /** @type {boolean | null} */
  #heard = null
  /** @type {PresenceMessage | null} */
  #presence = null

  /** @param {Stage} stage */
  constructor(stage) {
    this.stage = stage
    void stage.awake.then((on) => {
      this.#screen.hidden = on
    })
    this.#check.addEventListener('play', () => void this.#play())
    this.#check.addEventListener('heard', (event) => this.#answer(/** @type {CustomEvent} */ (event).detail.heard))
    this.root = h('div', { class: 'page lobby' },
      h('header', { class: 'strip' }, h('a', { class: 'wordmark', href: '/' }, 'swingoff'), h('span', { class: 'where' }, 'Lobby'),
        h('span', { class: 'push' }, 'Code ', h('strong', {}, stage.code)),
        h('button', { type: 'button', class: 'quiet', 'data-theme-switch': true }, 'Screen')),
      h('div', { class: 'block' }, this.#name, this.#about),
      h('div', { class: 'columns' },
        h('section', { class: 'people', 'aria-label': 'Who is here' }, this.#people),
        h('section', { class: 'mine' },
          h('div', { class: 'block' }, this.#you),
          h('div', { class: 'block' }, h('p', { class: 'label' }, 'Sound'), this.#check, this.#clips),
          this.#readyBlock,
          h('div', { class: 'block' }, h('p', { class: 'label' }, 'Clock'), this.#clock),
          this.#screen,
          this.#director)),
      h('section', { class: 'cautions', 'aria-label': 'Cautions' }, ...CAUTIONS.map((words) => h('p', { class: 'caution' }, words))))
  }

  /** @param {Welcome} welcome */
  welcome(welcome) {
    put(this.#name, welcome.race)
    const km = (welcome.course.length_m / 1000).toFixed(1)
    put(this.#about, `${welcome.rehearsal ? 'Rehearsal. ' : ''}${welcome.course.name}, ${km} km. ` +
      `The time of rider ${welcome.counted} of ${welcome.roster.length} across the line counts.`)
    const mine = welcome.roster.find((card) => card.id === welcome.you.rider)
    put(this.#you, mine ? `You are ${mine.name}` : 'You are the director')
    // A director is ready by starting.
    this.root.classList.toggle('of-director', welcome.you.role === 'director')
    this.#readyBlock.hidden = welcome.you.role === 'director'
    this.#director.hidden = welcome.you.role !== 'director'
    if (this.#voiceFold.open) void this.#voiceWork?.load()
    this.#draw()
  }

  /** @param {StateMessage} state */
  state(state) {
    const may = state.may.includes('set_start')
    mark(this.#start, 'disabled', !may)
  }

  /** @param {PresenceMessage} presence */
  presence(presence) {
    this.#presence = presence
    this.#draw()
  }

  /** @param {number | null} _now */
  frame(_now) {
    const { clock: { error, trip }, voice } = this.stage.live
    this.#check.frame(voice.open)
    put(this.#clock, error === Infinity ? 'Being set against the server’s.'
      : error > 100 ? `Right to within ${Math.ceil(error)} ms: cues may come that far off. A nearer network helps.`
        : `Right to within ${Math.max(1, Math.ceil(error))} ms (there and back ${Math.max(1, Math.round(trip))} ms).`)
  }

  cue() {}

  words() {
    return null
  }

  close() {}

  #draw() {
    const { welcome } = this.stage.live
    if (!welcome) return
    const here = this.#presence?.here ?? []
    this.#people.show({ roster: welcome.roster, here, own: welcome.you.rider ?? 'director' })
    const ready = new Set(here.filter((one) => one.ready && one.devices).map((one) => one.who.replace(/^rider:/, '')))
    const waiting = welcome.roster.filter((card) => !ready.has(card.id)).map((card) => card.name)
    const people = waiting.length ? `Not ready: ${waiting.join(', ')}. You may start all the same.` : 'Everybody is ready.'
    const { voice_ok = false, clips_ready = 0, clips_wanted = 0 } = this.#presence ?? {}
    const left = clips_wanted - clips_ready
    put(this.#missing, voice_ok && left > 0 ? `${people} The voice still has ${left} calls to prepare.` : people)
    put(this.#clips, !voice_ok || clips_wanted === 0 ? '' : left > 0 ? `The voice prepares the calls: ${clips_ready} of ${clips_wanted}.`
      : `All ${clips_wanted} calls are ready to be said.`)
  }

  /** Asked for when somebody wants to see it. */
  #openVoice() {
    const { code, ticket } = this.stage
    this.#voiceWork ??= new VoiceWork({ path: `/api/races/${code}`, ticket, part: this.#voice })
    if (this.#voiceFold.open) void this.#voiceWork.load()
  }

  #toggle() {
    const ready = this.#ready.getAttribute('aria-pressed') !== 'true'
    mark(this.#ready, 'aria-pressed', String(ready))
    put(this.#ready, ready ? 'Ready. Press to take it back' : 'I am ready')
    this.stage.live.socket.state({ kind: 'ready', ready })
  }

  async #play() {
    const { live } = this.stage
    const own = live.welcome?.roster.find((card) => card.id === live.welcome?.you.rider)
    const checks = live.state?.sound_check ?? []
    const cue = checks.find((one) => one.rider === own?.id) ?? checks[0]
    const said = cue && ((own && cue.said[own.language]) ?? Object.values(cue.said)[0])
    const sounded = (said?.clip && (await live.voice.speakNow(said))) || (await live.voice.chime())
    this.#check.show({ heard: this.#heard, blocked: !sounded })
  }

  /** @param {boolean} heard */
  #answer(heard) {
    this.#heard = heard
    this.#check.show({ heard, blocked: false })
    this.stage.live.socket.state({ kind: 'sound', heard })
  }

  /** @param {number} seconds */
  #count(seconds) {
    this.#seconds = seconds
    for (const [index, button] of this.#counts.entries()) mark(button, 'aria-pressed', String(COUNTDOWNS_S[index] === seconds))
  }

  #go() {
    this.stage.live.tap({ act: 'set_start', countdown_s: this.#seconds })
  }

  async #again() {
    const { code, ticket, strip } = this.stage
    try {
      const links = await call('POST', `/api/races/${code}/open`, { ticket })
      const cards = [...links.riders, { name: `Anybody, with the code ${links.join.code}`, ...links.join }]
      fill(this.#links, ...cards.map(linkCard))
      find('figure', HTMLElement, this.#links).scrollIntoView({ block: 'nearest' })
    } catch (error) {
      if (!(error instanceof ApiError)) throw error
      strip.say('refusal', error.message)
    }
  }
}

/** @param {{ name: string, url: string, qr_svg: string }} link */
function linkCard({ name, url, qr_svg }) {
  // As a picture, an SVG can't run anything, whoever drew it.
  const picture = h('img', { src: `data:image/svg+xml,${encodeURIComponent(qr_svg)}`, alt: `Code to scan for ${name}` })
  return h('figure', {}, picture, h('figcaption', {}, h('a', { href: url }, name)))
}
