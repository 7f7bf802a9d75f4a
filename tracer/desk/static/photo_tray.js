// Photos for one purpose: chosen, dropped, or sent by a phone; they wait on the desk as a draft.

import { get, post, remove, upload, Refusal } from './api.js';
import { freshId, h, show } from './dom.js';
import { invite } from './links_view.js';
import { figure, say } from './texts.js';

export class PhotoTray extends EventTarget {
  /** `title` names the draft on the phone. A `change` event follows whenever photos come or go. */
  constructor(title, text, message) {
    super();
    Object.assign(this, { title, message, draft: null, photos: new Map(), next: 0 });
    const pick = h('input', { type: 'file', accept: 'image/*,.heic,.heif', multiple: true, class: 'unseen', id: freshId('pick'), onchange: () => { this.take(pick.files); pick.value = ''; } });
    this.list = h('ul', { class: 'photos', 'aria-label': say('drop.list') });
    this.element = h('div', { class: 'zone small' }, h('p', {}, text),
      h('div', { class: 'row' }, pick, h('label', { htmlFor: pick.id, class: 'button' }, say('drop.choose')),
        h('button', { type: 'button', onclick: () => this.invite() }, say('phone.open'))), this.list);
    this.stop = new AbortController();
    const { signal } = this.stop;
    document.addEventListener('dragover', (event) => { event.preventDefault(); this.element.classList.add('over'); }, { signal });
    document.addEventListener('dragleave', () => this.element.classList.remove('over'), { signal });
    document.addEventListener('drop', (event) => {
      event.preventDefault();
      this.element.classList.remove('over');
      this.take(event.dataTransfer.files);
    }, { signal });
  }

  close() { this.stop.abort(); }

  /** True once there are photos and none is still on its way. */
  get ready() {
    const all = [...this.photos.values()];
    return all.length > 0 && all.every((p) => p.done);
  }

  /** Empty again: the desk has taken the photos. */
  clear() {
    this.draft = null;
    this.photos.clear();
    this.#changed();
  }

  async #own() { this.draft ??= (await post('/api/drafts')).draft; }

  /** Show how a phone can send photos here. */
  async invite() {
    try {
      await this.#own();
      this.invitation = await invite(this.draft, this.title);
    } catch (error) { this.message(error.message); }
  }

  async take(files) {
    for (const file of [...files]) {
      const number = this.next;
      this.next += 1;
      const photo = { name: file.name, size: file.size, part: 0, done: false };
      this.photos.set(number, photo);
      this.#changed();
      try {
        await this.#own();
        await upload(`/api/drafts/${this.draft}/photos/${number}?name=${encodeURIComponent(file.name)}`, file, (part) => { photo.part = part; this.#paint(); });
        photo.done = true;
      } catch (error) {
        this.photos.delete(number);
        this.message(error instanceof Refusal ? `${file.name}: ${error.message}` : say('line.lost'));
      }
      this.#changed();
    }
  }

  /** News of the desk: photos that a phone sent, a link that was taken. */
  async news(news) {
    if (news.kind === 'draft' && news.draft === this.draft) {
      const there = new Set(news.photos.map((p) => p.number));
      for (const p of news.photos) if (p.link && !this.photos.has(p.number)) this.photos.set(p.number, { name: p.name, size: p.bytes, part: 1, done: true, phone: true });
      for (const [number, p] of this.photos) if (p.done && !there.has(number)) this.photos.delete(number);
      this.#changed();
    } else if (news.kind === 'links' && this.invitation) {
      try {
        const { links } = await get('/api/links');
        const mine = links.find((one) => one.link === this.invitation?.link);
        if (!mine || mine.address) this.invitation?.close(); // taken, or gone: no more to scan
      } catch { /* the next news tells again */ }
    }
  }

  #changed() {
    this.#paint();
    this.dispatchEvent(new Event('change'));
  }

  #paint() {
    show(this.list, [...this.photos].map(([number, p]) => h('li', {}, h('span', {}, p.name), ' ',
      h('span', { class: 'quiet' }, p.done ? [say('drop.sent', { mb: figure(p.size / 1e6) }), p.phone ? `, ${say('phone.sent')}` : ''] : say('drop.sending', { percent: Math.round(p.part * 100) })),
      h('button', { type: 'button', class: 'plain', 'aria-label': say('drop.remove', { name: p.name }), onclick: () => this.#takeOut(number) }, '×'))));
  }

  async #takeOut(number) {
    this.photos.delete(number);
    this.#changed();
    await remove(`/api/drafts/${this.draft}/photos/${number}`).catch(() => {});
  }
}
