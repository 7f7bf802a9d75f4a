// The photo view: the photo with its outlines, tools to correct them, and the table beside it.

import { get } from './api.js';
import { field, freshId, h, show, speak } from './dom.js';
import { Doubts } from './doubts.js';
import { Findings } from './findings.js';
import { Layers } from './layers.js';
import { LaySettings } from './lay_settings.js';
import { doubtfulBox, placePicture } from './place_picture.js';
import { MODES, StrokeTool } from './strokes.js';
import { ToolTable } from './table.js';
import { figure, length, say } from './texts.js';
import { Viewport } from './viewport.js';

const PLACE_PX = 250; // round a place without an outline
const ruler = document.createElement('canvas').getContext('2d');
/** Whether a point of the photo lies in a path; of several rings by the even-odd rule. */
const within = (d, [x, y]) => ruler.isPointInPath(new Path2D(d), x, y, 'evenodd');

export class OutlinesView {
  constructor(job, message) {
    Object.assign(this, { job, message, photo: null, mode: 'look', tool: null, asked: 0 });
    this.viewport = new Viewport();
    this.layers = new Layers(this.viewport);
    this.table = new ToolTable(job, {
      onChoose: (id, how) => this.choose(id, { ...how, from: 'table' }),
      onHover: (id) => this.layers.hover(id),
      onDrop: (id) => this.#drop(id),
      onMessage: message,
    });
    this.doubts = new Doubts({
      show: (entry) => this.#look(entry),
      fix: (kind, entry, value) => this.#fix(kind, entry, value),
      right: (entries) => this.#accept(say('doubts.restName', { count: entries.length }), entries),
      picture: (entry) => this.#picture(entry),
      refuse: message,
    });
    this.findings = new Findings((id) => this.choose(id, { closer: true }));
    this.settings = new LaySettings(job, message);
    this.note = h('p', { class: 'quiet camera' });
    this.element = h('div', { class: 'view outlines' },
      h('section', { class: 'stage', 'aria-label': say('steps.photos') }, this.#bar(), this.viewport.element, this.#legend()),
      h('section', { class: 'side', 'aria-label': say('table.label') }, this.doubts.element, this.table.element, this.findings.element, this.settings.element));
    this.viewport.addEventListener('pick', (event) => this.#pick(event.detail));
    this.onState = () => this.update();
    job.addEventListener('state', this.onState);
    this.onKey = (event) => this.#key(event);
    document.addEventListener('keydown', this.onKey);
    this.update();
  }

  close() {
    this.job.removeEventListener('state', this.onState);
    document.removeEventListener('keydown', this.onKey);
    this.tool?.close();
  }

  /** Take over the job's state. */
  update() {
    const { state } = this.job;
    if (!state?.lays) return;
    const photos = state.lays.flatMap((lay) => lay.photos.map((p) => ({ ...p, lay: lay.number })));
    const options = photos.map((p) => p.photo).join();
    if (options !== this.known) {
      this.known = options;
      show(this.picker, photos.map((p) => h('option', { value: p.photo }, p.name)));
      this.pickerRoom.hidden = photos.length < 2;
    }
    this.photo = photos.find((p) => p.photo === this.photo?.photo) ?? photos[0];
    if (!this.photo) return;
    this.picker.value = this.photo.photo;
    if (this.photo.size_px) this.viewport.setPhoto(this.job.path, this.photo);
    const mine = state.outlines.filter((o) => o.lay === this.photo.lay);
    this.table.update(mine);
    this.table.choose(this.chosen, { scroll: false });
    const named = new Map(state.outlines.map((o) => [o.id, o]));
    this.doubts.update(state.doubts.map((d) => ({ ...d, name: this.#name(named.get(d.outline)) })), state.outlines.length);
    this.findings.update(state.checks, new Set(state.outlines.map((o) => o.id)));
    this.settings.update(state.lays[this.photo.lay - 1], this.photo);
    this.#draw();
  }

  /** Choose a tool: marked in the photo and in the table. */
  choose(id, { closer = false, from = '' } = {}) {
    const changed = id !== this.chosen;
    this.chosen = id;
    this.layers.choose(id);
    this.table.choose(id, { scroll: from !== 'table' });
    const box = id && this.layers.box(id);
    if (box && (changed || closer) && from !== 'photo') this.viewport.reveal(box, { closer });
    if (id && changed && from === 'photo') {
      const o = this.job.state.outlines.find((x) => x.id === id);
      speak(say('tools.chosen', { name: o?.cells.name ?? id }));
    }
  }

  async #draw() {
    const asked = (this.asked += 1);
    const made = `${this.photo.photo} ${this.job.state.results}`;
    if (made !== this.drawn?.made) { // edges change with runs, not with every edit
      let record;
      try {
        record = await get(`${this.job.path}/photos/${this.photo.photo}`);
      } catch (error) {
        this.message(error.message);
        return;
      }
      if (asked !== this.asked) return; // a later state is on its way
      this.drawn = { made, record };
    }
    const { record } = this.drawn;
    this.#follow();
    const names = new Map(this.job.state.outlines.map((o) => [o.id, this.#name(o)]));
    this.layers.draw(record, names);
    this.doubts.pictured();
    this.#reveal();
    const hull = record.hull && this.layers.hull.getBBox();
    if (hull?.width && this.framed !== this.photo.photo) { // begin with what lies between the cards
      this.framed = this.photo.photo;
      this.viewport.frame([hull.x, hull.y, hull.x + hull.width, hull.y + hull.height]);
    }
    show(this.note, record.camera ? say('picture.camera', {
      height: length(record.camera.camera_height_mm, 0), tilt: figure(record.camera.tilt_deg), rms: figure(record.fit.rms_px, 2),
    }) : '');
  }

  /** An outline that a correction changed is brought into sight, wherever the view was. */
  #follow() {
    const now = new Map(this.job.state.outlines.filter((o) => o.lay === this.photo.lay).map((o) => [o.id, o.revision]));
    const before = this.revisions;
    this.revisions = { photo: this.photo.photo, now };
    if (before?.photo !== this.photo.photo) return;
    this.changed = [...now].filter(([id, revision]) => before.now.get(id) !== revision).map(([id]) => id);
  }

  #reveal() {
    const ids = this.changed ?? [];
    this.changed = [];
    const boxes = ids.map((id) => this.layers.box(id)).filter(Boolean);
    if (!boxes.length || boxes.length > 4) return; // a new height moves one; a new card size moves all
    this.viewport.reveal([0, 1, 2, 3].map((k) => (k < 2 ? Math.min : Math.max)(...boxes.map((b) => b[k]))));
    this.layers.flash(ids);
  }

  #pick(at) {
    this.choose(this.layers.at(at), { from: 'photo' });
  }

  #key(event) {
    const typing = event.target.closest?.('input, select, textarea');
    const z = event.key.toLowerCase();
    if ((event.ctrlKey || event.metaKey) && !event.altKey && (z === 'z' || z === 'y')) {
      if (typing && typing.value !== typing.dataset.shown && typing.type === 'text') return; // undoes typing
      event.preventDefault();
      if (z === 'y' || event.shiftKey) this.job.redo(); else this.job.undo();
    } else if (event.key === 'Escape' && !typing && this.mode !== 'look') this.#setMode('look');
    else if (event.key === 'Delete' && !typing && this.chosen) this.#drop(this.chosen);
  }

  /** Number and name of a tool as people call it. */
  #name(o) {
    return o ? [o.id, o.cells.name].filter(Boolean).join(' ') : null;
  }

  /** Bring what is in doubt into sight. */
  #look(entry) {
    if (entry.outline) {
      const lay = this.job.state.outlines.find((o) => o.id === entry.outline)?.lay;
      if (lay !== this.photo.lay) this.#showPhoto(this.job.state.lays[lay - 1].photos[0].photo);
      this.choose(entry.outline, { closer: true });
      return;
    }
    this.choose(null);
    const at = this.drawn?.record.places?.[entry.key];
    if (at) this.viewport.reveal([at[0] - PLACE_PX, at[1] - PLACE_PX, at[0] + PLACE_PX, at[1] + PLACE_PX], { closer: true });
  }

  #showPhoto(photo) {
    this.photo = { photo };
    this.#setMode('look');
    this.update();
  }

  #accept(name, entries) {
    this.job.edit('accept', name, entries.map((entry) => {
      const was = this.job.state.accepted[entry.key] ?? null;
      return { path: ['accepted', entry.key], was, now: [...(was ?? []), ...entry.marks] };
    }));
  }

  /** The place in doubt as a small picture with its edge; null where this photo does not show it. */
  #picture(entry) {
    const record = this.drawn?.record;
    if (!record || record.photo !== this.photo?.photo) return null;
    const box = entry.outline ? this.layers.box(entry.outline) : null;
    const at = record.places?.[entry.key];
    if (!box && !at) return null;
    const edges = record.seen.filter((e) => e.outline && e.outline === entry.outline);
    return placePicture(`${this.job.path}/photos/${this.photo.photo}`, {
      box: box ? doubtfulBox(box, edges) : [at[0] - PLACE_PX, at[1] - PLACE_PX, at[0] + PLACE_PX, at[1] + PLACE_PX], edges, at,
    });
  }

  /** Do what a person decided about something in doubt. */
  #fix(kind, entry, value) {
    if (kind === 'accept') this.#accept(entry.name ?? entry.key, [entry]);
    else if (kind === 'height') {
      const path = ['row', entry.outline, 'height_mm'];
      this.job.edit('cell', `${entry.outline}/height_mm`, [{ path, was: this.job.value(path), now: value }]);
    } else if (kind === 'drop') this.#drop(entry.outline);
    else if (kind === 'keep') this.#correct('keep', 'keep', this.drawn.record.places[entry.key]);
    else if (kind === 'retake') this.onFurther?.();
    else {
      this.#setMode(kind);
      this.viewport.element.focus();
    }
  }

  /** Drop a tool in every photo of its lay: one that any photo still shows would come back. */
  async #drop(id) {
    const outline = this.job.state.outlines.find((o) => o.id === id);
    const { photos } = this.job.state.lays[outline.lay - 1];
    const changes = [];
    for (const { photo } of photos) {
      try {
        const { seen } = await get(`${this.job.path}/photos/${photo}`);
        const mine = seen.filter((e) => e.outline === id);
        if (mine.length) changes.push({ path: ['photo', photo, 'drop'], was: [], now: mine.map((e) => e.inside) });
        changes.push(...this.#withdrawn(photo, 'keep', mine.map((e) => e.path))); // a point to keep holds against a drop
      } catch (error) { this.message(error.message); return; }
    }
    if (!changes.length) changes.push({ path: ['photo', photos[0].photo, 'drop'], was: [], now: [outline.point_px] });
    this.job.edit('drop', outline.cells.name ?? id, changes);
  }

  #correct(kind, list, value) {
    const { photo, name } = this.photo;
    let changes = [{ path: ['photo', photo, list], was: [], now: [value] }];
    if (kind === 'drop') {
      const hit = this.drawn.record.seen.filter((e) => within(e.path, value));
      changes.push(...this.#withdrawn(photo, 'keep', hit.map((e) => e.path)));
    }
    if (kind === 'keep') { // on a tool that was dropped: the drop is taken back, nothing is looked for anew
      const was = this.drawn.record.dropped.filter((d) => within(d.path, value)).flatMap((d) => d.points);
      if (was.length) changes = [{ path: ['photo', photo, 'drop'], was, now: [] }];
    }
    this.job.edit(kind, name, changes);
  }

  /** Changes that take back the points of a list that lie within these shapes of a photo. */
  #withdrawn(photo, list, paths) {
    const lay = this.job.state.lays.find((l) => l.photos.some((p) => p.photo === photo));
    const points = lay.corrections[photo]?.[list] ?? [];
    const was = points.filter((p) => paths.some((d) => within(d, p)));
    return was.length ? [{ path: ['photo', photo, list], was, now: [] }] : [];
  }

  #setMode(mode) {
    this.tool?.close();
    this.tool = null;
    this.mode = mode;
    for (const button of this.modes) button.setAttribute('aria-pressed', String(button.dataset.mode === mode));
    show(this.hint, say(`tools.${mode}Hint`), mode === 'look' ? '' : ` ${say('tools.keys')}`);
    this.widthField.hidden = !MODES[mode]?.brush;
    this.snapRoom.hidden = mode !== 'edge';
    this.stepField.hidden = mode === 'look';
    this.viewport.element.dataset.mode = mode;
    if (mode !== 'look') {
      this.tool = new StrokeTool(this.viewport, mode, `${this.job.path}/photos/${this.photo.photo}`, () => ({
        width: Number(this.width.value) || 40, reach: Number(this.reach.value) || 12,
        step: Number(this.step.value) || 5, snap: this.snap.checked,
      }), (done, value, note) => {
        if (note) { this.message(note, done !== null); }
        if (done) this.#correct(done, MODES[done].list, value);
      });
    }
    this.viewport.tool = this.tool;
  }

  #bar() {
    this.modes = Object.keys(MODES).map((mode) => h('button', {
      type: 'button', data: { mode }, 'aria-pressed': String(mode === 'look'), title: say(`tools.${mode}Hint`),
      onclick: () => this.#setMode(mode),
    }, say(`tools.${mode}`)));
    const number = (value, min, max) => h('input', { type: 'number', value, min, max, class: 'short' });
    this.width = number(40, 2, 1000);
    this.reach = number(12, 2, 200);
    this.step = number(5, 0.25, 200);
    this.snap = h('input', { type: 'checkbox', checked: true, id: freshId('snap') });
    this.widthField = field(say('tools.width'), this.width);
    this.stepField = field(say('tools.step'), this.step);
    this.snapRoom = h('div', { class: 'fields' },
      h('div', { class: 'field check' }, this.snap, h('label', { htmlFor: this.snap.id }, say('tools.snap'))),
      field(say('tools.reach'), this.reach));
    this.widthField.hidden = this.snapRoom.hidden = this.stepField.hidden = true;
    this.hint = h('p', { class: 'hint', id: freshId('hint') }, say('tools.lookHint'));
    this.viewport.element.setAttribute('aria-describedby', this.hint.id);
    this.picker = h('select', { onchange: () => this.#showPhoto(this.picker.value) });
    this.pickerRoom = field(say('picture.pick'), this.picker);
    const zoom = (text, sign, act) => h('button', { type: 'button', 'aria-label': text, title: text, onclick: act }, sign);
    return h('div', { class: 'bar' },
      h('div', { class: 'row' }, h('div', { class: 'modes', role: 'toolbar', 'aria-label': say('tools.label') }, this.modes),
        h('div', { class: 'zoom' },
          zoom(say('picture.farther'), '−', () => this.viewport.zoomBy(0.8)),
          zoom(say('picture.closer'), '+', () => this.viewport.zoomBy(1.25)),
          zoom(say('picture.fit'), say('picture.fit'), () => this.viewport.fit()))),
      h('div', { class: 'row options' }, this.pickerRoom, this.widthField, this.snapRoom, this.stepField, this.hint));
  }

  #legend() {
    const check = (kind) => {
      const input = h('input', { type: 'checkbox', checked: true, id: freshId('layer'), onchange: () => this.layers.toggle(kind, input.checked) });
      return h('span', { class: `layer ${kind}` }, input, h('label', { htmlFor: input.id }, say(`picture.${kind}`)));
    };
    return h('div', { class: 'legend' }, h('div', { class: 'layers' }, ['seen', 'true', 'cards'].map(check)), this.note);
  }
}
