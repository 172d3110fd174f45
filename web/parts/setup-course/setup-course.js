/**
 * Step 1, the course: a file dropped or chosen, or a table of distance and height; the result drawn.
 *
 * Usage:
 *   part.show(courseCard | null)
 *   part.refuseFile(sentence); part.refuseTable(sentence);   '' takes it away
 *   part.typed = { name, text, unit }                        what stands in the table
 *   part.renamed(courseCard); part.refuseNames(sentence);
 * Sends up: course-file (detail: File), course-table (detail: { name, rows }), course-typed (detail: as typed),
 *   course-named (detail: { name, stretches, landmarks }, all of them).
 */

import { h } from '../../lib/html.js'
import { cellsOf, gradeOf, kmOf, readNumber } from '../../lib/cells.js'
import { makeField, refuse } from '../setup-fields/setup-fields.js'
import { letterOf } from '../setup-silhouette/setup-silhouette.js'

/** @typedef {import('../../lib/messages.js').CourseCard} CourseCard */
/** @typedef {{ name: string, text: string, unit: 'km' | 'm' }} TypedTable */

const LARGEST_BYTES = 30_000_000

export class SetupCourse extends HTMLElement {
  constructor() {
    super()
    this.chooser = /** @type {HTMLInputElement} */ (
      h('input', {
        type: 'file',
        id: 'course-file',
        class: 'unseen',
        accept: '.gpx,.tcx,.xml,application/gpx+xml',
        'aria-describedby': 'course-file-hint course-file-refusal',
      })
    )
    this.fileRefusal = h('p', { class: 'refusal', id: 'course-file-refusal', 'aria-live': 'polite' })
    this.chooserLabel = h('label', { for: 'course-file', class: 'button' }, 'Choose a file')
    /** @type {CourseCard | null} */
    this.course = null
    /** @type {HTMLElement | null} */
    this.namesRefusal = null
    this.dropping = h(
      'div',
      { class: 'drop' },
      this.chooser,
      h('p', { class: 'drop-words' }, h('span', { class: 'drop-pointer' }, 'Drop the course file here, or ')),
      this.chooserLabel,
      h('p', { class: 'hint', id: 'course-file-hint' }, 'GPX or TCX, a track or a route.'),
    )
    this.result = h('div', { class: 'course-result', hidden: '' })
    this.tableName = makeField({ label: 'Name of the course', most: 60 })
    this.unit = makeField({
      label: 'Distance in',
      choices: [
        ['km', 'kilometres'],
        ['m', 'metres'],
      ],
    })
    this.text = /** @type {HTMLTextAreaElement} */ (
      h('textarea', {
        id: 'course-table',
        rows: '8',
        spellcheck: 'false',
        'aria-describedby': 'course-table-hint course-table-refusal',
        placeholder: '0\t112\n2.5\t118\n4.1\t190',
      })
    )
    this.tableRefusal = h('p', { class: 'refusal', id: 'course-table-refusal', 'aria-live': 'polite' })
    this.table = h(
      'details',
      { class: 'fold' },
      h('summary', {}, 'No file? Type a table'),
      h(
        'form',
        { class: 'course-table' },
        this.tableName.root,
        this.unit.root,
        h(
          'div',
          { class: 'field' },
          h('label', { for: 'course-table' }, 'Distance and height'),
          this.text,
          h(
            'p',
            { class: 'hint', id: 'course-table-hint' },
            'A line for each place: distance, then height in metres. Rows copied from a spreadsheet can be pasted.',
          ),
          this.tableRefusal,
        ),
        h('button', { type: 'submit' }, 'Draw this course'),
      ),
    )
  }

  connectedCallback() {
    if (this.childElementCount) return
    this.append(this.result, this.dropping, this.fileRefusal, this.table)
    this.chooser.addEventListener('change', () => {
      const file = this.chooser.files?.[0]
      if (file) this.offer(file)
      this.chooser.value = '' // the same file, mended, can be chosen again
    })
    for (const kind of ['dragenter', 'dragover']) {
      this.addEventListener(kind, (event) => {
        event.preventDefault()
        this.dropping.classList.add('over')
      })
    }
    this.addEventListener('dragleave', () => this.dropping.classList.remove('over'))
    this.addEventListener('drop', (event) => {
      event.preventDefault()
      this.dropping.classList.remove('over')
      const file = event.dataTransfer?.files[0]
      if (file) this.offer(file)
      else this.refuseFile('the drop: found no file; expected one GPX or TCX file')
    })
    const form = /** @type {HTMLFormElement} */ (this.table.querySelector('form'))
    form.addEventListener('submit', (event) => {
      event.preventDefault()
      this.offerTable()
    })
    form.addEventListener('input', () => this.send('course-typed', this.typed))
  }

  /** @returns {TypedTable} */
  get typed() {
    return {
      name: this.tableName.input.value,
      text: this.text.value,
      unit: this.unit.input.value === 'm' ? 'm' : 'km',
    }
  }

  set typed(table) {
    this.tableName.input.value = table.name
    this.text.value = table.text
    this.unit.input.value = table.unit
    if (table.text) this.table.setAttribute('open', '')
  }

  /** @param {File} file */
  offer(file) {
    if (file.size > LARGEST_BYTES) {
      const found = `${(file.size / 1e6).toFixed(0)} MB`
      this.refuseFile(`${file.name}: found ${found}; expected at most ${LARGEST_BYTES / 1e6} MB`)
      return
    }
    this.refuseFile('')
    this.busy(`Reading ${file.name} …`)
    this.send('course-file', file)
  }

  offerTable() {
    const { name, text, unit } = this.typed
    const rows = []
    for (const [index, cells] of cellsOf(text).entries()) {
      const numbers = cells.filter((cell) => cell !== '').map(readNumber)
      if (index === 0 && numbers.every((number) => Number.isNaN(number))) continue // a heading
      if (numbers.length !== 2 || numbers.some((number) => Number.isNaN(number))) {
        const found = cells.join(' ').slice(0, 40)
        this.refuseTable(`line ${index + 1}: found “${found}”; expected two numbers, a distance and a height`)
        return
      }
      const [distance, height_m] = /** @type {[number, number]} */ (numbers)
      rows.push([unit === 'km' ? distance * 1000 : distance, height_m])
    }
    if (rows.length < 2) {
      this.refuseTable(`the table: found ${rows.length} lines; expected at least two, the start and the finish`)
      return
    }
    this.refuseTable('')
    this.send('course-table', { name: name.trim() || 'Course', rows })
  }

  /** @param {string} words */
  busy(words) {
    this.dropping.classList.toggle('busy', words !== '')
    this.setAttribute('aria-busy', String(words !== ''))
    this.chooserLabel.textContent = words || (this.result.hidden ? 'Choose a file' : 'Choose another')
  }

  /** @param {string} sentence */
  refuseFile(sentence) {
    this.busy('')
    refuse(this.chooser, this.fileRefusal, sentence, 'course-file-hint')
    this.dropping.classList.toggle('refused', sentence !== '')
  }

  /** @param {string} sentence */
  refuseTable(sentence) {
    refuse(this.text, this.tableRefusal, sentence, 'course-table-hint')
  }

  /** @param {CourseCard | null} course */
  show(course) {
    this.course = course
    this.result.hidden = course === null
    this.dropping.classList.toggle('again', course !== null)
    this.busy('')
    if (course === null) {
      this.result.replaceChildren()
      return
    }
    const view = /** @type {import('../setup-silhouette/setup-silhouette.js').SetupSilhouette} */ (
      document.createElement('setup-silhouette')
    )
    view.show(course)
    this.namesRefusal = h('p', { class: 'refusal', 'aria-live': 'polite' })
    this.result.replaceChildren(
      h(
        'div',
        { class: 'course-head' },
        h('h3', {}, course.name),
        h('p', {}, h('b', {}, `${kmOf(course.length_m)}\u00a0km`), ` ${heights(course)}`),
      ),
      view,
      ...course.notes.map((note) => h('p', { class: 'caution' }, note)),
      this.drawNames(course),
    )
  }

  /** The same course by other names; the fields stay, for somebody types in them. @param {CourseCard} course */
  renamed(course) {
    this.course = course
    this.refuseNames('')
    const view = /** @type {import('../setup-silhouette/setup-silhouette.js').SetupSilhouette | null} */ (
      this.result.querySelector('setup-silhouette')
    )
    view?.show(course)
    const head = this.result.querySelector('h3')
    if (head) head.textContent = course.name
  }

  /** @param {string} sentence */
  refuseNames(sentence) {
    if (this.namesRefusal) this.namesRefusal.textContent = sentence
  }

  /** @param {CourseCard} course */
  drawNames(course) {
    const named = (/** @type {string} */ label, /** @type {string} */ value) => {
      const input = h('input', { type: 'text', maxlength: '40', autocomplete: 'off', 'aria-label': label })
      input.value = value
      return input
    }
    const name = named('Name of the course', course.name)
    const stretches = course.stretches.map((one) => named(`Name of ${one.name}`, one.name))
    const landmarks = course.landmarks.map((one) => named(`Name of landmark ${one.name}`, one.name))
    const fold = h(
      'details',
      { class: 'fold' },
      h('summary', {}, summary(course)),
      h('p', { class: 'hint' }, 'Call things as your riders do: these names are shown, printed and spoken.'),
      h('div', { class: 'field name-field' }, h('span', { class: 'label' }, 'Course'), name),
      stretchTable(course, stretches),
      landmarkList(course, landmarks),
      this.namesRefusal,
    )
    fold.addEventListener('change', (event) => {
      event.stopPropagation()
      const texts = (/** @type {HTMLInputElement[]} */ inputs) => inputs.map((input) => input.value)
      this.send('course-named', { name: name.value, stretches: texts(stretches), landmarks: texts(landmarks) })
    })
    return fold
  }

  /**
   * @param {string} name
   * @param {unknown} detail
   */
  send(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { detail, bubbles: true }))
  }
}

/**
 * @param {CourseCard} course
 * @param {HTMLInputElement[]} names
 */
function stretchTable(course, names) {
  return h(
    'table',
    { class: 'sheet' },
    h('caption', { class: 'unseen' }, 'Stretches of the course'),
    h(
      'thead',
      {},
      h(
        'tr',
        {},
        ...['Stretch', 'km', 'Length', 'Grade', 'Rise'].map((words, index) =>
          h('th', { scope: 'col', class: index ? 'number' : null }, words),
        ),
      ),
    ),
    h(
      'tbody',
      {},
      ...course.stretches.map((stretch, index) =>
        h(
          'tr',
          { 'data-terrain': stretch.terrain },
          h('th', { scope: 'row' }, names[index]),
          h('td', { class: 'number' }, `${kmOf(stretch.start_m)}–${kmOf(stretch.end_m)}`),
          h('td', { class: 'number' }, `${kmOf(stretch.end_m - stretch.start_m)} km`),
          h('td', { class: 'number' }, gradeOf(stretch.mean_grade)),
          h('td', { class: 'number' }, `${stretch.rise_m < 0 ? '−' : '+'}${Math.abs(Math.round(stretch.rise_m))} m`),
        ),
      ),
    ),
  )
}

/**
 * @param {CourseCard} course
 * @param {HTMLInputElement[]} names
 */
function landmarkList(course, names) {
  if (!names.length) return null
  return h(
    'div',
    {},
    h('h4', { class: 'label' }, 'Landmarks'),
    h(
      'ol',
      { class: 'landmark-names' },
      ...course.landmarks.map((one, index) =>
        h('li', {}, h('b', {}, letterOf(index)), names[index], h('span', {}, `km ${kmOf(one.at_m)}`)),
      ),
    ),
  )
}

/** @param {CourseCard} course */
function heights(course) {
  if (!course.has_height) return 'no heights told: taken as flat'
  const all = course.profile.map(([, height_m]) => height_m)
  return `between ${Math.round(Math.min(...all))} and ${Math.round(Math.max(...all))}\u00a0m high`
}

/** @param {CourseCard} course */
function summary(course) {
  const count = (/** @type {string} */ terrain) => course.stretches.filter((one) => one.terrain === terrain).length
  const words = []
  for (const [terrain, one, many] of [
    ['climb', 'climb', 'climbs'],
    ['descent', 'descent', 'descents'],
    ['flat', 'flat', 'flats'],
  ]) {
    const number = count(terrain ?? '')
    if (number) words.push(`${number} ${number === 1 ? one : many}`)
  }
  if (course.landmarks.length) {
    words.push(`${course.landmarks.length} ${course.landmarks.length === 1 ? 'landmark' : 'landmarks'}`)
  }
  return words.join(', ')
}

customElements.define('setup-course', SetupCourse)
