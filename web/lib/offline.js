/**
 * Lets pages open without their server (sw.js keeps them), and knows whether this one did. Browsers allow it on https
 * and on this machine only.
 */

import { call } from './api.js'

const ASK_MS = 2000

/** Whether this page was opened without the server. */
export const openedOffline = document.documentElement.dataset.offline !== undefined

/** From now on pages of this server open without it. */
export function keepPages() {
  // Once all is there: what is kept for later must not delay what is wanted now.
  const keep = () => void navigator.serviceWorker?.register('/sw.js', { updateViaCache: 'none' }).catch(() => undefined)
  if (document.readyState === 'complete') keep()
  else addEventListener('load', keep, { once: true })
}

/**
 * Wait until the server answers.
 * @returns {Promise<boolean>} whether it still has the edition that this page was opened from
 */
export async function serverBack() {
  for (;;) {
    try {
      const { edition } = await call('GET', '/api/health')
      return edition === document.documentElement.dataset.offline
    } catch {
      await new Promise((done) => setTimeout(done, ASK_MS))
    }
  }
}
