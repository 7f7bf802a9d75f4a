// A photo in tiles that pans and zooms: wheel, drag, two fingers, keyboard.
//
// Photo pixels have their centres at whole numbers, so the photo's rim is at -0.5. On the screen
// (CSS pixels): screen = (photo + 0.5) * scale + offset.

import { h, s } from './dom.js';
import { say } from './texts.js';

const MAX_SCALE = 16; // screen pixels per photo pixel: single pixels are plain to see
const KEPT_TILES = 300;
const HALF = 0.5; // from a pixel's rim to its centre
const PAN_PX = 80;
const CLICK_PX = 4; // a pointer that moved less was a click

export class Viewport extends EventTarget {
  constructor() {
    super();
    this.canvas = h('canvas', { 'aria-hidden': 'true' });
    this.drawing = s('g', { class: 'drawing' });
    this.svg = s('svg', { class: 'overlay', 'aria-hidden': 'true' }, this.drawing);
    this.element = h('div', { class: 'picture', tabIndex: 0, role: 'application' }, this.canvas, this.svg);
    this.tiles = new Map();
    this.photo = null;
    this.scale = 1;
    this.offset = [0, 0];
    this.pointers = new Map();
    this.tool = null; // a drawing tool that takes the pointer, or null
    this.#listen();
    new ResizeObserver(() => this.#resize()).observe(this.element);
  }

  /** Show a photo: {photo, name, size_px, levels, tile_px} under a job's path. */
  setPhoto(jobPath, photo) {
    if (this.photo?.photo === photo.photo) return;
    this.photo = photo;
    this.base = `${jobPath}/photos/${photo.photo}/tiles`;
    this.tiles.clear();
    this.element.setAttribute('aria-label', say('picture.label', { name: photo.name }));
    this.fitted = false;
    this.#resize();
  }

  toPhoto(x, y) {
    return [(x - this.offset[0]) / this.scale - 0.5, (y - this.offset[1]) / this.scale - 0.5];
  }

  toScreen(px, py) {
    return [(px + 0.5) * this.scale + this.offset[0], (py + 0.5) * this.scale + this.offset[1]];
  }

  fit() {
    const [w, hh] = this.photo?.size_px ?? [1, 1];
    this.scale = this.#fitScale();
    this.offset = [(this.width - w * this.scale) / 2, (this.height - hh * this.scale) / 2];
    this.fitted = true;
    this.redraw();
  }

  /** Show this box of the photo (photo pixels) as large as it fits. */
  frame([x0, y0, x1, y1]) {
    if (!this.width) return;
    this.scale = Math.min(this.width / (x1 - x0), this.height / (y1 - y0)) * 0.94;
    this.offset = [this.width / 2 - ((x0 + x1) / 2 + 0.5) * this.scale, this.height / 2 - ((y0 + y1) / 2 + 0.5) * this.scale];
    this.fitted = false;
    this.redraw();
  }

  zoomBy(factor, x = this.width / 2, y = this.height / 2) {
    const scale = Math.min(Math.max(this.scale * factor, this.#fitScale() * 0.5), MAX_SCALE);
    const k = scale / this.scale;
    this.offset = [x - (x - this.offset[0]) * k, y - (y - this.offset[1]) * k];
    this.scale = scale;
    this.fitted = false;
    this.redraw();
  }

  panBy(dx, dy) {
    const [w, hh] = this.photo?.size_px ?? [1, 1];
    const keep = 40; // so much of the photo always stays in sight
    this.offset = [
      Math.min(Math.max(this.offset[0] + dx, keep - w * this.scale), this.width - keep),
      Math.min(Math.max(this.offset[1] + dy, keep - hh * this.scale), this.height - keep),
    ];
    this.fitted = false;
    this.redraw();
  }

  /** Bring a box in photo pixels into sight, without moving when it is there already. */
  reveal([x0, y0, x1, y1], { closer = false } = {}) {
    const [ax, ay] = this.toScreen(x0, y0);
    const [bx, by] = this.toScreen(x1, y1);
    const inside = ax >= 0 && ay >= 0 && bx <= this.width && by <= this.height;
    if (inside && !closer) return;
    const wanted = 0.6 * Math.min(this.width / Math.max(x1 - x0, 1), this.height / Math.max(y1 - y0, 1));
    if (closer || wanted < this.scale) this.scale = Math.min(Math.max(wanted, this.#fitScale()), MAX_SCALE);
    this.offset = [
      this.width / 2 - ((x0 + x1) / 2 + 0.5) * this.scale,
      this.height / 2 - ((y0 + y1) / 2 + 0.5) * this.scale,
    ];
    this.fitted = false;
    this.redraw();
  }

  redraw() {
    if (this.asked) return;
    this.asked = requestAnimationFrame(() => { this.asked = 0; this.#draw(); });
  }

  #fitScale() {
    const [w, hh] = this.photo?.size_px ?? [1, 1];
    return Math.min(this.width / w, this.height / hh) * 0.98 || 1;
  }

  #resize() {
    const box = this.element.getBoundingClientRect();
    if (!box.width || !box.height) return;
    const first = !this.width;
    // the bar above grows and shrinks with the tool chosen: the photo stays where it is on the screen
    const top = this.element.offsetTop;
    if (this.top !== undefined && !this.fitted) this.offset[1] -= top - this.top;
    this.top = top;
    this.width = box.width;
    this.height = box.height;
    const ratio = Math.min(window.devicePixelRatio || 1, 2);
    this.ratio = ratio;
    this.canvas.width = Math.round(box.width * ratio);
    this.canvas.height = Math.round(box.height * ratio);
    if (this.photo && (first || this.fitted || this.fitted === false && this.scale === 1)) this.fit();
    else this.redraw();
  }

  #draw() {
    if (!this.photo?.size_px || !this.width) return;
    const context = this.canvas.getContext('2d');
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, this.canvas.width, this.canvas.height);
    this.#place();
    const top = this.photo.levels - 1;
    if (top < 0) return; // a drawing without a photo
    const wanted = Math.min(Math.max(Math.floor(Math.log2(1 / (this.scale * this.ratio)) + 0.25), 0), top);
    context.imageSmoothingEnabled = this.scale < 3;
    // coarse tiles below fill the gaps while finer ones are on their way
    for (const level of new Set([top, Math.min(wanted + 1, top), wanted])) {
      this.#drawLevel(context, level, level === wanted || level === top);
    }
  }

  #place() {
    const shift = HALF * this.scale;
    this.drawing.setAttribute('transform', `translate(${this.offset[0] + shift} ${this.offset[1] + shift}) scale(${this.scale})`);
    this.dispatchEvent(new Event('view'));
  }

  #drawLevel(context, level, load) {
    const { size_px: [w, hh], tile_px: side } = this.photo;
    const span = side * 2 ** level;
    const [x0, y0] = this.toPhoto(0, 0);
    const [x1, y1] = this.toPhoto(this.width, this.height);
    const k = this.scale * this.ratio;
    for (let ty = Math.max(0, Math.floor(y0 / span)); ty * span < Math.min(hh, y1 + 1); ty += 1) {
      for (let tx = Math.max(0, Math.floor(x0 / span)); tx * span < Math.min(w, x1 + 1); tx += 1) {
        const tile = this.#tile(level, tx, ty, load);
        if (!tile) continue;
        const left = Math.round(tx * span * k + this.offset[0] * this.ratio);
        const upper = Math.round(ty * span * k + this.offset[1] * this.ratio);
        // the last tile of a level may stand for half a pixel more than the photo has
        const right = Math.round((tx * span + tile.width * 2 ** level) * k + this.offset[0] * this.ratio);
        const lower = Math.round((ty * span + tile.height * 2 ** level) * k + this.offset[1] * this.ratio);
        context.drawImage(tile, left, upper, right - left, lower - upper);
      }
    }
  }

  #tile(level, x, y, load) {
    const key = `${level}/${x}/${y}`;
    const known = this.tiles.get(key);
    if (known) {
      this.tiles.delete(key);
      this.tiles.set(key, known); // the latest used last
      return known.ready ? known.image : null;
    }
    if (!load) return null;
    const entry = { image: new Image(), ready: false };
    entry.image.onload = () => { entry.ready = true; this.redraw(); };
    entry.image.onerror = () => setTimeout(() => this.tiles.delete(key), 2000);
    entry.image.decoding = 'async';
    entry.image.src = `${this.base}/${key}`;
    this.tiles.set(key, entry);
    for (const old of this.tiles.keys()) {
      if (this.tiles.size <= KEPT_TILES) break;
      this.tiles.delete(old);
    }
    return null;
  }

  #at(event) {
    const box = this.element.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  #listen() {
    const e = this.element;
    e.addEventListener('wheel', (event) => {
      event.preventDefault();
      const lines = event.deltaMode === 1 ? 16 : 1;
      this.zoomBy(Math.exp(-event.deltaY * lines * (event.ctrlKey ? 0.01 : 0.0016)), ...this.#at(event));
    }, { passive: false });
    e.addEventListener('pointerdown', (event) => this.#down(event));
    e.addEventListener('pointermove', (event) => this.#move(event));
    for (const kind of ['pointerup', 'pointercancel']) e.addEventListener(kind, (event) => this.#up(event));
    e.addEventListener('dblclick', (event) => this.tool?.finish?.(event));
    e.addEventListener('keydown', (event) => this.#key(event));
    e.addEventListener('contextmenu', (event) => event.preventDefault());
  }

  #down(event) {
    if (event.button > 1) return;
    this.element.focus({ preventScroll: true });
    this.element.setPointerCapture(event.pointerId);
    const at = this.#at(event);
    this.pointers.set(event.pointerId, at);
    if (this.pointers.size === 2) {
      this.tool?.cancelStroke?.();
      this.moved = Infinity;
      return;
    }
    this.start = at;
    this.moved = 0;
    this.pans = !this.tool || event.button === 1 || event.altKey;
    if (!this.pans && this.tool.down?.(this.toPhoto(...at), event) === false) this.pans = true;
  }

  #move(event) {
    const at = this.#at(event);
    const before = this.pointers.get(event.pointerId);
    if (!before) {
      this.tool?.hover?.(this.toPhoto(...at), event);
      return;
    }
    if (this.pointers.size === 2) {
      const other = [...this.pointers].find(([id]) => id !== event.pointerId)[1];
      const was = Math.hypot(before[0] - other[0], before[1] - other[1]);
      const is = Math.hypot(at[0] - other[0], at[1] - other[1]);
      this.pointers.set(event.pointerId, at);
      this.zoomBy(is / Math.max(was, 1), (at[0] + other[0]) / 2, (at[1] + other[1]) / 2);
      this.panBy((at[0] - before[0]) / 2, (at[1] - before[1]) / 2);
      return;
    }
    this.pointers.set(event.pointerId, at);
    this.moved = Math.max(this.moved, Math.hypot(at[0] - this.start[0], at[1] - this.start[1]));
    if (this.pans) {
      this.panBy(at[0] - before[0], at[1] - before[1]);
      return;
    }
    for (const part of event.getCoalescedEvents?.() ?? [event]) this.tool.move?.(this.toPhoto(...this.#at(part)), event);
  }

  #up(event) {
    if (!this.pointers.delete(event.pointerId)) return;
    const at = this.#at(event);
    const click = this.moved < CLICK_PX && event.type === 'pointerup';
    if (this.pans) {
      if (click) this.dispatchEvent(new CustomEvent('pick', { detail: this.toPhoto(...at) }));
    } else if (this.moved !== Infinity) {
      if (event.type === 'pointercancel') this.tool?.cancelStroke?.();
      else this.tool?.up?.(this.toPhoto(...at), click, event);
    }
  }

  #key(event) {
    if (event.ctrlKey || event.metaKey || event.target !== this.element) return;
    if (this.tool?.key?.(event)) {
      event.preventDefault();
      return;
    }
    const step = event.shiftKey ? PAN_PX * 3 : PAN_PX;
    const act = {
      ArrowLeft: () => this.panBy(step, 0), ArrowRight: () => this.panBy(-step, 0),
      ArrowUp: () => this.panBy(0, step), ArrowDown: () => this.panBy(0, -step),
      '+': () => this.zoomBy(1.25), '=': () => this.zoomBy(1.25), '-': () => this.zoomBy(0.8),
      0: () => this.fit(), Home: () => this.fit(),
    }[event.key];
    if (act) { act(); event.preventDefault(); }
  }
}
