// Talking to the desk: requests with the token, news as they come, and whether it still answers.

const root = document.documentElement;
const TOKEN = root.dataset.token;

/** A refusal of the desk, with the same sentence the command line gives. */
export class Refusal extends Error {
  constructor(status, error) {
    super(`${error.sentence} ${error.remedy ?? ''}`.trim());
    this.status = status;
    this.slug = error.slug;
  }
}

/** The desk did not answer at all. */
export class Silence extends Error {}

async function answer(response) {
  const json = response.headers.get('content-type')?.includes('json');
  const body = json ? await response.json() : {};
  if (!response.ok) {
    throw new Refusal(response.status, body.error ?? { slug: 'desk-closed', sentence: `The desk refused (${response.status}).`, remedy: 'Reload the page.' });
  }
  return body;
}

async function request(method, path, { body, headers = {} } = {}) {
  let response;
  try {
    response = await fetch(path, {
      method, headers: { ...headers, 'x-desk-token': TOKEN }, body, credentials: 'same-origin',
    });
  } catch {
    throw new Silence('no answer');
  }
  return answer(response);
}

export const get = (path) => request('GET', path);
export const post = (path, body = {}, headers = {}) => request('POST', path, { body: JSON.stringify(body), headers });
export const remove = (path) => request('DELETE', path);

/** Send a file; `onPart` hears how much is sent (fetch cannot tell). */
export function upload(path, file, onPart) {
  return new Promise((resolve, reject) => {
    const call = new XMLHttpRequest();
    call.open('PUT', path);
    call.setRequestHeader('x-desk-token', TOKEN);
    call.upload.onprogress = (e) => e.lengthComputable && onPart(e.loaded / e.total);
    call.onload = () => {
      let body = {};
      try { body = JSON.parse(call.responseText); } catch { /* not JSON: a plain refusal */ }
      if (call.status < 300) resolve(body);
      else reject(new Refusal(call.status, body.error ?? { sentence: `The desk refused (${call.status}).` }));
    };
    call.onerror = () => reject(new Silence('no answer'));
    call.send(file);
  });
}

/** Listen to news for as long as the page lives. */
export function listen(onNews, onLine) {
  const source = new EventSource('/api/events');
  source.onopen = () => onLine(true);
  source.onerror = () => {
    onLine(false);
    if (source.readyState === EventSource.CLOSED) setTimeout(() => listen(onNews, onLine), 2000);
  };
  source.onmessage = (event) => onNews(JSON.parse(event.data));
}
