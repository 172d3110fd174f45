/**
 * What if: the race with something otherwise, beside the plan, up to three at once; one tap takes one as the plan.
 *
 * Usage:
 *   part.offer({ riders, order, rules, form });    what can be changed
 *   part.columns = { own, variants };              a Columns of the server
 *   part.working = true;  part.work.tell({ step, share });
 *   part.refuse(sentence);
 * Sends up: what-if (detail: a WhatIfAsk), work-cancelled, what-if-take (detail: key), what-if-drop (detail: key).
 */

import { h } from '../../lib/html.js'
import { clockOf, kmOf, secondsOf } from '../../lib/cells.js'
import { SetupWork } from '../setup-work/setup-work.js'
import { ChangeRow } from './change-row.js'
import { changeWords } from './change-words.js'

/** @typedef {import('../../lib/messages.js').Columns} Columns */
/** @typedef {import('../../lib/messages.js').Column} Column */
/** @typedef {import('./change-row.js').Offer} Offer */

const MOST_CHANGES = 4

export class SetupWhatif extends HTMLElement {
  constructor() {
    super()
    /** @type {Offer} */
    this.offered = { riders: [], order: [], rules: {}, form: 'memorable' }
    /** @type {ChangeRow[]} */
    this.rows = []
    this.list = h('div', { class: 'changes' })
    this.more = h('button', { type: 'button', class: 'quiet' }, 'and also …')
    this.wanted = h('button', { type: 'submit', class: 'big' }, 'Try it')
    this.said = h('p', { class: 'refusal', 'aria-live': 'polite' })
    this.work = new SetupWork()
    this.told = h('p', { class: 'unseen', 'aria-live': 'polite' })
    this.table = h('div', { class: 'scroll', tabindex: '0', role: 'region', 'aria-label': 'Plans side by side', hidden: true })
  }

  connectedCallback() {
    if (this.childElementCount) return
    const form = h(
      'form',
      { class: 'whatif-form no-print' },
      this.list,
      h('p', { class: 'row' }, this.wanted, this.more),
    )
    form.addEventListener('submit', (event) => {
      event.preventDefault()
      this.ask()
    })
    this.more.addEventListener('click', () => this.add())
    this.append(
      h('h3', {}, 'What if …'),
      h('p', { class: 'hint' }, 'Tried beside the plan; nothing is changed until you take it. Up to three stand beside each other.'),
      form,
      this.work,
      this.said,
      this.told,
      this.table,
    )
  }

  /** @param {Offer} offer */
  offer(offer) {
    this.offered = offer
    this.hidden = offer.riders.length < 2
    if (!this.rows.length) this.add()
    else for (const row of this.rows) row.offer(offer)
  }

  add() {
    const row = new ChangeRow(this.offered, () => this.take(row))
    this.rows.push(row)
    this.list.append(row.root)
    this.enable()
  }

  /** @param {ChangeRow} row */
  take(row) {
    this.rows = this.rows.filter((one) => one !== row)
    row.root.remove()
    this.enable()
  }

  enable() {
    this.more.hidden = this.rows.length >= MOST_CHANGES
    for (const row of this.rows) row.alone = this.rows.length === 1
  }

  ask() {
    /** @type {Record<string, any>} */
    const ask = {}
    for (const row of this.rows) {
      const trouble = row.into(ask)
      if (trouble) {
        this.refuse(trouble)
        return
      }
    }
    this.refuse('')
    this.dispatchEvent(new CustomEvent('what-if', { bubbles: true, detail: ask }))
  }

  /** Something is being worked out, here or elsewhere. @param {boolean} busy */
  set blocked(busy) {
    this.wanted.toggleAttribute('disabled', busy)
    for (const button of this.table.querySelectorAll('button')) button.toggleAttribute('disabled', busy)
  }

  /** @param {boolean} busy */
  set working(busy) {
    if (busy) {
      this.said.textContent = ''
      this.work.begin()
    } else this.work.end()
  }

  /** @param {string} sentence */
  refuse(sentence) {
    this.said.textContent = sentence
  }

  /** @param {Columns} columns */
  set columns(columns) {
    const all = [...(columns.own ? [columns.own] : []), ...columns.variants]
    this.table.hidden = columns.variants.length === 0
    if (!columns.variants.length) {
      this.table.replaceChildren()
      return
    }
    const newest = columns.variants.at(-1)
    this.told.textContent = newest ? `${this.words(newest).join(', ')}: ${verdict(newest)}` : ''
    this.table.replaceChildren(
      h(
        'table',
        { class: 'sheet whatif-table' },
        h('thead', {}, h('tr', {}, h('td', {}), ...all.map((one) => this.head(one)))),
        h('tbody', {}, ...this.lines(all)),
      ),
    )
  }

  /** @param {Column} column */
  words(column) {
    return column.changes.length ? column.changes.map((change) => changeWords(change)) : ['the same again']
  }

  /** @param {Column} column */
  head(column) {
    if (!column.key) return h('th', { scope: 'col' }, h('b', {}, 'The plan'), h('span', {}, 'as it is set up'))
    return h('th', { scope: 'col' }, ...this.words(column).map((words, index) => h(index ? 'span' : 'b', {}, words)))
  }

  /** @param {Column[]} all */
  lines(all) {
    const line = (/** @type {string} */ name, /** @type {(one: Column) => any} */ cell, kind = '') =>
      h('tr', { class: kind || null }, h('th', { scope: 'row' }, name), ...all.map((one) => cell(one)))
    const figure = (/** @type {any[]} */ ...words) => h('td', {}, ...words)
    const riders = new Map(all.flatMap((one) => one.riders.map((part) => [part.rider, part.name])))
    return [
      line('Finish', (one) =>
        one.finish_s === null
          ? h('td', { class: 'refusal' }, one.refused)
          : figure(h('b', { class: 'whatif-finish' }, clockOf(one.finish_s))),
      ),
      line('Against the plan', (one) => figure(one.key && one.against_s !== null ? h('b', {}, against(one.against_s)) : '–')),
      line('At most to be won', (one) => figure(one.gap === null ? '–' : `${(one.gap * 100).toFixed(1)} %`)),
      line('Order', (one) => figure(one.order.map((rider) => riders.get(rider) ?? rider).join(', ') || '–')),
      ...[...riders].map(([rider, name]) =>
        line(name, (one) => {
          const part = one.riders.find((found) => found.rider === rider)
          if (!part) return figure('–')
          return figure(
            part.turns ? `${part.turns} ${part.turns === 1 ? 'turn' : 'turns'}, ${clockOf(part.front_s)}` : 'follows',
            h('span', {}, `least ${(part.least_j / 1000).toFixed(1)} kJ, ${Math.round(part.least * 100)} %${part.least_at_m === null ? '' : `, at km ${kmOf(part.least_at_m)}`}`),
          )
        }),
      ),
      ...(all.some((one) => one.short.length)
        ? [
            line('At the plan’s own speeds', (one) =>
              figure(
                ...(one.short.length
                  ? one.short.map((short) =>
                      h('span', {}, `${short.name} would fall ${(short.short_j / 1000).toFixed(1)} kJ below the margin at km ${kmOf(short.at_m)}`),
                    )
                  : ['–']),
              ),
            ),
          ]
        : []),
      line('', (one) => h('td', { class: 'no-print' }, ...(one.key ? this.acts(one) : [])), 'whatif-acts'),
    ]
  }

  /** @param {Column} column */
  acts(column) {
    const words = this.words(column).join(', ')
    const act = (/** @type {string} */ text, /** @type {string} */ name, kind = '') => {
      const button = h('button', { type: 'button', class: kind || null, 'aria-label': `${text}: ${words}` }, text)
      button.addEventListener('click', () => this.dispatchEvent(new CustomEvent(name, { bubbles: true, detail: column.key })))
      return button
    }
    const drop = act('Let go', 'what-if-drop', 'quiet')
    return column.finish_s === null ? [drop] : [act('Take as the plan', 'what-if-take'), drop]
  }
}

/** @param {number} seconds */
function against(seconds) {
  if (Math.abs(seconds) < 0.05) return 'the same'
  return `${secondsOf(Math.abs(seconds))} ${seconds > 0 ? 'slower' : 'faster'}`
}

/** @param {Column} column */
function verdict(column) {
  if (column.finish_s === null) return column.refused
  return column.against_s === null ? clockOf(column.finish_s) : `${clockOf(column.finish_s)}, ${against(column.against_s)}`
}

customElements.define('setup-whatif', SetupWhatif)
