/**
 * How the race is spoken: what the team voice speaks, how fast, how loud, and in which voice each language.
 *
 * Usage:
 *   part.show(card);          the server's card: what there is, and what is chosen
 *   part.refuse(sentence);    '' takes it away
 *   part.busy(language);      this language is being rendered to be heard; '' when it is over
 * Sends up: voice-changed (detail: the choice), voice-hear (detail: { language, choice }).
 */

import { each, h, mark, put } from '../../lib/html.js'
import { languageName } from '../../lib/languages.js'

/** @typedef {{ language: string | null, rate: number, loudness: number, voices: Record<string, string> }} VoiceChoice */
/** @typedef {{ language: string, riders: readonly string[], voice: string, voices: readonly { name: string, title: string }[] }} Offer */
/**
 * @typedef {object} VoiceCard
 * @property {VoiceChoice} choice
 * @property {string} team
 * @property {readonly Offer[]} languages those that somebody hears first
 * @property {readonly [number, number]} rates
 * @property {boolean} natural
 * @property {boolean} ok
 * @property {string} sentence
 */

const RATE_STEP = 5
const SOFTEST_PERCENT = 5

let made = 0

export class SetupVoice extends HTMLElement {
  /** @type {VoiceCard | null} */
  #card = null
  #team = h('select', {})
  #rate = h('input', { type: 'range', step: RATE_STEP })
  #rateSaid = h('output', {})
  #loudness = h('input', { type: 'range', min: SOFTEST_PERCENT, max: 100, step: 5 })
  #loudnessSaid = h('output', {})
  #languages = h('ul', { class: 'voice-languages' })
  #note = h('p', { class: 'voice-note' })
  #refusal = h('p', { class: 'refusal', 'aria-live': 'polite' })

  connectedCallback() {
    if (this.childElementCount) return
    made += 1
    const field = (/** @type {string} */ words, /** @type {HTMLElement} */ input, /** @type {HTMLElement | null} */ said) => {
      input.id = `voice-${made}-${words.split(' ')[0]?.toLowerCase()}`
      return h('div', { class: 'voice-field' }, h('label', { for: input.id }, words), said, input)
    }
    this.append(
      h('div', { class: 'voice-grid' },
        field('Team voice speaks', this.#team, null),
        field('Pace', this.#rate, this.#rateSaid),
        field('Loudness', this.#loudness, this.#loudnessSaid)),
      this.#languages, this.#note, this.#refusal)
    for (const slider of [this.#rate, this.#loudness]) slider.addEventListener('input', () => this.#sayFigures())
    this.addEventListener('change', () => this.#tell('voice-changed', this.choice))
  }

  /** @param {VoiceCard} card */
  show(card) {
    this.#card = card
    this.#drawTeam(card)
    const [slowest, fastest] = card.rates
    mark(this.#rate, 'min', slowest)
    mark(this.#rate, 'max', fastest)
    this.#rate.value = String(card.choice.rate)
    this.#loudness.value = String(Math.round(card.choice.loudness * 100))
    this.#sayFigures()
    const heard = card.languages.filter((one) => one.language === card.team || one.riders.length)
    each(this.#languages, heard, (one) => one.language, (one) => this.#row(one), (row, one) => this.#drawRow(row, one))
    put(this.#note, noteOf(card))
    this.refuse('')
  }

  /** As it stands on the page. @returns {VoiceChoice} */
  get choice() {
    const voices = { ...this.#card?.choice.voices }
    for (const select of this.#languages.querySelectorAll('select')) {
      if (select.dataset.language && select.value) voices[select.dataset.language] = select.value
    }
    return { language: this.#team.value || null, rate: Number(this.#rate.value), loudness: Number(this.#loudness.value) / 100, voices }
  }

  /** @param {string} sentence */
  refuse(sentence) {
    put(this.#refusal, sentence)
  }

  /** @param {string} language */
  busy(language) {
    for (const row of this.#languages.querySelectorAll('li')) mark(row, 'aria-busy', row.dataset.key === language ? 'true' : null)
  }

  /** @param {VoiceCard} card */
  #drawTeam(card) {
    const most = mostHeard(card)
    this.#team.replaceChildren(
      h('option', { value: '' }, `What most riders hear: ${languageName(most)}`),
      ...card.languages.map(({ language }) => h('option', { value: language, lang: language }, languageName(language))))
    this.#team.value = card.choice.language ?? ''
  }

  #sayFigures() {
    put(this.#rateSaid, `${this.#rate.value} words a minute`)
    put(this.#loudnessSaid, `${this.#loudness.value} %`)
    mark(this.#rate, 'aria-valuetext', this.#rateSaid.textContent)
    mark(this.#loudness, 'aria-valuetext', this.#loudnessSaid.textContent)
  }

  /** @param {Offer} offer */
  #row({ language }) {
    const words = languageName(language)
    return h('li', {},
      h('strong', { lang: language }, words),
      h('span', { class: 'voice-who' }),
      h('select', { 'aria-label': `Voice for ${words}`, dataset: { language } }),
      h('button', { type: 'button', 'aria-label': `Hear it: ${words}`, onclick: () => this.#tell('voice-hear', { language, choice: this.choice }) }, 'Hear it'))
  }

  /** @param {HTMLLIElement} row @param {Offer} offer */
  #drawRow(row, { language, riders, voice, voices }) {
    const who = row.querySelector('.voice-who')
    const select = row.querySelector('select')
    if (!who || !select) return
    put(who, [...(language === this.#card?.team ? ['team voice'] : []), ...riders].join(', '))
    const known = voices.some(({ name }) => name === voice) ? voices : [{ name: voice, title: voice }, ...voices]
    select.replaceChildren(...known.map(({ name, title }) => h('option', { value: name }, title)))
    select.value = voice
    mark(select, 'disabled', known.length < 2)
  }

  /** @param {string} name @param {unknown} detail */
  #tell(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { detail, bubbles: true }))
  }
}

/** @param {VoiceCard} card */
function mostHeard({ languages }) {
  return [...languages].sort((a, b) => b.riders.length - a.riders.length)[0]?.language ?? 'en'
}

/** @param {VoiceCard} card */
function noteOf({ ok, sentence, natural, languages, team }) {
  if (!ok) return sentence
  const english = languages.some((one) => one.language === 'en' && (one.riders.length || team === 'en'))
  const more = english && !natural ? ' A more natural English voice is an extra: see “A more natural voice” in the README.' : ''
  return `Slow is clear, the more so in wind. The loudness is that of every clip; each device has its own volume besides.${more}`
}

customElements.define('setup-voice', SetupVoice)
