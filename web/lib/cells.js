/**
 * Text as people type and paste it → numbers and cells. Must not know which quantity a number is.
 */

/**
 * A number as typed: a comma or a point before the decimals, a typographic minus, blanks between thousands.
 * NaN where it is none; null where nothing stands.
 * @param {string} text
 * @returns {number | null}
 */
export function readNumber(text) {
  const bare = text.replace(/[\s\u00a0\u202f]/g, '').replace(/\u2212/g, '-')
  if (bare === '') return null
  if (!/^[+-]?(\d+([.,]\d*)?|[.,]\d+)$/.test(bare)) return NaN
  return Number(bare.replace(',', '.'))
}

/**
 * A number for a field: as short as it is true, at most so many decimals.
 * @param {number | null | undefined} value
 * @param {number} decimals
 */
export function writeNumber(value, decimals = 3) {
  if (value === null || value === undefined || !Number.isFinite(value)) return ''
  return String(Number(value.toFixed(decimals)))
}

/**
 * Rows and cells of something copied from a spreadsheet or a file: tabs, else semicolons, else commas, else blanks.
 * A comma only parts cells where no tab or semicolon does and it is not a decimal comma.
 * @param {string} text
 * @returns {string[][]}
 */
export function cellsOf(text) {
  const lines = text.split(/\r\n|\r|\n/).filter((line) => line.trim() !== '')
  /** @type {string | RegExp} */
  let parting = /\s+/
  if (text.includes('\t')) parting = '\t'
  else if (text.includes(';')) parting = ';'
  else if (/,\s|,.*,/.test(lines[0] ?? '') || lines.some((line) => /^[^\s,]+,[^\s,]+$/.test(line))) parting = ','
  return lines.map((line) =>
    line
      .trim()
      .split(parting)
      .map((cell) => cell.trim()),
  )
}

/**
 * A duration for people: 46:12, 1:02:03; 32 s below a minute stays 0:32.
 * @param {number} seconds
 */
export function clockOf(seconds) {
  const whole = Math.round(Math.abs(seconds))
  const hours = Math.floor(whole / 3600)
  const minutes = Math.floor((whole % 3600) / 60)
  const rest = String(whole % 60).padStart(2, '0')
  const sign = seconds < 0 && whole > 0 ? '\u2212' : ''
  return hours ? `${sign}${hours}:${String(minutes).padStart(2, '0')}:${rest}` : `${sign}${minutes}:${rest}`
}

/**
 * A few seconds for people: 5.1 s; from a minute on 1:05 min.
 * @param {number} seconds
 */
export function secondsOf(seconds) {
  if (Math.abs(seconds) >= 60) return `${clockOf(seconds)}\u00a0min`
  const text = Math.abs(seconds).toFixed(1)
  return `${seconds < 0 && text !== '0.0' ? '\u2212' : ''}${text}\u00a0s`
}

/**
 * A distance for people, in kilometres: 8.2
 * @param {number} metres
 * @param {number} decimals
 */
export function kmOf(metres, decimals = 1) {
  return (metres / 1000).toFixed(decimals)
}

/**
 * A grade for people: 5.1 %, with a true minus.
 * @param {number} grade  rise over run
 */
export function gradeOf(grade) {
  const text = (Math.abs(grade) * 100).toFixed(1)
  return `${grade < 0 && text !== '0.0' ? '\u2212' : ''}${text}\u00a0%`
}

/**
 * A refusal's figures in the unit they were typed in: “found 0.9; expected 0 to 0.5” about per cent becomes
 * “found 90; expected 0 to 50 %”. A sentence of another build is left as it is.
 * @param {string} sentence
 * @param {number} factor   one of the server's units is so many of those typed
 * @param {string} unit     as typed
 */
export function refusalInUnit(sentence, factor, unit) {
  const shape = /found (\S+?)(?: [^;\s]+)?; expected (\S+) to ([^\s,;]+)[^(]*(\(.*\))?$/
  return sentence.replace(shape, (whole, found, least, most) => {
    const numbers = [found, least, most].map((text) => Number(text) * factor)
    if (numbers.some((number) => !Number.isFinite(number))) return whole
    const [first, second, third] = numbers.map((number) => String(Number(number.toPrecision(6))))
    return `found ${first}; expected ${second} to ${third} ${unit}`.trimEnd()
  })
}
