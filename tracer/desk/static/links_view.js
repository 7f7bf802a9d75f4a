// Phones: a new link as picture and code, and the list of open links, each of which can be revoked.

import { get, post, remove } from './api.js';
import { h, show } from './dom.js';
import { say } from './texts.js';

const clock = (seconds) => new Date(Date.now() + seconds * 1000).toLocaleTimeString([], { hour: '2-digit', minute: '2-digit' });

/** The open links of this desk; `refresh` when there is news of them. */
export class LinkList {
  constructor(message) {
    this.message = message;
    this.list = h('ul', { class: 'links' });
    this.element = h('section', { class: 'phone-links', hidden: true }, h('h2', {}, say('phone.links')), this.list);
    this.parts = new Map(); // link -> what is on its way
  }

  async refresh() {
    let found;
    try { found = await get('/api/links'); } catch { return; }
    this.links = found.links;
    this.#paint();
  }

  /** A phone's photo is on its way. */
  incoming({ link, name, part }) {
    if (!link) return;
    this.parts.set(link, part < 1 ? { name, part } : null);
    this.#paint();
  }

  #paint() {
    this.element.hidden = !this.links?.length;
    show(this.list, (this.links ?? []).map((link) => {
      const title = link.title ? say('phone.linkOf', { title: link.title }) : say('phone.linkNew');
      const part = this.parts.get(link.link);
      return h('li', {},
        h('span', {}, title, h('small', {}, link.address ? say('phone.joined', { address: link.address }) : say('phone.unused'), ' ', say('phone.ends', { at: clock(link.ends_in_s) })),
          part ? h('small', {}, say('phone.coming', { name: part.name, percent: Math.round(part.part * 100) })) : null),
        h('button', { type: 'button', 'aria-label': say('phone.revokeOf', { title }), onclick: () => this.#revoke(link.link) }, say('phone.revoke')));
    }));
  }

  async #revoke(link) {
    try { await remove(`/api/links/${link}`); } catch (error) { this.message(error.message); }
    this.refresh();
  }
}

/** Show a new link to a draft; `panel` where photos of a finished panel are meant. */
export async function invite(draft, title, panel = false) {
  const invitation = await post('/api/links', { draft, title, panel });
  const picture = h('img', { alt: say('phone.picture'), class: 'qr', src: URL.createObjectURL(new Blob([invitation.qr], { type: 'image/svg+xml' })) });
  const box = h('dialog', { 'aria-labelledby': 'phone-title', onclose: () => box.remove() },
    h('h2', { id: 'phone-title' }, say('phone.title')), picture,
    h('p', {}, say('phone.text', { address: invitation.address })),
    h('p', { class: 'code' }, `${say('phone.code')}: ${invitation.code}`),
    h('p', { class: 'quiet' }, say(panel ? 'phone.mayPanel' : 'phone.may', { at: clock(invitation.ends_in_s) })),
    h('p', { class: 'quiet' }, say('phone.caution')),
    h('button', { type: 'button', onclick: () => box.close() }, say('phone.close')));
  document.body.append(box);
  box.showModal();
  return { link: invitation.link, close: () => { if (box.open) box.close(); } };
}
