/**
 * Keeps the pages for the moment when nobody answers: they open from here, whole and of one edition, and say so.
 *
 * The server is asked first, but not for long. What it says of a race is never kept here; only the files that pages are
 * made of, all of one edition, and clips, whose names follow from what they say. The server writes two lines above this
 * one: EDITION, which it has, and FILES, what that is made of; so another edition is another worker.
 */

/* global EDITION, FILES */

const PAGES = `pages ${EDITION}`
const CLIPS = 'clips'
/** A network that takes longer is as good as none: a page must stand within a second. */
const PATIENCE_MS = 400
/** About 40 kB each. */
const MOST_CLIPS = 800

/** Pages that came from a server of another edition: all they are made of comes from there too. */
const others = new Set()

addEventListener('install', (event) => event.waitUntil(install()))
addEventListener('activate', (event) => event.waitUntil(takeOver()))
addEventListener('fetch', (event) => {
  const { request } = event
  const { origin, pathname } = new URL(request.url)
  if (origin !== location.origin || request.method !== 'GET') return
  if (request.mode === 'navigate') event.respondWith(page(event, pathname))
  else if (pathname.startsWith('/clips/')) event.respondWith(clip(event))
  else if (pathname.startsWith('/web/') && !others.has(event.clientId)) event.respondWith(file(request))
})

async function install() {
  const shelf = await caches.open(PAGES)
  await shelf.addAll(FILES.map((name) => new Request(`/web/${name}`, { cache: 'no-cache' })))
  const { edition } = await (await fetch('/api/health', { cache: 'no-store' })).json()
  // Upgraded meanwhile: what was fetched may be of both. The worker of the other edition comes with the next page.
  if (edition !== EDITION) throw new Error(`edition ${edition} came while ${EDITION} was being kept`)
  await self.skipWaiting()
}

async function takeOver() {
  const names = await caches.keys()
  await Promise.all(names.filter((name) => name !== PAGES && name !== CLIPS).map((name) => caches.delete(name)))
  await self.clients.claim()
}

async function page(event, pathname) {
  try {
    const answer = await inTime(fetch(event.request))
    if (answer.status >= 500) throw new Error(`the server answered ${answer.status}`)
    if (answer.headers.get('x-edition') !== EDITION) {
      others.add(event.resultingClientId)
      event.waitUntil(self.registration.update().catch(() => undefined))
    }
    return answer
  } catch {
    const shelf = await caches.open(PAGES)
    const held = await shelf.match(`/web/pages/${pathname.split('/')[1] || 'home'}.html`)
    if (!held) return Response.error()
    // The page is told by its first element: it can't see who answered.
    const text = (await held.text()).replace('<html', `<html data-offline="${EDITION}"`)
    return new Response(text, { headers: held.headers })
  }
}

async function file(request) {
  const shelf = await caches.open(PAGES)
  return (await shelf.match(request)) ?? fetch(request)
}

async function clip(event) {
  const shelf = await caches.open(CLIPS)
  const held = await shelf.match(event.request)
  if (held) return held
  const answer = await fetch(event.request)
  if (answer.ok) event.waitUntil(keepClip(shelf, event.request, answer.clone()))
  return answer
}

async function keepClip(shelf, request, answer) {
  try {
    await shelf.put(request, answer)
    const kept = await shelf.keys()
    await Promise.all(kept.slice(0, -MOST_CLIPS).map((oldest) => shelf.delete(oldest)))
  } catch {
    // The device has no more room; what is kept is kept.
  }
}

/** The answer, unless it takes too long. @template T @param {Promise<T>} coming @returns {Promise<T>} */
function inTime(coming) {
  return Promise.race([coming, new Promise((_, refuse) => setTimeout(() => refuse(new Error('too late')), PATIENCE_MS))])
}
