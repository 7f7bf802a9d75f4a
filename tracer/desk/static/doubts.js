// What is in doubt, the costliest first: each press shows the place and offers what helps.

import { field, h, show, speak } from './dom.js';
import { length, parseLength, say } from './texts.js';

const SETTLED = new Set(['accept', 'height', 'drop', 'keep']); // answers after which the next is asked

export class Doubts {
  /** `on` has show(entry), fix(kind, entry, value), right(entries), picture(entry) and refuse(text). */
  constructor(on) {
    this.on = on;
    this.open = null;
    this.count = h('p', { class: 'doubt-count', role: 'status' });
    this.list = h('ol', { class: 'doubts' });
    this.rest = h('button', { type: 'button', class: 'doubt-rest', onclick: () => this.on.right(this.#seen()) });
    this.element = h('section', { class: 'box doubt-box', 'aria-label': say('doubts.label') }, this.count, this.list, this.rest);
  }

  update(entries, tools) {
    const before = this.entries ?? [];
    this.entries = entries;
    const inDoubt = entries.filter((e) => e.outline).length;
    const places = entries.length - inDoubt;
    const said = !entries.length ? say('doubts.none', { total: tools })
      : say(places ? 'doubts.countPlaces' : 'doubts.count', { count: inDoubt, total: tools, places });
    if (this.count.textContent !== said) this.count.textContent = said;
    this.element.classList.toggle('clear', !entries.length);
    // one that was seen to gives way to the next: the hand stays where it is
    if (this.open && !entries.some((e) => e.key === this.open)) {
      const at = before.findIndex((e) => e.key === this.open);
      const next = entries[Math.min(at, entries.length - 1)] ?? null;
      this.#choose(next, { focus: this.list.contains(document.activeElement) });
      return;
    }
    this.#paint();
  }

  #choose(entry, { focus = false } = {}) {
    this.open = entry?.key ?? null;
    this.#paint();
    if (!entry) return;
    this.on.show(entry);
    if (focus) this.list.querySelector('.open input, .open .offers button')?.focus();
  }

  /** The next one opens at once; one that was answered and is still in doubt waits further down. */
  #goOn(entry) {
    const at = this.entries.findIndex((e) => e.key === entry.key);
    const next = this.entries[at + 1] ?? this.entries[0];
    if (next && next.key !== entry.key) this.#choose(next, { focus: true });
  }

  #paint() {
    if (this.list.contains(document.activeElement) && document.activeElement.matches('input') && document.activeElement.value) return; // a hand is typing
    show(this.list, this.entries.map((entry) => this.#item(entry)));
    const count = this.#seen().length;
    this.rest.hidden = count < 2;
    this.rest.textContent = say('doubts.rest', { count });
  }

  /** Those that a look at their picture settles: nothing has to be measured for them. */
  #seen() { return this.entries.filter((entry) => entry.outline && !entry.reasons.some((r) => r.slug === 'height-unknown')); }

  /** Pictures are at hand now. */
  pictured() {
    if (this.entries) this.#paint();
  }

  #item(entry) {
    const open = entry.key === this.open;
    const name = entry.name ?? say('doubts.place');
    return h('li', { class: open ? 'open' : null },
      h('button', {
        type: 'button', class: 'wide', 'aria-expanded': String(open), data: { doubt: entry.key },
        onclick: () => this.#choose(open ? null : entry, { focus: !open }),
      }, this.on.picture(entry), h('b', {}, name), h('span', { class: 'cost' }, say('doubts.cost', { length: length(entry.cost_mm) }))),
      open ? h('div', { class: 'offers' }, entry.reasons.map((r) => h('p', {}, r.sentence)), this.#offers(entry)) : null);
  }

  #offers(entry) {
    const act = (kind, value) => {
      this.on.fix(kind, entry, value);
      speak(say('doubts.done', { name: entry.name ?? say('doubts.place') }));
      if (SETTLED.has(kind)) this.#goOn(entry);
    };
    return h('div', { class: 'row' }, entry.fixes.map((kind) => {
      if (kind !== 'height') return h('button', { type: 'button', data: { fix: kind }, onclick: () => act(kind) }, say(`doubts.${kind}`));
      const input = h('input', { type: 'text', inputMode: 'decimal', autocomplete: 'off', class: 'short' });
      let given = false; // Enter gives it, and so does leaving the field, which Enter does too
      const give = () => {
        const value = parseLength(input.value);
        if (value === null || given) return;
        if (value === undefined || value < 0 || value > 500) { input.setAttribute('aria-invalid', 'true'); this.on.refuse(say('doubts.unreadable')); return; }
        given = true;
        input.blur();
        act('height', value);
      };
      input.addEventListener('keydown', (event) => { if (event.key === 'Enter') { event.preventDefault(); give(); } });
      input.addEventListener('change', give);
      return field(say('doubts.height'), input);
    }));
  }
}
