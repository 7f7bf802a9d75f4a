// Replace one tool, add one, take one out: which, its photo, how it lies, the patch, the files.

import { get, post } from './api.js';
import { field, h, show, speak } from './dom.js';
import { Findings } from './findings.js';
import { readLength, readPair } from './lay_settings.js';
import { PhotoTray } from './photo_tray.js';
import { SeenTools } from './seen_tools.js';
import { SwapStage } from './swap_stage.js';
import { fieldLength, figure, length, parseLength, say } from './texts.js';

const WAYS = ['replace', 'add', 'remove'];
const RULES = ['auto', 'as-laid', 'overlay', 'handle', 'centre', 'hang'];
const BELOW = { x: 'left', y: 'below' }; // a place counts from the panel's corner
const MM2 = 100; // square mm to a square cm
const near = (v) => Math.round(v * 100) / 100;

export class SwapPage {
  constructor(job, message) {
    Object.assign(this, { job, message, trial: null, waits: false, point: null });
    this.stage = new SwapStage();
    this.stage.addEventListener('moved', (event) => this.#moved(event.detail));
    this.tray = new PhotoTray({ head: h('p', {}, say('swap.photoText')), title: () => say('swap.title'), refused: message, kind: 'zone small', phone: true });
    this.tray.addEventListener('change', () => { this.point = null; this.#paint(); });
    this.seen = new SeenTools();
    this.seen.addEventListener('point', ({ detail }) => { this.point = detail; this.#try(); });
    this.findings = new Findings(() => {});
    this.hint = h('p', { class: 'hint' }, say('swap.hint'));
    this.legend = h('div', { class: 'legend' }, ['was', 'now', 'piece', 'recut'].map((k) => h('span', { class: 'layer' }, h('span', { class: `swatch swap-${k}` }), say(`swap.legend.${k}`))));
    this.result = h('div', { class: 'box swap-result', 'aria-live': 'polite', hidden: true });
    this.title = h('h1', {}, say('swap.title'));
    this.element = h('div', { class: 'view outlines swap-view' },
      h('section', { class: 'stage', 'aria-label': say('swap.picture') }, h('div', { class: 'bar' }, h('div', { class: 'row' }, this.hint)), this.stage.element, this.legend),
      h('section', { class: 'side', 'aria-label': say('swap.title') }, this.title, this.#toolForm(), this.#placeForm(), this.result, this.findings.element, this.#keepForm()));
    this.onState = () => this.#fill();
    job.addEventListener('state', this.onState);
    this.#fill();
    this.#choices();
    this.#turnTo();
  }

  close() {
    this.job.removeEventListener('state', this.onState);
    this.tray.close();
  }

  /** Photos by phone come into this view. */
  invite() { return this.tray.invite(); }

  /** What is to be done, and with which tool, from another view. */
  choose(way, id) {
    this.way.value = way;
    if (id) this.tool.value = id;
    this.#turnTo();
    if (way === 'remove') this.#try();
  }

  // -- what is asked ---------------------------------------------------------------------------
  #toolForm() {
    const typed = (properties) => h('input', { type: 'text', autocomplete: 'off', ...properties });
    this.way = h('select', { onchange: () => this.#turnTo() }, WAYS.map((w) => h('option', { value: w }, say(`swap.ways.${w}`))));
    this.tool = h('select', { onchange: () => this.#toolChosen() });
    this.toolField = field(say('swap.tool'), this.tool);
    this.name = typed({ maxLength: 120 });
    this.height = typed({ inputMode: 'decimal', class: 'short' });
    this.card = typed({ placeholder: `${fieldLength(168)} x ${fieldLength(112)}` });
    this.photoPart = h('div', {}, h('h2', {}, say('swap.steps.photo')), this.tray.element,
      h('div', { class: 'fields' }, field(say('swap.name'), this.name), field(say('swap.height'), this.height), field(say('drop.card'), this.card, say('swap.cardHint'))));
    this.go = h('button', { type: 'submit', class: 'main' });
    return h('form', { class: 'box', noValidate: true, onsubmit: (event) => { event.preventDefault(); this.#try(); } },
      h('h2', {}, say('swap.steps.tool')), field(say('swap.way'), this.way), this.toolField, this.photoPart, this.go, this.seen.element);
  }

  #placeForm() {
    const number = (key) => h('input', { type: 'text', inputMode: 'decimal', autocomplete: 'off', class: 'short', value: '0', onchange: () => { if (this.#numbers()) this.#tryAgain(); }, data: { key } });
    this.rule = h('select', { onchange: () => this.#tryAgain() }, RULES.map((r) => h('option', { value: r }, say(`swap.rules.${r}`))));
    this.shift = { x: number('x'), y: number('y'), turn: number('turn') };
    this.shiftFields = Object.fromEntries(Object.entries(this.shift).map(([k, input]) => [k, field(say(`swap.${k}`), input)]));
    this.mirror = h('input', { type: 'checkbox', id: 'swap-mirror', onchange: () => this.#tryAgain() });
    this.ruleField = field(say('swap.rule'), this.rule);
    this.mirrorField = h('div', { class: 'field check' }, this.mirror, h('label', { htmlFor: 'swap-mirror' }, say('swap.mirror')));
    this.placeBox = h('div', { class: 'box', hidden: true }, h('h2', {}, say('swap.steps.place')), this.ruleField,
      h('div', { class: 'fields' }, Object.values(this.shiftFields), this.mirrorField));
    return this.placeBox;
  }

  #keepForm() {
    this.machine = h('select', { onchange: () => { this.#heed(); this.#tryAgain(); } }); // walls are as it cuts them
    this.material = h('select', { onchange: () => this.#heed() });
    this.reason = h('input', { type: 'text', autocomplete: 'off', maxLength: 200 });
    this.cautions = h('ul', { class: 'cautions' });
    this.keep = h('button', { type: 'submit', class: 'main' });
    this.keepBox = h('form', { class: 'box', hidden: true, noValidate: true, onsubmit: (event) => { event.preventDefault(); this.#keep(); } },
      h('h2', {}, say('swap.steps.keep')),
      h('div', { class: 'fields' }, field(say('files.machine'), this.machine), field(say('files.material'), this.material), field(say('swap.reason'), this.reason)),
      h('div', { class: 'heed' }, h('h3', {}, say('files.cautions')), this.cautions), this.keep);
    return this.keepBox;
  }

  async #choices() {
    try { this.known = await get('/api/cutting'); } catch (error) { this.message(error.message); return; }
    show(this.machine, this.known.machines.map((m) => h('option', { value: m.key, selected: m.key === 'oscillating-knife' }, m.title)));
    show(this.material, this.known.materials.map((m) => h('option', { value: m.key, selected: m.key === 'unknown' }, m.title)));
    this.#heed();
  }

  #heed() {
    const words = [...(this.trial?.cautions ?? []), ...(this.known?.cautions[this.machine.value]?.[this.material.value] ?? [])];
    show(this.cautions, words.map((w) => h('li', {}, w)));
  }

  /** Another way of changing the panel: what belongs to the last one is put away. */
  #turnTo() {
    const way = this.way.value;
    this.title.textContent = say(`swap.ways.${way}`);
    this.go.textContent = say(`swap.try.${way}`);
    this.keep.textContent = say(`swap.keep.${way}`);
    this.toolField.hidden = way === 'add';
    this.photoPart.hidden = way === 'remove';
    this.ruleField.hidden = this.mirrorField.hidden = way !== 'replace';
    for (const k of ['x', 'y']) this.shiftFields[k].querySelector('label').textContent = say(`swap.${way === 'add' ? BELOW[k] : k}`);
    for (const k of ['x', 'y', 'turn']) this.shift[k].value = way === 'add' && k !== 'turn' ? '' : '0';
    this.point = null;
    this.#toolChosen();
    this.#showTrial(null);
  }

  #fill() {
    const was = this.tool.value;
    const outlines = this.job.state?.outlines ?? [];
    show(this.tool, outlines.map((o) => h('option', { value: o.id }, `${o.id} ${o.cells.name ?? ''}`)));
    if (outlines.some((o) => o.id === was)) this.tool.value = was;
    this.#toolChosen();
  }

  #toolChosen() {
    const way = this.way.value;
    const o = way === 'replace' ? this.job.state?.outlines?.find((one) => one.id === this.tool.value) : null;
    this.name.placeholder = o?.cells.name ?? '';
    this.height.placeholder = o ? length(o.height_mm) : '';
    if (this.trial && way !== 'add' && this.trial.tool !== this.tool.value) this.#showTrial(null);
    else this.#paint();
  }

  /** Place or shift, and turn, as typed; null where one is not to be read. */
  #numbers() {
    const blank = this.way.value === 'add' && !this.shift.x.value.trim() && !this.shift.y.value.trim();
    const [x, y] = ['x', 'y'].map((k) => parseLength(this.shift[k].value || '0') ?? 0);
    const turn = Number(this.shift.turn.value.replace('°', '').replace(',', '.') || 0);
    const bad = { x: !(Math.abs(x) <= 5000), y: !(Math.abs(y) <= 5000), turn: !(Math.abs(turn) <= 360) };
    for (const [k, input] of Object.entries(this.shift)) input.toggleAttribute('aria-invalid', bad[k]);
    const wrong = Object.keys(bad).find((k) => bad[k]);
    if (!wrong) return { x, y, turn, blank };
    this.message(say('table.refused', { value: this.shift[wrong].value, low: -360, high: 360 }));
    return null;
  }

  #asked() {
    const way = this.way.value;
    const machine = this.machine.value ? { machine: this.machine.value } : {};
    if (way === 'remove') return { way, tool: this.tool.value, ...machine };
    const numbers = this.#numbers();
    const card = readPair(this.card.value);
    const height = readLength(this.height.value, 0, 500);
    const name = this.name.value.trim();
    if (card === undefined) { this.message(say('drop.unreadableSize')); this.card.focus(); return null; }
    if (height === undefined) { this.message(say('drop.unreadableHeight')); this.height.focus(); return null; }
    if (way === 'add' && !name) { this.message(say('swap.needName')); this.name.focus(); return null; }
    if (!numbers) return null;
    const common = { way, draft: this.tray.draft, name: name || null, height_mm: height, card_size_mm: card, turn_deg: numbers.turn, point_px: this.point, ...machine };
    if (way === 'add') return { ...common, at_mm: numbers.blank ? null : [numbers.x, numbers.y] };
    return { ...common, tool: this.tool.value, rule: this.rule.value, shift_mm: [numbers.x, numbers.y], mirror: this.mirror.checked };
  }

  // -- trial and keeping -----------------------------------------------------------------------
  async #try() {
    const body = this.#asked();
    if (!body) return;
    this.waits = true;
    this.#paint();
    try { await post(`${this.job.path}/swap/trial`, body); } catch (error) {
      this.message(error.message);
      this.waits = false;
      this.#paint();
    }
  }

  #tryAgain() { if (this.trial) this.#try(); }

  /** The new tool was moved on the picture: what is typed follows. */
  #moved({ dx, dy, turn }) {
    const now = this.#numbers();
    if (!now) return;
    const [x, y] = this.way.value === 'add' ? this.trial.at_mm : [now.x, now.y];
    this.shift.x.value = fieldLength(near(x + dx));
    this.shift.y.value = fieldLength(near(y + dy));
    this.shift.turn.value = String(near(((now.turn + turn + 540) % 360) - 180));
    this.#try();
  }

  async news(news) {
    this.tray.news(news);
    if (news.kind === 'run' && this.waits && ['failed', 'stopped'].includes(news.run.phase)) {
      this.waits = this.keeping = false;
      this.#paint();
    }
    if (news.kind === 'swapped' && this.keeping) {
      this.keeping = false;
      speak(say('swap.kept'));
      this.message(say('swap.kept'), true);
      this.onFiles?.();
    }
    if (news.kind !== 'swap') return;
    try {
      const { swap } = await get(`${this.job.path}/swap`);
      this.waits = false;
      if (swap?.way === this.way.value && (swap.which || swap.way === 'add' || swap.tool === this.tool.value)) this.#showTrial(swap.which ? null : swap, swap);
    } catch (error) { this.message(error.message); }
    this.#paint();
  }

  async #keep() {
    this.keeping = this.waits = true;
    this.#paint();
    try { await post(`${this.job.path}/swap`, { draft: this.tray.draft, material: this.material.value, reason: this.reason.value.trim() }); } catch (error) {
      this.message(error.message);
      this.keeping = this.waits = false;
      this.#paint();
    }
  }

  /** `trial` is what there is to keep; `found` also what was seen when nobody has chosen yet. */
  #showTrial(trial, found = trial) {
    this.trial = trial;
    this.stage.show(trial);
    this.seen.show(found?.seen, this.tray.draft, found?.which);
    if (trial?.way === 'add') for (const [k, v] of [['x', trial.at_mm[0]], ['y', trial.at_mm[1]]]) if (this.shift[k] !== document.activeElement) this.shift[k].value = fieldLength(near(v));
    this.#heed();
    this.findings.update(trial?.checks ?? [], new Set());
    this.#paint();
    if (!trial) return;
    const cm2 = (mm2) => figure(mm2 / MM2, 1);
    show(this.result, h('h2', {}, say(`swap.outcomes.${trial.outcome}`)),
      trial.rule ? h('p', {}, say('swap.laid', { rule: say(`swap.rules.${trial.rule}`) })) : null,
      trial.largest_mm === null ? null : h('p', {}, say('swap.change', { added: cm2(trial.added_mm2), removed: cm2(trial.removed_mm2), largest: length(trial.largest_mm) })),
      trial.patch ? h('p', {}, h('strong', {}, say(`swap.remedies.${this.#remedy(trial)}`)), ' ', trial.patch.new_foam_mm2 ? say('swap.foam', { area: cm2(trial.patch.new_foam_mm2) }) : '') : null);
  }

  /** A pocket that only comes, or only goes, is told in its own words. */
  #remedy({ outcome, patch }) {
    if (outcome === 'added') return 'cut';
    return outcome === 'removed' && patch.remedy === 'plug' ? 'filled' : patch.remedy;
  }

  #paint() {
    const way = this.way.value;
    const ready = way === 'remove' || this.tray.ready;
    this.go.disabled = this.waits || !ready || (way !== 'add' && !this.tool.value);
    this.result.hidden = !this.trial;
    this.placeBox.hidden = !this.trial || way === 'remove';
    this.keepBox.hidden = !['changed', 'added', 'removed'].includes(this.trial?.outcome);
    this.keep.disabled = this.waits;
    this.findings.element.hidden = !this.trial;
    this.hint.hidden = !this.trial?.new.length;
    this.legend.hidden = !this.trial;
  }
}
