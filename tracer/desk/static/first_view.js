// For who has no job yet: the way in three pictures, and a job to play with.

import { post } from './api.js';
import { h, s } from './dom.js';
import { say } from './texts.js';

const line = (d, more = {}) => s('path', { d, fill: 'none', stroke: 'currentColor', 'stroke-width': 2, 'stroke-linejoin': 'round', 'stroke-linecap': 'round', ...more });
const solid = (d) => s('path', { d, fill: 'currentColor' });

/** A card with its pattern, w by h around x, y. */
const card = (x, y, w, hh) => [
  line(`M${x} ${y}h${w}v${hh}h${-w}z`),
  solid(`M${x + w * 0.1} ${y + hh * 0.15}h${w * 0.2}v${hh * 0.3}h${-w * 0.2}z M${x + w * 0.4} ${y + hh * 0.5}h${w * 0.2}v${hh * 0.3}h${-w * 0.2}z M${x + w * 0.7} ${y + hh * 0.15}h${w * 0.2}v${hh * 0.3}h${-w * 0.2}z`),
];

const PICTURES = {
  print: () => [line('M30 18h100v74H30z'), ...card(42, 28, 34, 24), ...card(84, 28, 34, 24), line('M42 70h76M42 66v8M80 66v8M118 66v8')],
  lay: () => [
    line('M12 34h136v60H12z'), ...card(18, 40, 22, 15), ...card(120, 40, 22, 15), ...card(18, 74, 22, 15), ...card(120, 74, 22, 15),
    line('M56 50l8 8v26h8V58l8-8-6-4-6 6-6-6zM96 48v40M90 48h12', { 'stroke-width': 2.5 }),
    line('M66 6h28v16H66z'), line('M74 14a6 6 0 1 0 12 0 6 6 0 1 0-12 0'),
  ],
  give: () => [line('M22 44v46h116V44', { 'stroke-dasharray': '5 5' }), line('M54 18h52v40H54z'), line('M62 48l12-14 10 9 8-7 8 12'), line('M80 62v18M72 73l8 8 8-8')],
};

export function firstView(openJob, message) {
  const step = (key, ...more) => h('li', {},
    s('svg', { viewBox: '0 0 160 104', 'aria-hidden': 'true', class: 'step-picture' }, PICTURES[key]()),
    h('h2', {}, say(`first.${key}`)), h('p', {}, say(`first.${key}Text`)), more);
  const demo = h('button', { type: 'button', onclick: async () => {
    demo.disabled = true;
    try { openJob((await post('/api/demo')).job); } catch (error) { message(error.message); }
    demo.disabled = false;
  } }, say('first.demo'));
  return h('section', { class: 'first', 'aria-label': say('first.label') },
    h('ol', { class: 'first-steps' },
      step('print', h('div', { class: 'row' }, ['a4', 'letter'].map((paper) => h('a', { class: 'button', href: `/api/cards?paper=${paper}`, download: '' }, say(`first.${paper}`))))),
      step('lay'), step('give')),
    h('p', { class: 'row' }, demo, h('span', { class: 'quiet' }, say('first.demoText'))));
}
