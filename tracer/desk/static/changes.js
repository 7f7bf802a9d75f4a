// Every change of a job in one list: what is in force, what was undone, and a step to any place.

import { h, show } from './dom.js';
import { say } from './texts.js';

export class ChangeList {
  constructor(jobNow, nameOf) {
    Object.assign(this, { jobNow, nameOf });
    this.list = h('ol', { class: 'changes', 'aria-label': say('changes.label') });
    this.summary = h('summary', { class: 'button' }, say('changes.open'));
    this.element = h('details', { class: 'change-room' }, this.summary, h('div', { class: 'change-sheet' }, h('p', { class: 'quiet' }, say('changes.hint')), this.list));
    this.element.addEventListener('keydown', (event) => {
      if (event.key === 'Escape' && this.element.open) { this.element.open = false; this.summary.focus(); event.stopPropagation(); }
    });
    document.addEventListener('pointerdown', (event) => { if (!this.element.contains(event.target)) this.element.open = false; });
    this.element.addEventListener('toggle', () => this.#paint());
  }

  update(ready) {
    this.element.hidden = !ready;
    if (this.element.open) this.#paint();
  }

  #paint() {
    const { done, first, edits } = this.jobNow()?.state?.history ?? { done: 0, first: 0, edits: [] };
    const step = (to, text) => h('li', { class: to > done ? 'undone' : null },
      h('button', {
        type: 'button', class: 'wide', 'aria-current': to === done ? 'step' : null, onclick: () => this.jobNow()?.stepTo(to),
      }, text));
    const begin = first ? say('changes.earlier', { count: first }) : say('changes.begin');
    show(this.list, step(first, begin), edits.map((edit, k) => step(first + k + 1, this.nameOf(edit))));
    this.list.querySelector('[aria-current]')?.scrollIntoView({ block: 'nearest' });
  }
}
