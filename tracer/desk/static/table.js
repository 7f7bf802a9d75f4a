// The tool table: names, heights and what else is typed, by keyboard or pasted from a spreadsheet.

import { h, show, speak, freshId } from './dom.js';
import { fieldLength, has, length, number, parseLength, say } from './texts.js';

/** typed columns -> null for text, [low, high] for numbers */
const TYPED = { name: null, height_mm: [0, 500], depth_mm: [0, 500], mass_kg: [0, 1000] };
const NAMES = Object.keys(TYPED);

/** What a cell holds: text, a number (decimal comma accepted) or null; undefined when unreadable. */
export function readCell(column, text) {
  const clean = text.trim();
  if (column === 'name') return clean || null;
  if (clean === '' || clean === '-' || clean === '?') return null;
  const [low, high] = TYPED[column];
  const value = column.endsWith('_mm') ? parseLength(clean) : Number(clean.replace(/\s*kg$/, '').replace(',', '.'));
  return Number.isFinite(value) && value >= low && value <= high ? Math.round(value * 1000) / 1000 : undefined;
}

/** What a cell shows of a value. */
function cellText(column, value) {
  if (value === null) return '';
  return column.endsWith('_mm') ? fieldLength(value) : column === 'name' ? value : number(value);
}

/** Why what was typed into a cell is not taken. */
function refusal(column, value) {
  const [low, high] = TYPED[column];
  const shown = column.endsWith('_mm') ? fieldLength : String;
  return say('table.refused', { value, low: shown(low), high: shown(high) });
}

export class ToolTable {
  constructor(job, { onChoose, onHover, onDrop, onMessage }) {
    Object.assign(this, { job, onChoose, onHover, onDrop, onMessage, rows: new Map() });
    this.body = h('tbody');
    const captionId = freshId('caption');
    const heads = ['id', ...NAMES, 'size', 'sigma', 'confidence'];
    this.table = h('table', { class: 'tools', 'aria-describedby': captionId },
      h('caption', { id: captionId }, say('table.caption')),
      h('thead', {}, h('tr', {}, heads.map((k) => h('th', { scope: 'col', class: k }, say(`table.columns.${k}`))), h('th', { class: 'drop' }, h('span', { class: 'unseen' }, say('tools.drop'))))),
      this.body);
    this.empty = h('p', { class: 'quiet' }, say('table.empty'));
    this.element = h('div', { class: 'table-room', role: 'region', 'aria-label': say('table.label'), tabIndex: -1 }, this.table, this.empty);
    this.table.addEventListener('paste', (event) => this.#paste(event));
    this.table.addEventListener('keydown', (event) => this.#key(event));
  }

  /** Show these outlines; a cell that is being typed into keeps what is in it. */
  update(outlines) {
    const ids = outlines.map((o) => o.id);
    if (ids.join() !== [...this.rows.keys()].join()) {
      const kept = new Map(this.rows);
      this.rows = new Map(outlines.map((o) => [o.id, kept.get(o.id) ?? this.#row(o.id)]));
      show(this.body, [...this.rows.values()].map((r) => r.element));
    }
    for (const o of outlines) this.#fill(this.rows.get(o.id), o);
    this.empty.hidden = ids.length > 0;
    this.table.hidden = ids.length === 0;
  }

  choose(id, { scroll = true } = {}) {
    for (const [key, row] of this.rows) row.element.classList.toggle('chosen', key === id);
    if (scroll) this.rows.get(id)?.element.scrollIntoView({ block: 'nearest' });
  }

  #row(id) {
    const inputs = Object.fromEntries(NAMES.map((column) => {
      const input = h('input', {
        type: 'text', inputMode: column === 'name' ? 'text' : 'decimal', autocomplete: 'off', spellcheck: false,
        data: { id, column }, 'aria-label': say('table.cell', { column: say(`table.columns.${column}`), id }),
      });
      input.addEventListener('change', () => this.#change(input));
      input.addEventListener('focus', () => { this.onChoose(id); input.select(); });
      return [column, input];
    }));
    const number = h('button', { type: 'button', class: 'number', onclick: () => this.onChoose(id, { closer: true }) }, id);
    const size = h('td', { class: 'size' });
    const sigma = h('td', { class: 'sigma' });
    const sure = h('td', { class: 'confidence' });
    const drop = h('button', { type: 'button', class: 'plain', onclick: () => this.onDrop(id) }, '×');
    const element = h('tr', {
      data: { outline: id }, onpointerenter: () => this.onHover(id), onpointerleave: () => this.onHover(null),
    }, h('th', { scope: 'row' }, number), NAMES.map((c) => h('td', { class: c }, inputs[c])), size, sigma, sure, h('td', { class: 'drop' }, drop));
    return { element, inputs, number, size, sigma, sure, drop };
  }

  #fill(row, o) {
    for (const column of NAMES) {
      const input = row.inputs[column];
      const value = this.job.value(['row', o.id, column]);
      const text = cellText(column, value);
      if (input !== document.activeElement || input.value === input.dataset.shown) input.value = text;
      input.dataset.shown = text;
    }
    const source = has(`table.${o.height_source}`) ? say(`table.${o.height_source}`) : o.height_source;
    row.inputs.height_mm.placeholder = o.height_source === 'typed' ? '' : length(o.height_mm, 0);
    row.inputs.height_mm.title = say('table.sources', { source });
    row.element.classList.toggle('unknown', o.height_source === 'assumed');
    row.size.textContent = `${length(o.long_mm, 0)} × ${length(o.short_mm, 0)}`;
    row.sigma.textContent = length(o.sigma_mm, 1);
    row.sure.textContent = o.confidence === null ? '–' : say('table.percent', { n: Math.round(o.confidence * 100) });
    row.sure.classList.toggle('low', o.confidence !== null && o.confidence < 0.5);
    const name = [o.id, o.cells.name].filter(Boolean).join(' ');
    row.inputs.name.placeholder = o.id;
    row.number.setAttribute('aria-label', say('table.show', { name }));
    row.drop.setAttribute('aria-label', say('table.drop', { name }));
    row.number.title = [o.cut_by_frame && say('table.cut'), o.cable && say('table.cable')].filter(Boolean).join(', ');
    row.element.classList.toggle('cut', o.cut_by_frame);
  }

  #change(input) {
    const { id, column } = input.dataset;
    const now = readCell(column, input.value);
    if (now === undefined) {
      input.setAttribute('aria-invalid', 'true');
      this.onMessage(refusal(column, input.value));
      return;
    }
    input.removeAttribute('aria-invalid');
    this.#edit([[id, column, now]]);
  }

  #edit(cells) {
    const changes = cells
      .map(([id, column, now]) => ({ path: ['row', id, column], was: this.job.value(['row', id, column]), now }))
      .filter((c) => c.was !== c.now);
    if (!changes.length) return;
    if (changes.length === 1) {
      const [, id, column] = changes[0].path;
      this.job.edit('cell', `${id}/${column}`, changes);
    } else this.job.edit('cells', String(changes.length), changes);
  }

  #paste(event) {
    const input = event.target.closest('input');
    const text = event.clipboardData?.getData('text/plain') ?? '';
    const lines = text.replace(/\r\n?/g, '\n').replace(/\n$/, '').split('\n').map((l) => l.split('\t'));
    if (!input || (lines.length === 1 && lines[0].length === 1)) return; // one cell: as usual
    event.preventDefault();
    const ids = [...this.rows.keys()];
    const row0 = ids.indexOf(input.dataset.id);
    const column0 = NAMES.indexOf(input.dataset.column);
    const cells = [];
    for (const [i, line] of lines.entries()) {
      for (const [j, cell] of line.entries()) {
        const id = ids[row0 + i];
        const column = NAMES[column0 + j];
        if (id === undefined || column === undefined) continue;
        const now = readCell(column, cell);
        if (now === undefined) {
          this.onMessage(refusal(column, cell));
          return; // all or nothing: half a column is worse than none
        }
        cells.push([id, column, now]);
      }
    }
    input.blur();
    this.#edit(cells);
    input.focus();
    speak(say('table.pasted', { count: cells.length }));
  }

  #key(event) {
    const input = event.target.closest('input');
    if (!input || event.isComposing) return;
    const by = { Enter: event.shiftKey ? -1 : 1, ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (event.key === 'Escape') { input.value = input.dataset.shown; input.select(); }
    if (!by) return;
    event.preventDefault();
    const ids = [...this.rows.keys()];
    const next = this.rows.get(ids[ids.indexOf(input.dataset.id) + by]);
    if (next) next.inputs[input.dataset.column].focus();
    else { input.blur(); input.focus(); }
  }
}
