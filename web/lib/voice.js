/**
 * Speaks clips at their instant. Fetches and decodes them ahead, and lets the more urgent cut in.
 *
 * The sound card has a clock of its own; getOutputTimestamp ties it to the page's, latency of the output included. It
 * is looked at often: a card that was starved for a moment goes on later than it promised, and each clip whose key word
 * is still to come is aimed anew.
 */

/** @typedef {import('./messages.js').Said} Said */
/**
 * A clip on the air or about to be, times on the audio clock in seconds. `stop` cuts it, `aim` moves its key word to an
 * instant of the page's clock if it is still to come.
 * @typedef {{ start: number, end: number, priority: number, stop: (at: number) => void, aim: (keyAt: number) => void,
 *   begun: boolean, done: boolean }} OnAir
 */

/** Clips held decoded; a clip of a second is about 200 kB. */
const DECODED = 60
/** Clips held as they came, for when the line goes dead. */
const FETCHED = 400
const FADE_S = 0.02
/** Each clip ends in as much silence, over which the next may begin. */
const TAIL_S = 0.06
/** A start this near cannot be met; the clip begins at once instead. */
const SOONEST_S = 0.005
/** Aimed less than this apart, a clip is left as it is; and one that is being said, less than this. */
const AIM_S = 0.004
const AIM_SAID_S = 0.012
/** How many looks at the two clocks stand for how they lie to each other: an eighth of a second's. */
const LOOKS = 5
/** Where the card doesn't tell, its clock goes in steps; the highest of so many looks is the sharpest. */
const BLIND_LOOKS = 40

export class Voice {
  /** @type {Map<string, Promise<ArrayBuffer>>} */
  #fetched = new Map()
  /** @type {Map<string, AudioBuffer>} */
  #decoded = new Map()
  /** @type {Set<string>} */
  #decoding = new Set()
  /** @type {OnAir[]} */
  #air = []
  /** @type {number[]} audio clock less page clock, s, as seen of late; of what is heard */
  #looks = []
  #tells = true

  /** @param {() => number} read the page's own clock */
  constructor(read) {
    this.read = read
    this.context = new AudioContext({ latencyHint: 'interactive' })
    this.out = this.context.createGain()
    this.out.connect(this.context.destination)
    this.context.onstatechange = () => this.#shut()
  }

  /** Whether the browser lets us sound; before the first touch it may not. */
  get open() {
    return this.context.state === 'running'
  }

  /** To be called from a touch or a key: that is what browsers ask for. */
  async unlock() {
    if (!this.open) await this.context.resume().catch(() => undefined)
    return this.open
  }

  /** 0 to 1. */
  get volume() {
    return this.out.gain.value
  }

  set volume(volume) {
    this.out.gain.value = volume
  }

  /**
   * Have these clips at hand, the soonest first.
   * @param {readonly Said[]} saids
   */
  prepare(saids) {
    const wanted = [...new Set(saids.map((said) => said.clip).filter((clip) => clip !== null))]
    for (const clip of wanted.slice(0, FETCHED)) this.#fetch(clip)
    for (const clip of wanted.slice(0, DECODED)) void this.#decode(clip)
    const keep = new Set(wanted)
    for (const [held, most] of /** @type {const} */ ([[this.#decoded, DECODED], [this.#fetched, FETCHED]])) {
      for (const clip of held.keys()) if (held.size > most && !keep.has(clip)) held.delete(clip)
    }
  }

  /**
   * Put a clip on the air so that its key word is heard at an instant.
   *
   * @param {Said} said
   * @param {object} when
   * @param {number} when.keyAt the page's clock when the key word is to be heard
   * @param {number} when.lateMs how much later it may be
   * @param {number} when.priority smaller is more urgent
   * @returns {OnAir | null} null if it isn't at hand or the air isn't free in time
   */
  speak(said, { keyAt, lateMs, priority }) {
    const buffer = said.clip === null ? undefined : this.#decoded.get(said.clip)
    if (!buffer || !this.open) return null
    this.#air = this.#air.filter((clip) => !clip.done && clip.end > this.context.currentTime)
    const keyStart = this.#audioTime(keyAt) - said.key_ms / 1000
    const begun = this.context.currentTime + SOONEST_S
    let start = Math.max(keyStart, begun)
    const length = Math.max(buffer.duration, said.length_ms / 1000)
    for (const clip of this.#air) {
      if (clip.start >= start + length - TAIL_S || clip.end - TAIL_S <= start) continue
      if (clip.priority > priority) clip.stop(start)
      else start = clip.end
    }
    if ((start - keyStart) * 1000 > lateMs) return null
    return this.#start(buffer, { start, length, priority, key: start === keyStart ? said.key_ms / 1000 : null })
  }

  /** To be called often, that the two clocks' lie is known. */
  look() {
    if (!this.open) return
    const { contextTime = 0, performanceTime = 0 } = this.context.getOutputTimestamp()
    const tells = performanceTime > 0 && contextTime > 0
    if (tells !== this.#tells) this.#looks = []
    this.#tells = tells
    const blind = this.context.currentTime - this.read() / 1000 - (this.context.outputLatency || 0)
    this.#looks.push(tells ? contextTime - performanceTime / 1000 : blind)
    if (this.#looks.length > (tells ? LOOKS : BLIND_LOOKS)) this.#looks.shift()
  }

  /**
   * Speak now, as soon as it can be fetched: for the sound check.
   * @param {Said} said
   * @returns {Promise<boolean>} whether it was put on the air
   */
  async speakNow(said) {
    if (said.clip === null || !(await this.unlock())) return false
    const buffer = await this.#decode(said.clip)
    if (!buffer) return false
    this.#start(buffer, { start: this.context.currentTime + SOONEST_S, length: buffer.duration, priority: 0, key: null })
    return true
  }

  /** Two plain notes: the sound check where there is no clip, and a director's bell when a rider must stop. Calls come without a bell. */
  async chime() {
    if (!(await this.unlock())) return false
    for (const [index, pitch] of [523, 784].entries()) {
      const note = new OscillatorNode(this.context, { frequency: pitch })
      const at = this.context.currentTime + 0.05 + index * 0.3
      const level = new GainNode(this.context, { gain: 0 })
      level.gain.setTargetAtTime(0.4, at, 0.01)
      level.gain.setTargetAtTime(0, at + 0.25, 0.04)
      note.connect(level).connect(this.out)
      note.start(at)
      note.stop(at + 0.6)
    }
    return true
  }

  /**
   * @param {AudioBuffer} buffer
   * @param {{ start: number, length: number, priority: number, key: number | null }} when `key` is where the key word
   *   lies in it, s; null if its instant isn't to be met
   */
  #start(buffer, { start, length, priority, key }) {
    const { context } = this
    const level = new GainNode(context)
    level.connect(this.out)
    /** @type {AudioBufferSourceNode} */
    let source
    const play = (/** @type {number} */ at, from = 0) => {
      const playing = new AudioBufferSourceNode(context, { buffer })
      playing.connect(level)
      playing.start(at, from)
      playing.onended = () => {
        if (playing === source) clip.done = true
      }
      source = playing
    }
    /** @type {OnAir} */
    const clip = {
      start,
      end: start + length,
      priority,
      done: false,
      get begun() {
        return clip.done || clip.start <= context.currentTime
      },
      stop: (at) => {
        const end = Math.max(at, context.currentTime)
        level.gain.setTargetAtTime(0, Math.max(0, end - FADE_S), FADE_S / 3)
        source.stop(end + FADE_S)
        clip.end = end
        key = null
      },
      aim: (keyAt) => {
        if (key === null) return
        const soonest = context.currentTime + SOONEST_S
        const at = this.#audioTime(keyAt) - key
        if (Math.abs(at - clip.start) < (clip.begun ? AIM_SAID_S : AIM_S) || soonest > Math.min(at, clip.start) + key - SOONEST_S) return
        // What is being said goes on where it should be by now: a name that stumbles is better than a word that is late.
        const from = Math.max(at, soonest)
        if (clip.start < from) source.stop(from)
        else source.disconnect()
        play(from, from - at)
        clip.start = at
        clip.end = at + length
      },
    }
    play(start)
    this.#air.push(clip)
    return clip
  }

  /** A call came in, or the browser took the sound away: what is on the air would come out of it late. */
  #shut() {
    if (this.open) return
    this.#looks = []
    for (const clip of this.#air) clip.stop(0)
    this.#air = []
  }

  /** @param {number} pageMs */
  #audioTime(pageMs) {
    if (!this.#looks.length) this.look()
    const sorted = [...this.#looks].sort((a, b) => a - b)
    return pageMs / 1000 + ((this.#tells ? sorted[sorted.length >> 1] : sorted.at(-1)) ?? 0)
  }

  /** @param {string} clip */
  #fetch(clip) {
    const held = this.#fetched.get(clip)
    if (held) return held
    const coming = fetch(clip).then((answer) => {
      if (!answer.ok) throw new Error(`clip ${clip}: ${answer.status}`)
      return answer.arrayBuffer()
    })
    this.#fetched.set(clip, coming)
    coming.catch(() => this.#fetched.delete(clip)) // asked for again with the next state
    return coming
  }

  /** @param {string} clip @returns {Promise<AudioBuffer | null>} */
  async #decode(clip) {
    const held = this.#decoded.get(clip)
    if (held) return held
    if (this.#decoding.has(clip)) return null
    this.#decoding.add(clip)
    try {
      const bytes = await this.#fetch(clip)
      const buffer = await this.context.decodeAudioData(bytes.slice(0)) // decoding empties what it is given
      this.#decoded.set(clip, buffer)
      return buffer
    } catch {
      this.#fetched.delete(clip)
      return null
    } finally {
      this.#decoding.delete(clip)
    }
  }
}
