/**
 * For pages that can do nothing without the server: says so, as long as it is true. The live pages have their own strip.
 */

import { h, put } from '../lib/html.js'
import { keepPages, openedOffline, serverBack } from '../lib/offline.js'

keepPages()
if (openedOffline) {
  const words = h('span', {}, 'Offline: the server does not answer. Nothing here is new, and nothing can be saved.')
  const again = h('button', { type: 'button', class: 'quiet', hidden: true, onclick: () => location.reload() }, 'Load again')
  document.body.prepend(h('p', { class: 'offline', role: 'status' }, words, again))
  void serverBack().then(() => {
    put(words, 'The server answers again.')
    again.hidden = false
  })
}
