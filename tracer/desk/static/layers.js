// What is drawn over a photo: edges as seen, outlines seen straight down, cards, numbers.

import { s } from './dom.js';
import { figure, say } from './texts.js';

const LETTER_PX = 7.5; // width of a letter of a label, near enough
const empty = { seen: [], true: [], cards: [], hull: '' };

export class Layers {
  constructor(viewport) {
    this.viewport = viewport;
    this.hull = s('path', { class: 'hull' });
    this.cards = s('g', { class: 'cards' });
    this.true = s('g', { class: 'true' });
    this.seen = s('g', { class: 'seen' });
    this.numbers = s('g', { class: 'numbers' });
    viewport.drawing.append(this.hull, this.cards, this.true, this.seen);
    viewport.svg.append(this.numbers);
    this.shapes = new Map();
    this.labels = [];
    this.record = empty;
    this.chosen = null;
    viewport.addEventListener('view', () => this.#place());
  }

  /** Draw the record of a photo; `names` gives what to write beside each outline. */
  draw(record, names) {
    this.record = record ?? empty;
    const { hull, cards, seen } = this.record;
    this.hull.setAttribute('d', hull || 'M0 0');
    this.cards.replaceChildren(...cards.flatMap((c) => s('path', { d: c.path, class: c.used ? 'card' : 'card out' })));
    this.true.replaceChildren(...this.record.true.map((o) => s('path', { d: o.path, data: { outline: o.outline } })));
    this.shapes = new Map();
    this.seen.replaceChildren(...seen.map((e) => {
      const casing = s('path', { d: e.path, class: 'casing' });
      const core = s('path', { d: e.path, class: `core ${e.kind}`, 'fill-rule': 'evenodd' });
      const weak = e.weak.map((d) => s('path', { d, class: 'weak' }));
      const group = s('g', { data: { outline: e.outline ?? '', silhouette: e.id } }, casing, core, weak);
      this.shapes.set(e.id, { group, core, edge: e });
      return group;
    }));
    this.labels = [
      ...this.record.true.map((o) => this.#tool(o, names.get(o.outline) ?? o.outline)),
      ...cards.map((c) => this.#label(c.centre, c.used
        ? say('picture.card', { number: c.number, rms: figure(c.rms_px, 2) })
        : say('picture.cardOut', { number: c.number, reason: c.reason }), c.used ? 'card' : 'card out')),
    ];
    this.numbers.replaceChildren(...this.labels.map((l) => l.element));
    this.choose(this.chosen);
    this.#place();
  }

  choose(id) {
    this.chosen = id;
    this.#mark('chosen', id);
    this.#place();
  }

  hover(id) { this.#mark('hover', id); }

  /** The outline at a place of the photo, or null. Smaller ones win over those around them. */
  at([x, y]) {
    const point = new DOMPoint(x, y);
    let best = null;
    for (const { core, edge } of this.shapes.values()) {
      if (!edge.outline || !core.isPointInFill(point)) continue;
      const box = core.getBBox();
      if (!best || box.width * box.height < best.size) best = { id: edge.outline, size: box.width * box.height };
    }
    return best?.id ?? null;
  }

  /** Box of an outline in photo pixels, or null. */
  box(id) {
    const found = [...this.shapes.values()].find((e) => e.edge.outline === id);
    if (!found) return null;
    const b = found.core.getBBox();
    return [b.x, b.y, b.x + b.width, b.y + b.height];
  }

  toggle(kind, on) {
    this[kind].classList.toggle('off', !on);
    if (kind === 'cards') this.hull.classList.toggle('off', !on);
    if (kind === 'cards') this.numbers.classList.toggle('no-cards', !on);
  }

  #mark(name, id) {
    for (const group of [this.seen, this.true, this.numbers]) {
      for (const child of group.children) child.classList.toggle(name, id !== null && child.dataset.outline === id);
    }
    const top = [...this.seen.children].find((c) => id !== null && c.dataset.outline === id);
    if (name === 'chosen' && top) this.seen.append(top); // drawn above its neighbours
  }

  /** Number and name; where there is no room for the name, the number alone. */
  #tool(o, text) {
    const label = this.#label(o.centre, text, 'tool', o.outline);
    const box = this.box(o.outline);
    return { ...label, full: text, short: o.outline, span: box ? box[2] - box[0] : 0 };
  }

  #label(centre, text, kind, outline) {
    const words = s('text', {}, text);
    const element = s('g', { class: `label ${kind}`, data: { outline: outline ?? '' } }, words);
    return { element, centre, words, outline };
  }

  #place() {
    for (const { element, centre, words, full, short, span, outline } of this.labels) {
      const [x, y] = this.viewport.toScreen(...centre);
      if (full) {
        const room = span * this.viewport.scale > full.length * LETTER_PX || outline === this.chosen;
        const text = room ? full : short;
        if (words.textContent !== text) words.textContent = text;
      }
      element.setAttribute('transform', `translate(${x.toFixed(1)} ${y.toFixed(1)})`);
    }
    this.numbers.classList.toggle('far', this.viewport.scale < 0.12);
  }
}
