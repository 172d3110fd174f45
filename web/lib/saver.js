/**
 * Sends edits to the server as they are made: one at a time, the newest first, again when the network is back.
 * Must not know what it sends.
 */

/** @typedef {'saved' | 'saving' | 'refused' | 'waiting'} SaverState */

/**
 * @template V
 */
export class Saver {
  /**
   * @param {(value: V) => Promise<void>} send   throws an ApiError
   * @param {(state: SaverState, sentence: string) => void} tell
   */
  constructor(send, tell) {
    this.send = send
    this.tell = tell
    /** @type {{ value: V } | null} */
    this.next = null
    this.busy = false
    /** @type {SaverState} */
    this.state = 'saved'
    for (const kind of ['online', 'focus']) addEventListener(kind, () => this.again())
  }

  /**
   * Send this value, or after the one on its way.
   * @param {V} value
   */
  async push(value) {
    this.next = { value }
    if (this.busy) return
    this.busy = true
    while (this.next) {
      const { value: newest } = this.next
      this.next = null
      this.say('saving', '')
      try {
        await this.send(newest)
        if (!this.next) this.say('saved', '')
      } catch (error) {
        const { status = 0, message = String(error) } = /** @type {{ status?: number, message?: string }} */ (error)
        if (status === 0 && !this.next) {
          this.unsent = { value: newest }
          this.busy = false
          this.say('waiting', message)
          return
        }
        if (!this.next) this.say('refused', message)
      }
    }
    this.busy = false
  }

  /** Send again what found no server. */
  again() {
    const { unsent } = this
    this.unsent = undefined
    if (unsent && !this.busy) void this.push(unsent.value)
  }

  /**
   * @param {SaverState} state
   * @param {string} sentence
   */
  say(state, sentence) {
    this.state = state
    this.tell(state, sentence)
  }
}
