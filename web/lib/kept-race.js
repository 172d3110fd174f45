/**
 * What this device keeps of a race for a page that is loaded without the server: who it is, the newest state, all that
 * was known ahead, and how the clocks lay. A browser that refuses storage only forgets.
 */

/** @typedef {import('./messages.js').Welcome} Welcome */
/** @typedef {import('./messages.js').StateMessage} StateMessage */
/**
 * @typedef {object} KeptRace
 * @property {number} wall this device's clock when it was kept
 * @property {Welcome} welcome
 * @property {StateMessage} state with every cue that was known and not called yet
 * @property {number} until all that is to be called is in it up to here, race ms
 * @property {import('./race-clock.js').KeptClock | null} clock
 */

const BASE = 'swingoff'
const SHELF = 'races'
const LONGEST_MS = 48 * 3_600_000

/**
 * @param {string} code the race's
 * @param {string} ticket whose page
 * @param {KeptRace} race
 */
export async function keepRace(code, ticket, race) {
  await withShelf('readwrite', (shelf) => shelf.put(race, keyOf(code, ticket)))
}

/**
 * What was kept for this page.
 * @param {string} code
 * @param {string} ticket
 * @param {number} wall this device's clock
 * @returns {Promise<KeptRace | null>}
 */
export async function recallRace(code, ticket, wall) {
  /** @type {KeptRace | undefined} */
  const race = await withShelf('readonly', (shelf) => shelf.get(keyOf(code, ticket)))
  void withShelf('readwrite', (shelf) => tidy(shelf, wall))
  return race && wall - race.wall < LONGEST_MS ? race : null
}

/** Nothing of a race stays on this device. @param {string} code */
export async function dropRace(code) {
  await withShelf('readwrite', (shelf) => shelf.delete(IDBKeyRange.bound(keyOf(code, ''), keyOf(code, '\uffff'))))
}

/** @param {string} code @param {string} ticket */
function keyOf(code, ticket) {
  return `${code} ${ticket}`
}

/** @param {IDBObjectStore} shelf @param {number} wall */
function tidy(shelf, wall) {
  const look = shelf.openCursor()
  look.onsuccess = () => {
    const found = look.result
    if (!found) return
    if (wall - found.value.wall >= LONGEST_MS) found.delete()
    found.continue()
  }
  return look
}

/**
 * @param {IDBTransactionMode} mode
 * @param {(shelf: IDBObjectStore) => IDBRequest} act
 * @returns {Promise<any>} its result; undefined if this browser keeps nothing
 */
async function withShelf(mode, act) {
  try {
    const base = await opened()
    try {
      const request = act(base.transaction(SHELF, mode).objectStore(SHELF))
      return await new Promise((done, fail) => {
        const turn = /** @type {IDBTransaction} */ (request.transaction)
        turn.oncomplete = () => done(mode === 'readonly' ? request.result : undefined)
        turn.onabort = turn.onerror = () => fail(turn.error)
      })
    } finally {
      base.close()
    }
  } catch {
    return undefined
  }
}

/** @returns {Promise<IDBDatabase>} */
function opened() {
  return new Promise((done, fail) => {
    const request = indexedDB.open(BASE, 1)
    request.onupgradeneeded = () => request.result.createObjectStore(SHELF)
    request.onsuccess = () => done(request.result)
    request.onerror = request.onblocked = () => fail(request.error)
  })
}
