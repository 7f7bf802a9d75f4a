// Questions and notices that stand before everything else.

import { post } from './api.js';
import { h } from './dom.js';
import { say } from './texts.js';

/** A dialog that is shown until it is closed; `id` is that of its heading. */
export function box(id, properties, ...children) {
  const element = h('dialog', { 'aria-labelledby': id, ...properties, onclose: () => element.remove() }, ...children);
  document.body.append(element);
  element.showModal();
  return element;
}

const shown = (value) => (value === null || value === undefined ? say('conflict.empty') : String(value));

/** Two people changed one field: whose counts? 'mine' or 'theirs'. */
export function askConflict(what, change, theirs) {
  return new Promise((resolve) => {
    const end = (answer) => { element.close(); resolve(answer); };
    const element = box('conflict-title', { oncancel: (event) => { event.preventDefault(); end('theirs'); } },
      h('h2', { id: 'conflict-title' }, say('conflict.title')),
      h('p', {}, say('conflict.text', { what, theirs: shown(theirs), mine: shown(change.now) })),
      h('div', { class: 'row' }, h('button', { type: 'button', class: 'main', onclick: () => end('mine') }, say('conflict.mine')),
        h('button', { type: 'button', onclick: () => end('theirs') }, say('conflict.theirs'))));
  });
}

/** A yes or no before something that cannot be taken back. */
export function ask(title, text, yes) {
  return new Promise((resolve) => {
    let answer = false;
    const end = (given) => { answer = given; element.close(); };
    const element = box('ask-title', {}, h('h2', { id: 'ask-title' }, title), h('p', {}, text),
      h('div', { class: 'row' }, h('button', { type: 'button', class: 'main', onclick: () => end(true) }, yes),
        h('button', { type: 'button', onclick: () => end(false) }, say('cancel'))));
    element.addEventListener('close', () => resolve(answer));
  });
}

/** The job's folder is no longer there; what was typed and not kept is shown, to be copied. */
export function showGone(job, nameOf, leave) {
  const unkept = job.waiting.filter((item) => item.changes).map((item) => {
    const values = item.changes.map((c) => JSON.stringify(c.now)).join(', ');
    return h('li', {}, `${nameOf(item)}: ${values}`);
  });
  const element = box('gone-title', { oncancel: (event) => event.preventDefault() },
    h('h2', { id: 'gone-title' }, say('gone.title')),
    h('p', {}, say('gone.text', { name: job.state?.name ?? '' })),
    unkept.length ? [h('p', {}, say('gone.unkept')), h('ul', {}, unkept)] : null,
    h('button', { type: 'button', class: 'main', onclick: () => { element.close(); leave(); } }, say('gone.leave')));
}

/** An address that opens this desk once more: for another browser, or after this one was closed. */
export async function showWayBack(message) {
  let address;
  try { ({ address } = await post('/api/keys')); } catch (error) { message(error.message); return; }
  address += location.hash;
  const field = h('input', { type: 'text', readOnly: true, value: address, 'aria-label': say('wayBack.address'), onfocus: () => field.select() });
  const copied = h('span', { role: 'status', class: 'quiet' });
  const copy = async () => {
    field.select();
    try { await navigator.clipboard.writeText(address); copied.textContent = say('wayBack.copied'); } catch { copied.textContent = say('wayBack.select'); }
  };
  const element = box('back-title', {}, h('h2', { id: 'back-title' }, say('wayBack.title')), h('p', {}, say('wayBack.text')), field,
    h('div', { class: 'row' }, h('button', { type: 'button', class: 'main', onclick: copy }, say('wayBack.copy')),
      h('button', { type: 'button', onclick: () => element.close() }, say('close')), copied));
}
