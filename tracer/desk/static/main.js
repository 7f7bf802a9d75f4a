// The page's frame: which view is on, the line of progress, messages, connection.

import { listen } from './api.js';
import { h, show, speak } from './dom.js';
import { ChangeList } from './changes.js';
import { askConflict, showGone, showWayBack } from './dialogs.js';
import { FilesView } from './files_view.js';
import { Job } from './job.js';
import { MissingPage } from './missing_page.js';
import { OutlinesView } from './outlines_view.js';
import { preferences } from './preferences.js';
import { PanelPage } from './panel_page.js';
import { StartView } from './start_view.js';
import { SwapPage } from './swap_page.js';
import { has, say } from './texts.js';

const VIEWS = { outlines: OutlinesView, panel: PanelPage, files: FilesView, swap: SwapPage, missing: MissingPage };
const OF_DRAFTS = new Set(['draft', 'links', 'upload']);

class Frame {
  constructor() {
    this.job = null;
    this.view = null;
    this.title = h('span', { class: 'job-name' });
    this.steps = h('nav', { 'aria-label': say('stepsLabel') });
    this.undo = h('button', { type: 'button', onclick: () => this.job?.undo() }, say('tools.undo'));
    this.redo = h('button', { type: 'button', onclick: () => this.job?.redo() }, say('tools.redo'));
    this.changes = new ChangeList(() => this.job, (edit) => this.#what(edit));
    this.back = h('button', { type: 'button', onclick: () => showWayBack((text) => this.message(text)) }, say('wayBack.open'));
    this.home = h('button', { type: 'button', class: 'home', hidden: true, onclick: () => this.start() }, say('toJobs'));
    // off until it is known whether a job opens: a click before would begin a new one
    this.phone = h('button', { type: 'button', disabled: true, onclick: () => this.#phone() }, say('phone.open'));
    this.kept = h('span', { class: 'kept' });
    this.progress = h('progress', { max: 1, 'aria-label': say('run.label') });
    this.runText = h('span', { role: 'status' });
    this.stop = h('button', { type: 'button', onclick: () => this.job?.stop() }, say('run.stop'));
    this.again = h('button', { type: 'button', onclick: () => this.job?.run() }, say('run.again'));
    this.run = h('div', { class: 'run' }, this.progress, this.runText, this.stop, this.again);
    this.lost = h('div', { class: 'lost', role: 'alert', hidden: true }, say('line.lost'));
    this.messages = h('div', { class: 'messages', role: 'status' });
    this.room = h('main');
    show(document.getElementById('desk'),
      h('header', {}, this.home, this.title, this.steps, h('div', { class: 'edit-keys' }, this.undo, this.redo, this.changes.element, this.kept), this.phone, this.back, preferences()),
      this.lost, this.run, this.room, this.messages);
    listen((news) => this.#news(news), (up) => this.#line(up));
    window.addEventListener('beforeunload', (event) => { if (this.job?.waiting.length) event.preventDefault(); });
    for (const kind of ['error', 'unhandledrejection']) window.addEventListener(kind, () => this.message(say('errorUnknown')));
    window.addEventListener('popstate', () => this.#route());
    // who presses a form's button again has read what was wrong with it
    document.addEventListener('submit', () => { for (const old of this.messages.querySelectorAll('.alarm')) old.remove(); }, { capture: true });
    this.#route();
  }

  #route() {
    const [, job, view] = /^#([0-9a-f]{12})(?:\/(\w+))?$/.exec(location.hash) ?? [];
    if (job) this.open(job, { view, push: false });
    else if (document.documentElement.dataset.job && !this.routed) this.open(document.documentElement.dataset.job, { push: false });
    else this.start({ push: false });
    this.routed = true;
  }

  /** The first page. */
  start({ push = true, furtherTo = null } = {}) {
    this.job = null;
    if (push) history.pushState(null, '', '#');
    this.drafting = new StartView((id) => this.open(id), (text) => this.message(text), furtherTo);
    this.#put(this.drafting);
    this.#paint();
  }

  /** The first run of a job failed or was stopped: back to where it can be mended. */
  async #backToDraft({ run, first }) {
    const drafting = this.drafting ?? new StartView((id) => this.open(id), (text) => this.message(text), null, first);
    this.drafting = drafting;
    this.job = null;
    history.replaceState(null, '', '#');
    this.#put(drafting);
    drafting.resume(run.error ? `${run.error.sentence} ${run.error.remedy} [${run.error.slug}]` : say('run.stopped'));
    this.#paint();
  }

  /** Open a job; while its first run is on, there is only progress to show. */
  async open(id, { view = 'outlines', push = true } = {}) {
    if (this.job?.id !== id) {
      this.job = new Job(id);
      this.job.addEventListener('state', () => this.#paint());
      this.job.addEventListener('line', () => this.#paint());
      this.job.addEventListener('silence', (event) => this.#silent(event.detail.status === 403));
      this.job.addEventListener('answer', () => { this.lost.hidden = true; });
      this.job.addEventListener('gone', () => this.#gone());
      this.job.onRefusal = (error) => this.message(error.message);
      this.job.onOvertaken = () => this.message(say('line.overtaken'));
      this.job.onConflict = (change, theirs) => askConflict(this.#what({ kind: 'cell', subject: change.path.slice(1).join('/') }), change, theirs);
      this.#put(null);
      const { job } = this;
      try { await job.load(); } catch (error) {
        if (this.job !== job) return;
        if (error.slug === 'job-gone') job.leave();
        else { this.message(error.message); this.start(); }
        return;
      }
      if (this.job !== job) return; // the person went elsewhere meanwhile
      if (job.early) { // news that overtook the answer: newer than it, or followed by what is
        job.state.run = job.early;
        job.early = null;
      }
    }
    if (push) history.pushState(null, '', `#${id}/${view}`);
    this.step = view in VIEWS ? view : 'outlines';
    this.#show();
  }

  /** True where a job's first run is over and left no job. */
  #endedEarly() {
    const { state } = this.job;
    return Boolean(this.drafting || state.first) && !state.lays && ['failed', 'stopped'].includes(state.run.phase);
  }

  #show() {
    if (this.job?.state && this.#endedEarly()) { // the run was over before this page heard of it
      this.#backToDraft(this.job.state);
      return;
    }
    const ready = Boolean(this.job?.state?.lays);
    if (ready) {
      this.#put(new VIEWS[this.step](this.job, (text, calm) => this.message(text, calm)));
      this.view.onFurther = () => this.start({ furtherTo: this.job.state?.name });
      this.view.onFiles = () => this.open(this.job.id, { view: 'files' });
      this.view.onSwap = async (way, tool) => { await this.open(this.job.id, { view: 'swap' }); this.view.choose(way, tool); };
    }
    else this.#put(null);
    this.#paint();
  }

  #put(view) {
    this.view?.close();
    this.view = view;
    show(this.room, view?.element ?? h('p', { class: 'quiet waiting' }, this.job?.state?.name ?? ''));
  }

  #paint() {
    const { job } = this;
    const state = job?.state;
    document.title = state?.name ? `${state.name} - ${say('desk')}` : say('desk');
    this.title.textContent = state?.name ?? say('desk');
    this.home.hidden = !job;
    this.phone.disabled = Boolean(job) && !state; // for which job is not known yet
    const ready = Boolean(state?.lays);
    this.steps.hidden = !ready;
    show(this.steps, Object.keys(VIEWS).map((name) => h('button', {
      type: 'button', 'aria-current': this.step === name ? 'page' : null, onclick: () => this.open(job.id, { view: name }),
    }, say(`steps.${name}`))));
    for (const [button, key] of [[this.undo, 'undo'], [this.redo, 'redo']]) {
      button.hidden = !ready;
      button.disabled = !state?.[key];
      const label = state?.[key] ? say(`tools.${key}What`, { what: this.#what(state[key]) }) : say(`tools.${key}`);
      button.title = label;
      button.setAttribute('aria-label', label);
    }
    const waiting = job?.waiting.length ?? 0;
    this.kept.textContent = !ready ? '' : waiting ? (job.sending ? say('line.saving') : say('line.unsaved')) : say('line.saved');
    this.kept.classList.toggle('open', waiting > 0);
    this.changes.update(ready);
    this.#paintRun(state?.run ?? { phase: 'idle' }, ready, state?.stale);
  }

  #paintRun(run, ready, stale) {
    const busy = run.phase === 'running' || run.phase === 'waiting';
    this.run.hidden = !this.job || (!busy && !stale && run.phase !== 'failed' && run.phase !== 'stopped');
    this.run.classList.toggle('failed', run.phase === 'failed');
    this.progress.hidden = !busy;
    if (run.phase === 'running' && run.done > 0) this.progress.value = run.done;
    else this.progress.removeAttribute('value');
    const text = {
      waiting: say('run.waiting'), running: run.step ? `${run.step} ...` : '', stopped: say('run.stopped'),
      failed: `${run.error?.sentence ?? ''} ${run.error?.remedy ?? ''} ${run.error ? `[${run.error.slug}]` : ''}`.trim(),
    }[run.phase] ?? (stale ? say('run.stale') : '');
    if (this.runText.textContent !== text) this.runText.textContent = text;
    this.stop.hidden = !busy;
    this.again.hidden = busy || !ready;
  }

  #what({ kind, subject }) {
    const [id, column] = subject.split('/');
    const label = column && has(`table.columns.${column}`) ? say(`table.columns.${column}`) : column;
    return has(`edits.${kind}`) ? say(`edits.${kind}`, { subject: id, column: label }) : kind;
  }

  async #news(news) {
    const { job } = this;
    if (!job && news.kind === 'job') this.view?.load?.(); // another page made a job
    if (!job) this.view?.news?.(news);
    if (job && OF_DRAFTS.has(news.kind)) this.view?.news?.(news);
    if (!job || news.job !== job.id) return;
    if (news.kind === 'gone') job.leave();
    else if (news.kind === 'run' && !job.state) job.early = news.run;
    else if (news.kind === 'run') {
      job.state.run = news.run;
      if (this.#endedEarly()) this.#backToDraft(job.state);
      else this.#paint();
      this.view?.news?.(news);
    } else if (['layouts', 'swap', 'swapped', 'inspected'].includes(news.kind)) this.view?.news?.(news);
    else if (news.kind === 'job' && (news.files || news.revision !== job.state?.revision) && !job.sending) {
      const first = !job.state?.lays;
      try { await job.load(); } catch (error) { if (error.slug === 'job-gone') job.leave(); return; }
      if (first && job === this.job) this.#show();
    }
  }

  /** Nobody answers, or somebody who does not know this page. */
  #silent(anew) {
    show(this.lost, say(anew ? 'line.anew' : 'line.lost'));
    this.lost.hidden = false;
  }

  async #line(up) {
    const was = this.lost.hidden;
    if (up) this.lost.hidden = true;
    else this.#silent(false);
    if (!up || was) return;
    speak(say('line.back'));
    if (this.job) {
      try { await this.job.load(); } catch (error) { if (error.slug === 'job-gone') this.job.leave(); return; }
      this.job.send();
    }
  }

  /** A sentence at the foot of the page. */
  message(text, calm = false) {
    const item = h('p', { class: calm ? 'calm' : 'alarm' }, text, h('button', { type: 'button', class: 'plain', 'aria-label': say('close'), onclick: () => item.remove() }, '×'));
    this.messages.append(item);
    while (this.messages.children.length > 3) this.messages.firstChild.remove();
    if (calm) setTimeout(() => item.remove(), 5000);
  }

  /** The open job's folder was taken away. */
  #gone() {
    const { job } = this;
    showGone(job, (edit) => this.#what(edit), () => { if (this.job === job) this.start(); });
  }

  /** A phone sends photos: for the view that takes some, else for the open job as a further lay. */
  #phone() {
    if (this.job && !this.view?.invite) this.start({ furtherTo: this.job.state?.name });
    this.view.invite();
  }
}

new Frame();
