// Replace one tool: which, its photo, old and new over each other, the patch, the files.

import { get, post } from './api.js';
import { field, h, show, speak } from './dom.js';
import { Findings } from './findings.js';
import { readLength, readPair } from './lay_settings.js';
import { PhotoTray } from './photo_tray.js';
import { SwapStage } from './swap_stage.js';
import { fieldLength, figure, length, parseLength, say } from './texts.js';

const RULES = ['auto', 'as-laid', 'overlay', 'handle', 'centre', 'hang'];
const MM2 = 100; // square mm to a square cm
const near = (v) => Math.round(v * 100) / 100;

export class SwapPage {
  constructor(job, message) {
    Object.assign(this, { job, message, trial: null, waits: false });
    this.stage = new SwapStage();
    this.stage.addEventListener('moved', (event) => this.#moved(event.detail));
    this.tray = new PhotoTray(say('swap.title'), say('swap.photoText'), message);
    this.tray.addEventListener('change', () => this.#paint());
    this.findings = new Findings(() => {});
    this.hint = h('p', { class: 'hint' }, say('swap.hint'));
    this.legend = h('div', { class: 'legend' }, ['was', 'now', 'piece', 'recut'].map((k) => h('span', { class: 'layer' }, h('span', { class: `swatch swap-${k}` }), say(`swap.legend.${k}`))));
    this.result = h('div', { class: 'box swap-result', 'aria-live': 'polite', hidden: true });
    this.element = h('div', { class: 'view outlines swap-view' },
      h('section', { class: 'stage', 'aria-label': say('swap.picture') }, h('div', { class: 'bar' }, h('div', { class: 'row' }, this.hint)), this.stage.element, this.legend),
      h('section', { class: 'side', 'aria-label': say('swap.title') }, h('h1', {}, say('swap.title')), this.#toolForm(), this.#placeForm(), this.result, this.findings.element, this.#keepForm()));
    this.onState = () => this.#fill();
    job.addEventListener('state', this.onState);
    this.#fill();
    this.#choices();
    this.#paint();
  }

  close() {
    this.job.removeEventListener('state', this.onState);
    this.tray.close();
  }

  /** Photos by phone come into this view. */
  invite() { return this.tray.invite(); }

  /** Which tool is meant, from another view. */
  choose(id) {
    this.tool.value = id;
    this.#toolChosen();
  }

  // -- what is asked ---------------------------------------------------------------------------
  #toolForm() {
    const typed = (properties) => h('input', { type: 'text', autocomplete: 'off', ...properties });
    this.tool = h('select', { onchange: () => this.#toolChosen() });
    this.name = typed({ maxLength: 120 });
    this.height = typed({ inputMode: 'decimal', class: 'short' });
    this.card = typed({ placeholder: `${fieldLength(168)} x ${fieldLength(112)}` });
    this.go = h('button', { type: 'submit', class: 'main' }, say('swap.try'));
    return h('form', { class: 'box', noValidate: true, onsubmit: (event) => { event.preventDefault(); this.#try(); } },
      h('h2', {}, say('swap.steps.tool')), field(say('swap.tool'), this.tool),
      h('h2', {}, say('swap.steps.photo')), this.tray.element,
      h('div', { class: 'fields' }, field(say('swap.name'), this.name), field(say('swap.height'), this.height), field(say('drop.card'), this.card, say('swap.cardHint'))),
      this.go);
  }

  #placeForm() {
    const number = (key) => h('input', { type: 'text', inputMode: 'decimal', autocomplete: 'off', class: 'short', value: '0', onchange: () => { if (this.#numbers()) this.#tryAgain(); }, data: { key } });
    this.rule = h('select', { onchange: () => this.#tryAgain() }, RULES.map((r) => h('option', { value: r }, say(`swap.rules.${r}`))));
    this.shift = { x: number('x'), y: number('y'), turn: number('turn') };
    this.mirror = h('input', { type: 'checkbox', id: 'swap-mirror', onchange: () => this.#tryAgain() });
    this.placeBox = h('div', { class: 'box', hidden: true }, h('h2', {}, say('swap.steps.place')),
      field(say('swap.rule'), this.rule),
      h('div', { class: 'fields' }, Object.entries(this.shift).map(([k, input]) => field(say(`swap.${k}`), input)),
        h('div', { class: 'field check' }, this.mirror, h('label', { htmlFor: 'swap-mirror' }, say('swap.mirror')))));
    return this.placeBox;
  }

  #keepForm() {
    this.machine = h('select', { onchange: () => { this.#heed(); this.#tryAgain(); } }); // walls are as it cuts them
    this.material = h('select', { onchange: () => this.#heed() });
    this.reason = h('input', { type: 'text', autocomplete: 'off', maxLength: 200 });
    this.cautions = h('ul', { class: 'cautions' });
    this.keep = h('button', { type: 'submit', class: 'main' }, say('swap.keep'));
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

  #fill() {
    const was = this.tool.value;
    const outlines = this.job.state?.outlines ?? [];
    show(this.tool, outlines.map((o) => h('option', { value: o.id }, `${o.id} ${o.cells.name ?? ''}`)));
    if (outlines.some((o) => o.id === was)) this.tool.value = was;
    this.#toolChosen();
  }

  #toolChosen() {
    const o = this.job.state?.outlines?.find((one) => one.id === this.tool.value);
    this.name.placeholder = o?.cells.name ?? '';
    this.height.placeholder = length(o?.height_mm);
    if (this.trial && this.trial.tool !== this.tool.value) this.#showTrial(null);
  }

  /** Shift and turn as typed; null where one is not to be read. */
  #numbers() {
    const [x, y] = ['x', 'y'].map((k) => parseLength(this.shift[k].value || '0') ?? 0);
    const turn = Number(this.shift.turn.value.replace('°', '').replace(',', '.') || 0);
    const bad = { x: !(Math.abs(x) <= 5000), y: !(Math.abs(y) <= 5000), turn: !(Math.abs(turn) <= 360) };
    for (const [k, input] of Object.entries(this.shift)) input.toggleAttribute('aria-invalid', bad[k]);
    const wrong = Object.keys(bad).find((k) => bad[k]);
    if (!wrong) return { x, y, turn };
    this.message(say('table.refused', { value: this.shift[wrong].value, low: -360, high: 360 }));
    return null;
  }

  #asked() {
    const numbers = this.#numbers();
    const card = readPair(this.card.value);
    const height = readLength(this.height.value, 0, 500);
    if (card === undefined) { this.message(say('drop.unreadableSize')); this.card.focus(); return null; }
    if (height === undefined) { this.message(say('drop.unreadableHeight')); this.height.focus(); return null; }
    if (!numbers) return null;
    return {
      draft: this.tray.draft, tool: this.tool.value, name: this.name.value.trim() || null, height_mm: height, card_size_mm: card,
      rule: this.rule.value, shift_mm: [numbers.x, numbers.y], turn_deg: numbers.turn, mirror: this.mirror.checked,
      ...(this.machine.value ? { machine: this.machine.value } : {}),
    };
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
    this.shift.x.value = fieldLength(near(now.x + dx));
    this.shift.y.value = fieldLength(near(now.y + dy));
    this.shift.turn.value = String(near(((now.turn + turn + 540) % 360) - 180));
    this.#try();
  }

  async news(news) {
    this.tray.news(news);
    if (news.kind === 'run' && this.waits && ['failed', 'stopped'].includes(news.run.phase)) {
      this.waits = false;
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
      if (swap?.tool === this.tool.value) this.#showTrial(swap);
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

  #showTrial(trial) {
    this.trial = trial;
    this.stage.show(trial);
    this.#heed();
    this.findings.update(trial?.checks ?? [], new Set());
    this.#paint();
    if (!trial) return;
    const cm2 = (mm2) => figure(mm2 / MM2, 1);
    show(this.result, h('h2', {}, say(`swap.outcomes.${trial.outcome}`)),
      h('p', {}, say('swap.laid', { rule: say(`swap.rules.${trial.rule}`) })),
      h('p', {}, say('swap.change', { added: cm2(trial.added_mm2), removed: cm2(trial.removed_mm2), largest: length(trial.largest_mm) })),
      trial.patch ? h('p', {}, h('strong', {}, say(`swap.remedies.${trial.patch.remedy}`)), ' ', trial.patch.new_foam_mm2 ? say('swap.foam', { area: cm2(trial.patch.new_foam_mm2) }) : '') : null);
  }

  #paint() {
    this.go.disabled = this.waits || !this.tray.ready || !this.tool.value;
    this.placeBox.hidden = this.result.hidden = !this.trial;
    this.keepBox.hidden = this.trial?.outcome !== 'changed';
    this.keep.disabled = this.waits;
    this.findings.element.hidden = !this.trial;
    this.hint.hidden = !this.trial;
    this.legend.hidden = !this.trial;
  }
}
