// The photo of a new tool with what was found in it: a press says which one is meant.

import { h, s, show } from './dom.js';
import { say } from './texts.js';

export class SeenTools extends EventTarget {
  constructor() {
    super();
    this.picture = h('img', { alt: '' });
    this.over = s('svg', { role: 'group', 'aria-label': say('swap.seen') });
    this.words = h('figcaption', { role: 'status' });
    this.element = h('figure', { class: 'seen-tools', hidden: true }, this.words, h('div', { class: 'seen-room' }, this.picture, this.over));
  }

  /** What the desk saw in the photo of this draft; `which` asks for a choice. A `point` event gives
   *  the place (px of the upright photo) that was chosen. */
  show(seen, draft, which) {
    this.element.hidden = !seen;
    this.element.classList.toggle('asks', Boolean(which));
    if (!seen) return;
    const address = `/api/drafts/${draft}/photos/${seen.photo}`;
    if (!this.picture.src.endsWith(address)) this.picture.src = address;
    const [w, hh] = seen.size_px;
    const many = seen.tools.length > 1;
    this.words.textContent = say(which ? 'swap.which' : many ? 'swap.seenMany' : 'swap.seen', { count: seen.tools.length });
    this.over.setAttribute('viewBox', `0 0 ${w} ${hh}`);
    if (which) this.element.scrollIntoView({ block: 'nearest' });
    show(this.over, seen.tools.map((tool, k) => this.#tool(tool, k + 1, many, w / 28)));
  }

  #tool(tool, number, many, size) {
    const [x, y] = tool.at;
    const act = () => this.dispatchEvent(new CustomEvent('point', { detail: tool.at }));
    const parts = [
      s('path', { d: `M${tool.ring.map((p) => p.join(' ')).join('L')}Z` }),
      many ? s('text', { x, y, 'font-size': size }, String(number)) : null,
    ];
    if (!many) return s('g', { class: 'seen-tool taken' }, parts);
    return s('g', {
      class: `seen-tool${tool.taken ? ' taken' : ''}`, tabindex: 0, role: 'button', 'aria-pressed': String(tool.taken), 'aria-label': say('swap.seenTool', { number }),
      onclick: act, onkeydown: (event) => { if (event.key === 'Enter' || event.key === ' ') { event.preventDefault(); act(); } },
    }, parts);
  }
}
