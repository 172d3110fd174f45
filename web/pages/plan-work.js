/**
 * What the set-up page has worked out: the plan, what if, what each choice buys. One question at a time; each shows how
 * far it is, can be broken off, and is found again after a reload. Must not know how a plan is drawn.
 */

import { call } from '../lib/api.js'

/** @typedef {import('../parts/setup-plan/setup-plan.js').SetupPlan} SetupPlan */
/** @typedef {import('../parts/setup-whatif/setup-whatif.js').SetupWhatif} SetupWhatif */
/** @typedef {import('../lib/messages.js').PlanCard} PlanCard */
/** @typedef {import('../lib/messages.js').WorkCard} WorkCard */
/** @typedef {'plan' | 'what_if' | 'effects' | 'proof'} Doing */

/**
 * @typedef {object} Needs
 * @property {string} path      of the race
 * @property {string} ticket
 * @property {SetupPlan} plan
 * @property {SetupWhatif} whatif
 * @property {(plan: PlanCard | null) => Promise<void>} planned  there is a plan; null: ask for it
 * @property {(draft: any) => Promise<void>} taken                the race is another now
 * @property {() => void} over                                    nothing is being worked out any more
 */

export class PlanWork {
  /** @param {Needs} needs */
  constructor(needs) {
    this.needs = needs
    /** @type {Doing | null} */
    this.doing = null
    /** @type {AbortController | null} */
    this.asking = null
    const { plan, whatif } = needs
    for (const part of [plan, whatif]) part.addEventListener('work-cancelled', () => void this.cancel())
    plan.addEventListener('effects-wanted', () => void this.effects())
    plan.addEventListener('proof-wanted', () => void this.proof())
    plan.addEventListener('hand-wanted', (event) => {
      const { trouble, ...ask } = /** @type {CustomEvent} */ (event).detail
      if (trouble) whatif.refuse(trouble)
      else void this.whatIf({ ...ask, by_hand: true })
      whatif.scrollIntoView({ block: 'start', behavior: 'smooth' })
    })
    whatif.addEventListener('what-if', (event) => void this.whatIf(/** @type {CustomEvent} */ (event).detail))
    whatif.addEventListener('what-if-take', (event) => void this.take(/** @type {CustomEvent} */ (event).detail))
    whatif.addEventListener('what-if-drop', (event) => void this.drop(/** @type {CustomEvent} */ (event).detail))
  }

  /** @param {object} ask */
  async plan(ask) {
    await this.ask('plan', '/plan', ask, (plan) => this.needs.planned(plan))
  }

  /** @param {object} ask */
  async whatIf(ask) {
    await this.ask('what_if', '/what-if', ask, async (columns) => {
      this.needs.whatif.columns = columns
    })
  }

  async proof() {
    await this.ask('proof', '/proof', undefined, (plan) => this.needs.planned(plan))
    this.needs.plan.proofWanted.focus()
  }

  async effects() {
    await this.ask('effects', '/effects', undefined, async (effects) => {
      this.needs.plan.effects = effects
    })
  }

  /**
   * @param {Doing} doing
   * @param {string} where
   * @param {object | undefined} json
   * @param {(answer: any) => Promise<void>} done
   */
  async ask(doing, where, json, done) {
    if (this.doing) return
    const { path, ticket } = this.needs
    const { signal } = (this.asking = new AbortController())
    this.begin(doing)
    void this.watch(doing, signal)
    try {
      const answer = await call('POST', `${path}${where}`, { ticket, signal, json })
      if (signal.aborted) return
      this.end()
      await done(answer)
    } catch (error) {
      if (signal.aborted) return
      this.end()
      this.refuse(doing, error instanceof Error ? error.message : String(error))
    }
  }

  /** The page was loaded anew: is something being worked out still, or did it end while we were away? */
  async comeBack() {
    /** @type {WorkCard} */
    const now = await call('GET', `${this.needs.path}/work`, { ticket: this.needs.ticket }).catch(() => null)
    if (!now?.doing || this.doing) return
    if (now.over) {
      if (now.trouble && now.doing === 'plan') this.refuse(now.doing, now.trouble.sentence)
      return
    }
    const { signal } = (this.asking = new AbortController())
    this.begin(now.doing)
    const ended = await this.watch(now.doing, signal)
    if (signal.aborted) return
    this.end()
    if (ended?.trouble) this.refuse(now.doing, ended.trouble.sentence)
    else if (now.doing === 'plan' || now.doing === 'proof') await this.needs.planned(null)
    else await this.refresh()
  }

  /**
   * Show how far it is until it is over. Answers how it ended; null if the server was lost.
   * @param {Doing} doing
   * @param {AbortSignal} signal
   * @returns {Promise<WorkCard | null>}
   */
  async watch(doing, signal) {
    const { path, ticket } = this.needs
    let after = -1
    let begun = false
    while (!signal.aborted) {
      /** @type {WorkCard | null} */
      const now = await call('GET', `${path}/work?after=${after}`, { ticket, signal }).catch(() => null)
      if (!now || signal.aborted || (begun && now.over)) return now
      // The answer of the question before may still stand there: this one has not begun.
      if (now.doing !== doing || now.over) {
        if (this.doing !== doing) return now
        after = -1
        continue
      }
      begun = true
      after = now.revision
      this.part(doing).tell(now)
      if (doing === 'effects' && now.step !== 'waiting') void this.showEffects()
    }
    return null
  }

  async cancel() {
    const { doing } = this
    if (!doing) return
    this.asking?.abort()
    this.end()
    const { path, ticket, plan, whatif } = this.needs
    if (doing === 'plan') plan.wanted.focus()
    else if (doing === 'effects') plan.effectsWanted.focus()
    else if (doing === 'proof') plan.proofWanted.focus()
    else whatif.wanted.focus()
    await call('DELETE', `${path}/work`, { ticket }).catch(() => null)
  }

  /** @param {string} key */
  async take(key) {
    const { path, ticket, whatif } = this.needs
    try {
      const draft = await call('POST', `${path}/what-if/${key}/take`, { ticket })
      whatif.refuse('')
      await this.needs.taken(draft)
    } catch (error) {
      whatif.refuse(error instanceof Error ? error.message : String(error))
    }
  }

  /** @param {string} key */
  async drop(key) {
    const { path, ticket, whatif } = this.needs
    try {
      whatif.columns = await call('DELETE', `${path}/what-if/${key}`, { ticket })
    } catch (error) {
      whatif.refuse(error instanceof Error ? error.message : String(error))
    }
  }

  /** The plan is another: what stands beside it, and what is known of it. */
  async refresh() {
    const { path, ticket, whatif } = this.needs
    const columns = await call('GET', `${path}/what-if`, { ticket }).catch(() => null)
    if (columns) whatif.columns = columns
    await this.showEffects()
  }

  async showEffects() {
    const { path, ticket, plan } = this.needs
    const effects = await call('GET', `${path}/effects`, { ticket }).catch(() => null)
    if (effects) plan.effects = effects
  }

  /** @param {Doing} doing */
  begin(doing) {
    this.doing = doing
    const { plan, whatif } = this.needs
    plan.blocked = whatif.blocked = true
    if (doing === 'plan') plan.working = true
    else if (doing === 'effects') plan.workingOnEffects = true
    else if (doing === 'proof') plan.workingOnProof = true
    else whatif.working = true
  }

  end() {
    this.doing = null
    this.asking?.abort() // the watch is over, too
    this.asking = null
    const { plan, whatif } = this.needs
    plan.working = plan.workingOnEffects = plan.workingOnProof = whatif.working = false
    plan.blocked = whatif.blocked = false
    this.needs.over()
  }

  /** @param {Doing} doing */
  part(doing) {
    const { plan, whatif } = this.needs
    return { plan: plan.work, effects: plan.effectsWork, proof: plan.proofWork, what_if: whatif.work }[doing]
  }

  /**
   * @param {Doing} doing
   * @param {string} sentence
   */
  refuse(doing, sentence) {
    const { plan, whatif } = this.needs
    if (doing === 'plan') plan.refuse(sentence)
    else if (doing === 'effects') plan.refuseEffects(sentence)
    else if (doing === 'proof') plan.refuseProof(sentence)
    else whatif.refuse(sentence)
  }
}
