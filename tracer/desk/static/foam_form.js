// Colours and thicknesses of the foam, with the contrast of what is chosen.

import { get } from './api.js';
import { field, h, show } from './dom.js';
import { readLength } from './lay_settings.js';
import { fieldLength, figure, has, say } from './texts.js';

const ROLES = ['face', 'base'];
const word = (colour) => { const key = `panel.foam.colours.${colour.replace(' ', '_')}`; return has(key) ? say(key) : colour; };

export class FoamForm {
  constructor(job, message) {
    Object.assign(this, { job, message, panel: null });
    this.colour = Object.fromEntries(ROLES.map((role) => [role, h('select', { onchange: () => this.#keep() })]));
    this.thick = Object.fromEntries(ROLES.map((role) => [role, h('input', { type: 'text', inputMode: 'decimal', autocomplete: 'off', class: 'short', onchange: () => this.#keep() })]));
    this.swatches = Object.fromEntries(ROLES.map((role) => [role, h('span', { class: 'swatch' })]));
    this.note = h('p', { 'aria-live': 'polite' });
    this.element = h('details', { class: 'box foam-form' }, h('summary', {}, h('h2', {}, say('panel.foam.title'))),
      ROLES.map((role) => h('div', { class: 'fields' }, this.swatches[role], field(say(`panel.foam.${role}`), this.colour[role]), field(say(`panel.foam.thick_${role}`), this.thick[role]))),
      this.note, h('p', { class: 'quiet' }, say('panel.foam.text')));
    this.#load();
  }

  async #load() {
    try { this.foams = await get('/api/foams'); } catch (error) { this.message(error.message); return; }
    if (this.panel) this.show(this.panel);
  }

  /** Sheets of the stack: as asked, else as the panel has them. */
  #stack() { return this.job.value(['plan', 'plies']) ?? this.panel.stack; }

  show(panel) {
    this.panel = panel;
    if (!this.foams || !panel) return;
    const stack = this.#stack();
    for (const role of ROLES) {
      const ply = stack.find((p) => p.role === role);
      this.colour[role].disabled = this.thick[role].disabled = !ply;
      if (!ply) continue;
      const { stock } = ply;
      const known = this.foams.colours.some((c) => c.colour === stock.colour);
      const own = known ? [] : [{ colour: stock.colour, rgb: stock.rgb }]; // a sheet of the shop's own
      show(this.colour[role], [...own, ...this.foams.colours].map((c) => h('option', { value: c.colour, selected: c.colour === stock.colour }, word(c.colour))));
      if (this.thick[role] !== document.activeElement) this.thick[role].value = fieldLength(stock.thickness_mm);
      this.swatches[role].style.background = `rgb(${stock.rgb.join(' ')})`;
    }
    this.#contrast(stack);
  }

  #contrast(stack) {
    const [face, base] = ROLES.map((role) => stack.find((p) => p.role === role)?.stock.colour);
    const pair = this.foams.contrast[face]?.[base];
    this.note.hidden = !pair;
    if (!pair) return;
    const { ratio, lrv_points: points } = this.foams.wanted;
    const good = pair.ratio >= ratio && pair.lrv_points >= points;
    this.note.className = good ? 'quiet' : 'old-mark';
    show(this.note, say(good ? 'panel.foam.good' : 'panel.foam.poor', { ratio: figure(pair.ratio, 1), points: figure(pair.lrv_points, 0), wanted: figure(ratio, 1), wantedPoints: figure(points, 0) }));
  }

  #keep() {
    const path = ['plan', 'plies'];
    const now = structuredClone(this.#stack());
    for (const role of ROLES) {
      const ply = now.find((p) => p.role === role);
      if (!ply) continue;
      const thick = readLength(this.thick[role].value, 0.5, 200);
      this.thick[role].toggleAttribute('aria-invalid', !thick);
      if (!thick) { this.message(say('table.refused', { value: this.thick[role].value, low: fieldLength(0.5), high: fieldLength(200) })); return; }
      const colour = this.foams.colours.find((c) => c.colour === this.colour[role].value);
      ply.stock = { ...ply.stock, ...(colour ?? {}), thickness_mm: thick };
    }
    const was = this.job.value(path);
    if (JSON.stringify(now) !== JSON.stringify(this.#stack())) this.job.edit('plan', say('panel.foam.title'), [{ path, was, now }]);
    this.show(this.panel);
  }
}
