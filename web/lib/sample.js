/**
 * Plays a clip at once, to try a voice with. What is called in a race is played by voice.js, on its instant.
 */

/** @type {HTMLAudioElement | null} */
let playing = null

/**
 * Play a clip now, in place of the one that still plays. To be called from a touch or a key.
 *
 * @param {string} clip its address
 * @returns {Promise<boolean>} whether the browser lets it sound
 */
export async function playSample(clip) {
  playing?.pause()
  playing = new Audio(clip)
  try {
    await playing.play()
    return true
  } catch (error) {
    // Another one was asked for before this one had begun: that is no trouble.
    return error instanceof DOMException && error.name === 'AbortError'
  }
}
