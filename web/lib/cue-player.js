/**
 * Plays the timeline: each cue on its instant, to the ear and to the eye, whether or not the line to the server holds.
 *
 * A loose tick looks a little ahead and puts sound on the audio clock, which is exact; the eye follows frame by frame
 * from the same timeline. Decides nothing but whether it is still in time.
 */

/** @typedef {import('./messages.js').CueMessage} CueMessage */
/** @typedef {import('./messages.js').Said} Said */
/** @typedef {{ due: number, clip: import('./voice.js').OnAir | null }} Sound */

/** How far ahead of its first sound a clip is handed to the audio clock: four ticks, so that one may be late. */
const AHEAD_MS = 120

export class CuePlayer {
  /** @type {Map<string, Sound>} */
  #sounds = new Map()

  /**
   * @param {object} options
   * @param {import('./race-clock.js').RaceClock} options.clock
   * @param {import('./timeline.js').Timeline} options.timeline
   * @param {import('./voice.js').Voice} options.voice
   * @param {(cue: CueMessage) => Said | null} options.words what this device speaks of a cue; null if nothing
   * @param {(cue: CueMessage) => void} options.onCue its instant has come
   * @param {() => void} options.onTick about forty times a second, also in the background
   * @param {(nowMs: number | null) => void} options.onFrame before each frame the eye sees
   */
  constructor({ clock, timeline, voice, words, onCue, onTick, onFrame }) {
    this.clock = clock
    this.timeline = timeline
    this.voice = voice
    this.words = words
    this.onCue = onCue
    this.onTick = onTick
    this.onFrame = onFrame
    const worker = new Worker(new URL('./tick-worker.js', import.meta.url))
    worker.onmessage = () => this.#tick()
    const frame = () => {
      this.#show()
      this.onFrame(this.clock.now)
      requestAnimationFrame(frame)
    }
    requestAnimationFrame(frame)
  }

  /** The future has changed: fetch what it needs, take back what it no longer holds. */
  changed() {
    const coming = this.timeline.coming
    this.voice.prepare(coming.map((cue) => this.words(cue)).filter((said) => said !== null))
    for (const [id, sound] of this.#sounds) {
      const still = coming.find((cue) => cue.id === id)
      if (still ? still.due_ms === sound.due : this.#begun(sound)) continue
      sound.clip?.stop(0)
      this.#sounds.delete(id)
    }
  }

  #tick() {
    this.onTick()
    this.#sound()
    this.#show()
  }

  #sound() {
    const now = this.clock.now
    if (now === null) return
    for (const cue of this.timeline.coming) {
      const said = this.words(cue)
      if (!said || this.#sounds.has(cue.id)) continue
      const first = cue.due_ms - (said.key_ms + AHEAD_MS) * this.clock.rate
      if (first > now) continue
      const keyAt = this.clock.pageTime(cue.due_ms)
      if (keyAt === null) return
      const clip = this.voice.speak(said, { keyAt, lateMs: cue.too_late_ms, priority: cue.priority })
      // A clip that isn't at hand yet is tried again at the next tick, until its instant.
      if (clip) this.#sounds.set(cue.id, { due: cue.due_ms, clip })
    }
  }

  #show() {
    const now = this.clock.now
    if (now === null) return
    for (const { cue, late } of this.timeline.due(now)) {
      if (!late) this.onCue(cue)
    }
  }

  /** @param {Sound} sound */
  #begun({ clip }) {
    return clip !== null && (clip.done || clip.start <= this.voice.context.currentTime)
  }
}
