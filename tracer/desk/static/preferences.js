// Language, unit and size of the letters: kept in this browser, for every job.

import { field, h } from './dom.js';
import { choose, chosen, say } from './texts.js';

const CHOICES = { language: ['en', 'de'], unit: ['mm', 'in'], size: ['usual', 'large'] };

/** A small sheet with the three choices. */
export function preferences() {
  const selects = Object.entries(CHOICES).map(([name, values]) => {
    const options = values.map((v) => h('option', { value: v, selected: chosen[name] === v }, say(`page.${name}s.${v}`)));
    const select = h('select', { onchange: () => choose(name, select.value) }, options);
    return field(say(`page.${name}`), select);
  });
  const summary = h('summary', { class: 'button' }, say('page.open'));
  const sheet = h('details', { class: 'change-room' }, summary, h('div', { class: 'change-sheet fields' }, selects));
  sheet.addEventListener('keydown', (event) => {
    if (event.key === 'Escape' && sheet.open) { sheet.open = false; summary.focus(); event.stopPropagation(); }
  });
  document.addEventListener('pointerdown', (event) => { if (!sheet.contains(event.target)) sheet.open = false; });
  return sheet;
}
