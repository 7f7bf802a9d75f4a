// A place of a photo by itself: cut out, with the edges that were found drawn over it.

import { h, s } from './dom.js';

const ROOM = 0.18; // foam or sheet that is shown round what is meant
const LEAST = 0.3; // of a tool's length: less of it nobody recognises
const STILL = 1.6; // wide to high: no picture is a thin stripe

/** The stretches of a tool's edge that are least sure, with enough beside them to know the tool; its
 *  own box where all is sure. */
export function doubtfulBox([x0, y0, x1, y1], edges) {
  const places = edges.flatMap((e) => e.weak).flatMap((d) => d.slice(1).split('L').map((p) => p.split(' ').map(Number)));
  if (!places.length) return [x0, y0, x1, y1];
  const [xs, ys] = [0, 1].map((k) => places.map((p) => p[k]));
  const least = (LEAST * Math.max(x1 - x0, y1 - y0)) / 2;
  const span = (low, high) => { const mid = (low + high) / 2; const half = Math.max((high - low) / 2, least); return [mid - half, mid + half]; };
  const [left, right] = span(Math.min(...xs), Math.max(...xs));
  const [top, bottom] = span(Math.min(...ys), Math.max(...ys));
  return [left, top, right, bottom];
}

/** `box` [x0, y0, x1, y1] and `at` are in pixels of the photo at `path`; `edges` as in its record. */
export function placePicture(path, { box: [x0, y0, x1, y1], edges, at }) {
  const room = Math.max(x1 - x0, y1 - y0) * ROOM + 6;
  let [w, hh] = [x1 - x0 + 2 * room, y1 - y0 + 2 * room];
  [w, hh] = [Math.max(w, hh * STILL), Math.max(hh, w / STILL)];
  const left = Math.round((x0 + x1 - w) / 2);
  const top = Math.round((y0 + y1 - hh) / 2);
  [w, hh] = [Math.round(w), Math.round(hh)];
  return h('span', { class: 'place-picture' },
    h('img', { src: `${path}/crop?box=${left},${top},${left + w},${top + hh}`, alt: '', loading: 'lazy', width: 64, height: 40 }),
    // paths count from the middles of pixels, boxes from their corners
    s('svg', { viewBox: `${left - 0.5} ${top - 0.5} ${w} ${hh}`, 'aria-hidden': 'true' },
      edges.map((e) => [s('path', { d: e.path }), e.weak.map((d) => s('path', { d, class: 'weak' }))]),
      at ? s('circle', { cx: at[0], cy: at[1], r: w / 9 }) : null));
}
