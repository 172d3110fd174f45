/**
 * The bar screen: what concerns this rider, and nothing else.
 */

import { each, h, put } from '../lib/html.js'
import { mustStop } from '../lib/must-stop.js'
import { countdownText } from '../lib/race-clock.js'
import { BigCue, registerBigCue } from '../parts/big-cue/big-cue.js'
import { wordsIn } from '../parts/big-cue/words.js'
import { ridersOf, riderTag } from '../parts/rider-mark/rider-mark.js'
import { registerThumbTaps, ThumbTaps } from '../parts/thumb-taps/thumb-taps.js'

/** @typedef {import('./live.js').Stage} Stage */
/** @typedef {import('./live.js').Screen} Screen */
/** @typedef {import('../lib/messages.js').Welcome} Welcome */
/** @typedef {import('../lib/messages.js').StateMessage} StateMessage */
/** @typedef {import('../lib/messages.js').CueMessage} CueMessage */
/** @typedef {import('../lib/messages.js').PlaceMessage} PlaceMessage */
/** @typedef {import('../lib/messages.js').Tap['act']} Act */
/** @typedef {import('../parts/big-cue/words.js').Doing} Doing */
/** @typedef {{ doing: Doing, until: number | null, next: Doing | null, power?: number }} Scene */
/** @typedef {'good' | 'empty' | 'lost' | 'off' | 'back' | 'stop'} Saying */

registerBigCue()
registerThumbTaps()

/** How long a cue has the screen to itself. */
const CUE_MS = 3000
/** Nobody may miss a stop, or who is in need; no other cue takes the screen meanwhile. */
const STOP_MS = 10_000
/** Cues meant for the whole line but spoken of one rider: they light up that rider's screen and those told by name. */
const OF_ONE = new Set(['switch', 'off_now', 'stay_on', 'stand_by', 'hold', 'close_gap', 'latch_on'])
/** Felt on the bars: the second channel of a cue that must not be missed. @type {Record<string, number[]>} */
const BUZZ = { stop: [400, 100, 400, 100, 400], switch: [200], off_now: [200, 80, 200], stand_by: [80, 80, 80], latch_on: [150], close_gap: [150, 80, 150] }

/** @type {Record<Saying, (rider: string) => Act>} */
const SAYINGS = {
  good: (rider) => ({ act: 'felt_good', rider }),
  empty: (rider) => ({ act: 'felt_empty', rider }),
  lost: (rider) => ({ act: 'lost_wheel', rider }),
  off: (rider) => ({ act: 'swung_off', rider }),
  back: (rider) => ({ act: 'latched_on', rider }),
  stop: (rider) => ({ act: 'retired', rider }),
}

/** @implements {Screen} */
export class Bars {
  #big = new BigCue()
  #taps = new ThumbTaps()
  #mini = h('ol', { class: 'mini', 'aria-label': 'The line, front last' })
  #sound = h('span', { class: 'sound' })
  #rider = ''
  #language = 'en'
  /** @type {{ cue: CueMessage, until: number } | null} */
  #told = null
  /** Another rider who must stop, and since when. @type {import('../lib/must-stop.js').MustStop | null} */
  #need = null

  /** @param {Stage} stage */
  constructor(stage) {
    this.stage = stage
    this.root = h('div', { class: 'bars' }, h('header', {}, this.#sound, this.#mini), this.#big, this.#taps)
    this.#taps.addEventListener('say', (event) => {
      /** @type {Saying} */
      const what = /** @type {CustomEvent} */ (event).detail.what
      stage.live.tap(SAYINGS[what](this.#rider))
    })
  }

  /** @param {Welcome} welcome */
  welcome(welcome) {
    this.#rider = welcome.you.rider ?? ''
    this.#language = welcome.roster.find((card) => card.id === this.#rider)?.language ?? 'en'
    this.root.lang = this.#language
  }

  /** @param {StateMessage} state */
  state(state) {
    const { welcome } = this.stage.live
    if (!welcome) return
    const riderOf = ridersOf(welcome.roster)
    const line = state.line.filter(({ place }) => place !== 'out' && place !== 'adrift').reverse()
    each(this.#mini, line, (place) => place.rider,
      (place) => {
        const card = riderOf(place.rider)
        return h('li', {}, card ? riderTag(card, { short: true }) : place.rider)
      },
      (item, place) => {
        item.className = `${place.place}${place.rider === this.#rider ? ' own' : ''}`
      })
    const need = mustStop(state).filter(({ rider }) => rider !== this.#rider).sort((a, b) => a.at_ms - b.at_ms).at(-1) ?? null
    if (need && need.at_ms !== this.#need?.at_ms && state.clock !== null && state.clock - need.at_ms < STOP_MS) navigator.vibrate?.([200, 100, 200])
    this.#need = need
    this.#taps.show({ words: wordsIn(this.#language), leading: this.#place(state)?.place === 'leading' })
  }

  presence() {}

  /** @param {CueMessage} cue */
  cue(cue) {
    if (!this.#concerns(cue) || (this.#told?.cue.kind === 'stop' && cue.kind !== 'stop' && cue.due_ms < this.#told.until)) return
    this.#told = { cue, until: cue.due_ms + (cue.kind === 'stop' ? STOP_MS : CUE_MS) }
    const buzz = BUZZ[cue.kind]
    if (buzz) navigator.vibrate?.(buzz)
  }

  /** The own ear: what is for this rider or for everybody. @param {CueMessage} cue */
  words(cue) {
    if ((cue.to.length > 0 && !cue.to.includes(this.#rider)) || this.#isOut(cue)) return null
    return cue.said[this.#language] ?? Object.values(cue.said)[0] ?? null
  }

  /** @param {number | null} now */
  frame(now) {
    const { state } = this.stage.live
    if (!state) return
    put(this.#sound, this.stage.live.voice.open ? '' : 'Touch for sound')
    if (this.#told && (now === null || now > this.#told.until)) this.#told = null
    const need = this.#needScene(now)
    if (state.phase === 'halted') {
      this.#big.show({ verb: wordsIn(this.#language).cue.stop ?? '', figure: '', then: '', next: '', field: 'danger' })
      return
    }
    this.#big.show(this.#told?.cue.kind !== 'stop' && need ? need
      : this.#told ? this.#cueScene(this.#told.cue, state, now) : this.#steadyScene(state, now))
  }

  close() {}

  /** @param {CueMessage} cue */
  #concerns(cue) {
    if (this.#isOut(cue)) return false
    if (cue.kind === 'new_order' && !cue.order.includes(this.#rider)) return false
    if (cue.to.includes(this.#rider) || cue.rider === this.#rider) return true
    return cue.to.length === 0 && !OF_ONE.has(cue.kind)
  }

  /** Who is out hears no more of the rotation, even what was on its way: only a stop. @param {CueMessage} cue */
  #isOut(cue) {
    const { state } = this.stage.live
    return cue.kind !== 'stop' && state !== null && this.#place(state)?.place === 'out'
  }

  /** Somebody else must stop: those around must know who, at once. @param {number | null} now @returns {import('../parts/big-cue/big-cue.js').Values | null} */
  #needScene(now) {
    if (!this.#need || now === null || now - this.#need.at_ms > STOP_MS) return null
    const name = ridersOf(this.stage.live.welcome?.roster ?? [])(this.#need.rider)?.name ?? ''
    return { verb: name, figure: '', then: '', next: wordsIn(this.#language).taps.stop, field: 'danger' }
  }

  /**
   * A cue as a screen: its word, and what belongs to it; else what stands there anyway.
   * @param {CueMessage} cue @param {StateMessage} state @param {number | null} now
   * @returns {import('../parts/big-cue/big-cue.js').Values}
   */
  #cueScene(cue, state, now) {
    const words = wordsIn(this.#language)
    const about = ridersOf(this.stage.live.welcome?.roster ?? [])(cue.rider === this.#rider ? null : cue.rider)?.name ?? ''
    const scene = { ...this.#steadyScene(state, now), verb: words.cue[cue.kind] ?? cue.kind.replaceAll('_', ' '), field: /** @type {'now' | 'danger'} */ ('now') }
    switch (cue.kind) {
      case 'stop':
        return { ...scene, figure: '', then: '', next: about, field: 'danger' }
      case 'start_count':
        return { ...scene, verb: words.doing.ready, figure: String(cue.seconds ?? '') }
      case 'switch':
      case 'off_now':
        return about ? { ...scene, verb: words.cue.switch_next ?? '', then: about, next: words.cue.switch ?? '' } : scene
      case 'hold':
        return { ...scene, verb: `${scene.verb} ${cue.power_w ?? ''}` }
      case 'stay_on':
        return { ...scene, figure: cue.seconds === null ? scene.figure : `+${cue.seconds}` }
      case 'wait':
        // Who is waited for is told the other half of it.
        return about ? { ...scene, figure: '', then: words.about.for, next: about } : { ...scene, verb: words.doing.waited }
      case 'go':
        return about ? { ...scene, figure: '', then: words.about.without, next: about } : { ...scene, verb: words.doing.alone }
      case 'new_order':
        return this.#orderScene(cue, scene)
      case 'terrain':
        return { ...scene, ...this.#stretchWords(cue.place ?? ''), figure: cue.distance_m ? `${cue.distance_m} m` : '', next: about }
      case 'say':
        return { ...scene, verb: briefly(cue.words ?? '') ?? scene.verb }
      default:
        return scene
    }
  }

  /**
   * What comes is told large, climb, descent or flat: long names would have to be small. A name of its own stands beside.
   * @param {string} place a stretch's name, such as "climb 2"
   */
  #stretchWords(place) {
    const words = wordsIn(this.#language)
    const stretch = this.stage.live.welcome?.course.stretches.find(({ name }) => name === place)
    const [kind = '', ...rest] = place.split(' ')
    const plain = words.terrain[kind]
    if (plain !== undefined) return { verb: [plain, ...rest].join(' '), then: '' }
    return { verb: words.terrain[stretch?.terrain ?? ''] ?? place, then: place }
  }

  /** In a new order a rider needs two things: which place, and whose wheel. @param {CueMessage} cue @param {import('../parts/big-cue/big-cue.js').Values} scene */
  #orderScene(cue, scene) {
    const place = cue.order.indexOf(this.#rider)
    const ahead = ridersOf(this.stage.live.welcome?.roster ?? [])(cue.order[place - 1])
    if (place < 0) return scene
    const { about } = wordsIn(this.#language)
    return { ...scene, figure: String(place + 1), then: ahead ? about.behind : '', next: ahead?.name ?? '' }
  }

  /** @param {StateMessage} state @param {number | null} now @returns {import('../parts/big-cue/big-cue.js').Values} */
  #steadyScene(state, now) {
    const words = wordsIn(this.#language)
    const { doing, until, next, power } = this.#scene(state)
    return {
      verb: power ? `${words.cue.hold} ${power}` : words.doing[doing],
      figure: until === null || now === null ? '' : countdownText(until - now),
      then: next ? words.then : '',
      next: next ? words.doing[next] : '',
      field: '',
    }
  }

  /** What is told of this rider, as what to do: one row a place. @param {StateMessage} state @returns {Scene} */
  #scene(state) {
    const ownTurn = state.upcoming.find((turn) => turn.rider === this.#rider) ?? null
    const place = this.#place(state)
    if (state.phase === 'over') return { doing: 'done', until: null, next: null }
    if (state.phase !== 'racing') {
      return { doing: 'ready', until: 0, next: state.upcoming[0]?.rider === this.#rider ? 'lead' : 'follow' }
    }
    const trouble = state.troubles.find(({ kind, rider }) => kind === 'adrift' && rider === this.#rider)
    switch (place?.place) {
      case 'leading':
        return { doing: 'lead', until: state.turn?.ends_ms ?? null, next: 'off', power: state.turn?.power_w ?? 0 }
      case 'drifting':
        return { doing: 'drift', until: place.until_ms, next: 'latch' }
      case 'latching':
        return { doing: 'latch', until: place.until_ms, next: 'follow' }
      case 'adrift':
        return { doing: trouble?.decided === 'wait' ? 'waited' : trouble?.decided === 'go' ? 'alone' : 'adrift', until: null, next: null }
      case 'out':
        return { doing: 'out', until: null, next: null }
      default:
        return { doing: 'follow', until: ownTurn?.began_ms ?? null, next: ownTurn ? 'lead' : null }
    }
  }

  /** @param {StateMessage} state @returns {PlaceMessage | null} */
  #place(state) {
    return state.line.find(({ rider }) => rider === this.#rider) ?? null
  }
}

/**
 * A director's own words if they can be read at a glance: three short ones. Longer ones are there to be heard.
 * @param {string} words
 */
function briefly(words) {
  const each = words.split(/\s+/).filter(Boolean)
  return each.length <= 3 && each.every((word) => word.length <= 7) ? each.join(' ') : null
}
