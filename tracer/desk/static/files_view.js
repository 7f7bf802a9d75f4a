// The export view: cut, then look at every file and take it away.

import { get, post } from './api.js';
import { ask } from './dialogs.js';
import { Findings } from './findings.js';
import { field, h, show } from './dom.js';
import { readLength } from './lay_settings.js';
import { fieldLength, figure, say } from './texts.js';

const SHOWN = new Set(['image/svg+xml', 'image/jpeg', 'image/png', 'image/vnd.dxf', 'application/pdf', 'text/csv', 'text/plain', 'application/json']);
const TEXT = new Set(['text/csv', 'text/plain', 'application/json']);
const MAX_TEXT = 20000;

export class FilesView {
  constructor(job, message) {
    Object.assign(this, { job, message, asked: 0, old: [] });
    this.list = h('div', { class: 'file-groups' });
    this.preview = h('figure', { class: 'preview' });
    this.all = h('a', { class: 'button main', href: `${job.path}/all-files`, download: '', onclick: (event) => this.#guard(event, this.all, this.old) }, say('files.all'));
    this.oldText = h('p');
    this.again = h('button', { type: 'button', class: 'main', onclick: () => this.#again() }, say('files.again'));
    this.oldBox = h('div', { class: 'old-files', role: 'status', hidden: true }, this.oldText, this.again);
    this.cautions = h('ul', { class: 'cautions' });
    this.findings = new Findings(() => {});
    this.form = this.#form();
    this.element = h('div', { class: 'view files' },
      h('section', { 'aria-label': say('files.label') }, h('h1', {}, say('files.cut')), this.form, this.findings.element,
        h('h2', { class: 'files-title' }, say('files.label')), this.oldBox, this.all, this.list),
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
    this.thickness = length(fieldLength(30));
    this.depth = length('');
    this.edge = length(fieldLength(30));
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
    this.load(); // the groups are called by the machines' names
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
      if (value === undefined) this.message(say('table.refused', { value: input.value, low: fieldLength(low), high: fieldLength(high) }));
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

  /** Files of before the last change are only given to who says so. */
  async #guard(event, link, old) {
    if (!old.length || link.href.includes('old=')) { setTimeout(() => { link.href = link.href.replace(/[?&]old=yes$/, ''); }); return; }
    event.preventDefault();
    if (await ask(say('files.oldTitle'), say('files.oldText', { names: old.map((f) => f.name).slice(0, 4).join(', '), count: old.length }), say('files.oldYes'))) {
      link.href += `${link.href.includes('?') ? '&' : '?'}old=yes`;
      link.click();
    }
  }

  async #again() {
    this.again.disabled = true;
    const cut = this.old.some((f) => f.name.startsWith('cut/'));
    try { await post(`${this.job.path}/${cut ? 'cut-again' : 'run'}`); } catch (error) { this.message(error.message); }
    this.again.disabled = false;
  }

  async load() {
    const asked = (this.asked += 1);
    let found;
    try { found = await get(`${this.job.path}/files`); } catch (error) { this.message(error.message); return; }
    if (asked !== this.asked) return;
    const { files } = found;
    this.old = files.filter((f) => f.old);
    this.oldBox.hidden = !this.old.length;
    this.oldText.textContent = say('files.oldCount', { count: this.old.length });
    this.all.hidden = files.length === 0;
    this.ownBox.hidden = found.panel;
    this.panelNote.hidden = !found.panel;
    this.findings.element.hidden = !found.checks;
    if (found.checks) this.findings.update(found.checks, new Set());
    show(this.list, files.length ? this.#groups(files) : h('p', { class: 'quiet' }, say('files.none')));
    const first = files.find((f) => f.name === this.shown) ?? files.find((f) => f.name === 'pictures/panel.png') ?? files.find((f) => f.kind === 'image/svg+xml') ?? files.find((f) => SHOWN.has(f.kind));
    if (first) this.#show(first);
  }

  /** By machine and sheet, each with its picture first; then what belongs to the job. */
  #groups(files) {
    const groups = Map.groupBy?.(files, (f) => f.group) ?? files.reduce((map, f) => map.set(f.group, [...(map.get(f.group) ?? []), f]), new Map());
    const place = (key) => ['cut', 'patch'].findIndex((room) => key.startsWith(room)) + (/^(cut|patch)/.test(key) ? 0 : 9);
    const order = [...groups.keys()].sort((a, b) => place(a) - place(b) || a.localeCompare(b));
    return order.map((key) => {
      const mine = groups.get(key);
      const face = mine.find((f) => f.name.endsWith('-preview.png')) ?? mine.find((f) => f.kind === 'image/png') ?? mine.find((f) => f.kind === 'image/jpeg') ?? mine.find((f) => f.kind === 'image/svg+xml');
      const old = mine.filter((f) => f.old);
      const zip = h('a', {
        class: 'button', href: `${this.job.path}/all-files?group=${encodeURIComponent(key)}`, download: '',
        onclick: (event) => this.#guard(event, zip, old), 'aria-label': say('files.zipOf', { name: this.#title(key) }),
      }, say('files.zip'));
      const papers = mine.some((f) => f.name.includes('-template-'));
      return h('section', { class: 'file-group', 'aria-label': this.#title(key) },
        h('div', { class: 'row group-head' }, h('h3', {}, this.#title(key)), zip),
        face ? h('button', { type: 'button', class: 'plain face', onclick: () => this.#show(face), 'aria-label': say('files.show', { name: face.name }) },
          h('img', { src: `${this.#address(face)}?show&r=${this.job.state?.revision ?? ''}`, alt: '', loading: 'lazy' })) : null,
        papers ? this.#papers() : null,
        h('ul', { class: 'file-list' }, mine.map((f) => this.#item(f))));
    });
  }

  /** The reminder where a template is printed, and what its bars measured, typed back. */
  #papers() {
    const [x, y] = (this.choices?.printed_mm ?? [100, 100]).map((mm) => h('input', { type: 'text', inputMode: 'decimal', class: 'short', autocomplete: 'off', value: fieldLength(mm) }));
    const keep = async (event) => {
      event.preventDefault();
      const [across, along] = [x, y].map((input) => readLength(input.value, 1, 1000));
      if (!across || !along) { this.message(say('table.refused', { value: x.value, low: fieldLength(98), high: fieldLength(102) })); return; }
      try {
        await post('/api/printed', { x_mm: across, y_mm: along });
        this.choices.printed_mm = [across, along];
        this.message(say('files.barsKept'), true);
      } catch (error) { this.message(error.message); }
    };
    return h('form', { class: 'heed', noValidate: true, onsubmit: keep }, h('p', {}, say('files.paper')),
      h('div', { class: 'fields' }, field(say('files.barX'), x), field(say('files.barY'), y), h('button', { type: 'submit' }, say('files.keepBars'))));
  }

  #title(key) {
    const [room, ...rest] = key.split('/');
    if (room === 'patch') return say('files.patchFor', { name: this.#patched(rest[0]) });
    if (room !== 'cut') return say(`files.groups.${room}`);
    const machine = this.choices?.machines.find((m) => rest[0] === m.key);
    const name = [machine?.title ?? rest[0], ...rest.slice(1)].filter(Boolean).join(', ');
    return name ? say('files.groups.cut', { machine: name }) : say('files.groups.others');
  }

  /** What a patch's folder (r2-T01) is for. */
  #patched(folder) {
    const [, revision, id] = /^r(\d+)-(.+)$/.exec(folder) ?? [null, '', folder];
    const name = this.job.state?.outlines?.find((o) => o.id === id)?.cells.name ?? '';
    return `${id} ${name} (${revision})`;
  }

  #address(f) { return `${this.job.path}/files/${f.file}`; }

  #item(f) {
    const link = h('a', { class: 'button', href: this.#address(f), download: f.name.split('/').pop(), onclick: (event) => this.#guard(event, link, f.old ? [f] : []), 'aria-label': say('files.get', { name: f.name }) }, '↓');
    return h('li', { class: f.old ? 'old' : null },
      h('button', { type: 'button', class: 'plain', onclick: () => this.#show(f), 'aria-label': say('files.show', { name: f.name }) }, f.name.split('/').pop()),
      h('span', { class: 'quiet' }, f.old ? h('strong', { class: 'old-mark' }, say('files.old'), ' ') : null, `${say(`files.kinds.${f.kind.replace('.', '-')}`)}, ${figure(f.bytes / 1000, 0)} kB`),
      link);
  }

  async #show(f) {
    this.shown = f.name;
    const fresh = this.job.state?.revision ?? '';
    const alt = say('files.preview', { name: f.name });
    const picture = (query, more = '') => h('img', { src: `${this.#address(f)}?${query}&r=${fresh}`, alt: alt + more, loading: 'lazy' });
    let body;
    if (TEXT.has(f.kind)) {
      const text = await fetch(`${this.#address(f)}?show`).then((r) => r.text(), () => '');
      if (this.shown !== f.name) return;
      body = h('pre', { tabIndex: 0, 'aria-label': alt }, text.slice(0, MAX_TEXT));
    } else if (f.kind === 'application/pdf') {
      body = Array.from({ length: f.pages }, (_, i) => picture(`page=${i}`, `, ${i + 1}`));
    } else body = picture(f.kind === 'image/vnd.dxf' ? 'picture' : 'show');
    show(this.preview, h('figcaption', {}, f.name, f.old ? h('strong', { class: 'old-mark' }, ' ', say('files.old')) : null), body);
    this.preview.scrollIntoView({ block: 'nearest' }); // a long list of files must not hide what was asked for
  }
}
