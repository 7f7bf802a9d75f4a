// The export view: every file of the job to look at and take away.

import { get } from './api.js';
import { h, show } from './dom.js';
import { figure, say } from './texts.js';

const SHOWN = new Set(['image/svg+xml', 'image/jpeg', 'image/png']);

export class FilesView {
  constructor(job, message) {
    Object.assign(this, { job, message });
    this.list = h('ul', { class: 'files' });
    this.preview = h('figure', { class: 'preview' });
    this.all = h('a', { class: 'button main', href: `${job.path}/all-files`, download: '' }, say('files.all'));
    this.element = h('div', { class: 'view files' },
      h('section', { 'aria-label': say('files.label') }, h('h1', {}, say('files.label')), this.all, this.list),
      h('section', { class: 'preview-room', 'aria-live': 'polite' }, this.preview));
    this.onState = () => this.load();
    job.addEventListener('state', this.onState);
    this.load();
  }

  close() { this.job.removeEventListener('state', this.onState); }

  async load() {
    let files = [];
    try { ({ files } = await get(`${this.job.path}/files`)); } catch (error) { this.message(error.message); }
    this.all.hidden = files.length === 0;
    show(this.list, files.length ? files.map((f) => this.#item(f)) : h('li', { class: 'quiet' }, say('files.none')));
    const first = files.find((f) => f.name === this.shown) ?? files.find((f) => f.kind === 'image/svg+xml') ?? files.find((f) => SHOWN.has(f.kind));
    if (first) this.#show(first);
  }

  #item(f) {
    const address = `${this.job.path}/files/${f.file}`;
    return h('li', {},
      SHOWN.has(f.kind) ? h('button', { type: 'button', class: 'plain', onclick: () => this.#show(f), 'aria-label': say('files.show', { name: f.name }) }, f.name) : h('span', {}, f.name),
      h('span', { class: 'quiet' }, `${say(`files.kinds.${f.kind}`)}, ${figure(f.bytes / 1000, 0)} kB`),
      h('a', { class: 'button', href: address, download: f.name.split('/').pop(), 'aria-label': say('files.get', { name: f.name }) }, '↓'));
  }

  #show(f) {
    this.shown = f.name;
    show(this.preview, h('img', { src: `${this.job.path}/files/${f.file}?show&r=${this.job.state?.revision ?? ''}`, alt: say('files.preview', { name: f.name }) }),
      h('figcaption', {}, f.name));
  }
}
