/**
 * The voice of a race between a page and the server: loaded, chosen, tried. The set-up page and the lobby share it.
 */

import { call } from '../lib/api.js'
import { playSample } from '../lib/sample.js'
import { Saver } from '../lib/saver.js'

/** @typedef {import('../parts/setup-voice/setup-voice.js').SetupVoice} SetupVoice */
/** @typedef {import('../parts/setup-voice/setup-voice.js').VoiceChoice} VoiceChoice */
/** @typedef {import('../parts/setup-voice/setup-voice.js').VoiceCard} VoiceCard */

const BLOCKED = 'This browser lets no sound out: allow sound for this page, see that the volume is up, and press again.'

export class VoiceWork {
  /**
   * @param {object} options
   * @param {string} options.path of the race, under /api/
   * @param {string} options.ticket the director's
   * @param {SetupVoice} options.part
   * @param {(state: import('../lib/saver.js').SaverState) => void} [options.onState]
   * @param {(card: VoiceCard) => void} [options.onCard]
   */
  constructor({ path, ticket, part, onState, onCard }) {
    this.path = `${path}/voice`
    this.ticket = ticket
    this.part = part
    this.onCard = onCard
    this.saver = new Saver(
      async (/** @type {VoiceChoice} */ choice) => this.#show(await call('PUT', this.path, { ticket, json: choice })),
      (state, sentence) => {
        part.refuse(state === 'refused' || state === 'waiting' ? sentence : '')
        onState?.(state)
      },
    )
    part.addEventListener('voice-changed', (event) => void this.saver.push(/** @type {CustomEvent} */ (event).detail))
    part.addEventListener('voice-hear', (event) => void this.#hear(/** @type {CustomEvent} */ (event).detail))
  }

  /** Ask anew what there is and what is chosen: riders may hear other languages by now. */
  async load() {
    try {
      this.#show(await call('GET', this.path, { ticket: this.ticket }))
    } catch (error) {
      this.part.refuse(sentenceOf(error))
    }
  }

  /**
   * Let a name be heard as it will be called.
   * @param {string} spoken
   * @param {string} language
   * @returns {Promise<string>} what kept it from being heard; '' if nothing did
   */
  async hearName(spoken, language) {
    return this.#play({ language, spoken })
  }

  /** @param {{ language: string, choice: VoiceChoice }} ask */
  async #hear(ask) {
    this.part.busy(ask.language)
    this.part.refuse(await this.#play(ask))
    this.part.busy('')
  }

  /** @param {object} ask */
  async #play(ask) {
    try {
      const { clip } = await call('POST', `${this.path}/hear`, { ticket: this.ticket, json: ask })
      return (await playSample(clip)) ? '' : BLOCKED
    } catch (error) {
      return sentenceOf(error)
    }
  }

  /** @param {VoiceCard} card */
  #show(card) {
    this.part.show(card)
    this.onCard?.(card)
  }
}

/** @param {unknown} error */
function sentenceOf(error) {
  return error instanceof Error ? error.message : String(error)
}
