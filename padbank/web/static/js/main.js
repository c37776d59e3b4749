// The desk: places along a strip of tape, the show that is in hand, day and night, sound.

import { Refused, SILENT, get, openSocket, part } from './api.js';
import { h, hush, put, say } from './dom.js';
import { createPlay } from './play.js';
import { failed, lacking } from './way.js';

/** Name, title, whether it is of one show, and what it shows: nothing but a show, or one that is laid out. */
const PLACES = [
  ['clips', 'Clips', false, null],
  ['show', 'Show', true, null],
  ['layout', 'Layout', true, 'show'],
  ['rehearse', 'Rehearse', true, 'layout'],
  ['export', 'Export', true, 'layout'],
  ['sheet', 'Sheet', true, 'layout'],
];

/** Whether a place has what it shows; asks anew before it says no. */
async function hasWhatItShows(needs, name) {
  const has = () => desk.shows.some((s) => s.name === name && (needs !== 'layout' || s.laid_out || s.fault));
  if (needs && !has()) await desk.readShows();
  return !needs || has();
}

const place = document.getElementById('place');
const showSelect = document.getElementById('show');
let leave = null;
let openedAt = 0;
const listeners = new Set();

export const desk = {
  show: null,
  shows: [],
  go,
  play: null,
  shared: document.body.dataset.shared === 'yes',
  /** Hear changes made elsewhere; gives a function that stops it. */
  onChanged(listener) {
    listeners.add(listener);
    return () => listeners.delete(listener);
  },
  tell: (message) => socket.tell(message),
  async readShows() {
    desk.shows = (await get('/api/shows')).shows;
    drawShows();
  },
};

function remember(key, value) {
  try {
    localStorage.setItem(key, value);
  } catch {
    return false; // storage is switched off: it lasts as long as this page
  }
  return true;
}

function recall(key) {
  try {
    return localStorage.getItem(key);
  } catch {
    return null;
  }
}

/** Shows that others began, named anew or took away; the one in hand stays, whatever becomes of its file. */
async function hearOfShows() {
  const { shows } = await get('/api/shows');
  if (!shows.some((s) => s.name === desk.show) && desk.show) return;
  desk.shows = shows;
  if (document.activeElement !== showSelect) drawShows();
}

function tellChanged() {
  if (desk.play) desk.play.version += 1;
  hearOfShows().catch(() => null); // without an answer the page says so by itself
  for (const listener of [...listeners]) listener();
}

const socket = openSocket('/ws/desk', (message) => {
  const link = document.getElementById('link');
  if (message.kind === 'changed') tellChanged();
  else {
    if (message.kind === 'open') {
      const back = !link.hidden;
      link.hidden = true;
      if (back) {
        tellChanged(); // what changed while the link was lost was not heard
        say('padbank answers again.');
      }
    } else if (message.kind === 'closed') link.hidden = false;
    desk.play?.hear(message);
  }
});

function drawShows() {
  const names = desk.shows.map((s) => s.name);
  if (!names.includes(desk.show)) desk.show = null;
  const remembered = recall('padbank-show');
  const first = desk.shows.find((s) => s.last)?.name ?? names[0] ?? null;
  if (!desk.show) desk.show = names.includes(remembered) ? remembered : first;
  put(showSelect, names.length ? null : h('option', { value: '' }, 'none yet'),
    desk.shows.map((s) => h('option', { value: s.name, selected: s.name === desk.show }, s.title || s.name)));
}

showSelect.addEventListener('change', () => {
  const [name] = where();
  desk.show = showSelect.value;
  remember('padbank-show', desk.show);
  if (PLACES.find((p) => p[0] === name)?.[2]) go(name, desk.show);
});

function where() {
  const [, name = 'clips', rest = ''] = location.pathname.split('/');
  return [name || 'clips', decodeURIComponent(rest)];
}

/** Go to a place: go('layout', 'harbour-night'). */
export function go(name, what = '', { replace = false } = {}) {
  const path = what ? `/${name}/${part(what)}` : `/${name}`;
  if (path !== location.pathname) {
    history[replace ? 'replaceState' : 'pushState'](null, '', path);
    hush();
  }
  return openPlace();
}

function drawPlaces(now) {
  put(document.getElementById('places'), PLACES.map(([name, title, ofShow]) => {
    const path = ofShow && desk.show ? `/${name}/${part(desk.show)}` : `/${name}`;
    return h('li', {}, h('a', {
      href: path,
      'aria-current': name === now ? 'page' : null,
      onclick: (e) => {
        if (e.ctrlKey || e.metaKey || e.shiftKey || e.button) return;
        e.preventDefault();
        go(name, ofShow ? (desk.show ?? '') : '');
      },
    }, title));
  }), h('li', {}, h('a', { href: '/stage', target: '_blank', rel: 'opener' }, 'Stage')));
}

async function openPlace() {
  const at = (openedAt += 1);
  const [name, what] = where();
  const [, title, ofShow, needs] = PLACES.find((p) => p[0] === name) ?? PLACES[0];
  if (ofShow && what && desk.shows.some((s) => s.name === what)) {
    desk.show = what;
    showSelect.value = what;
    remember('padbank-show', what);
  }
  drawPlaces(name);
  document.title = `${title}${ofShow && desk.show ? ` · ${desk.show}` : ''} · padbank`;
  leave?.();
  leave = null;
  const of = ofShow ? (what || desk.show) : what;
  const root = h('div', { class: `place place-${name}` });
  try {
    const [module, has] = await Promise.all([moduleOf(name), hasWhatItShows(needs, of)]);
    if (at !== openedAt) return;
    put(place, root);
    if (has || (of && of !== desk.show)) leave = await module.open(root, desk, of);
    else lacking(root, desk, title);
  } catch (error) {
    if (at !== openedAt) return;
    put(place, root);
    failed(root, desk, title, error, ofShow ? of : null);
    leave = desk.onChanged(openPlace); // mended, or the link is back: it opens by itself
    if (error.status === undefined) throw error;
  }
  place.dataset.ready = name;
}

async function moduleOf(name) {
  try {
    return await import(`./${name}.js`);
  } catch (error) {
    throw error instanceof TypeError ? new Refused(SILENT, 0) : error;
  }
}

addEventListener('popstate', openPlace);

function light(now) {
  document.documentElement.dataset.light = now;
  document.getElementById('light').textContent = now === 'night' ? 'Day' : 'Night';
}

document.getElementById('light').addEventListener('click', () => {
  const now = document.documentElement.dataset.light === 'night' ? 'day' : 'night';
  remember('padbank-light', now);
  light(now);
});

const soundButton = document.getElementById('sound');
soundButton.addEventListener('click', async () => {
  const { text } = await desk.play.enable();
  if (text) say(text, 'error');
});

addEventListener('error', (e) => say(`something went wrong in this page (${e.message}): reload it`, 'error'));
addEventListener('unhandledrejection', (e) => say(e.reason?.message ?? 'something went wrong: reload the page', 'error'));

light(document.documentElement.dataset.light);
desk.play = createPlay({
  tell: desk.tell,
  onState(on) {
    soundButton.setAttribute('aria-pressed', String(on));
    soundButton.textContent = on ? 'Sound is on' : 'Enable sound';
  },
});
await desk.readShows();
await openPlace();
document.documentElement.dataset.usable = String(Math.round(performance.now()));
// The other places are fetched ahead: none is lacking when the computer falls silent.
setTimeout(() => PLACES.forEach(([name]) => import(`./${name}.js`).catch(() => null)), 1500);
