// Colours and thicknesses of the foam, those the shop has first, with the contrast of what is chosen.

import { get, post } from './api.js';
import { field, h, show } from './dom.js';
import { FoamList } from './foam_list.js';
import { readLength } from './lay_settings.js';
import { fieldLength, figure, has, say } from './texts.js';

const ROLES = ['face', 'base'];
const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);
/** What the page calls a colour; the shop's own word where it is none of the usual ones. */
export const colourWord = (colour) => { const key = `panel.foam.colours.${colour.replace(' ', '_')}`; return has(key) ? say(key) : colour; };

export class FoamForm {
  constructor(job, message) {
    Object.assign(this, { job, message, panel: null, asked: 0 });
    this.colour = Object.fromEntries(ROLES.map((role) => [role, h('select', { onchange: () => this.#picked(role) })]));
    this.thick = Object.fromEntries(ROLES.map((role) => [role, h('input', { type: 'text', inputMode: 'decimal', autocomplete: 'off', class: 'short', onchange: () => this.#measured(role) })]));
    this.swatches = Object.fromEntries(ROLES.map((role) => [role, h('span', { class: 'swatch' })]));
    this.note = h('p', { 'aria-live': 'polite' });
    this.own = new FoamList((was, now) => this.#keepOwn(was, now), message);
    this.element = h('details', { class: 'box foam-form' }, h('summary', {}, h('h2', {}, say('panel.foam.title'))),
      ROLES.map((role) => h('div', { class: 'fields' }, this.swatches[role], field(say(`panel.foam.${role}`), this.colour[role]), field(say(`panel.foam.thick_${role}`), this.thick[role]))),
      this.note, h('p', { class: 'quiet' }, say('panel.foam.text')), this.own.element);
    this.#load();
  }

  async #load() {
    try { this.#take(await get('/api/foams')); } catch (error) { this.message(error.message); }
  }

  #take(foams) {
    this.foams = foams;
    this.own.show(foams);
    if (this.panel) this.show(this.panel);
  }

  async #keepOwn(was, now) {
    try {
      this.#take(await post('/api/foams', { was, now }));
      return true;
    } catch (error) {
      this.message(error.message);
      if (error.slug === 'edit-conflict') await this.#load();
      return false;
    }
  }

  /** Sheets of the stack: as asked, else as the panel has them. */
  #stack() { return this.job.value(['plan', 'plies']) ?? this.panel.stack; }

  /** What can be chosen in place of a sheet: the shop's foams, then usual colours; and which it is. */
  #choices(stock) {
    const own = this.foams.own.map((foam, k) => ({ key: `own-${k}`, rgb: foam.rgb, text: say('panel.foam.own', { colour: foam.colour, length: fieldLength(foam.thickness_mm) }), stock: foam }));
    const usual = this.foams.colours.map((c) => ({ key: c.colour, rgb: c.rgb, text: colourWord(c.colour), stock: { ...stock, ...c } }));
    const bare = ({ colour, rgb, thickness_mm, material }) => [colour, rgb, thickness_mm, material];
    const mine = own.find((c) => same(bare(c.stock), bare(stock))) ?? usual.find((c) => c.key === stock.colour && same(c.rgb, stock.rgb));
    const other = mine ? [] : [{ key: 'now', rgb: stock.rgb, text: colourWord(stock.colour), stock }];
    return { own, usual: [...other, ...usual], key: mine?.key ?? 'now' };
  }

  show(panel) {
    this.panel = panel;
    if (!this.foams || !panel) return;
    const stack = this.#stack();
    this.known = {};
    for (const role of ROLES) {
      const ply = stack.find((p) => p.role === role);
      this.colour[role].disabled = this.thick[role].disabled = !ply;
      if (!ply) continue;
      const { own, usual, key } = this.#choices(ply.stock);
      this.known[role] = [...own, ...usual];
      const option = (c) => h('option', { value: c.key, selected: c.key === key }, c.text);
      show(this.colour[role], own.length ? h('optgroup', { label: say('panel.foam.shop') }, own.map(option)) : null,
        own.length ? h('optgroup', { label: say('panel.foam.usual') }, usual.map(option)) : usual.map(option));
      if (this.thick[role] !== document.activeElement) this.thick[role].value = fieldLength(ply.stock.thickness_mm);
      this.swatches[role].style.background = `rgb(${ply.stock.rgb.join(' ')})`;
    }
    this.#contrast(stack);
  }

  /** The contrast of what is chosen, and beside each choice that which it would make. */
  async #contrast(stack) {
    const [face, base] = ROLES.map((role) => stack.find((p) => p.role === role)?.stock.rgb);
    this.note.hidden = !face || !base;
    if (this.note.hidden) return;
    const asked = (this.asked += 1);
    const known = this.known;
    const pairs = [[face, base], ...known.face.map((c) => [c.rgb, base]), ...known.base.map((c) => [face, c.rgb])];
    let found;
    try { found = (await post('/api/foams/contrast', { pairs })).pairs; } catch { return; } // the next state asks again
    if (asked !== this.asked) return;
    const [pair, ...others] = found;
    for (const c of [...known.face, ...known.base]) {
      const { ratio } = others.shift();
      const role = known.face.includes(c) ? 'face' : 'base';
      const option = [...this.colour[role].options].find((o) => o.value === c.key);
      if (option) option.textContent = say('panel.foam.choice', { name: c.text, ratio: figure(ratio, 1) });
    }
    const { ratio, lrv_points: points } = this.foams.wanted;
    const good = pair.ratio >= ratio && pair.lrv_points >= points;
    this.note.className = good ? 'quiet' : 'old-mark';
    show(this.note, say(good ? 'panel.foam.good' : 'panel.foam.poor', { ratio: figure(pair.ratio, 1), points: figure(pair.lrv_points, 0), wanted: figure(ratio, 1), wantedPoints: figure(points, 0) }));
  }

  #picked(role) {
    const found = this.known[role].find((c) => c.key === this.colour[role].value);
    if (found) this.#keep(role, found.stock);
  }

  #measured(role) {
    const thick = readLength(this.thick[role].value, 0.5, 200);
    this.thick[role].toggleAttribute('aria-invalid', !thick);
    if (!thick) { this.message(say('table.refused', { value: this.thick[role].value, low: fieldLength(0.5), high: fieldLength(200) })); return; }
    this.#keep(role, { ...this.#stack().find((p) => p.role === role).stock, thickness_mm: thick });
  }

  #keep(role, stock) {
    const path = ['plan', 'plies'];
    const was = this.job.value(path);
    const now = this.#stack().map((p) => (p.role === role ? { ...p, stock } : p));
    if (!same(now, this.#stack())) this.job.edit('plan', say('panel.foam.title'), [{ path, was, now }]);
    this.show(this.panel);
  }
}
