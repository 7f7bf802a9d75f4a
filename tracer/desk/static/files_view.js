// The export view: cut, then look at every file and take it away.

import { get, post } from './api.js';
import { Findings } from './findings.js';
import { field, h, show } from './dom.js';
import { readLength } from './lay_settings.js';
import { figure, say } from './texts.js';

const SHOWN = new Set(['image/svg+xml', 'image/jpeg', 'image/png', 'image/vnd.dxf', 'application/pdf', 'text/csv', 'text/plain', 'application/json']);
const TEXT = new Set(['text/csv', 'text/plain', 'application/json']);
const MAX_TEXT = 20000;

export class FilesView {
  constructor(job, message) {
    Object.assign(this, { job, message, asked: 0 });
    this.list = h('ul', { class: 'file-list' });
    this.preview = h('figure', { class: 'preview' });
    this.all = h('a', { class: 'button main', href: `${job.path}/all-files`, download: '' }, say('files.all'));
    this.cautions = h('ul', { class: 'cautions' });
    this.findings = new Findings(() => {});
    this.form = this.#form();
    this.element = h('div', { class: 'view files' },
      h('section', { 'aria-label': say('files.label') }, h('h1', {}, say('files.cut')), this.form, this.findings.element,
        h('h2', { class: 'files-title' }, say('files.label')), this.all, this.list),
      h('section', { class: 'preview-room', 'aria-label': say('files.previews') }, this.preview));
    this.onState = () => this.load();
    job.addEventListener('state', this.onState);
    this.#choices();
    this.load();
  }

  close() { this.job.removeEventListener('state', this.onState); }

  #form() {
    this.machine = h('select', { onchange: () => this.#heed() });
    this.material = h('select', { onchange: () => this.#heed() });
    this.fit = h('select');
    const length = (value) => h('input', { type: 'text', inputMode: 'decimal', autocomplete: 'off', class: 'short', value });
    this.thickness = length('30');
    this.depth = length('');
    this.edge = length('30');
    this.ownBox = h('div', { class: 'fields' }, field(say('files.thickness'), this.thickness), field(say('files.depth'), this.depth, say('files.depthHint')),
      field(say('files.fit'), this.fit), field(say('files.edge'), this.edge));
    this.panelNote = h('p', { class: 'quiet' }, say('files.asPanel'));
    return h('form', { class: 'box', noValidate: true, onsubmit: (event) => { event.preventDefault(); this.#cut(); } },
      h('div', { class: 'fields' }, field(say('files.machine'), this.machine), field(say('files.material'), this.material)),
      this.ownBox, this.panelNote,
      h('div', { class: 'heed' }, h('h3', {}, say('files.cautions')), this.cautions),
      h('button', { type: 'submit', class: 'main' }, say('files.cut')));
  }

  async #choices() {
    try { this.choices = await get('/api/cutting'); } catch (error) { this.message(error.message); return; }
    const options = (items) => items.map((m) => h('option', { value: m.key }, m.title));
    show(this.machine, options(this.choices.machines));
    show(this.material, options(this.choices.materials));
    show(this.fit, this.choices.fits.map((f) => h('option', { value: f, selected: f === 'easy' }, say(`panel.fits.${f}`))));
    if (this.choices.machines.some((m) => m.key === 'oscillating-knife')) this.machine.value = 'oscillating-knife';
    if (this.choices.materials.some((m) => m.key === 'unknown')) this.material.value = 'unknown';
    this.#heed();
  }

  /** Cautions stand where the machine is chosen, before anything is made. */
  #heed() {
    const words = this.choices?.cautions[this.machine.value]?.[this.material.value] ?? [];
    show(this.cautions, words.map((w) => h('li', {}, w)));
  }

  async #cut() {
    const read = (input, low, high) => {
      const value = readLength(input.value, low, high);
      input.toggleAttribute('aria-invalid', value === undefined);
      if (value === undefined) this.message(say('table.refused', { value: input.value, low, high }));
      return value;
    };
    const thickness = read(this.thickness, 1, 300);
    const depth = read(this.depth, 0.5, 300);
    const edge = read(this.edge, 1, 500);
    if ([thickness, depth, edge].includes(undefined)) return;
    try {
      await post(`${this.job.path}/cut`, {
        machine: this.machine.value, material: this.material.value, fit: this.fit.value,
        thickness_mm: thickness ?? 30, depth_mm: depth, edge_mm: edge ?? 30,
      });
    } catch (error) { this.message(error.message); }
  }

  async load() {
    const asked = (this.asked += 1);
    let found;
    try { found = await get(`${this.job.path}/files`); } catch (error) { this.message(error.message); return; }
    if (asked !== this.asked) return;
    const { files } = found;
    this.all.hidden = files.length === 0;
    this.ownBox.hidden = found.panel;
    this.panelNote.hidden = !found.panel;
    this.findings.element.hidden = !found.checks;
    if (found.checks) this.findings.update(found.checks, new Set());
    show(this.list, files.length ? files.map((f) => this.#item(f)) : h('li', { class: 'quiet' }, say('files.none')));
    const first = files.find((f) => f.name === this.shown) ?? files.find((f) => f.name === 'pictures/panel.png') ?? files.find((f) => f.kind === 'image/svg+xml') ?? files.find((f) => SHOWN.has(f.kind));
    if (first) this.#show(first);
  }

  #address(f) { return `${this.job.path}/files/${f.file}`; }

  #item(f) {
    return h('li', {},
      h('button', { type: 'button', class: 'plain', onclick: () => this.#show(f), 'aria-label': say('files.show', { name: f.name }) }, f.name),
      h('span', { class: 'quiet' }, `${say(`files.kinds.${f.kind.replace('.', '-')}`)}, ${figure(f.bytes / 1000, 0)} kB`),
      h('a', { class: 'button', href: this.#address(f), download: f.name.split('/').pop(), 'aria-label': say('files.get', { name: f.name }) }, '↓'));
  }

  async #show(f) {
    this.shown = f.name;
    const fresh = this.job.state?.revision ?? '';
    const alt = say('files.preview', { name: f.name });
    const picture = (query, more = '') => h('img', { src: `${this.#address(f)}?${query}&r=${fresh}`, alt: alt + more, loading: 'lazy' });
    let body;
    if (TEXT.has(f.kind)) {
      const text = await fetch(this.#address(f)).then((r) => r.text(), () => '');
      if (this.shown !== f.name) return;
      body = h('pre', { tabIndex: 0, 'aria-label': alt }, text.slice(0, MAX_TEXT));
    } else if (f.kind === 'application/pdf') {
      body = Array.from({ length: f.pages }, (_, i) => picture(`page=${i}`, `, ${i + 1}`));
    } else body = picture(f.kind === 'image/vnd.dxf' ? 'picture' : 'show');
    show(this.preview, h('figcaption', {}, f.name), body);
  }
}
