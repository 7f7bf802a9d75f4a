// Findings of a job: worst first, each with what to do, and a way to the place.

import { h, show } from './dom.js';
import { say } from './texts.js';

const ORDER = ['fail', 'warn', 'note'];

export class Findings {
  constructor(onShow) {
    this.onShow = onShow;
    this.list = h('ul', { class: 'findings' });
    this.summary = h('summary');
    this.element = h('details', { class: 'box' }, this.summary, this.list);
    this.opened = false;
  }

  update(checks, subjects) {
    const count = Object.fromEntries(ORDER.map((k) => [k, checks.filter((c) => c.severity === k).length]));
    show(this.summary, h('h2', {}, say('checks.label')), ' ',
      h('span', { class: 'quiet' }, checks.length ? say('checks.counts', count) : say('checks.none')));
    if (!this.opened && count.fail) { this.element.open = true; this.opened = true; }
    const sorted = [...checks].sort((a, b) => ORDER.indexOf(a.severity) - ORDER.indexOf(b.severity));
    show(this.list, sorted.map((c) => h('li', { class: c.severity },
      h('strong', {}, say(`checks.${c.severity}`)), ' ', c.sentence, c.remedy ? ` ${c.remedy}` : '', ' ',
      h('code', {}, c.slug),
      subjects.has(c.subject) ? h('button', { type: 'button', class: 'plain', onclick: () => this.onShow(c.subject) }, say('checks.show')) : null)));
  }
}
