// The phone's page: choose or take photos, send them one after another, see each arrive.

import { freshId, h, show, speak } from './dom.js';
import { figure, say } from './texts.js';

const { token, title, kind } = document.documentElement.dataset;
const LOOK_MS = 4000;
const ofPanel = kind === 'panel'; // a panel in use, and no tools to be traced

class Phone {
  constructor() {
    this.photos = []; // {file, part, state: waiting | sending | looking | here | refused | lost, text}
    this.sending = false;
    const take = this.#picker({ capture: 'environment' });
    const choose = this.#picker({ multiple: true });
    this.left = h('p', { class: 'quiet' });
    this.over = h('p', { class: 'over', role: 'alert', hidden: true });
    this.list = h('ul', { class: 'sent', 'aria-label': say('send.list') });
    this.choices = h('div', { class: 'choices' },
      h('div', {}, take, h('label', { htmlFor: take.id, class: 'main' }, say('send.take'))),
      h('div', {}, choose, h('label', { htmlFor: choose.id }, say('send.choose'))));
    show(document.getElementById('phone'),
      h('h1', {}, title ? say('send.titleOf', { title }) : say('send.title')),
      h('p', {}, say(ofPanel ? 'send.panelText' : 'send.text')), this.over, this.choices, this.list, this.left,
      h('p', { class: 'quiet' }, say('send.caution')));
    document.addEventListener('visibilitychange', () => { if (!document.hidden) this.#look(); });
    this.#look();
    setInterval(() => { if (!document.hidden && !this.ended) this.#look(); }, LOOK_MS);
    window.addEventListener('beforeunload', (event) => { if (this.sending) event.preventDefault(); });
  }

  #picker(how) {
    const input = h('input', { type: 'file', accept: 'image/*,.heic,.heif', class: 'unseen', id: freshId('pick'), ...how,
      onchange: () => { this.#add([...input.files]); input.value = ''; } });
    if (how.capture) input.setAttribute('capture', how.capture);
    return input;
  }

  #add(files) {
    for (const file of files) this.photos.push({ file, part: 0, state: 'waiting' });
    this.#paint();
    this.#next();
  }

  async #next() {
    if (this.sending) return;
    const photo = this.photos.find((p) => p.state === 'waiting');
    if (!photo || this.ended) return;
    this.sending = true;
    photo.state = 'sending';
    this.#paint();
    await this.#send(photo);
    this.sending = false;
    speak(`${photo.file.name}: ${this.#word(photo)}`);
    this.#paint();
    this.#next();
  }

  /** Send one photo; fetch cannot tell how much is sent. */
  #send(photo) {
    return new Promise((resolve) => {
      const call = new XMLHttpRequest();
      call.open('POST', `/phone/photos?name=${encodeURIComponent(photo.file.name)}`);
      call.setRequestHeader('x-desk-token', token);
      call.upload.onprogress = (e) => {
        if (!e.lengthComputable) return;
        photo.part = e.loaded / e.total;
        if (photo.part === 1) photo.state = 'looking';
        this.#paint(photo);
      };
      call.onload = () => {
        let body = {};
        try { body = JSON.parse(call.responseText); } catch { /* not JSON: a plain refusal */ }
        if (call.status < 300) {
          photo.state = 'here';
          if (!ofPanel) this.#advise(photo, body.digest);
        }
        else {
          photo.state = 'refused';
          photo.text = body.error ? `${body.error.sentence} ${body.error.remedy ?? ''}`.trim() : say('send.refused', { status: call.status });
          if (call.status === 410) this.#end(photo.text);
        }
        resolve();
      };
      call.onerror = () => { photo.state = 'lost'; resolve(); };
      call.send(photo.file);
    });
  }

  /** Ask the desk what the photo lacks, while the tools still lie there. */
  async #advise(photo, digest) {
    photo.advice = { asked: true };
    this.#paint();
    try {
      const response = await fetch(`/phone/photos/${digest}/advice`, { credentials: 'same-origin' });
      photo.advice = response.ok ? await response.json() : null;
    } catch { photo.advice = null; }
    speak(this.#counsel(photo).join(' '));
    this.#paint();
  }

  /** What to do better, in sentences; that the photo will do; where one more would help. */
  #counsel({ advice }) {
    if (!advice) return [];
    if (advice.asked) return [say('advice.looking')];
    const todo = advice.todo.map((word) => say(`advice.${word}`, { count: advice.cards, tilt: figure(advice.tilt_deg, 0) }));
    const good = todo.length ? [] : [say('advice.good', { count: advice.cards, tilt: figure(advice.tilt_deg, 0) })];
    const more = !todo.length && advice.next ? [say('advice.more', { side: say(`advice.sides.${advice.next}`) })] : [];
    return [...todo, ...good, ...more];
  }

  #word(photo) {
    if (photo.state === 'refused') return photo.text;
    return say(`send.states.${photo.state}`, { percent: Math.floor(photo.part * 100), mb: figure(photo.file.size / 1e6) });
  }

  #paint(only) {
    if (only?.row && only.state === 'sending') { // keeps focus and screen readers calm
      only.row.querySelector('progress').value = only.part;
      only.row.querySelector('p').textContent = this.#word(only);
      return;
    }
    show(this.list, this.photos.map((photo) => {
      const busy = photo.state === 'sending';
      photo.row = h('li', { class: { here: 'here', refused: 'refused', lost: 'refused' }[photo.state] },
        h('strong', {}, photo.file.name),
        busy ? h('progress', { max: 1, value: photo.part, 'aria-label': photo.file.name }) : null,
        h('p', {}, this.#word(photo)),
        this.#counsel(photo).map((text) => h('p', { class: photo.advice.todo?.length ? 'todo' : 'quiet' }, text)),
        photo.state === 'lost' && !this.ended ? h('button', { type: 'button', onclick: () => { photo.state = 'waiting'; this.#next(); } }, say('send.again')) : null);
      return photo.row;
    }));
  }

  /** Is the link still open, and for how long? */
  async #look() {
    let response;
    try { response = await fetch('/phone/state', { credentials: 'same-origin' }); } catch { this.left.textContent = say('send.lost'); return; }
    if (!response.ok) {
      const body = await response.json().catch(() => ({}));
      this.#end(body.error ? `${body.error.sentence} ${body.error.remedy}` : say('send.closed'));
      return;
    }
    const state = await response.json();
    const at = new Date(Date.now() + state.ends_in_s * 1000).toLocaleTimeString([], { hour: '2-digit', minute: '2-digit' });
    this.left.textContent = state.traced_now ? say(ofPanel ? 'send.looking' : 'send.tracing') : say('send.left', { count: state.photos.length, at });
  }

  #end(text) {
    this.ended = true;
    this.over.textContent = text;
    this.over.hidden = false;
    this.choices.hidden = true;
    this.left.hidden = true;
    this.#paint();
  }
}

new Phone();
