/**
 * Step 4, the plan: worked out on request, with a way to break it off; then who leads where, how long, how hard.
 *
 * Usage:
 *   part.ready = '';                        or the sentence that says what is still missing
 *   part.show(plan | null, course, riders, margin, briefing);
 *   part.working = true;  part.work.tell({ step, share });
 *   part.effects = { rows, whole };  part.workingOnEffects = true;
 *   part.refuse(sentence);  part.refuseEffects(sentence);
 * Sends up: plan-wanted, work-cancelled, plan-kind (another kind was chosen), plan-order (the order is to be kept or not),
 *   effects-wanted, proof-wanted, hand-wanted (detail: { order, turns }).
 */

import { h } from '../../lib/html.js'
import { clockOf } from '../../lib/cells.js'
import { freshId, makeField } from '../setup-fields/setup-fields.js'
import { SetupWork } from '../setup-work/setup-work.js'
import { SetupSilhouette } from '../setup-silhouette/setup-silhouette.js'
import { effectTable } from './effects.js'
import { HandTable } from './hand.js'
import { timeTable, turnList, turnTable, worstMoments, worth } from './tables.js'

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
/** @typedef {import('../../lib/messages.js').Effects} Effects */
/** @typedef {import('../setup-silhouette/setup-silhouette.js').LaneRider} LaneRider */

export class SetupPlan extends HTMLElement {
  constructor() {
    super()
    this.wanted = h('button', { type: 'button', class: 'primary big', 'aria-describedby': 'plan-missing' })
    this.kindField = makeField({
      label: 'Kind of plan',
      choices: Object.entries(KINDS).map(([kind, { words }]) => [kind, words]),
    })
    const keepId = freshId('keep-order')
    this.keepOrder = h('input', { type: 'checkbox', id: keepId })
    this.keepWords = h('label', { for: keepId })
    this.keepRow = h('p', { class: 'keep-order no-print', hidden: true }, this.keepOrder, this.keepWords)
    this.work = new SetupWork()
    this.missing = h('p', { class: 'hint', id: 'plan-missing' })
    this.said = h('p', { class: 'refusal no-plan', 'aria-live': 'polite' })
    this.told = h('p', { class: 'unseen', 'aria-live': 'polite' })
    this.result = h('div', { class: 'plan-result' })
    this.proofWanted = h('button', { type: 'button' }, 'Prove it more closely')
    this.proofWork = new SetupWork()
    this.proofSaid = h('p', { class: 'refusal', 'aria-live': 'polite' })
    this.effectsWanted = h('button', { type: 'button' }, 'Work out what each choice buys')
    this.effectsWork = new SetupWork()
    this.effectsSaid = h('p', { class: 'refusal', 'aria-live': 'polite' })
    this.effectsTable = h('div', {})
    /** @type {{ id: string, name: string }[]} */
    this.kept = []
    this.busy = false
    this.lacks = ''
  }

  connectedCallback() {
    if (this.childElementCount) return
    this.append(
      h('div', { class: 'plan-acts no-print' }, this.kindField.root, this.wanted),
      this.keepRow,
      this.missing,
      this.work,
      this.said,
      this.told,
      this.result,
    )
    this.wanted.addEventListener('click', () => this.send('plan-wanted'))
    this.effectsWanted.addEventListener('click', () => this.send('effects-wanted'))
    this.proofWanted.addEventListener('click', () => this.send('proof-wanted'))
    this.keepOrder.addEventListener('change', () => this.send('plan-order'))
    this.kindField.input.addEventListener('change', () => this.send('plan-kind'))
    this.label()
  }

  /** Which of KINDS is chosen. */
  get kind() {
    return this.kindField.input.value
  }

  set kind(kind) {
    this.kindField.input.value = kind in KINDS ? kind : 'memorable'
  }

  /** The order that is to be kept; null to look for the best. @returns {string[] | null} */
  get order() {
    return this.keepOrder.checked && !this.keepRow.hidden ? this.kept.map((one) => one.id) : null
  }

  /**
   * The order that could be kept, and whether it is to be.
   * @param {{ id: string, name: string }[]} order
   * @param {boolean} kept
   */
  offerOrder(order, kept) {
    this.kept = order
    this.keepRow.hidden = order.length === 0
    this.keepOrder.checked = kept
    this.keepWords.textContent = `Keep the order ${order.map((one) => one.name).join(', ')}`
  }

  /** @param {string} missing  what is still missing, in a sentence; '' if nothing is */
  set ready(missing) {
    this.lacks = missing
    this.missing.textContent = missing
    this.enable()
  }

  /** Something is being worked out, here or elsewhere: nothing else can be asked for. @param {boolean} busy */
  set blocked(busy) {
    this.busy = busy
    this.enable()
  }

  enable() {
    this.wanted.toggleAttribute('disabled', this.lacks !== '' || this.busy)
    this.effectsWanted.toggleAttribute('disabled', this.lacks !== '' || this.busy)
    this.proofWanted.toggleAttribute('disabled', this.lacks !== '' || this.busy)
    for (const button of this.querySelectorAll('.hand-try')) button.toggleAttribute('disabled', this.busy)
  }

  /** @param {boolean} busy */
  set working(busy) {
    if (busy) {
      this.said.textContent = ''
      this.work.begin()
      this.work.cancel.focus()
    } else this.work.end()
    this.label()
  }

  /** @param {boolean} busy */
  set workingOnEffects(busy) {
    if (busy) {
      this.effectsSaid.textContent = ''
      this.effectsWork.begin()
    } else this.effectsWork.end()
  }

  /** @param {boolean} busy */
  set workingOnProof(busy) {
    if (busy) {
      this.proofSaid.textContent = ''
      this.proofWork.begin()
    } else this.proofWork.end()
  }

  /** @param {Effects} effects */
  set effects(effects) {
    this.effectsTable.replaceChildren(...(effects.rows.length ? [effectTable(effects)] : []))
    this.effectsWanted.textContent = effects.whole ? 'Work it out again' : 'Work out what each choice buys'
  }

  label() {
    const again = this.result.childElementCount > 0
    const words = again ? 'Work it out again' : 'Work out the plan'
    this.wanted.textContent = this.work.hidden ? words : 'Working it out …'
    this.wanted.classList.toggle('primary', !again)
  }

  /** @param {string} sentence */
  refuse(sentence) {
    this.said.textContent = sentence
  }

  /** @param {string} sentence */
  refuseProof(sentence) {
    this.proofSaid.textContent = sentence
  }

  /** @param {string} sentence */
  refuseEffects(sentence) {
    this.effectsSaid.textContent = sentence
  }

  /**
   * @param {PlanCard | null} plan
   * @param {CourseCard | null} course
   * @param {LaneRider[]} riders
   * @param {number} margin    share of W′ to keep
   * @param {string} briefing  address of the briefing
   */
  show(plan, course, riders, margin, briefing) {
    if (!plan || !course) {
      this.result.replaceChildren()
      this.told.textContent = ''
      this.label()
      return
    }
    const view = new SetupSilhouette()
    view.show(course, plan, riders, margin)
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
      this.hand(plan, riders),
      turnList(plan, riders),
      h('div', { class: 'plan-pair' }, timeTable(plan, course), worstMoments(plan, riders, margin)),
      ...(plan.bound_s === null
        ? []
        : [
            h(
              'div',
              { class: 'proof no-print' },
              h('h3', {}, 'How good it can be'),
              h(
                'p',
                { class: 'hint' },
                'It is proved that no rotation whatever beats the time above. Looking longer proves more: from ten seconds to a few minutes.',
              ),
              this.proofWork,
              h('p', {}, this.proofWanted),
              this.proofSaid,
            ),
          ]),
      h(
        'div',
        { class: 'effects no-print' },
        h('h3', {}, 'How many seconds each choice buys'),
        h(
          'p',
          { class: 'hint' },
          'Each line is the same race solved once more without that choice; it takes several times as long as the plan.',
        ),
        this.effectsTable,
        this.effectsWork,
        h('p', {}, this.effectsWanted),
        this.effectsSaid,
      ),
      h(
        'p',
        { class: 'hint' },
        'Models of critical power err, and days differ. A plan is a start; how riders feel decides.',
      ),
      h('p', {}, h('a', { class: 'button', href: briefing }, 'Briefing to print')),
    )
    this.label()
    this.enable()
  }

  /**
   * @param {PlanCard} plan
   * @param {LaneRider[]} riders
   */
  hand(plan, riders) {
    const table = new HandTable(plan, riders)
    const wanted = h('button', { type: 'button', class: 'hand-try' }, 'See what happens')
    wanted.addEventListener('click', () => this.send('hand-wanted', table.asked))
    return h(
      'details',
      { class: 'fold no-print' },
      h('summary', {}, 'Change turns or order by hand'),
      h(
        'p',
        { class: 'hint' },
        'Nothing is searched for: these turns are ridden at the speeds they hold, and stand beside the plan below.',
      ),
      h('div', { class: 'scroll' }, table.root),
      h('p', { class: 'row' }, wanted),
    )
  }

  /**
   * @param {string} name
   * @param {unknown} [detail]
   */
  send(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { bubbles: true, detail }))
  }
}

customElements.define('setup-plan', SetupPlan)
