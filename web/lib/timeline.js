/**
 * The known future of cues, as the server last told it. Decides nothing: it only forgets what was told or withdrawn.
 */

/** @typedef {import('./messages.js').CueMessage} CueMessage */

export class Timeline {
  /** @type {Map<string, CueMessage>} */
  #cues = new Map()
  /** @type {Set<string>} ids that were told or dropped here; they never come back */
  #done = new Set()
  /** Which future was told last, and up to where it is known here. */
  #future = 0
  #known = -Infinity

  /**
   * Take a whole future. What isn't in it goes, unless it was fixed: a fixed cue is a promise.
   *
   * @param {readonly CueMessage[]} cues
   * @param {number} untilMs the future was told up to here
   * @param {number} future which one: what lies beyond is kept if it was of the same, and is of no use if not
   */
  replace(cues, untilMs, future) {
    const same = future === this.#future
    this.#future = future
    this.#known = same ? Math.max(this.#known, untilMs) : untilMs
    /** @type {Map<string, CueMessage>} */
    const next = new Map()
    for (const cue of this.#cues.values()) if (cue.fixed || (same && cue.due_ms > untilMs)) next.set(cue.id, cue)
    for (const cue of cues) next.set(cue.id, cue)
    for (const id of this.#done) next.delete(id)
    this.#cues = new Map([...next].sort(([, a], [, b]) => inOrder(a, b)))
  }

  /** The line was told to stop: what isn't told anew is withdrawn, even what was fixed. @param {readonly CueMessage[]} cues */
  halt(cues) {
    this.#cues = new Map(cues.filter((cue) => !this.#done.has(cue.id)).map((cue) => [cue.id, cue]))
  }

  /** Forget everything: the race was called off, or another one is held here. */
  clear() {
    this.#cues.clear()
    this.#done.clear()
    this.#known = -Infinity
  }

  /** Up to which instant of the race all that is to be called is held here. */
  get known() {
    return this.#known
  }

  /**
   * The cues whose instant has come, each once in this timeline's life; those too late to help come marked.
   *
   * @param {number} nowMs
   * @returns {{ cue: CueMessage, late: boolean }[]}
   */
  due(nowMs) {
    const come = []
    for (const cue of this.#cues.values()) {
      if (cue.due_ms > nowMs) break
      come.push({ cue, late: nowMs > cue.due_ms + cue.too_late_ms })
    }
    for (const { cue } of come) {
      this.#cues.delete(cue.id)
      this.#done.add(cue.id)
    }
    return come
  }

  /** What is still to come, soonest first. @returns {CueMessage[]} */
  get coming() {
    return [...this.#cues.values()]
  }

  /** @param {string} id */
  has(id) {
    return this.#cues.has(id)
  }
}

/** @param {CueMessage} a @param {CueMessage} b */
function inOrder(a, b) {
  return a.due_ms - b.due_ms || a.priority - b.priority || (a.id < b.id ? -1 : 1)
}
