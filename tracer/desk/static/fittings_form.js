// Ledges, mounts, rooms for cables, how emblems are let in, and the rest rail: all that a plan says of them.

import { h, show } from './dom.js';
import { thingFields } from './plan_fields.js';
import { say } from './texts.js';

const ROOMS = ['ledges', 'mounts', 'cavities', 'emblems'];
const round = (v) => Math.round(v * 10) / 10;

/** What a new thing begins with, in mm; it stands in the middle of the panel. */
const NEW = {
  ledges: { width_mm: 200, height_mm: 150, out_mm: 120 },
  mounts: { width_mm: 60, height_mm: 100, holes: [{ x_mm: 0, y_mm: 40, diameter_mm: 5 }, { x_mm: 0, y_mm: -40, diameter_mm: 5 }] },
  cavities: { cable_mm: 7, length_mm: 600, radius_mm: 60 },
};

export class FittingsForm {
  constructor(job, message) {
    Object.assign(this, { job, message, panel: null, open: new Set() });
    this.list = h('div');
    this.rail = h('div');
    this.element = h('details', { class: 'box fittings-form' }, h('summary', {}, h('h2', {}, say('panel.parts.title'))),
      h('div', { class: 'row' }, Object.keys(NEW).map((room) => h('button', { type: 'button', onclick: () => this.#add(room) }, say(`panel.parts.add.${room}`)))),
      this.list, this.rail, h('p', { class: 'quiet' }, say('panel.parts.text')));
  }

  #items(room) { return this.job.value(['plan', room]) ?? []; }

  show(panel) {
    this.panel = panel;
    if (this.element.contains(document.activeElement) && document.activeElement.matches('input[type=text], select')) return;
    this.#draw();
  }

  #draw() {
    const focused = [...this.element.querySelectorAll('input, select, button')].indexOf(document.activeElement);
    show(this.list, ROOMS.flatMap((room) => this.#items(room).map((item, index) => this.#part(room, item, index))));
    this.#drawRail();
    if (focused >= 0) this.element.querySelectorAll('input, select, button')[focused]?.focus();
  }

  #folded(key, words, ...inside) {
    return h('details', { class: 'part', open: this.open.has(key), ontoggle: (event) => (event.target.open ? this.open.add(key) : this.open.delete(key)) },
      h('summary', {}, words), ...inside);
  }

  #part(room, item, index) {
    const key = `${room} ${index}`;
    const pockets = this.panel.pockets.map((p) => [p.id, `${p.number} ${p.name}`]);
    return this.#folded(key, `${say(`panel.parts.kinds.${room}`)}: ${item.name}`,
      h('div', { class: 'fields' }, thingFields(room, item, { pockets, message: this.message, keep: (field, value) => this.#change(room, index, field, value) })),
      room === 'emblems' ? null : h('button', { type: 'button', 'aria-label': say('panel.added.remove', { name: item.name }), onclick: () => this.#remove(room, index) }, say('panel.parts.remove')));
  }

  #drawRail() {
    const rail = this.job.value(['plan', 'rail']);
    show(this.rail, rail === null || rail === undefined
      ? this.panel.kind === 'wall' && h('button', { type: 'button', onclick: () => this.#keepRail({}) }, say('panel.parts.add.rail'))
      : this.#folded('rail', say('panel.parts.kinds.rail'),
        h('div', { class: 'fields' }, thingFields('rail', rail, { message: this.message, keep: (field, value) => this.#keepRail({ ...rail, ...this.job.value(['plan', 'rail']), [field]: value }) })),
        h('button', { type: 'button', 'aria-label': say('panel.added.remove', { name: say('panel.parts.kinds.rail') }), onclick: () => this.#keepRail(null) }, say('panel.parts.remove'))));
  }

  #keepRail(next) {
    const path = ['plan', 'rail'];
    const was = this.job.value(path);
    const now = next && Object.fromEntries(Object.entries(next).filter(([, v]) => v !== undefined));
    if (now && !was) this.open.add('rail');
    this.job.edit('plan', say('panel.parts.kinds.rail'), [{ path, was, now }]);
    this.#draw();
  }

  #keep(room, subject, was, now) {
    this.job.edit('plan', subject, [{ path: ['plan', room], was: was.length ? was : null, now: now.length ? now : null }]);
  }

  #change(room, index, key, value) {
    const was = this.#items(room);
    const now = was.map((item, k) => (k === index ? Object.fromEntries(Object.entries({ ...item, [key]: value }).filter(([, v]) => v !== undefined)) : item));
    this.#keep(room, now[index].name, was, now);
  }

  #add(room) {
    const was = this.#items(room);
    const [w, d] = this.panel.size_mm;
    const item = { name: say(`panel.parts.kinds.${room}`).toLowerCase(), x_mm: round(w / 2), y_mm: round(d / 2), ...NEW[room] };
    this.open.add(`${room} ${was.length}`);
    this.#keep(room, item.name, was, [...was, item]);
    this.#draw();
  }

  #remove(room, index) {
    const was = this.#items(room);
    // those behind it go one number down
    was.forEach((_, k) => k >= index && this.open.delete(`${room} ${k}`) && k > index && this.open.add(`${room} ${k - 1}`));
    this.#keep(room, was[index].name, was, was.filter((_, k) => k !== index));
    this.#draw();
  }
}
