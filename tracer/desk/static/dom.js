// Building elements: `h('button', {onclick}, 'text')`. No HTML strings, so nothing can be injected.

const SVG = 'http://www.w3.org/2000/svg';

function fill(element, properties, children) {
  for (const [key, value] of Object.entries(properties ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith('on')) element.addEventListener(key.slice(2), value);
    else if (key === 'data') Object.assign(element.dataset, value);
    else if (key === 'class') element.setAttribute('class', value);
    else if (key in element && !(element instanceof SVGElement) && key !== 'list' && key !== 'form') element[key] = value;
    else element.setAttribute(key, value === true ? '' : value);
  }
  element.append(...children.flat(Infinity).filter((c) => c !== null && c !== undefined && c !== false));
  return element;
}

/** An HTML element. */
export function h(tag, properties, ...children) {
  return fill(document.createElement(tag), properties, children);
}

/** An SVG element. */
export function s(tag, properties, ...children) {
  return fill(document.createElementNS(SVG, tag), properties, children);
}

/** Put these children in place of what is there. */
export function show(element, ...children) {
  element.replaceChildren(...children.flat(Infinity).filter((c) => c !== null && c !== undefined && c !== false));
}

/** Say something to a screen reader. */
export function speak(text) {
  const room = document.getElementById('spoken');
  room.textContent = '';
  requestAnimationFrame(() => { room.textContent = text; });
}

let serial = 0;
/** A fresh id for `for`, `aria-describedby` and the like. */
export function freshId(stem) {
  serial += 1;
  return `${stem}-${serial}`;
}

/** A labelled form field. */
export function field(label, input, hint) {
  input.id ||= freshId('field');
  const hintId = hint ? `${input.id}-hint` : null;
  if (hintId) input.setAttribute('aria-describedby', hintId);
  return h('div', { class: 'field' },
    h('label', { htmlFor: input.id }, label), input, hint ? h('small', { id: hintId }, hint) : null);
}
