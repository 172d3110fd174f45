/**
 * The columns of the riders' table: what stands in each, how it is read and written, and by which headings a
 * spreadsheet may call it. What a rider may weigh is the server's to say, not ours.
 */

import { readNumber, writeNumber } from '../../lib/cells.js'
import { LANGUAGES } from '../../lib/languages.js'

/**
 * A rider as typed: text in every cell, so that nothing half-typed is lost.
 * @typedef {object} TypedRider
 * @property {string} id            '' until the server gave one
 * @property {string} name
 * @property {string} spoken
 * @property {string} mass
 * @property {string} power
 * @property {string} reserve
 * @property {string} drag
 * @property {'area' | 'height'} drag_by
 * @property {string} bike
 * @property {string} language
 * @property {string} on_flat        how the rider is to lead there: one of WISHES
 * @property {string} on_climbs
 * @property {string} on_descents
 */

/** @typedef {'kJ' | 'J'} ReserveUnit */
/** @typedef {{ unit: ReserveUnit, rows: TypedRider[] }} TypedRoster */
/** @typedef {'name' | 'spoken' | 'mass' | 'power' | 'reserve' | 'drag' | 'bike' | 'language'} ColumnKey */

/**
 * @typedef {object} Column
 * @property {ColumnKey} key
 * @property {string} label
 * @property {string} unit
 * @property {boolean} needed
 * @property {boolean} numeric
 * @property {string[]} refused      how the server's sentence calls it
 * @property {RegExp} heading        how a spreadsheet may call it
 */

/** @type {Column[]} */
export const COLUMNS = [
  { key: 'name', label: 'Name', unit: '', needed: true, numeric: false, refused: ['name'], heading: /^(name|rider)/i },
  {
    key: 'spoken',
    label: 'Spoken as',
    unit: '',
    needed: false,
    numeric: false,
    refused: ['spoken name'],
    heading: /^spoken/i,
  },
  {
    key: 'mass',
    label: 'Body mass',
    unit: 'kg',
    needed: true,
    numeric: true,
    refused: ['body mass'],
    heading: /^(body )?(mass|weight)|^kg/i,
  },
  {
    key: 'power',
    label: 'Critical power',
    unit: 'W',
    needed: true,
    numeric: true,
    refused: ['critical power'],
    heading: /^(critical|cp\b|power)/i,
  },
  {
    key: 'reserve',
    label: 'W′',
    unit: 'kJ',
    needed: true,
    numeric: true,
    refused: ['w′'],
    heading: /^w\s?(′|'|’|prime|_prime)/i,
  },
  {
    key: 'drag',
    label: 'Drag area or height',
    unit: 'm²',
    needed: true,
    numeric: true,
    refused: ['drag area', 'height and mass'],
    heading: /^(drag|cda|height)/i,
  },
  {
    key: 'bike',
    label: 'Bike and kit',
    unit: 'kg',
    needed: false,
    numeric: true,
    refused: ['mass of bike and kit'],
    heading: /^bike/i,
  },
  {
    key: 'language',
    label: 'Hears',
    unit: '',
    needed: false,
    numeric: false,
    refused: ['language'],
    heading: /^(language|hears)/i,
  },
]

/**
 * How a rider can be wished to lead on a terrain, and how that is said of one.
 * @type {[string, string, string][]}
 */
export const WISHES = [
  ['planned', 'leads as planned', 'leads as planned'],
  ['short', 'short turns', 'leads in short turns'],
  ['none', 'doesn’t lead', 'doesn’t lead'],
]

/** @typedef {'on_flat' | 'on_climbs' | 'on_descents'} TerrainKey */

/** @type {[TerrainKey, string][]} */
export const TERRAINS = [
  ['on_flat', 'on the flat'],
  ['on_climbs', 'on climbs'],
  ['on_descents', 'on descents'],
]

/**
 * A rider's wishes in words: “doesn’t lead on climbs”; '' if there are none.
 * @param {Record<string, any>} rider
 */
export function wishesOf(rider) {
  return TERRAINS.filter(([key]) => (rider[key] ?? 'planned') !== 'planned')
    .map(([key, where]) => `${WISHES.find(([wish]) => wish === rider[key])?.[2] ?? rider[key]} ${where}`)
    .join(', ')
}

/** @returns {TypedRider} */
export function emptyRider() {
  return {
    id: '',
    name: '',
    spoken: '',
    mass: '',
    power: '',
    reserve: '',
    drag: '',
    drag_by: 'area',
    bike: '9',
    language: 'en',
    on_flat: 'planned',
    on_climbs: 'planned',
    on_descents: 'planned',
  }
}

/**
 * Nothing typed yet beside what was there from the beginning.
 * @param {TypedRider} row
 */
export function isBlank(row) {
  return [row.name, row.spoken, row.mass, row.power, row.reserve, row.drag].every((text) => text.trim() === '')
}

/**
 * What the table itself can tell is wrong, before the server is asked: a cell that is no number, a needed one empty.
 * @typedef {{ row: number, key: ColumnKey, sentence: string, missing: boolean }} Trouble
 * @param {TypedRoster} roster
 * @returns {Trouble[]}
 */
export function troubles(roster) {
  /** @type {Trouble[]} */
  const found = []
  roster.rows.forEach((row, index) => {
    if (isBlank(row)) return
    const whose = `rider ${row.name.trim() || index + 1}`
    for (const column of COLUMNS) {
      const text = row[column.key].trim()
      if (text === '') {
        if (!column.needed) continue
        const sentence = `${whose}: ${column.label} is still empty`
        found.push({ row: index, key: column.key, sentence, missing: true })
      } else if (column.numeric && Number.isNaN(readNumber(text))) {
        const sentence = `${whose}, ${column.label}: found “${text.slice(0, 20)}”; expected a number`
        found.push({ row: index, key: column.key, sentence, missing: false })
      }
    }
  })
  return found
}

/**
 * The riders for the server. Only to be asked when troubles() found none.
 * @param {TypedRoster} roster
 */
export function toRiders(roster) {
  return roster.rows.filter((row) => !isBlank(row)).map((row) => toRider(row, roster.unit))
}

/**
 * @param {TypedRider} row
 * @param {ReserveUnit} unit
 */
function toRider(row, unit) {
  const drag = readNumber(row.drag)
  return {
    ...(row.id ? { id: row.id } : {}),
    name: row.name.trim(),
    ...(row.spoken.trim() ? { spoken: row.spoken.trim() } : {}),
    mass_kg: readNumber(row.mass),
    critical_power_w: readNumber(row.power),
    w_prime_j: joules(row.reserve, unit),
    ...(row.drag_by === 'height' ? { height_cm: drag } : { drag_area_m2: drag }),
    ...(row.bike.trim() ? { bike_mass_kg: readNumber(row.bike) } : {}),
    language: row.language,
    ...Object.fromEntries(TERRAINS.map(([key]) => [key, row[key] ?? 'planned'])),
  }
}

/**
 * @param {string} text
 * @param {ReserveUnit} unit
 */
function joules(text, unit) {
  const number = readNumber(text)
  return number === null ? null : Math.round(number * (unit === 'kJ' ? 1000 : 1) * 1000) / 1000
}

/**
 * The server's riders as they stand in the table.
 * @param {Record<string, any>[]} riders
 * @param {ReserveUnit} unit
 * @returns {TypedRider[]}
 */
export function fromRiders(riders, unit) {
  return riders.map((rider) => ({
    id: rider.id ?? '',
    name: rider.name ?? '',
    spoken: rider.spoken && rider.spoken !== rider.name ? rider.spoken : '',
    mass: writeNumber(rider.mass_kg, 1),
    power: writeNumber(rider.critical_power_w, 0),
    reserve: writeNumber(rider.w_prime_j / (unit === 'kJ' ? 1000 : 1), unit === 'kJ' ? 2 : 0),
    drag: rider.height_cm ? writeNumber(rider.height_cm, 1) : writeNumber(rider.drag_area_m2, 4),
    drag_by: rider.height_cm ? 'height' : 'area',
    bike: writeNumber(rider.bike_mass_kg ?? 9, 1),
    language: rider.language ?? 'en',
    on_flat: rider.on_flat ?? 'planned',
    on_climbs: rider.on_climbs ?? 'planned',
    on_descents: rider.on_descents ?? 'planned',
  }))
}

/**
 * The same W′ in the other unit; what is no number is left as it stands.
 * @param {string} text
 * @param {ReserveUnit} to
 */
export function convertReserve(text, to) {
  const number = readNumber(text)
  if (number === null || Number.isNaN(number)) return text
  return to === 'kJ' ? writeNumber(number / 1000, 3) : writeNumber(number * 1000, 0)
}

/**
 * Put pasted cells into rows. With a row of headings each column goes where its heading says; without one the cells go
 * to the right and down from where the paste was made.
 * @param {TypedRoster} roster
 * @param {string[][]} cells
 * @param {number} atRow
 * @param {ColumnKey} atKey
 * @returns {TypedRoster}
 */
export function pasteCells(roster, cells, atRow, atKey) {
  const headings = (cells[0] ?? []).map((cell) => COLUMNS.find((column) => column.heading.test(cell))?.key)
  const named = headings.filter(Boolean).length >= 2
  const from = COLUMNS.findIndex((column) => column.key === atKey)
  const keys = named ? headings : COLUMNS.slice(from).map((column) => column.key)
  const rows = roster.rows.map((row) => ({ ...row }))
  cells.slice(named ? 1 : 0).forEach((line, offset) => {
    const row = rows[atRow + offset] ?? emptyRider()
    rows[atRow + offset] = row
    line.forEach((cell, index) => {
      const key = keys[index]
      if (!key) return
      if (key === 'language') row.language = languageOf(cell) ?? row.language
      else row[key] = cell
      if (key === 'drag') row.drag_by = (readNumber(cell) ?? 0) > 3 ? 'height' : 'area'
    })
  })
  const unit = named ? (unitOf(cells[0] ?? [], headings) ?? roster.unit) : roster.unit
  return { unit, rows }
}

/** @param {string} cell */
function languageOf(cell) {
  const wanted = cell.trim().toLowerCase()
  return LANGUAGES.find(([code, words]) => code === wanted || words.toLowerCase() === wanted)?.[0]
}

/**
 * The unit a heading names for W′, such as “W′ (J)”.
 * @param {string[]} texts
 * @param {(ColumnKey | undefined)[]} keys
 * @returns {ReserveUnit | undefined}
 */
function unitOf(texts, keys) {
  const text = texts[keys.indexOf('reserve')] ?? ''
  if (/kj/i.test(text)) return 'kJ'
  if (/\bj\b|joule|_j$/i.test(text)) return 'J'
  return undefined
}

/**
 * Where in the table a refusal of the server belongs: “rider Maya, body mass: found …”.
 * @param {string} sentence
 * @param {TypedRoster} roster
 * @returns {{ row: number, key: ColumnKey } | null}   null if it is about the whole table
 */
export function placeOf(sentence, roster) {
  const row = roster.rows.findIndex((one, index) => {
    const names = [one.name.trim(), one.id, String(index + 1)].filter(Boolean)
    return names.some((name) => sentence.startsWith(`rider ${name},`) || sentence.startsWith(`rider ${name}:`))
  })
  if (row < 0) return null
  const head = sentence.slice(0, sentence.indexOf(': found')).toLowerCase()
  const column = COLUMNS.find((one) => one.refused.some((words) => head.endsWith(`, ${words}`)))
  return { row, key: column?.key ?? 'name' }
}
