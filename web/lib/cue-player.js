/**
 * Plays the timeline: each cue on its instant, to the ear and to the eye, whether or not the line to the server holds.
 *
 * A loose tick looks a little ahead and puts sound on the audio clock, which is exact; the eye gets each cue in the frame
 * that is nearest to its instant, from the same timeline. Decides nothing but whether it is still in time. While this
 * device's clock is in doubt nothing is told: what comes out of it too late is missed, and said to be.
 */

/** @typedef {import('./messages.js').CueMessage} CueMessage */
/** @typedef {import('./messages.js').Said} Said */
/** @typedef {import('./messages.js').Airing} Airing */
/** @typedef {{ cue: CueMessage, due: number, clip: import('./voice.js').OnAir }} Sound `due` as its voice says it */

/** How far ahead of its first sound a clip is handed to the audio clock: a page that is held up for less says it in time. */
const AHEAD_MS = 400
const TICK_MS = 25
/** Clips come to be wanted as the race goes by, also while no state arrives. */
const PREPARE_MS = 1000
/** Screens draw 30 to 240 frames a second; what lies outside is a page that was held up. */
const FRAME_MS = 1000 / 60
const LONGEST_FRAME_MS = 34

export class CuePlayer {
  /** @type {Map<string, Sound>} what is on the air or about to be */
  #sounds = new Map()
  /** @type {Map<string, CueMessage>} shown, but not said yet: no clip at hand, or no room on the air */
  #unsaid = new Map()
  #framed = -Infinity
  #frame = FRAME_MS
  #prepared = -Infinity

  /**
   * @param {object} options
   * @param {import('./race-clock.js').RaceClock} options.clock
   * @param {import('./timeline.js').Timeline} options.timeline
   * @param {import('./voice.js').Voice} options.voice
   * @param {(cue: CueMessage) => Said | null} options.words what this device speaks of a cue; null if nothing
   * @param {(cue: CueMessage) => Airing | null} options.air how it says it, if not whole and on its instant
   * @param {(cue: CueMessage) => void} options.onCue its instant has come
   * @param {(cue: CueMessage) => void} options.onMissed its instant went by so long ago that it would do harm now
   * @param {() => void} options.onTick about forty times a second, also in the background
   * @param {(nowMs: number | null) => void} options.onFrame before each frame the eye sees
   */
  constructor({ clock, timeline, voice, words, air, onCue, onMissed, onTick, onFrame }) {
    this.clock = clock
    this.timeline = timeline
    this.voice = voice
    this.words = words
    this.air = air
    this.onCue = onCue
    this.onMissed = onMissed
    this.onTick = onTick
    this.onFrame = onFrame
    const worker = new Worker(new URL('./tick-worker.js', import.meta.url))
    worker.onmessage = () => this.#tick()
    const draw = (/** @type {number} */ at) => {
      this.#draw(at)
      requestAnimationFrame(draw)
    }
    requestAnimationFrame(draw)
  }

  /**
   * The future has changed: fetch what it needs, take back what it no longer holds.
   * @param {readonly CueMessage[]} told what was told last, with what was shown already and isn't said yet
   */
  changed(told) {
    this.#prepare()
    const known = new Map([...told, ...this.timeline.coming].map((cue) => [cue.id, cue]))
    for (const id of this.#unsaid.keys()) this.#unsaid.set(id, known.get(id) ?? /** @type {CueMessage} */ (this.#unsaid.get(id)))
    for (const [id, { due, clip }] of this.#sounds) {
      const still = known.get(id)
      if (clip.begun || (still && this.#aired(still)?.due === due)) continue
      clip.stop(0)
      this.#sounds.delete(id)
      if (still && !this.timeline.has(id)) this.#unsaid.set(id, still) // it was shown already
    }
  }

  /**
   * The line was told to stop, or the race was called off: what was shown and not said yet isn't said any more.
   * @param {readonly CueMessage[]} cues but these
   */
  hush(cues) {
    for (const id of this.#unsaid.keys()) if (!cues.some((cue) => cue.id === id)) this.#unsaid.delete(id)
  }

  #tick() {
    this.onTick()
    this.voice.look()
    if (this.clock.read() - this.#prepared > PREPARE_MS) this.#prepare()
    this.#sound()
    // Frames tell each cue; in a page that nobody sees there are none, and where they fail, this is the net.
    const now = this.clock.now
    if (now !== null) this.#tell(now + (document.hidden ? TICK_MS / 2 : -2 * this.#frame) * this.clock.rate)
  }

  /** @param {number} at the page's clock when this frame began */
  #draw(at) {
    const since = at - this.#framed
    if (since > 0 && since < LONGEST_FRAME_MS) this.#frame += (since - this.#frame) / 16
    this.#framed = at
    // A page that was held up may be handed a frame of long ago; what is drawn in it is seen now.
    const seen = this.clock.at(Math.max(at, this.clock.read() - this.#frame))
    if (seen !== null) this.#tell(seen + (this.#frame / 2) * this.clock.rate)
    this.onFrame(seen)
  }

  #prepare() {
    this.#prepared = this.clock.read()
    const wanted = [...this.#unsaid.values(), ...this.timeline.coming].map((cue) => this.words(cue))
    this.voice.prepare(wanted.filter((said) => said !== null))
  }

  /**
   * How this device's voice says a cue, and when its key word is due; null if it doesn't.
   * @param {CueMessage} cue
   */
  #aired(cue) {
    const said = this.words(cue)
    const air = this.air(cue)
    if (!said || air?.said === false) return null
    return { said, due: cue.due_ms + (air?.moved_ms ?? 0) }
  }

  #sound() {
    const now = this.clock.now
    if (now === null || !this.clock.reliable) return
    for (const [id, { cue, due, clip }] of this.#sounds) {
      // One that was cut stays known until its time is over, or it would be said again.
      if (clip.done && now > due + cue.too_late_ms) this.#sounds.delete(id)
      else if (!clip.done) this.#aim(due, clip)
    }
    for (const [id, cue] of this.#unsaid) {
      if (this.#say(cue) || now > cue.due_ms + cue.too_late_ms) this.#unsaid.delete(id)
    }
    for (const cue of this.timeline.coming) {
      const aired = this.#sounds.has(cue.id) ? null : this.#aired(cue)
      if (aired && aired.due - (aired.said.key_ms + AHEAD_MS) * this.clock.rate <= now) this.#say(cue)
    }
  }

  /**
   * Put a cue on the air. Whether that is settled: it is there, or this device says nothing of it.
   * @param {CueMessage} cue
   */
  #say(cue) {
    const aired = this.#sounds.has(cue.id) ? null : this.#aired(cue)
    if (!aired) return true
    const { said, due } = aired
    const keyAt = this.clock.pageTime(due)
    const lateMs = cue.due_ms + cue.too_late_ms - due
    const clip = keyAt === null ? null : this.voice.speak(said, { keyAt, lateMs, priority: cue.priority })
    if (clip) this.#sounds.set(cue.id, { cue, due, clip })
    return clip !== null
  }

  /**
   * Either clock may have been found to be a little off since; until the key word that can be mended.
   * @param {number} due @param {import('./voice.js').OnAir} clip
   */
  #aim(due, clip) {
    const keyAt = this.clock.pageTime(due)
    if (keyAt !== null) clip.aim(keyAt)
  }

  /** @param {number} untilMs of the race */
  #tell(untilMs) {
    if (!this.clock.reliable) return
    for (const { cue, late } of this.timeline.due(untilMs)) {
      if (late) {
        if (this.words(cue)) this.onMissed(cue)
        continue
      }
      if (!this.#sounds.has(cue.id)) this.#unsaid.set(cue.id, cue)
      this.onCue(cue)
    }
  }
}
