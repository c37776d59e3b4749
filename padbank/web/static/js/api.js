// Talking with the server: JSON both ways, errors as sentences, work that takes its time, the socket.

export const SILENT = 'padbank does not answer: is it still running in its terminal?';

export class Refused extends Error {
  constructor(text, status) {
    super(text);
    this.status = status;
  }

  /** Somebody else changed it meanwhile: look at it anew. */
  get changedMeanwhile() {
    return this.status === 409;
  }
}

export async function call(method, path, body, more = {}) {
  let response;
  try {
    response = await fetch(path, {
      method,
      headers: body === undefined ? {} : { 'content-type': 'application/json' },
      body: body === undefined ? undefined : JSON.stringify(body),
      ...more,
    });
  } catch (error) {
    if (error.name === 'AbortError') throw error;
    throw new Refused(SILENT, 0);
  }
  let value = null;
  try {
    value = await response.json();
  } catch {
    value = null;
  }
  if (!response.ok) throw new Refused(value?.error ?? `that did not work (${response.status}): reload the page`, response.status);
  return value;
}

export const get = (path, more) => call('GET', path, undefined, more);
export const post = (path, body = {}) => call('POST', path, body);

export const part = encodeURIComponent;

/** Sends a file's bytes with progress; gives a promise with `stop()`. */
export function send(path, file, onProgress) {
  const request = new XMLHttpRequest();
  const promise = new Promise((resolve, reject) => {
    request.open('PUT', path);
    request.upload.onprogress = (e) => onProgress(e.loaded);
    request.onload = () => {
      if (request.status === 200) resolve();
      else {
        let text = `it could not be sent (${request.status})`;
        try {
          text = JSON.parse(request.responseText).error;
        } catch {
          text = `it could not be sent (${request.status})`;
        }
        reject(new Refused(text, request.status));
      }
    };
    request.onerror = () => reject(new Refused('it could not be sent: is padbank still running?', 0));
    request.onabort = () => reject(new DOMException('stopped', 'AbortError'));
    request.send(file);
  });
  promise.stop = () => request.abort();
  return promise;
}

/** Watches a job until it ends; `seen` hears every look at it. */
export async function watchJob(job, seen) {
  let now = job;
  for (;;) {
    seen(now);
    if (now.state !== 'running') return now;
    await new Promise((resolve) => setTimeout(resolve, now.seconds < 3 ? 120 : 350));
    try {
      now = await get(`/api/jobs/${now.id}`);
    } catch (error) {
      if (error.status !== 0) throw error; // without an answer the work may go on: ask until there is one
    }
  }
}

/** A socket that comes back by itself. */
export function openSocket(path, hear) {
  let socket = null;
  let wait = 300;
  let closed = false;
  const connect = () => {
    socket = new WebSocket(`ws://${location.host}${path}`);
    socket.onopen = () => {
      wait = 300;
      hear({ kind: 'open' });
    };
    socket.onmessage = (e) => hear(JSON.parse(e.data));
    socket.onclose = () => {
      hear({ kind: 'closed' });
      if (!closed) setTimeout(connect, wait);
      wait = Math.min(wait * 2, 5000);
    };
  };
  connect();
  return {
    tell(message) {
      if (socket?.readyState === WebSocket.OPEN) socket.send(JSON.stringify(message));
    },
    close() {
      closed = true;
      socket?.close();
    },
  };
}

/**
 * Work done in the order in which it was asked for, each after the last one's answer: a second press
 * before the first is answered is then a second edit and not one that comes too late.
 */
export function createTurns() {
  let last = Promise.resolve();
  return (work) => {
    const mine = last.then(work, work);
    last = mine.catch(() => null); // whoever asked hears of it; the next one goes on
    return mine;
  };
}
