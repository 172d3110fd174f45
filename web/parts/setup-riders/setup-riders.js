/**
 * Step 2, the riders: a table with a row each; add, duplicate, remove and put back; paste from a spreadsheet.
 *
 * Usage:
 *   part.show({ unit: 'kJ', rows: [...] });   redraws the rows
 *   part.refuse(sentence);                    the server's sentence, put beside the field it is about; '' takes it away
 *   part.unheard(sentence);                   why a name could not be heard
 *   part.rosters = [{ name, unit, rows }];    what can be chosen from
 * Sends up: riders-typed (at every key), riders-changed (when a field is left, or a row comes or goes),
 *   name-hear (detail: { spoken, language }), roster-keep (detail: name), roster-use (detail: name),
 *   roster-forget (detail: name).
 */

import { h } from '../../lib/html.js'
import { cellsOf, readNumber, refusalInUnit } from '../../lib/cells.js'
import { LANGUAGES } from '../../lib/languages.js'
import { freshId } from '../setup-fields/setup-fields.js'
import { drawWishes, nameWish } from './wishes.js'
import { COLUMNS, convertReserve, emptyRider, isBlank, pasteCells, placeOf, troubles } from './columns.js'

/** @typedef {import('./columns.js').TypedRider} TypedRider */
/** @typedef {import('./columns.js').TypedRoster} TypedRoster */
/** @typedef {import('./columns.js').ColumnKey} ColumnKey */
/** @typedef {import('./columns.js').Column} Column */

export const MOST_RIDERS = 10

/** @typedef {{ root: HTMLElement, inputs: Map<ColumnKey, HTMLInputElement | HTMLSelectElement>, said: HTMLElement, ratio: HTMLElement }} DrawnRow */

export class SetupRiders extends HTMLElement {
  constructor() {
    super()
    /** @type {TypedRoster} */
    this.roster = { unit: 'kJ', rows: [] }
    /** @type {DrawnRow[]} */
    this.drawn = []
    /** @type {{ row: TypedRider, at: number } | null} */
    this.removed = null
    this.body = h('div', { class: 'riders-body', role: 'rowgroup' })
    this.whole = h('p', { class: 'refusal', 'aria-live': 'polite' })
    this.back = h('p', { class: 'put-back', 'aria-live': 'polite' })
    this.units = unitChoice((unit) => this.changeUnit(unit))
    this.addButton = h('button', { type: 'button', class: 'add' }, 'Add a rider')
    this.rosterFold = h('details', { class: 'fold' })
    this.wishFold = h('details', { class: 'fold wishes' })
    this.head = h('div', { class: 'riders-head', 'aria-hidden': 'true' })
  }

  connectedCallback() {
    if (this.childElementCount) return
    this.append(
      this.units.root,
      h('div', { class: 'riders-table' }, this.head, this.body),
      this.whole,
      this.back,
      h('p', { class: 'riders-acts' }, this.addButton),
      h(
        'p',
        { class: 'hint' },
        'Rows copied from a spreadsheet can be pasted into any cell; a row of headings is understood.',
      ),
      this.wishFold,
      figuresExplained(),
      this.rosterFold,
    )
    this.addButton.addEventListener('click', () => this.add())
    this.body.addEventListener('paste', (event) => this.paste(/** @type {ClipboardEvent} */ (event)))
    this.body.addEventListener('keydown', (event) => this.upAndDown(/** @type {KeyboardEvent} */ (event)))
    this.rosters = []
  }

  /** @param {TypedRoster} roster */
  show(roster) {
    this.roster = { unit: roster.unit, rows: roster.rows.map((row) => ({ ...row })) }
    this.units.choose(roster.unit)
    this.head.replaceChildren(
      h('span', {}),
      ...COLUMNS.map((column) =>
        h(
          'span',
          { class: `cell-${column.key}` },
          column.label,
          unitOf(column, roster.unit) && h('span', { class: 'unit' }, unitOf(column, roster.unit)),
        ),
      ),
      h('span', {}),
    )
    this.drawn = this.roster.rows.map((row, index) => this.drawRow(row, index))
    this.body.replaceChildren(...this.drawn.map((one) => one.root))
    this.addButton.toggleAttribute('disabled', this.roster.rows.length >= MOST_RIDERS)
    this.addButton.textContent =
      this.roster.rows.length >= MOST_RIDERS ? `${MOST_RIDERS} riders, the longest line` : 'Add a rider'
    drawWishes(this.wishFold, this.roster.rows, () => {
      this.send('riders-typed')
      this.send('riders-changed')
    })
    this.check()
  }

  /**
   * @param {TypedRider} row
   * @param {number} index
   * @returns {DrawnRow}
   */
  drawRow(row, index) {
    const said = h('p', { class: 'refusal', id: freshId('rider-refusal'), 'aria-live': 'polite' })
    const ratio = h('span', { class: 'ratio' })
    /** @type {DrawnRow['inputs']} */
    const inputs = new Map()
    const cells = COLUMNS.map((column) => {
      const id = freshId('rider')
      const input = this.drawInput(column, row, id)
      inputs.set(column.key, input)
      const words = column.key === 'drag' ? 'Drag area or height' : column.label
      return h(
        'div',
        { class: `cell cell-${column.key}`, dataset: { unit: unitOf(column, this.roster.unit) } },
        h(
          'label',
          { for: id },
          words,
          unitOf(column, this.roster.unit) && h('span', { class: 'unit' }, ` ${unitOf(column, this.roster.unit)}`),
        ),
        input,
        column.key === 'power' ? ratio : null,
        column.key === 'drag' ? this.drawDragBy(row, index) : null,
        column.key === 'spoken' ? this.act('Hear', () => this.hear(row), row.name) : null,
      )
    })
    const root = h(
      'div',
      { class: 'rider', role: 'group', 'aria-label': row.name || `Rider ${index + 1}` },
      h('span', { class: 'place', 'aria-hidden': 'true' }, String(index + 1)),
      ...cells,
      h(
        'div',
        { class: 'cell cell-acts' },
        this.act('Duplicate', () => this.duplicate(index), row.name),
        this.act('Remove', () => this.takeOut(index), row.name),
      ),
      said,
    )
    root.addEventListener('input', () => this.send('riders-typed'))
    root.addEventListener('change', () => {
      this.check()
      this.send('riders-changed')
    })
    return { root, inputs, said, ratio }
  }

  /**
   * @param {Column} column
   * @param {TypedRider} row
   * @param {string} id
   */
  drawInput(column, row, id) {
    if (column.key === 'language') {
      const select = /** @type {HTMLSelectElement} */ (
        h('select', { id }, ...LANGUAGES.map(([value, words]) => h('option', { value, lang: value }, words)))
      )
      select.value = row.language
      select.addEventListener('change', () => (row.language = select.value))
      return select
    }
    const input = /** @type {HTMLInputElement} */ (
      h('input', {
        id,
        type: 'text',
        autocomplete: 'off',
        spellcheck: 'false',
        inputmode: column.numeric ? 'decimal' : null,
        maxlength: column.numeric ? '12' : '24',
        placeholder: column.key === 'spoken' ? row.name : null,
      })
    )
    input.value = row[column.key]
    input.addEventListener('input', () => {
      row[column.key] = input.value
      if (column.key === 'name') this.renamed(row)
      if (column.key === 'power' || column.key === 'mass') this.weigh(row)
    })
    return input
  }

  /**
   * @param {TypedRider} row
   * @param {number} index
   */
  drawDragBy(row, index) {
    const select = /** @type {HTMLSelectElement} */ (
      h(
        'select',
        { 'aria-label': `What is known of rider ${index + 1}: drag area or height`, class: 'drag-by' },
        h('option', { value: 'area' }, 'm²'),
        h('option', { value: 'height' }, 'cm tall'),
      )
    )
    select.value = row.drag_by
    select.addEventListener('change', () => (row.drag_by = select.value === 'height' ? 'height' : 'area'))
    return select
  }

  /**
   * @param {string} words
   * @param {() => void} run
   * @param {string} name
   */
  act(words, run, name) {
    const button = h('button', { type: 'button', class: 'quiet' }, words)
    button.setAttribute('aria-label', `${words} ${name || 'this rider'}`)
    button.addEventListener('click', run)
    return button
  }

  /** @param {TypedRider} row */
  renamed(row) {
    const drawn = this.drawn[this.roster.rows.indexOf(row)]
    drawn?.root.setAttribute('aria-label', row.name || 'rider')
    for (const button of drawn?.root.querySelectorAll('.cell-spoken button, .cell-acts button') ?? []) {
      button.setAttribute('aria-label', `${button.textContent} ${row.name || 'this rider'}`)
    }
    nameWish(this.wishFold, this.roster.rows.indexOf(row), row.name)
    const spoken = drawn?.inputs.get('spoken')
    if (spoken instanceof HTMLInputElement) spoken.placeholder = row.name
  }

  /** @param {TypedRider} row */
  weigh(row) {
    const drawn = this.drawn[this.roster.rows.indexOf(row)]
    const ratio = (readNumber(row.power) ?? NaN) / (readNumber(row.mass) ?? NaN)
    if (drawn) drawn.ratio.textContent = Number.isFinite(ratio) && ratio < 20 ? `${ratio.toFixed(1)} W/kg` : ''
  }

  /** Say what the table itself can see, beside its fields. Answers whether the riders can be sent. */
  check() {
    this.whole.textContent = ''
    const found = troubles(this.roster)
    this.roster.rows.forEach((row, index) => {
      this.weigh(row)
      const mine = found.filter((one) => one.row === index)
      const wrong = mine.filter((one) => !one.missing)
      this.mark(
        index,
        wrong.map((one) => one.key),
        wrong.map((one) => one.sentence).join(' '),
      )
    })
    return found.length === 0
  }

  /**
   * @param {number} index
   * @param {ColumnKey[]} keys
   * @param {string} sentence
   */
  mark(index, keys, sentence) {
    const drawn = this.drawn[index]
    if (!drawn) return
    if (drawn.said.textContent !== sentence) drawn.said.textContent = sentence
    for (const [key, input] of drawn.inputs) {
      if (keys.includes(key)) {
        input.setAttribute('aria-invalid', 'true')
        input.setAttribute('aria-describedby', drawn.said.id)
      } else {
        input.removeAttribute('aria-invalid')
        input.removeAttribute('aria-describedby')
      }
    }
  }

  /** @param {string} sentence */
  refuse(sentence) {
    if (!this.check() || !sentence) return
    const place = placeOf(sentence, this.roster)
    const kilojoules = place?.key === 'reserve' && this.roster.unit === 'kJ'
    if (place)
      this.mark(
        place.row,
        [place.key],
        kilojoules ? `${refusalInUnit(sentence, 0.001, 'kJ')} (20 kJ is 20000 J)` : sentence,
      )
    else this.whole.textContent = sentence
  }

  /** What keeps the riders from being sent, in a sentence; '' if nothing does. */
  get unfinished() {
    return troubles(this.roster)[0]?.sentence ?? ''
  }

  add() {
    this.change([...this.roster.rows, emptyRider()])
    this.drawn.at(-1)?.inputs.get('name')?.focus()
  }

  /** What kept a name from being heard. @param {string} sentence */
  unheard(sentence) {
    if (sentence) this.whole.textContent = sentence
  }

  /** The name as the voice will say it. @param {TypedRider} row */
  hear(row) {
    this.send('name-hear', { spoken: row.spoken.trim() || row.name.trim(), language: row.language })
  }

  /** @param {number} index */
  duplicate(index) {
    const row = this.roster.rows[index]
    if (!row || this.roster.rows.length >= MOST_RIDERS) return
    const rows = [...this.roster.rows]
    rows.splice(index + 1, 0, { ...row, id: '', name: '', spoken: '' })
    this.change(rows)
    this.drawn[index + 1]?.inputs.get('name')?.focus()
  }

  /** @param {number} index */
  takeOut(index) {
    const rows = [...this.roster.rows]
    const [row] = rows.splice(index, 1)
    if (!row) return
    this.change(rows)
    if (isBlank(row)) {
      this.addButton.focus()
      return
    }
    this.removed = { row, at: index }
    const button = h('button', { type: 'button', class: 'quiet' }, 'Put back')
    button.addEventListener('click', () => this.putBack())
    this.back.replaceChildren(`${row.name || 'The rider'} is removed. `, button)
    button.focus()
  }

  putBack() {
    if (!this.removed) return
    const rows = [...this.roster.rows]
    const { row, at } = this.removed
    rows.splice(at, 0, row)
    this.removed = null
    this.change(rows)
    this.drawn[at]?.inputs.get('name')?.focus()
  }

  /** @param {TypedRider[]} rows */
  change(rows) {
    this.back.replaceChildren()
    this.show({ unit: this.roster.unit, rows })
    this.send('riders-typed')
    this.send('riders-changed')
  }

  /** @param {'kJ' | 'J'} unit */
  changeUnit(unit) {
    if (unit === this.roster.unit) return
    const rows = this.roster.rows.map((row) => ({ ...row, reserve: convertReserve(row.reserve, unit) }))
    this.show({ unit, rows })
    this.send('riders-typed')
    this.send('riders-changed')
  }

  /** @param {ClipboardEvent} event */
  paste(event) {
    const text = event.clipboardData?.getData('text/plain') ?? ''
    if (!/[\t\n;]/.test(text.trim())) return // one cell: the browser's own paste is right
    const place = this.placeOfFocus(event.target)
    if (!place) return
    event.preventDefault()
    const cells = cellsOf(text)
    const pasted = pasteCells(this.roster, cells, place.row, place.key)
    const spare = pasted.rows.length - MOST_RIDERS
    this.show({ unit: pasted.unit, rows: pasted.rows.slice(0, MOST_RIDERS) })
    this.send('riders-typed')
    this.send('riders-changed')
    if (spare > 0) {
      this.whole.textContent = `the paste: found ${pasted.rows.length} riders; expected at most ${MOST_RIDERS}, so the last ${spare} are left out`
    }
    this.drawn[place.row]?.inputs.get(place.key)?.focus()
  }

  /** @param {KeyboardEvent} event */
  upAndDown(event) {
    const step = event.key === 'ArrowDown' ? 1 : event.key === 'ArrowUp' ? -1 : 0
    if (!step || !(event.target instanceof HTMLInputElement)) return
    const place = this.placeOfFocus(event.target)
    const next = place && this.drawn[place.row + step]?.inputs.get(place.key)
    if (next) {
      event.preventDefault()
      next.focus()
    }
  }

  /** @param {EventTarget | null} target */
  placeOfFocus(target) {
    for (const [row, drawn] of this.drawn.entries()) {
      for (const [key, input] of drawn.inputs) if (input === target) return { row, key }
    }
    return null
  }

  /** @param {{ name: string, rows: TypedRider[] }[]} saved */
  set rosters(saved) {
    const open = this.rosterFold.hasAttribute('open')
    const id = freshId('roster')
    const name = /** @type {HTMLInputElement} */ (
      h('input', { id, type: 'text', maxlength: '40', autocomplete: 'off' })
    )
    const form = h(
      'form',
      { class: 'roster-keep' },
      h('label', { for: id }, 'Keep these riders under the name'),
      h('span', { class: 'field-row' }, name, h('button', { type: 'submit' }, 'Keep')),
    )
    form.addEventListener('submit', (event) => {
      event.preventDefault()
      if (name.value.trim()) this.send('roster-keep', name.value.trim())
    })
    this.rosterFold.replaceChildren(
      h('summary', {}, saved.length ? `Saved rosters (${saved.length})` : 'Save these riders for the next race'),
      h(
        'ul',
        { class: 'roster-list' },
        ...saved.map((one) =>
          h(
            'li',
            {},
            h('b', {}, one.name),
            h('span', {}, one.rows.map((row) => row.name).join(', ')),
            this.act('Use', () => this.send('roster-use', one.name), one.name),
            this.act('Forget', () => this.send('roster-forget', one.name), one.name),
          ),
        ),
      ),
      form,
      h('p', { class: 'hint' }, 'Saved in this browser only. Riders’ figures are personal: ask before you keep them.'),
    )
    this.rosterFold.toggleAttribute('open', open)
  }

  /**
   * @param {string} name
   * @param {unknown} [detail]
   */
  send(name, detail = this.roster) {
    this.dispatchEvent(new CustomEvent(name, { detail, bubbles: true }))
  }
}

/** For whoever has never met these figures. */
function figuresExplained() {
  const meanings = /** @type {const} */ ([
    [
      'Critical power',
      'The most that can be held without W′ draining, in watts. It comes from all-out efforts of different lengths, each of 2 to 15 minutes.',
    ],
    [
      'W′',
      'The work that can be done above critical power before the legs are empty, in kilojoules. Often 10 to 25 kJ. The same tests give it.',
    ],
    [
      'Drag area',
      'How much air the rider moves, in m², riding alone in the position of the race. Often 0.20 to 0.30. Not measured? Choose “cm tall” and type the height: it is estimated, roughly.',
    ],
    ['Bike and kit', 'Bike, bottles, shoes, helmet. Empty takes 9 kg.'],
    ['Spoken as', 'How the voice says the name, if it says it wrong: Yorg for Jörg. “Hear” says it.'],
  ])
  return h(
    'details',
    { class: 'fold' },
    h('summary', {}, 'What these figures are'),
    h('dl', { class: 'meanings' }, ...meanings.flatMap(([term, text]) => [h('dt', {}, term), h('dd', {}, text)])),
    h(
      'p',
      { class: 'caution' },
      'All-out tests are for healthy, trained riders. Ask a doctor or a coach if in doubt; a cautious guess also gives a plan.',
    ),
  )
}

/**
 * @param {Column} column
 * @param {string} reserveUnit
 */
function unitOf(column, reserveUnit) {
  if (column.key === 'reserve') return reserveUnit
  return column.key === 'drag' ? '' : column.unit
}

/** @param {(unit: 'kJ' | 'J') => void} changed */
function unitChoice(changed) {
  const name = freshId('reserve-unit')
  const inputs = ['kJ', 'J'].map(
    (unit) => /** @type {HTMLInputElement} */ (h('input', { type: 'radio', name, value: unit, id: `${name}-${unit}` })),
  )
  const root = h(
    'fieldset',
    { class: 'choice' },
    h('legend', {}, 'W′ in'),
    ...inputs.map((input) =>
      h('label', { for: input.id }, input, input.value === 'kJ' ? 'kilojoules (kJ)' : 'joules (J)'),
    ),
  )
  root.addEventListener('change', (event) => {
    event.stopPropagation()
    changed(/** @type {HTMLInputElement} */ (event.target).value === 'J' ? 'J' : 'kJ')
  })
  return {
    root,
    /** @param {'kJ' | 'J'} unit */
    choose(unit) {
      for (const input of inputs) input.checked = input.value === unit
    },
  }
}

customElements.define('setup-riders', SetupRiders)
