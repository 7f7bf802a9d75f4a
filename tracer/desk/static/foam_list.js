// The foams a shop has: typed once, kept for every job.

import { field, h, show } from './dom.js';
import { readLength, readPair } from './lay_settings.js';
import { fieldLength, say } from './texts.js';

const rgbOf = (text) => [1, 3, 5].map((k) => Number.parseInt(text.slice(k, k + 2), 16));

export class FoamList {
  /** `keep(was, now)` keeps the list and says whether that went well. */
  constructor(keep, message) {
    Object.assign(this, { keep, message, foams: [] });
    const typed = (more) => h('input', { type: 'text', autocomplete: 'off', ...more });
    this.name = typed({ maxLength: 80 });
    this.shade = h('input', { type: 'color', value: '#37373a' });
    this.thick = typed({ inputMode: 'decimal', class: 'short' });
    this.size = typed({ value: `${fieldLength(1000)} x ${fieldLength(500)}` });
    this.material = h('select');
    this.list = h('ul', { class: 'own-foams', 'aria-label': say('panel.foam.shop') });
    this.element = h('details', { class: 'own-foam-room' }, h('summary', {}, say('panel.foam.shop')), this.list,
      h('form', { noValidate: true, onsubmit: (event) => { event.preventDefault(); this.#add(); } },
        h('div', { class: 'fields' }, field(say('panel.foam.name'), this.name), field(say('panel.foam.shade'), this.shade), field(say('panel.foam.thickness'), this.thick),
          field(say('panel.foam.material'), this.material), field(say('panel.foam.sheet'), this.size), h('button', { type: 'submit' }, say('panel.foam.add')))),
      h('p', { class: 'quiet' }, say('panel.foam.shopText')));
  }

  show({ own, materials }) {
    this.foams = own;
    if (!this.material.options.length) show(this.material, materials.map((m) => h('option', { value: m.key, selected: m.key === 'pe' }, m.title)));
    show(this.list, own.map((foam, k) => {
      const swatch = h('span', { class: 'swatch' });
      swatch.style.background = `rgb(${foam.rgb.join(' ')})`;
      const name = say('panel.foam.own', { colour: foam.colour, length: fieldLength(foam.thickness_mm) });
      return h('li', { class: 'row' }, swatch, h('span', {}, name),
        h('button', { type: 'button', class: 'plain', 'aria-label': say('panel.added.remove', { name }), onclick: () => this.keep(own, own.filter((_, j) => j !== k)) }, '×'));
    }));
  }

  async #add() {
    const colour = this.name.value.trim();
    const thickness = readLength(this.thick.value, 0.5, 200);
    const size = readPair(this.size.value, 20, 10000);
    for (const [input, bad] of [[this.name, !colour], [this.thick, !thickness], [this.size, !size]]) input.toggleAttribute('aria-invalid', bad);
    if (!colour) { this.message(say('panel.foam.needName')); this.name.focus(); return; }
    if (!thickness) { this.message(say('table.refused', { value: this.thick.value, low: fieldLength(0.5), high: fieldLength(200) })); this.thick.focus(); return; }
    if (!size) { this.message(say('drop.unreadableSize')); this.size.focus(); return; }
    const foam = { colour, rgb: rgbOf(this.shade.value), material: this.material.value, thickness_mm: thickness, size_mm: size };
    if (await this.keep(this.foams, [...this.foams, foam])) {
      this.name.value = this.thick.value = '';
      this.name.focus();
    }
  }
}
