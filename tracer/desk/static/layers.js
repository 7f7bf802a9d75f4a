// What is drawn over a photo: edges as seen, outlines seen straight down, cards, numbers.

import { s } from './dom.js';
import { LabelRoom, spotsAround } from './label_room.js';
import { figure, say } from './texts.js';

const LETTER_PX = 7.5; // width of a letter of a label, near enough
const LINE_PX = 17; // its height
const SETTLE_MS = 90; // labels are placed anew when the view has come to rest
const empty = { seen: [], true: [], dropped: [], cards: [], hull: '' };

export class Layers {
  constructor(viewport) {
    this.viewport = viewport;
    this.hull = s('path', { class: 'hull' });
    this.cards = s('g', { class: 'cards' });
    this.true = s('g', { class: 'true' });
    this.seen = s('g', { class: 'seen' });
    this.numbers = s('g', { class: 'numbers' });
    this.dropped = s('g', { class: 'dropped' });
    viewport.drawing.append(this.hull, this.cards, this.dropped, this.true, this.seen);
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
    this.dropped.replaceChildren(...this.record.dropped.map((d) => s('path', { d: d.path })));
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
    this.room = null;
    this.arranged = undefined;
    this.numbers.replaceChildren(...this.labels.map((l) => l.element));
    this.choose(this.chosen);
    this.#place();
  }

  choose(id) {
    if (id !== this.chosen) this.arranged = undefined; // the chosen one's name comes first
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

  /** Light these outlines up for a moment. */
  flash(ids) {
    const groups = [...this.seen.children].filter((c) => ids.includes(c.dataset.outline));
    for (const g of groups) g.classList.add('flash');
    setTimeout(() => { for (const g of groups) g.classList.remove('flash'); }, 1200);
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

  /** Number and name, to be placed beside the tool; where there is no room for both, the number. */
  #tool(o, text) {
    const label = this.#label(o.centre, text, 'tool', o.outline);
    const shape = [...this.shapes.values()].find((e) => e.edge.outline === o.outline);
    const lead = s('line', { class: 'lead' });
    label.element.prepend(lead);
    return { ...label, full: text, short: o.outline, spots: shape ? (shape.edge.spots ??= spotsAround(shape.core)) : null, lead };
  }

  #label(centre, text, kind, outline) {
    const words = s('text', {}, text);
    const element = s('g', { class: `label ${kind}`, data: { outline: outline ?? '' } }, words);
    return { element, centre, words, outline };
  }

  /** Find places for the tools' labels at this scale; between times they keep to the photo. */
  #arrange() {
    const { scale, photo } = this.viewport;
    if (!photo?.size_px) return;
    this.room ??= new LabelRoom(photo.size_px, [...this.shapes.values()].map((e) => e.edge.path));
    this.arranged = scale;
    const taken = [];
    const tools = this.labels.filter((l) => l.spots);
    tools.sort((a, b) => (b.outline === this.chosen) - (a.outline === this.chosen));
    for (const label of tools) {
      const size = (text) => [(text.length * LETTER_PX + 6) / scale, LINE_PX / scale];
      let text = label.full;
      let found = this.room.place(label.spots, size(text), taken, scale, photo.size_px);
      if (found?.cost && label.short !== text && label.outline !== this.chosen) {
        text = label.short;
        found = this.room.place(label.spots, size(text), taken, scale, photo.size_px) ?? found;
      }
      if (!found) continue;
      taken.push(found.box);
      label.at = found.at;
      label.from = found.from;
      if (label.words.textContent !== text) label.words.textContent = text;
    }
  }

  #place() {
    const { scale } = this.viewport;
    if (this.labels.some((l) => l.spots)) {
      if (this.arranged === undefined) this.#arrange();
      else if (this.arranged !== scale) {
        clearTimeout(this.settling);
        this.settling = setTimeout(() => { this.#arrange(); this.#place(); }, SETTLE_MS);
      }
    }
    for (const { element, centre, at, from, lead } of this.labels) {
      const [x, y] = this.viewport.toScreen(...(at ?? centre));
      element.setAttribute('transform', `translate(${x.toFixed(1)} ${y.toFixed(1)})`);
      if (!from) continue;
      const [ax, ay] = this.viewport.toScreen(...from);
      const far = Math.hypot(ax - x, ay - y) > 30;
      lead.setAttribute('x2', far ? (ax - x).toFixed(1) : 0);
      lead.setAttribute('y2', far ? (ay - y).toFixed(1) : 0);
    }
    this.numbers.classList.toggle('far', scale < 0.12);
  }
}
