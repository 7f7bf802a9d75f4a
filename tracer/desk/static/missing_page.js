// What is missing from the panel in use: a photo in, a list and the marked photo out, and the days before.

import { get, post } from './api.js';
import { field, h, show, speak } from './dom.js';
import { Findings } from './findings.js';
import { PhotoTray } from './photo_tray.js';
import { figure, say } from './texts.js';

const STATES = ['missing', 'wrong', 'unsure', 'present']; // what asks for a hand comes first

export class MissingPage {
  constructor(job, message) {
    Object.assign(this, { job, message, waits: false, shot: 0 });
    this.tray = new PhotoTray({ head: h('p', {}, say('missing.photoText')), title: () => say('missing.sendTitle', { name: job.state?.name ?? '' }), refused: message, kind: 'zone small', shoot: true, phone: true, panel: true });
    this.tray.addEventListener('change', () => this.#paint());
    this.by = h('input', { type: 'text', autocomplete: 'name', maxLength: 80 });
    this.go = h('button', { type: 'submit', class: 'main' }, say('missing.look'));
    this.pictures = h('div', { class: 'found-photos' });
    this.result = h('div', { class: 'box', 'aria-live': 'polite', hidden: true });
    this.findings = new Findings(() => {});
    this.before = h('div', { class: 'box', hidden: true });
    this.element = h('div', { class: 'view outlines missing-view' },
      h('section', { class: 'stage', 'aria-label': say('missing.picture') }, this.pictures),
      h('section', { class: 'side', 'aria-label': say('missing.title') }, h('h1', {}, say('missing.title')),
        h('form', { class: 'box', noValidate: true, onsubmit: (event) => { event.preventDefault(); this.#look(); } },
          this.tray.element, h('div', { class: 'fields' }, field(say('missing.by'), this.by, say('missing.byHint')), this.go)),
        this.result, this.findings.element, this.before));
    this.#paint();
    this.#load();
  }

  close() { this.tray.close(); }

  /** Photos by phone come into this view. */
  invite() { return this.tray.invite(); }

  async #look() {
    this.#turn(true);
    try { await post(`${this.job.path}/inspection`, { draft: this.tray.draft, by: this.by.value.trim() || null }); } catch (error) {
      this.message(error.message);
      this.#turn(false);
    }
  }

  async news(news) {
    this.tray.news(news);
    if (news.kind === 'run' && ['failed', 'stopped'].includes(news.run.phase)) this.#turn(false);
    if (news.kind !== 'inspected') return;
    this.#turn(false);
    await this.#load();
    speak(this.summary ?? '');
  }

  async #load() {
    let found;
    try { found = await get(`${this.job.path}/inspection`); } catch (error) { this.message(error.message); return; }
    this.shot += 1; // pictures of the same name are others now
    show(this.pictures, found.pictures.length ? found.pictures.map((n) => h('img', { src: `${this.job.path}/inspection/${n}.jpg?${found.lines.length}-${this.shot}`, alt: say('missing.pictureOf', { number: n }) }))
      : h('p', { class: 'quiet' }, say('missing.noPicture')));
    this.#showPockets(found.pockets);
    this.findings.update(found.checks, new Set());
    this.findings.element.hidden = !found.checks.length;
    this.#showLines(found.lines);
  }

  #showPockets(pockets) {
    this.result.hidden = !pockets.length;
    const counts = STATES.map((state) => say(`missing.counts.${state}`, { count: pockets.filter((p) => p.state === state).length }));
    this.summary = counts.join(', ');
    const rows = [...pockets].sort((a, b) => STATES.indexOf(a.state) - STATES.indexOf(b.state) || a.number - b.number);
    show(this.result, h('h2', {}, this.summary), h('div', { class: 'table-room' }, h('table', {},
      h('thead', {}, h('tr', {}, ['number', 'tool', 'state', 'sure'].map((k) => h('th', { scope: 'col' }, say(`missing.${k}`))))),
      h('tbody', {}, rows.map((p) => h('tr', { class: `pocket-${p.state}` }, h('td', {}, String(p.number)), h('td', {}, p.name),
        h('td', {}, h('strong', {}, say(`missing.states.${p.state}`)), p.why ? h('small', {}, p.why) : null),
        h('td', {}, p.state === 'unsure' ? '' : figure(p.probability, 2)))))))
      , h('p', { class: 'quiet' }, say('missing.doubt')));
  }

  #showLines(lines) {
    this.before.hidden = !lines.length;
    const gone = (line) => [line.missing_tools, line.wrong_tools].filter(Boolean).join('; ') || say('missing.nothing');
    show(this.before, h('h2', {}, say('missing.before')), h('ul', { class: 'inspections' }, lines.map((line) => h('li', {},
      h('strong', {}, this.#when(line.when)), line.by ? `, ${line.by}` : '', `: ${gone(line)}`, line.unsure_tools ? h('small', {}, say('missing.lookYourself', { tools: line.unsure_tools })) : null))));
  }

  #when(text) {
    const at = new Date(text);
    return Number.isNaN(at.getTime()) ? text : at.toLocaleString([], { dateStyle: 'medium', timeStyle: 'short' });
  }

  #turn(waits) {
    this.waits = waits;
    this.#paint();
  }

  #paint() { this.go.disabled = this.waits || !this.tray.ready; }
}
