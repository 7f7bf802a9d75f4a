// Wells and steps of the chosen pocket, and how its tool's moving parts are set when it is stored.

import { field, h, show } from './dom.js';
import { thingFields } from './plan_fields.js';
import { say } from './texts.js';

const ROOMS = ['wells', 'steps'];
/** What a new part begins with, in mm; it stands in the middle of the tool. */
const NEW = { wells: { width_mm: 20, reach_mm: 5 }, steps: { width_mm: 40, height_mm: 20, under_mm: 5 } };

export class PocketParts {
  /** `change(id, value)` keeps what was typed for a pocket, `planned(id)` gives it. */
  constructor({ change, planned, message }) {
    Object.assign(this, { change, planned, message, pocket: null, open: false });
    this.pose = h('input', { type: 'text', autocomplete: 'off', maxLength: 200, onchange: () => this.change(this.pocket.id, { pose: this.pose.value.trim() || undefined }) });
    this.list = h('div');
    this.element = h('details', { class: 'pocket-parts' }, h('summary', {}, say('panel.parts.ofPocket')),
      h('div', { class: 'fields' }, field(say('panel.parts.pose'), this.pose, say('panel.parts.poseHint'))), this.list,
      h('div', { class: 'row' }, ROOMS.map((room) => h('button', { type: 'button', onclick: () => this.#add(room) }, say(`panel.parts.add.${room}`)))),
      h('p', { class: 'quiet' }, say('panel.parts.pocketText')));
  }

  show(pocket) {
    const same = this.pocket?.id === pocket.id;
    this.pocket = pocket;
    this.element.hidden = !pocket.traced;
    if (document.activeElement !== this.pose) this.pose.value = this.planned(pocket.id).pose ?? '';
    if (same && this.list.contains(document.activeElement) && document.activeElement.matches('input')) return;
    this.#draw();
  }

  #items(room) { return this.planned(this.pocket.id)[room] ?? []; }

  #draw() {
    show(this.list, ROOMS.flatMap((room) => this.#items(room).map((item, index) => h('fieldset', { class: 'part' },
      h('legend', {}, `${say(`panel.parts.kinds.${room}`)}: ${item.name}`),
      h('div', { class: 'fields' }, thingFields(room, item, { message: this.message, keep: (key, value) => this.#change(room, index, key, value) })),
      h('button', { type: 'button', 'aria-label': say('panel.added.remove', { name: item.name }), onclick: () => this.#keep(room, this.#items(room).filter((_, k) => k !== index)) }, say('panel.parts.remove'))))));
  }

  #keep(room, items) {
    this.change(this.pocket.id, { [room]: items.length ? items : undefined });
    this.#draw();
  }

  #change(room, index, key, value) {
    const items = this.#items(room).map((item, k) => (k === index ? Object.fromEntries(Object.entries({ ...item, [key]: value }).filter(([, v]) => v !== undefined)) : item));
    this.change(this.pocket.id, { [room]: items });
  }

  /** Places count from the lower left corner of the tool's box in the photo. */
  #add(room) {
    const [zero, right, up] = this.pocket.frame ?? [[0, 0], [1, 0], [0, 1]];
    const [dx, dy] = [this.pocket.middle[0] - zero[0], this.pocket.middle[1] - zero[1]];
    const at = ([ux, uy]) => Math.round((dx * ux + dy * uy) * 10) / 10;
    const items = this.#items(room);
    const name = `${say(`panel.parts.kinds.${room}`).toLowerCase()} ${items.length + 1}`;
    this.#keep(room, [...items, { name, x_mm: at(right), y_mm: at(up), ...NEW[room] }]);
  }
}
