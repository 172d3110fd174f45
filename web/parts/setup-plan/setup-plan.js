/**
 * Step 4, the plan: worked out on request, with a way to break it off; then who leads where, how long, how hard.
 *
 * Usage:
 *   part.ready = '';                        or the sentence that says what is still missing
 *   part.show(plan | null, course, riders, margin, briefing);
 *   part.working = true;
 *   part.refuse(sentence);
 * Sends up: plan-wanted, plan-cancelled, plan-kind (another kind was chosen).
 */

import { h } from '../../lib/html.js'
import { clockOf } from '../../lib/cells.js'
import { makeField } from '../setup-fields/setup-fields.js'
import '../setup-silhouette/setup-silhouette.js'
import { reserveCurves, timeTable, turnTable, worth } from './tables.js'

/**
 * Which plan is wanted, by the words it is chosen with.
 * @type {Record<string, { words: string, ask: { method: string, form: string } }>}
 */
export const KINDS = {
  memorable: { words: 'Short enough to remember', ask: { method: 'optimised', form: 'memorable' } },
  free: { words: 'As fast as it gets, any turn length', ask: { method: 'optimised', form: 'free' } },
  steady: { words: 'Plain: one steady effort a stretch', ask: { method: 'steady', form: 'memorable' } },
}

/** @typedef {import('../../lib/messages.js').PlanCard} PlanCard */
/** @typedef {import('../../lib/messages.js').CourseCard} CourseCard */

export class SetupPlan extends HTMLElement {
  constructor() {
    super()
    this.wanted = h('button', { type: 'button', class: 'primary big', 'aria-describedby': 'plan-missing' })
    this.kindField = makeField({
      label: 'Kind of plan',
      choices: Object.entries(KINDS).map(([kind, { words }]) => [kind, words]),
    })
    this.cancel = h('button', { type: 'button', hidden: true }, 'Cancel')
    this.progress = h('div', { class: 'progress', hidden: true, role: 'progressbar', 'aria-label': 'Working it out' })
    this.missing = h('p', { class: 'hint', id: 'plan-missing' })
    this.said = h('p', { class: 'refusal no-plan', 'aria-live': 'polite' })
    this.told = h('p', { class: 'unseen', 'aria-live': 'polite' })
    this.result = h('div', { class: 'plan-result' })
  }

  connectedCallback() {
    if (this.childElementCount) return
    this.append(
      h('div', { class: 'plan-acts no-print' }, this.kindField.root, this.wanted, this.cancel),
      this.missing,
      this.progress,
      this.said,
      this.told,
      this.result,
    )
    this.wanted.addEventListener('click', () => this.send('plan-wanted'))
    this.kindField.input.addEventListener('change', () => this.send('plan-kind'))
    this.cancel.addEventListener('click', () => this.send('plan-cancelled'))
    this.label(false)
  }

  /** Which of KINDS is chosen. */
  get kind() {
    return this.kindField.input.value
  }

  set kind(kind) {
    this.kindField.input.value = kind in KINDS ? kind : 'memorable'
  }

  /** @param {string} missing  what is still missing, in a sentence; '' if nothing is */
  set ready(missing) {
    this.missing.textContent = missing
    this.wanted.toggleAttribute('disabled', missing !== '' || !this.progress.hidden)
  }

  /** @param {boolean} busy */
  set working(busy) {
    this.progress.hidden = !busy
    this.cancel.hidden = !busy
    this.wanted.toggleAttribute('disabled', busy)
    if (busy) {
      this.said.textContent = ''
      this.cancel.focus()
    }
    this.label(busy)
  }

  /** @param {boolean} busy */
  label(busy) {
    const again = this.result.childElementCount > 0
    this.wanted.textContent = busy ? 'Working it out …' : again ? 'Work it out again' : 'Work out the plan'
    this.wanted.classList.toggle('primary', !again)
  }

  /** @param {string} sentence */
  refuse(sentence) {
    this.said.textContent = sentence
  }

  /**
   * @param {PlanCard | null} plan
   * @param {CourseCard | null} course
   * @param {{ id: string, name: string }[]} riders
   * @param {number} margin    share of W′ to keep
   * @param {string} briefing  address of the briefing
   */
  show(plan, course, riders, margin, briefing) {
    if (!plan || !course) {
      this.result.replaceChildren()
      this.told.textContent = ''
      this.label(!this.progress.hidden)
      return
    }
    const view = /** @type {import('../setup-silhouette/setup-silhouette.js').SetupSilhouette} */ (
      document.createElement('setup-silhouette')
    )
    view.show(course, plan, riders)
    this.told.textContent = `The plan finishes in ${clockOf(plan.finish_s)}.`
    this.result.replaceChildren(
      h(
        'div',
        { class: 'plan-head' },
        h('p', { class: 'plan-finish' }, h('span', { class: 'label' }, 'Finish'), h('b', {}, clockOf(plan.finish_s))),
        h(
          'dl',
          { class: 'plan-worth' },
          ...worth(plan).map(([term, text]) => h('div', {}, h('dt', {}, term), h('dd', {}, text))),
        ),
      ),
      view,
      h(
        'div',
        { class: 'scroll', tabindex: '0', role: 'region', 'aria-label': 'Turns' },
        turnTable(plan, course, riders),
      ),
      h('div', { class: 'plan-pair' }, timeTable(plan, course), reserveCurves(plan, course, riders, margin)),
      h(
        'p',
        { class: 'hint' },
        'Models of critical power err, and days differ. A plan is a start; how riders feel decides.',
      ),
      h('p', {}, h('a', { class: 'button', href: briefing }, 'Briefing to print')),
    )
    this.label(!this.progress.hidden)
  }

  /** @param {string} name */
  send(name) {
    this.dispatchEvent(new CustomEvent(name, { bubbles: true }))
  }
}

customElements.define('setup-plan', SetupPlan)
