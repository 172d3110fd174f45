/**
 * Light, dark, or as the device has it. A classic script on purpose: it runs before the first paint, so that a page
 * kept dark never flashes white at a rider. Buttons with data-theme-switch step through the three;
 * base.css writes on them which it is.
 */
(() => {
  const ORDER = /** @type {const} */ (['auto', 'light', 'dark'])
  const root = document.documentElement

  /** @returns {'auto' | 'light' | 'dark'} */
  function kept() {
    try {
      const value = localStorage.getItem('theme')
      return value === 'light' || value === 'dark' ? value : 'auto'
    } catch {
      return 'auto'
    }
  }

  /** @param {'auto' | 'light' | 'dark'} theme */
  function show(theme) {
    if (theme === 'auto') delete root.dataset.theme
    else root.dataset.theme = theme
  }

  show(kept())
  document.addEventListener('click', (event) => {
    if (!(event.target instanceof Element) || !event.target.closest('[data-theme-switch]')) return
    const next = ORDER[(ORDER.indexOf(kept()) + 1) % ORDER.length] ?? 'auto'
    try {
      localStorage.setItem('theme', next)
    } catch {
      // A private window: the choice lasts as long as the page.
    }
    show(next)
  })
})()
