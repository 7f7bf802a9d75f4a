// Chosen pockets put into order: in line, at equal gaps, locked.

import { h, s, show } from './dom.js';
import { LINES } from './panel_sets.js';
import { length, say } from './texts.js';

/** Bars beside or across a line: what each button does, at a glance. Figures of a 20 x 20 drawing. */
const PICTURES = {
  left: 'M3 2v16 M6 4h11v4h-11z M6 12h6v4h-6z', right: 'M17 2v16 M3 4h11v4h-11z M8 12h6v4h-6z',
  centre: 'M10 2v16 M3 4h14v4h-14z M6 12h8v4h-8z', top: 'M2 3h16 M4 6v11h4v-11z M12 6v6h4v-6z',
  bottom: 'M2 17h16 M4 3v11h4v-11z M12 8v6h4v-6z', middle: 'M2 10h16 M4 3v14h4v-14z M12 6v8h4v-8z',
  across: 'M2 4h3v12h-3z M8.5 6h3v8h-3z M15 4h3v12h-3z', up: 'M4 2v3h12v-3z M6 8.5v3h8v-3z M4 15v3h12v-3z',
};

export class OrderForm {
  /** `lock()` locks or frees what is chosen. */
  constructor(stage, lock) {
    Object.assign(this, { stage, panel: null });
    const button = (key, act) => h('button', { type: 'button', 'aria-label': say(`panel.order.${key}`), title: say(`panel.order.${key}`), onclick: act },
      s('svg', { viewBox: '0 0 20 20', class: 'order-picture', 'aria-hidden': 'true' }, s('path', { d: PICTURES[key] })));
    this.count = h('h2', { 'aria-live': 'polite' });
    this.lines = Object.keys(LINES).map((how) => button(how, () => stage.align(how)));
    this.spread = [button('across', () => stage.distribute(0)), button('up', () => stage.distribute(1))];
    this.lock = h('button', { type: 'button', class: 'lock-key', onclick: lock });
    this.gaps = h('ul', { class: 'gaps', 'aria-label': say('panel.gaps') });
    this.element = h('div', { class: 'box order-form', hidden: true }, this.count,
      h('div', { class: 'row', role: 'group', 'aria-label': say('panel.order.label') }, this.lines, this.spread), this.lock,
      h('h3', {}, say('panel.gaps')), this.gaps);
  }

  show(panel) {
    this.panel = panel;
    const { set } = this.stage;
    const mine = panel?.pockets.filter((p) => set.has(p.id)) ?? [];
    this.element.hidden = !mine.length;
    if (!mine.length) return;
    this.count.hidden = mine.length < 2;
    this.count.textContent = say('panel.order.count', { count: mine.length });
    const free = mine.filter((p) => !p.locked).length;
    for (const b of this.lines) b.disabled = !free;
    for (const b of this.spread) b.disabled = !free || mine.length < 3;
    this.lock.setAttribute('aria-pressed', String(!free));
    show(this.lock, say(free ? 'panel.order.lock' : 'panel.order.free'));
    this.live();
  }

  /** Gaps while what is chosen moves. */
  live() {
    const name = (id) => this.panel.pockets.find((p) => p.id === id)?.name ?? id;
    const several = this.stage.set.size > 1;
    show(this.gaps, this.stage.gaps.map((g) => {
      const bad = g.gap < g.limit;
      const text = say(bad ? 'panel.gapBad' : 'panel.gap', { name: g.id ? name(g.id) : say('panel.rim'), length: length(g.gap), limit: length(g.limit, 0) });
      return h('li', { class: bad ? 'bad' : null }, several ? `${name(g.of)}: ${text}` : text);
    }));
  }
}
