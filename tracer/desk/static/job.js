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
const same = (a, b) => JSON.stringify(a ?? null) === JSON.stringify(b ?? null);

export class Job extends EventTarget {
  constructor(id) {
    super();
    this.id = id;
    this.path = `/api/jobs/${id}`;
    this.state = null;
    this.waiting = []; // edits the desk has not confirmed, oldest first
    this.sending = false;
    this.onConflict = async () => 'theirs';
    this.onRefusal = () => {};
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
    this.push({ kind, subject, changes });
  }

  undo() { this.push('undo'); }

  redo() { this.push('redo'); }

  async run() { await post(`${this.path}/run`); }

  async stop() { await remove(`${this.path}/run`); }

  push(item) {
    this.waiting.push(item);
    this.dispatchEvent(new Event('line'));
    this.send();
  }

  async send() {
    if (this.sending) return;
    this.sending = true;
    while (this.waiting.length) {
      const item = this.waiting[0];
      try {
        const done = await this.#post(item);
        this.waiting.shift();
        this.dispatchEvent(new Event('answer'));
        this.adopt(done.state);
      } catch (error) {
        if (error instanceof Silence || error.status === 403) { // kept in `waiting`, tried again
          this.dispatchEvent(new CustomEvent('silence', { detail: error }));
          clearTimeout(this.retry);
          this.retry = setTimeout(() => this.send(), RETRY_MS);
          break;
        }
        if (!(error instanceof Refusal)) { this.waiting.shift(); throw error; }
        if (error.slug === 'job-locked') { setTimeout(() => this.send(), 1500); break; }
        if (error.slug === 'edit-stale' || error.slug === 'edit-conflict') await this.#settle(item);
        else { this.waiting.shift(); this.onRefusal(error); }
      }
      this.dispatchEvent(new Event('line'));
    }
    this.sending = false;
    this.dispatchEvent(new Event('line'));
  }

  #post(item) {
    const match = { 'if-match': `"${this.state.revision}"` };
    return typeof item === 'string'
      ? post(`${this.path}/${item}`, {}, match)
      : post(`${this.path}/edits`, item, match);
  }

  /** The job moved on. Go along where nothing was overwritten; ask where something would be. */
  async #settle(item) {
    this.adopt(await get(this.path));
    if (typeof item === 'string') { // undo and redo mean the state that was seen
      this.waiting.shift();
      return;
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
  }
}
