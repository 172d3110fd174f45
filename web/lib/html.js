/**
 * Builds and changes elements without ever reading text as markup. Knows nothing of races.
 */

/** @typedef {Node | string | number | null | undefined | false} Child */
/** @typedef {Record<string, unknown>} Props */

const SVG = 'http://www.w3.org/2000/svg'

/**
 * An HTML element.
 *
 * `h('button', { class: 'primary', onclick: go, disabled: true }, 'Start')`. A prop that begins with "on" and holds a
 * function is a listener; true, false, null and undefined set or leave out an attribute; `dataset` takes an object.
 *
 * @template {keyof HTMLElementTagNameMap} T
 * @param {T} tag
 * @param {Props} [props]
 * @param {...Child} children strings become text, nothing becomes nothing
 * @returns {HTMLElementTagNameMap[T]}
 */
export function h(tag, props = {}, ...children) {
  const element = document.createElement(tag)
  dress(element, props)
  element.append(...children.filter(isThere).map(asNode))
  return element
}

/**
 * An SVG element.
 *
 * @template {keyof SVGElementTagNameMap} T
 * @param {T} tag
 * @param {Props} [props]
 * @param {...Child} children
 * @returns {SVGElementTagNameMap[T]}
 */
export function s(tag, props = {}, ...children) {
  const element = document.createElementNS(SVG, tag)
  dress(element, props)
  element.append(...children.filter(isThere).map(asNode))
  return element
}

/**
 * Set an element's text, touching the page only if it changes.
 *
 * @param {Element} element
 * @param {string | number} text
 */
export function put(element, text) {
  const next = String(text)
  if (element.textContent !== next) element.textContent = next
}

/**
 * Set or remove an attribute, touching the page only if it changes.
 *
 * @param {Element} element
 * @param {string} name
 * @param {string | number | boolean | null | undefined} value true is an empty attribute, false and null are none
 */
export function mark(element, name, value) {
  if (value === false || value === null || value === undefined) {
    if (element.hasAttribute(name)) element.removeAttribute(name)
    return
  }
  const next = value === true ? '' : String(value)
  if (element.getAttribute(name) !== next) element.setAttribute(name, next)
}

/**
 * Replace what an element holds.
 *
 * @param {Element} element
 * @param {...Child} children
 */
export function fill(element, ...children) {
  element.replaceChildren(...children.filter(isThere).map(asNode))
}

/**
 * Keep one child a value, in the values' order, making and dropping only what changed.
 *
 * @template V
 * @template {Element} E
 * @param {Element} parent its children must all be made here
 * @param {readonly V[]} values
 * @param {(value: V) => string} keyOf unique among the values
 * @param {(value: V) => E} make
 * @param {(element: E, value: V) => void} draw
 */
export function each(parent, values, keyOf, make, draw) {
  /** @type {Map<string, E>} */
  const old = new Map()
  for (const child of Array.from(parent.children)) {
    old.set(/** @type {HTMLElement} */ (child).dataset.key ?? '', /** @type {E} */ (child))
  }
  let place = parent.firstElementChild
  for (const value of values) {
    const key = keyOf(value)
    const kept = old.get(key)
    const element = kept ?? make(value)
    old.delete(key)
    if (!kept) /** @type {HTMLElement | SVGElement} */ (/** @type {Element} */ (element)).dataset.key = key
    draw(element, value)
    if (element === place) place = place.nextElementSibling
    else parent.insertBefore(element, place)
  }
  for (const gone of old.values()) gone.remove()
}

/**
 * The one element a page can't do without.
 *
 * @template {Element} E
 * @param {string} selector
 * @param {new (...args: never[]) => E} kind its class
 * @param {ParentNode} [root]
 * @returns {E}
 */
export function find(selector, kind, root = document) {
  const element = root.querySelector(selector)
  if (!(element instanceof kind)) throw new Error(`no ${kind.name} at ${selector} on this page`)
  return element
}

/**
 * @param {Element & { style: CSSStyleDeclaration, dataset: DOMStringMap }} element
 * @param {Props} props
 */
function dress(element, props) {
  for (const [name, value] of Object.entries(props)) {
    if (name.startsWith('on') && typeof value === 'function') {
      element.addEventListener(name.slice(2), /** @type {EventListener} */ (value))
    } else if (name === 'dataset') {
      Object.assign(element.dataset, value)
    } else {
      mark(element, name, /** @type {string} */ (value))
    }
  }
}

/** @param {Child} child @returns {child is Node | string | number} */
function isThere(child) {
  return child !== null && child !== undefined && child !== false && child !== ''
}

/** @param {Node | string | number} child @returns {Node | string} */
function asNode(child) {
  return child instanceof Node ? child : String(child)
}
