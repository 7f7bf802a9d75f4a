// One open job: its state, edits in order, and what happens when another page edits too.

import { get, post, remove, Refusal, Silence } from './api.js';

/** Value of an input in a state, by the path that edits use; undefined where there is none. */
export function valueAt(state, path) {
  const [room, key, field] = path;
  if (room === 'row') return state.outlines?.find((o) => o.id === key)?.cells[field];
  if (room === 'lay') return state.lays?.find((l) => String(l.number) === key)?.settings[field];
  if (room === 'plan') return planValue(state.plan ?? {}, path.slice(1));
  return undefined; // corrections are lists: adding to one never overwrites anything
}

function planValue(plan, [key, pocket]) {
  if (pocket === undefined) return plan[key] ?? null;
  const found = plan[key]?.find((item) => item.pocket_id === pocket);
  if (!found) return null;
  const { pocket_id: _, ...bare } = found;
  return bare;
}

const RETRY_MS = 1500;
const MOST_TRIES = 5; // a job that moves on under every try: the person is told
const same = (a, b) => JSON.stringify(a ?? null) === JSON.stringify(b ?? null);
const newKey = () => Array.from(crypto.getRandomValues(new Uint8Array(12)), (b) => b.toString(16).padStart(2, '0')).join('');

/** What is not kept yet outlives the page: a tab that is closed, a computer that goes off. */
const shelf = {
  name: (id) => `tracer-desk-unkept-${id}`,
  read(id) {
    try { return JSON.parse(localStorage.getItem(this.name(id)) ?? '[]'); } catch { return []; }
  },
  write(id, items) {
    try {
      if (items.length) localStorage.setItem(this.name(id), JSON.stringify(items));
      else localStorage.removeItem(this.name(id));
    } catch { /* no room, or not allowed: the page itself still holds them */ }
  },
};

export class Job extends EventTarget {
  constructor(id) {
    super();
    this.id = id;
    this.path = `/api/jobs/${id}`;
    this.state = null;
    this.waiting = []; // edits and steps the desk has not confirmed, oldest first
    this.sending = false;
    this.gone = false;
    this.onConflict = async () => 'theirs';
    this.onRefusal = () => {};
    this.onOvertaken = () => {};
  }

  /** Value of an input as the person sees it: edits on their way count. */
  value(path) {
    for (const item of this.waiting.toReversed()) {
      const change = item.changes?.find((c) => same(c.path, path));
      if (change) return change.now ?? null;
    }
    return valueAt(this.state, path) ?? null;
  }

  async load() {
    this.adopt(await get(this.path));
    if (!this.restored && this.state.lays) {
      this.restored = true;
      const kept = shelf.read(this.id).filter((item) => item.changes);
      if (kept.length) {
        this.waiting.unshift(...kept);
        this.#line();
        this.send();
      }
    }
    return this.state;
  }

  /** Take over a state, unless a later one is here already: answers may overtake each other. */
  adopt(state) {
    if (this.state?.serial > state.serial) return;
    this.state = state;
    this.dispatchEvent(new Event('state'));
  }

  /** Keep an edit. The page shows it at once; `line` events say when it is confirmed. */
  edit(kind, subject, changes) {
    this.#push({ kind, subject, changes, key: newKey() });
  }

  undo() { this.#step(this.#done() - 1); }

  redo() { this.#step(this.#done() + 1); }

  /** Undo or redo until so many edits are in force. */
  stepTo(done) { this.#step(done); }

  async run() { await post(`${this.path}/run`); }

  async stop() { await remove(`${this.path}/run`); }

  /** How many edits are in force once everything that waits is done. */
  #done() {
    return this.waiting.reduce((done, item) => item.to ?? done + 1, this.state?.history?.done ?? 0);
  }

  #step(to) {
    const from = this.#done();
    if (to >= 0 && to !== from) this.#push({ from, to });
  }

  #push(item) {
    this.waiting.push(item);
    this.#line();
    this.send();
  }

  #line() {
    shelf.write(this.id, this.waiting);
    this.dispatchEvent(new Event('line'));
  }

  /** The job's folder is no longer there: nothing is sent any more, and nothing is lost unseen. */
  leave() {
    if (this.gone) return;
    this.gone = true;
    this.dispatchEvent(new Event('gone'));
  }

  async send() {
    if (this.sending || this.gone) return;
    this.sending = true;
    try {
      while (this.waiting.length && !this.gone) {
        if (!(await this.#sendFirst(this.waiting[0]))) break;
        this.#line();
      }
    } finally {
      this.sending = false;
      this.#line();
    }
  }

  /** Send what waits longest; false where it must be tried again later. */
  async #sendFirst(item) {
    try {
      const done = await this.#post(item);
      this.waiting.shift();
      this.dispatchEvent(new Event('answer'));
      this.adopt(done.state);
      return true;
    } catch (error) {
      if (error instanceof Silence || error.status === 403) { // kept in `waiting`, tried again
        this.dispatchEvent(new CustomEvent('silence', { detail: error }));
        return this.#later();
      }
      if (!(error instanceof Refusal)) { this.waiting.shift(); throw error; }
      if (error.slug === 'job-gone') { this.leave(); return false; }
      if (error.slug === 'job-locked') return this.#later();
      item.tries = (item.tries ?? 0) + 1;
      const moved = error.slug === 'edit-stale' || (error.slug === 'edit-conflict' && item.changes);
      if (moved && item.tries < MOST_TRIES) return this.#settle(item);
      this.waiting.shift();
      this.onRefusal(error);
      return true;
    }
  }

  #later() {
    clearTimeout(this.retry);
    this.retry = setTimeout(() => this.send(), RETRY_MS);
    return false;
  }

  #post(item) {
    const match = { 'if-match': `"${this.state.revision}"` };
    return item.changes
      ? post(`${this.path}/edits`, item, match)
      : post(`${this.path}/steps`, { done: item.to }, match);
  }

  /** The job moved on. Go along where nothing was overwritten; ask where something would be. */
  async #settle(item) {
    const before = this.state;
    try {
      this.adopt(await get(this.path));
    } catch (error) {
      if (error instanceof Silence) return this.#later();
      if (error.slug === 'job-gone') { this.leave(); return false; }
      throw error;
    }
    if (!item.changes) { // a step means the history that was seen; a run beside it changes nothing
      const { history } = this.state;
      if (history.done === item.to) this.waiting.shift(); // made already, the answer was lost
      else if (history.done !== item.from || !same(history.edits, before.history.edits)) {
        this.waiting.shift();
        this.onOvertaken();
      }
      return true;
    }
    const changes = [];
    for (const change of item.changes) {
      const present = valueAt(this.state, change.path);
      if (present === undefined || same(present, change.was)) changes.push(change);
      else if (!same(present, change.now) && (await this.onConflict(change, present)) === 'mine') {
        changes.push({ ...change, was: present });
      }
    }
    if (changes.length) this.waiting[0] = { ...item, changes };
    else this.waiting.shift();
    return true;
  }
}
