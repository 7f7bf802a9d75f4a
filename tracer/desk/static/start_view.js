// The first page: jobs that are there, and a place to lay photos for a new one.

import { get, post } from './api.js';
import { field, freshId, h, show } from './dom.js';
import { firstView } from './first_view.js';
import { LinkList } from './links_view.js';
import { readLength, readPair } from './lay_settings.js';
import { PhotoTray } from './photo_tray.js';
import { fieldLength, say, when } from './texts.js';

export class StartView {
  /** `first` is a first run that a page loaded anew takes up: its draft, and what was typed. */
  constructor(openJob, message, furtherTo = null, first = null) {
    Object.assign(this, { openJob, message });
    this.links = new LinkList(message);
    this.jobs = h('ul', { class: 'jobs' });
    this.error = h('p', { class: 'refusal', role: 'alert', hidden: true });
    this.first = firstView(openJob, message);
    this.tray = new PhotoTray({
      head: [h('p', { class: 'zone-title' }, say('drop.title')), h('p', {}, say('drop.text'))],
      title: () => this.name.value.trim(), refused: (text) => this.#refuse(text), shoot: true,
    });
    this.tray.addEventListener('change', () => this.#paint());
    this.tray.addEventListener('named', ({ detail }) => { this.name.value ||= detail.replace(/\.[^.]*$/, '').slice(0, 100); });
    this.tray.addEventListener('arrived', ({ detail }) => this.links.incoming({ link: detail.link, name: detail.name, part: 1 }));
    this.element = h('div', { class: 'view start' }, this.first, h('section', {}, h('h1', {}, say('newJob')), this.#form()),
      h('section', {}, this.links.element, h('h2', {}, say('jobs')), this.jobs));
    if (furtherTo) {
      this.name.value = furtherTo;
      this.add.checked = true;
    }
    this.load();
    if (first) this.#takeUpRun(first);
    else this.#takeUp(furtherTo);
  }

  async #takeUpRun(first) {
    this.name.value = first.name ?? '';
    this.card.value = first.card_size_mm?.map(fieldLength).join(' x ') ?? '';
    this.height.value = fieldLength(first.default_height_mm);
    this.cables.checked = first.keep_cables === true;
    this.add.checked = first.add === true;
    await this.tray.takeUp(first.draft);
  }

  /** The photos of an open link are taken up again after the page was loaded anew. */
  async #takeUp(furtherTo) {
    await this.links.refresh();
    const link = this.links.links?.at(-1);
    if (!link || this.tray.draft || furtherTo) return;
    if (link.title) this.name.value ||= link.title;
    await this.tray.takeUp(link.draft);
  }

  close() { this.tray.close(); }

  /** Show how a phone can send photos for this lay. */
  invite() { return this.tray.invite(); }

  /** News of phones: links, photos on their way, photos that are here. */
  async news(news) {
    if (news.kind === 'upload') this.links.incoming(news);
    if (news.kind === 'links') await this.links.refresh();
    await this.tray.news(news);
  }

  /** Back after a run that failed: the photos and what was typed are still here. */
  resume(text) {
    this.tray.watch();
    this.#refuse(text);
    this.error.scrollIntoView({ block: 'nearest' });
  }

  async load() {
    try {
      const { jobs } = await get('/api/jobs');
      this.first.classList.toggle('seen', jobs.length > 0);
      show(this.jobs, jobs.length ? jobs.map((j) => h('li', {},
        h('button', { type: 'button', class: 'wide job', onclick: () => this.openJob(j.job), 'aria-label': say('open', { name: j.name }) },
          j.picture ? h('img', { src: `/api/jobs/${j.job}/face?${j.changed}`, alt: '', loading: 'lazy' }) : null,
          h('span', {}, j.name, h('small', {}, when(j.changed))))))
        : h('li', { class: 'quiet' }, say('noJobs')));
    } catch (error) { this.message(error.message); }
  }

  #form() {
    this.name = h('input', { type: 'text', autocomplete: 'off', maxLength: 100, required: true });
    this.height = h('input', { type: 'text', inputMode: 'decimal', autocomplete: 'off' });
    this.card = h('input', { type: 'text', autocomplete: 'off', placeholder: `${fieldLength(168)} x ${fieldLength(112)}` });
    this.cables = h('input', { type: 'checkbox', id: freshId('cables') });
    this.add = h('input', { type: 'checkbox', id: freshId('add') });
    this.go = h('button', { type: 'submit', class: 'main' }, say('drop.go'));
    this.#paint();
    return h('form', { class: 'new-job', noValidate: true, onsubmit: (event) => { event.preventDefault(); this.#trace(); } },
      this.tray.element, this.error,
      h('div', { class: 'fields' },
        field(say('drop.name'), this.name),
        field(say('drop.card'), this.card, say('drop.cardHint')),
        field(say('drop.height'), this.height, say('drop.heightHint')),
        h('div', { class: 'field check' }, this.cables, h('label', { htmlFor: this.cables.id }, say('drop.cables'))),
        h('div', { class: 'field check' }, this.add, h('label', { htmlFor: this.add.id }, say('drop.add')))),
      this.go);
  }

  #paint() { this.go.disabled = !this.tray.ready; }

  #refuse(text) {
    this.error.hidden = !text;
    this.error.textContent = text;
  }

  async #trace() {
    this.#refuse('');
    const card = readPair(this.card.value);
    const height = readLength(this.height.value, 0, 500);
    if (card === undefined) { this.#refuse(say('drop.unreadableSize')); this.card.focus(); return; }
    if (height === undefined) { this.#refuse(say('drop.unreadableHeight')); this.height.focus(); return; }
    if (!this.name.value.trim()) { this.#refuse(say('drop.needName')); this.name.focus(); return; }
    try {
      const { job } = await post(`/api/drafts/${this.tray.draft}/trace`, {
        name: this.name.value, card_size_mm: card, default_height_mm: height, keep_cables: this.cables.checked, add: this.add.checked,
      });
      this.openJob(job, { from: this });
    } catch (error) { this.#refuse(error.message); }
  }
}
