/**
 * Keeps the screen awake while the page is seen. Browsers grant it on https and on this machine only.
 */

/**
 * @returns {Promise<boolean>} whether the screen stays on by itself
 */
export async function keepAwake() {
  if (!('wakeLock' in navigator)) return false
  document.addEventListener('visibilitychange', () => {
    if (document.visibilityState === 'visible') void ask()
  })
  return ask()
}

async function ask() {
  try {
    await navigator.wakeLock.request('screen')
    return true
  } catch {
    return false
  }
}
