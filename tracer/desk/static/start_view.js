// The first page: jobs that are there, and a place to lay photos for a new one.

import { get, post, remove, upload, Refusal } from './api.js';
import { field, freshId, h, show } from './dom.js';
import { firstView } from './first_view.js';
import { LinkList, invite } from './links_view.js';
import { readLength, readPair } from './lay_settings.js';
import { fieldLength, figure, say, when } from './texts.js';

export class StartView {
  /** `first` is a first run that a page loaded anew takes up: its draft, and what was typed. */
  constructor(openJob, message, furtherTo = null, first = null) {
    Object.assign(this, { openJob, message, draft: null, photos: new Map(), next: 0 });
    this.links = new LinkList(message);
    this.jobs = h('ul', { class: 'jobs' });
    this.list = h('ul', { class: 'photos', 'aria-label': say('drop.list') });
    this.error = h('p', { class: 'refusal', role: 'alert', hidden: true });
    this.first = firstView(openJob, message);
    this.element = h('div', { class: 'view start' }, this.first, h('section', {}, h('h1', {}, say('newJob')), this.#form()),
      h('section', {}, this.links.element, h('h2', {}, say('jobs')), this.jobs));
    if (furtherTo) {
      this.name.value = furtherTo;
      this.add.checked = true;
    }
    this.#watchDrops();
    this.load();
    if (first) this.#takeUpRun(first);
    else this.#takeUp(furtherTo);
  }

  async #takeUpRun(first) {
    this.draft = first.draft;
    this.name.value = first.name ?? '';
    this.card.value = first.card_size_mm?.map(fieldLength).join(' x ') ?? '';
    this.height.value = fieldLength(first.default_height_mm);
    this.cables.checked = first.keep_cables === true;
    this.add.checked = first.add === true;
    try { this.#adopt((await get(`/api/drafts/${this.draft}`)).photos, true); } catch { this.draft = null; }
  }

  /** The photos of an open link are taken up again after the page was loaded anew. */
  async #takeUp(furtherTo) {
    await this.links.refresh();
    const link = this.links.links?.at(-1);
    if (!link || this.draft || furtherTo) return;
    this.draft = link.draft;
    if (link.title) this.name.value ||= link.title;
    try { this.#adopt((await get(`/api/drafts/${this.draft}`)).photos, true); } catch { this.draft = null; }
  }

  close() { this.stop?.abort(); }

  /** Show how a phone can send photos for this lay. */
  async invite() {
    try {
      await this.#ownDraft();
      this.invitation = await invite(this.draft, this.name.value.trim());
    } catch (error) { this.message(error.message); }
  }

  async #ownDraft() {
    this.draft ??= (await post('/api/drafts')).draft;
  }

  /** News of phones: links, photos on their way, photos that are here. */
  async news(news) {
    if (news.kind === 'links') {
      await this.links.refresh();
      const mine = this.links.links?.find((one) => one.link === this.invitation?.link);
      if (!mine || mine.address) this.invitation?.close(); // taken, or gone: no more to scan
    } else if (news.kind === 'upload') this.links.incoming(news);
    else if (news.kind === 'draft' && news.draft === this.draft) this.#adopt(news.photos);
  }

  /** Photos of the draft that this page did not send itself. */
  #adopt(records, all = false) {
    const there = new Set(records.map((r) => r.number));
    for (const r of records) {
      if (!this.photos.has(r.number) && (r.link || all)) {
        this.photos.set(r.number, { name: r.name, size: r.bytes, part: 1, done: true, phone: Boolean(r.link) });
        this.links.incoming({ link: r.link, name: r.name, part: 1 });
        if (!r.link) this.next = Math.max(this.next, r.number + 1);
      }
    }
    for (const [number, photo] of this.photos) if (photo.done && !there.has(number)) this.photos.delete(number);
    this.#list();
  }

  /** Back after a run that failed: the photos and what was typed are still here. */
  resume(text) {
    this.#watchDrops();
    this.#refuse(text);
    this.error.scrollIntoView({ block: 'nearest' });
  }

  async load() {
    try {
      const { jobs } = await get('/api/jobs');
      this.known = jobs.map((j) => j.name);
      this.first.classList.toggle('seen', jobs.length > 0);
      show(this.jobs, jobs.length ? jobs.map((j) => h('li', {},
        h('button', { type: 'button', class: 'wide job', onclick: () => this.openJob(j.job), 'aria-label': say('open', { name: j.name }) },
          j.picture ? h('img', { src: `/api/jobs/${j.job}/face?${j.changed}`, alt: '', loading: 'lazy' }) : null,
          h('span', {}, j.name, h('small', {}, when(j.changed))))))
        : h('li', { class: 'quiet' }, say('noJobs')));
    } catch (error) { this.message(error.message); }
  }

  #form() {
    const pick = h('input', { type: 'file', accept: 'image/*,.heic,.heif', multiple: true, class: 'unseen', id: freshId('pick'), onchange: () => { this.take(pick.files); pick.value = ''; } });
    const shoot = h('input', { type: 'file', accept: 'image/*', capture: 'environment', class: 'unseen', id: freshId('shoot'), onchange: () => { this.take(shoot.files); shoot.value = ''; } });
    this.name = h('input', { type: 'text', autocomplete: 'off', maxLength: 100, required: true });
    this.height = h('input', { type: 'text', inputMode: 'decimal', autocomplete: 'off' });
    this.card = h('input', { type: 'text', autocomplete: 'off', placeholder: `${fieldLength(168)} x ${fieldLength(112)}` });
    this.cables = h('input', { type: 'checkbox', id: freshId('cables') });
    this.add = h('input', { type: 'checkbox', id: freshId('add') });
    this.go = h('button', { type: 'submit', class: 'main' }, say('drop.go'));
    this.zone = h('div', { class: 'zone' },
      h('p', { class: 'zone-title' }, say('drop.title')), h('p', {}, say('drop.text')),
      h('div', { class: 'row' },
        pick, h('label', { htmlFor: pick.id, class: 'button' }, say('drop.choose')),
        h('span', { class: 'phone-only' }, shoot, h('label', { htmlFor: shoot.id, class: 'button' }, say('drop.take')))),
      this.list);
    const form = h('form', { class: 'new-job', noValidate: true, onsubmit: (event) => { event.preventDefault(); this.#trace(); } },
      this.zone, this.error,
      h('div', { class: 'fields' },
        field(say('drop.name'), this.name),
        field(say('drop.card'), this.card, say('drop.cardHint')),
        field(say('drop.height'), this.height, say('drop.heightHint')),
        h('div', { class: 'field check' }, this.cables, h('label', { htmlFor: this.cables.id }, say('drop.cables'))),
        h('div', { class: 'field check' }, this.add, h('label', { htmlFor: this.add.id }, say('drop.add')))),
      this.go);
    this.#list();
    return form;
  }

  #watchDrops() {
    this.stop = new AbortController();
    const { signal } = this.stop;
    document.addEventListener('dragover', (event) => { event.preventDefault(); this.zone.classList.add('over'); }, { signal });
    document.addEventListener('dragleave', () => this.zone.classList.remove('over'), { signal });
    document.addEventListener('drop', (event) => {
      event.preventDefault();
      this.zone.classList.remove('over');
      this.take(event.dataTransfer.files);
    }, { signal });
  }

  /** Send files to the desk. */
  async take(files) {
    for (const file of [...files]) {
      const number = this.next;
      this.next += 1;
      if (!this.name.value) this.name.value = file.name.replace(/\.[^.]*$/, '').slice(0, 100);
      const photo = { name: file.name, size: file.size, part: 0, done: false };
      this.photos.set(number, photo);
      this.#list();
      try {
        await this.#ownDraft();
        await upload(`/api/drafts/${this.draft}/photos/${number}?name=${encodeURIComponent(file.name)}`, file, (part) => { photo.part = part; this.#list(); });
        photo.done = true;
      } catch (error) {
        this.photos.delete(number);
        this.#refuse(error instanceof Refusal ? `${file.name}: ${error.message}` : say('line.lost'));
      }
      this.#list();
    }
  }

  #list() {
    show(this.list, [...this.photos].map(([number, p]) => h('li', {}, h('span', {}, p.name), ' ',
      h('span', { class: 'quiet' }, p.done ? [say('drop.sent', { mb: figure(p.size / 1e6) }), p.phone ? `, ${say('phone.sent')}` : ''] : say('drop.sending', { percent: Math.round(p.part * 100) })),
      h('button', { type: 'button', class: 'plain', 'aria-label': say('drop.remove', { name: p.name }), onclick: () => this.#takeOut(number) }, '×'))));
    this.go.disabled = ![...this.photos.values()].some((p) => p.done) || [...this.photos.values()].some((p) => !p.done);
  }

  async #takeOut(number) {
    this.photos.delete(number);
    this.#list();
    await remove(`/api/drafts/${this.draft}/photos/${number}`).catch(() => {});
  }

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
      const { job } = await post(`/api/drafts/${this.draft}/trace`, {
        name: this.name.value, card_size_mm: card, default_height_mm: height, keep_cables: this.cables.checked, add: this.add.checked,
      });
      this.openJob(job, { from: this });
    } catch (error) { this.#refuse(error.message); }
  }
}
