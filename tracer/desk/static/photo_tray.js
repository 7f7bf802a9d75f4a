// Photos for one purpose: chosen, dropped, taken, or sent by a phone; they wait on the desk as a draft.

import { get, post, remove, upload, Refusal } from './api.js';
import { freshId, h, show } from './dom.js';
import { invite } from './links_view.js';
import { figure, say } from './texts.js';

export class PhotoTray extends EventTarget {
  /** `head` stands above the buttons; `title()` names the draft on the phone; `refused(text)` tells
   *  what was not taken; `shoot` offers the camera, `phone` a button that invites one, `panel` says
   *  that photos of a finished panel are meant. Events:
   *  `change` whenever photos come or go, `named` with the first file's name, `arrived` with a
   *  record of a photo that this page did not send. */
  constructor({ head, title, refused, kind = 'zone', shoot = false, phone = false, panel = false }) {
    super();
    Object.assign(this, { title, refused, panel, draft: null, photos: new Map(), next: 0 });
    const pick = this.#input('pick', { multiple: true });
    const camera = shoot ? this.#input('shoot', { capture: 'environment' }) : null;
    this.list = h('ul', { class: 'photos', 'aria-label': say('drop.list') });
    this.element = h('div', { class: kind }, head,
      h('div', { class: 'row' }, pick, h('label', { htmlFor: pick.id, class: 'button' }, say('drop.choose')),
        camera ? h('span', { class: 'phone-only' }, camera, h('label', { htmlFor: camera.id, class: 'button' }, say('drop.take'))) : null,
        phone ? h('button', { type: 'button', onclick: () => this.invite() }, say('phone.open')) : null), this.list);
    this.watch();
  }

  #input(stem, more) {
    const accept = more.capture ? 'image/*' : 'image/*,.heic,.heif';
    const input = h('input', { type: 'file', accept, class: 'unseen', id: freshId(stem), ...more, onchange: () => { this.take(input.files); input.value = ''; } });
    return input;
  }

  /** Take what is dropped anywhere on the page, until it is closed. */
  watch() {
    this.stop?.abort();
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

  close() { this.stop?.abort(); }

  /** True once there are photos and none is still on its way. */
  get ready() {
    const all = [...this.photos.values()];
    return all.length > 0 && all.every((p) => p.done);
  }

  async #own() { this.draft ??= (await post('/api/drafts')).draft; }

  /** Show how a phone can send photos here. */
  async invite() {
    try {
      await this.#own();
      this.invitation = await invite(this.draft, this.title(), this.panel);
    } catch (error) { this.refused(error.message); }
  }

  /** Go on with a draft that is on the desk already; false where it is gone. */
  async takeUp(draft) {
    this.draft = draft;
    try {
      this.#adopt((await get(`/api/drafts/${draft}`)).photos, true);
      return true;
    } catch {
      this.draft = null;
      return false;
    }
  }

  /** Send files to the desk. */
  async take(files) {
    for (const file of [...files]) {
      const number = this.next;
      this.next += 1;
      this.dispatchEvent(new CustomEvent('named', { detail: file.name }));
      const photo = { name: file.name, size: file.size, part: 0, done: false };
      this.photos.set(number, photo);
      this.#changed();
      try {
        await this.#own();
        await upload(`/api/drafts/${this.draft}/photos/${number}?name=${encodeURIComponent(file.name)}`, file, (part) => { photo.part = part; this.#paint(); });
        photo.done = true;
      } catch (error) {
        this.photos.delete(number);
        this.refused(error instanceof Refusal ? `${file.name}: ${error.message}` : say('line.lost'));
      }
      this.#changed();
    }
  }

  /** News of the desk: photos that a phone sent, a link that was taken. */
  async news(news) {
    if (news.kind === 'draft' && news.draft === this.draft) this.#adopt(news.photos);
    else if (news.kind === 'links' && this.invitation) {
      try {
        const { links } = await get('/api/links');
        const mine = links.find((one) => one.link === this.invitation?.link);
        if (!mine || mine.address) this.invitation?.close(); // taken, or gone: no more to scan
      } catch { /* the next news tells again */ }
    }
  }

  /** Photos of the draft that this page did not send itself. */
  #adopt(records, all = false) {
    const there = new Set(records.map((r) => r.number));
    for (const r of records) {
      if (this.photos.has(r.number) || !(r.link || all)) continue;
      this.photos.set(r.number, { name: r.name, size: r.bytes, part: 1, done: true, phone: Boolean(r.link) });
      this.dispatchEvent(new CustomEvent('arrived', { detail: r }));
      if (!r.link) this.next = Math.max(this.next, r.number + 1);
    }
    for (const [number, photo] of this.photos) if (photo.done && !there.has(number)) this.photos.delete(number);
    this.#changed();
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
