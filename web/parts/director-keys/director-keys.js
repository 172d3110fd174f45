/**
 * Everything a director can tell the race, each with a button and a key. A button that the race would refuse now is
 * dashed and says why.
 *
 *     <director-keys></director-keys>
 *     keys.show({ roster, state, selected, landmark })   on each state, and when the chosen rider changes
 *     keys.press(key)                                    true if the key meant something
 *
 * Events: `act` {act}, a wire act; `confirm` {act, question}; `order`, when an order is to be told bead by bead; `words`,
 * when the director will type what is to be said; `why` {sentence}, when a dashed button was pressed.
 */

import { fill, h, mark, put } from '../../lib/html.js'
import { ridersOf } from '../rider-mark/rider-mark.js'

/** @typedef {import('../../lib/messages.js').RiderCard} RiderCard */
/** @typedef {import('../../lib/messages.js').StateMessage} StateMessage */
/** @typedef {import('../../lib/messages.js').LandmarkCard} LandmarkCard */
/** @typedef {import('../../lib/messages.js').Tap['act']} Act */
/**
 * @typedef {object} Values
 * @property {readonly RiderCard[]} roster
 * @property {StateMessage} state
 * @property {string | null} selected the rider chosen on the line
 * @property {LandmarkCard | null} landmark the nearest one not yet told
 */
/**
 * A row of the table.
 * @typedef {object} Row
 * @property {string} key as KeyboardEvent.key has it
 * @property {string} cap as the key is shown
 * @property {string} label
 * @property {string} means for the page of keys
 * @property {Act['act'] | 'stop'} needs what `may` must hold
 * @property {(values: Values) => Act | null} act null if somebody or something must be chosen first
 * @property {string} [without] why act is null
 * @property {string} [question] asked before it is sent
 * @property {true} [byBeads] the page takes over: more than one rider is to be chosen
 * @property {true} [inWords] the page takes over: words are to be typed
 */

const SHORTER_S = 15

/** @param {(rider: string) => Act} make @returns {(values: Values) => Act | null} */
const ofChosen = (make) => ({ selected }) => (selected === null ? null : make(selected))

/** @param {'wait_for' | 'go_without'} act @returns {(values: Values) => Act | null} */
const ofAdrift = (act) => ({ state, selected }) => {
  const adrift = state.troubles.filter(({ kind }) => kind === 'adrift')
  const trouble = adrift.find(({ rider }) => rider === selected) ?? adrift[0]
  return trouble ? { act, rider: trouble.rider } : null
}

/** @param {import('../../lib/messages.js').CallAloud['aloud']} aloud @returns {(values: Values) => Act} */
const aloud = (aloud) => ({ selected }) => ({ act: 'call_aloud', aloud, rider: selected })

const CHOOSE = 'Choose a rider first: press 1 to 9, or touch a bead.'

/** @type {readonly { name: string, rows: readonly Row[] }[]} */
export const GROUPS = [
  {
    name: 'Turn',
    rows: [
      { key: 'ArrowLeft', cap: '←', label: '−15 s', means: 'the turn is 15 s shorter', needs: 'shorten_turn', act: () => ({ act: 'shorten_turn', by_s: SHORTER_S }) },
      { key: 'ArrowRight', cap: '→', label: '+15 s', means: 'the turn is 15 s longer', needs: 'lengthen_turn', act: () => ({ act: 'lengthen_turn', by_s: SHORTER_S, rider: null }) },
      { key: 'ArrowDown', cap: '↓', label: 'Off now', means: 'the leader is called off at once', needs: 'cut_turn', act: () => ({ act: 'cut_turn' }) },
      { key: ' ', cap: 'space', label: 'Swung off', means: 'seen: the leader swung off', needs: 'swung_off', act: ({ state }) => (state.turn ? { act: 'swung_off', rider: state.turn.rider } : null), without: 'Nobody is on the front.' },
      { key: 'y', cap: 'y', label: 'Resume', means: 'after a stop: “go”, and the line rides off as it stands', needs: 'resume', act: () => ({ act: 'resume' }), question: 'Is everybody ready to ride on?' },
    ],
  },
  {
    name: 'Line',
    rows: [
      { key: 'b', cap: 'b', label: 'Bunched', means: 'seen: the line bunches behind a rider who swung off', needs: 'line_bunched', act: () => ({ act: 'line_bunched' }) },
      { key: 'r', cap: 'r', label: 'Surge', means: 'seen: the leader is too fast for the line', needs: 'line_surged', act: () => ({ act: 'line_surged' }) },
      { key: 'e', cap: 'e', label: 'Ease', means: 'called now, to the line or the chosen rider', needs: 'call_aloud', act: aloud('ease') },
      { key: 'l', cap: 'l', label: 'Lift', means: 'called now, to the line or the chosen rider', needs: 'call_aloud', act: aloud('lift') },
      { key: 'p', cap: 'p', label: 'Come past', means: 'called now, to the line or the chosen rider', needs: 'call_aloud', act: aloud('press_on') },
      { key: 'a', cap: 'a', label: 'All in', means: 'called now, to the line or the chosen rider', needs: 'call_aloud', act: aloud('all_in') },
    ],
  },
  {
    name: 'Rider',
    rows: [
      { key: 'ArrowUp', cap: '↑', label: 'Front', means: 'seen: the chosen rider is on the front', needs: 'came_through', act: ofChosen((rider) => ({ act: 'came_through', rider })), without: CHOOSE },
      { key: 't', cap: 't', label: 'Tail', means: 'seen: the chosen rider is back on the last wheel', needs: 'latched_on', act: ofChosen((rider) => ({ act: 'latched_on', rider })), without: CHOOSE },
      { key: 'x', cap: 'x', label: 'Lost', means: 'seen: the chosen rider lost the wheel', needs: 'lost_wheel', act: ofChosen((rider) => ({ act: 'lost_wheel', rider })), without: CHOOSE },
      { key: 'g', cap: 'g', label: 'Gap', means: 'seen: a gap before the chosen rider', needs: 'gap_opened', act: ofChosen((rider) => ({ act: 'gap_opened', rider })), without: CHOOSE },
      { key: 'c', cap: 'c', label: 'Closed', means: 'seen: the gap before the chosen rider is closed', needs: 'gap_closed', act: ofChosen((rider) => ({ act: 'gap_closed', rider })), without: CHOOSE },
      { key: '+', cap: '+', label: 'Good', means: 'the chosen rider has more to give: longer turns', needs: 'felt_good', act: ofChosen((rider) => ({ act: 'felt_good', rider })), without: CHOOSE },
      { key: '-', cap: '−', label: 'Empty', means: 'the chosen rider has little left: shorter turns', needs: 'felt_empty', act: ofChosen((rider) => ({ act: 'felt_empty', rider })), without: CHOOSE },
      { key: 'o', cap: 'o', label: 'Out', means: 'the chosen rider is out of the race', needs: 'retired', act: ofChosen((rider) => ({ act: 'retired', rider })), without: CHOOSE },
    ],
  },
  {
    name: 'Race',
    rows: [
      { key: 'k', cap: 'k', label: 'Landmark', means: 'the front passes the nearest landmark not yet told', needs: 'landmark_passed', act: ({ landmark }) => (landmark ? { act: 'landmark_passed', at_m: landmark.at_m } : null), without: 'No landmark is left on this course.' },
      { key: 'n', cap: 'n', label: 'Order', means: 'seen: a whole new order; choose the riders, front first', needs: 'order_seen', act: () => ({ act: 'order_seen', order: [] }), byBeads: true },
      { key: 'w', cap: 'w', label: 'Wait', means: 'the line waits for who is adrift', needs: 'wait_for', act: ofAdrift('wait_for'), without: 'Nobody is adrift.' },
      { key: 'd', cap: 'd', label: 'Go on', means: 'the line goes on without who is adrift', needs: 'go_without', act: ofAdrift('go_without'), without: 'Nobody is adrift.' },
      { key: 'v', cap: 'v', label: 'Say', means: 'your own words, said to the line or the chosen rider', needs: 'say_aloud', act: ({ selected }) => ({ act: 'say_aloud', text: '', rider: selected }), inWords: true },
      { key: 'u', cap: 'u', label: 'Undo', means: 'the line as it was before the last thing told', needs: 'undo', act: () => ({ act: 'undo' }) },
      { key: 'f', cap: 'f', label: 'Finish', means: 'the counted rider, by name if one is chosen, is across the line', needs: 'race_finished', act: ({ selected }) => ({ act: 'race_finished', rider: selected }), question: 'Is the counted rider across the line?' },
    ],
  },
]

/** @type {Row} */
export const STOP = { key: 's', cap: 's', label: 'Stop', means: 'stop, called to the whole line at once', needs: 'stop', act: () => ({ act: 'call_aloud', aloud: 'stop', rider: null }) }

const ROWS = [...GROUPS.flatMap(({ rows }) => rows), STOP]

/** Why the race would refuse, where that isn't plain. @type {Partial<Record<Act['act'] | 'stop', string>>} */
const REFUSED = {
  lengthen_turn: 'Only while somebody is on the front, and not within the last moments of a turn.',
  shorten_turn: 'Only while somebody is on the front, and not within the last moments of a turn.',
  cut_turn: 'Only while somebody is on the front and somebody is there to follow.',
  wait_for: 'Nobody is adrift.',
  go_without: 'Nobody is adrift.',
  resume: 'The line wasn’t told to stop.',
  undo: 'There is nothing to undo.',
}

export class DirectorKeys extends HTMLElement {
  /** @type {Values | null} */
  #values = null
  /** @type {Map<Row, HTMLButtonElement>} */
  #buttons = new Map()
  #chosen = h('span', { class: 'chosen' })
  #how = h('span', { class: 'how' }, h('span', { class: 'by-key' }, ' 1–9'), h('span', { class: 'by-hand' }, ': touch one above first'))

  connectedCallback() {
    if (this.childElementCount) return
    const groups = GROUPS.map(({ name, rows }) =>
      h('div', { class: 'group', role: 'group', 'aria-label': name },
        h('p', { class: 'label' }, ...(name === 'Rider' ? [this.#chosen, this.#how] : [name])),
        h('div', { class: 'keys' }, ...rows.map((row) => this.#button(row)))))
    const stop = this.#button(STOP)
    stop.classList.add('danger', 'stop')
    this.append(h('div', { class: 'groups' }, ...groups), stop)
  }

  /** @param {Values} values */
  show(values) {
    this.#values = values
    const rider = ridersOf(values.roster)(values.selected)
    put(this.#chosen, rider ? rider.name : 'Rider')
    this.#how.hidden = rider !== null
    mark(this, 'data-chosen', rider !== null)
    for (const [row, button] of this.#buttons) {
      const why = this.#whyNot(row)
      mark(button, 'aria-disabled', why ? 'true' : null)
      button.title = why || row.means
      if (row.needs === 'landmark_passed') put(button.firstElementChild ?? button, values.landmark?.name ?? row.label)
    }
  }

  /** @param {string} key as KeyboardEvent.key has it @returns {boolean} */
  press(key) {
    const row = ROWS.find((one) => one.key === (key.length === 1 ? key.toLowerCase() : key))
    if (!row) return false
    this.#do(row)
    return true
  }

  /** @param {Row} row */
  #do(row) {
    const values = this.#values
    if (!values) return
    const why = this.#whyNot(row)
    const act = row.act(values)
    if (why || !act) return this.#tell('why', { sentence: `${row.label}: ${why}` })
    this.#flash(row)
    if (row.byBeads) return this.#tell('order', {})
    if (row.inWords) return this.#tell('words', {})
    if (row.question) return this.#tell('confirm', { act, question: row.question })
    return this.#tell('act', { act })
  }

  /** @param {Row} row */
  #whyNot(row) {
    const values = this.#values
    if (!values) return 'The race has not been heard of yet.'
    if (!values.state.may.includes(row.needs)) {
      if (values.state.phase === 'over') return 'The race is over.'
      return REFUSED[row.needs] ?? 'Not in this part of the race.'
    }
    return row.act(values) ? '' : (row.without ?? '')
  }

  /** @param {Row} row */
  #button(row) {
    const button = h('button', {
      type: 'button', 'aria-keyshortcuts': row.key === ' ' ? 'Space' : row.key, dataset: { act: row.needs, key: row.key },
      onclick: (/** @type {MouseEvent} */ event) => {
        this.#do(row)
        // A button pressed by hand must not keep the space bar to itself.
        if (event.detail > 0) button.blur()
      },
    }, h('span', {}, row.label), h('kbd', {}, row.cap))
    this.#buttons.set(row, button)
    return button
  }

  /** A key pressed lights its button: the eye is on the race, the corner of it sees that it was taken. @param {Row} row */
  #flash(row) {
    const button = this.#buttons.get(row)
    button?.classList.remove('pressed')
    void button?.offsetWidth // lets the animation begin anew
    button?.classList.add('pressed')
  }

  /** @param {string} name @param {object} detail */
  #tell(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { detail, bubbles: true }))
  }
}

export function registerDirectorKeys() {
  customElements.define('director-keys', DirectorKeys)
}

/** The page of keys, for a dialog. */
export function pageOfKeys() {
  const more = [
    ['1–9', 'choose a rider; then 1–9 is the slot the rider is seen in, 1 the front'],
    ['Esc', 'choose nobody'],
    ['m', 'team voice on or off'],
    ['?', 'this page'],
  ]
  const rows = [...ROWS.map((row) => [row.cap, `${row.label}: ${row.means}`]), ...more]
  const list = h('dl', { class: 'key-list' })
  fill(list, ...rows.flatMap(([cap, means]) => [h('dt', {}, h('kbd', {}, cap)), h('dd', {}, means)]))
  return list
}
