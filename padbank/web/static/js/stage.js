// Stage: the bank in use, to be read from a metre and a half. Follows the desk's page by its socket.

import { createMidi, midiSupport } from '../engine/midi.js';
import { get, openSocket } from './api.js';
import { h, put, s, say } from './dom.js';
import { LINE, letterShare } from './fit.js';
import { padId } from './plot.js';
import { pagesOf, strips } from './stagefit.js';
import { signFor, signPath, signsOfShow } from './tags.js';

const LIT_MS = 180;
const CONTROL_MS = 1600;
/** Letter height for a distance: distance / 200 (FAA human factors guidance: 5 mm at 1 m, 10 mm at 2 m). */
const DISTANCE_SHARE = 200;
const READ_FROM_MM = 1500;
const CARD_MM = 85.6; // ISO/IEC 7810 ID-1, the size of a bank card
const CSS_MM = 25.4 / 96;

const root = document.getElementById('stage');
let view = null;
let stage = { show: null, bank: 1 };
let clockOffset = 0;
let startedAt = null;
let online = false;
let toldAgain = false;
let midi = null;
let signs = new Map();

function recall(key) {
  try { return localStorage.getItem(key); } catch { return null; }
}
function remember(key, value) {
  try { localStorage.setItem(key, value); } catch { return false; }
  return true;
}

/** Millimetres of glass for one CSS pixel: measured by the player, else a cautious guess. */
function mmPerPx() {
  const own = Number(recall('padbank-mm-per-px'));
  if (own > 0.03 && own < 1) return own;
  return matchMedia('(pointer: coarse)').matches ? 0.17 : CSS_MM;
}

const bankBox = h('p', { class: 'stage-bank' });
const nextBox = h('p', { class: 'stage-next' });
const clockBox = h('p', { class: 'stage-clock', role: 'timer', 'aria-label': 'Clock' });
const sinceBox = h('p', { class: 'stage-since', role: 'timer', 'aria-label': 'Time since start' });
const controlBox = h('p', { class: 'stage-control', role: 'status' });
const linkBox = h('p', { class: 'stage-link', role: 'status' });
const sizeBox = h('p', { class: 'stage-size' });
const pageBox = h('div', { class: 'stage-pages', role: 'group', 'aria-label': 'Pads shown', hidden: true });
const midiText = h('p', { class: 'stage-midi' });
const plot = h('div', { class: 'stage-plot', role: 'list', 'aria-label': 'Pads' });
const surfaceBox = h('select', { 'aria-label': 'Which pads', onchange: () => { remember('padbank-surface', surfaceBox.value); draw(); } });
const bankChoice = h('select', { 'aria-label': 'Bank', onchange: () => turn(Number(bankChoice.value) - stage.bank) });
const button = (text, work, props = {}) => h('button', { type: 'button', onclick: work, ...props }, text);
const midiButton = button('MIDI here', listen);
const fullButton = button('Full screen', () => { if (document.fullscreenElement) document.exitFullscreen(); else document.documentElement.requestFullscreen?.().catch(() => say('This browser keeps the page in its window.')); stayAwake(); });

const earlier = button([h('span', { 'aria-hidden': 'true' }, '← '), 'Earlier'], () => turn(-1), { class: 'turn', disabled: true });
const later = button(['Later', h('span', { 'aria-hidden': 'true' }, ' →')], () => turn(1), { class: 'turn', disabled: true });
const more = h('details', { class: 'stage-more' }, h('summary', {}, 'Set up'),
  h('div', { class: 'stage-sheet' }, fullButton, button('Day or night', light), button('Start or stop the clock', () => socket.tell({ kind: 'start', on: startedAt === null })), button('Measure this screen', measure),
    bankChoice, surfaceBox, midiButton, midiText));

put(root,
  h('h1', { class: 'hidden' }, 'Stage'),
  h('header', { class: 'stage-head' }, bankBox, controlBox, h('div', { class: 'stage-times' }, sinceBox, clockBox)),
  linkBox,
  plot,
  h('footer', { class: 'stage-foot' },
    earlier,
    h('div', { class: 'stage-middle' }, nextBox, pageBox, sizeBox),
    more, later));

function light() {
  const now = document.documentElement.dataset.light === 'night' ? 'day' : 'night';
  document.documentElement.dataset.light = now;
  remember('padbank-light', now);
}

const WHICH = [['', 'as many pads as can be read'], ['*', 'all pads at once']];
let pages = [];
let pageAt = 0;

/** What a pad of the bank holds: {name, sign, place, control}. */
function holds(bank) {
  const places = new Map(bank.places.map((p) => [p.pad, p]));
  const controls = new Map(bank.controls.map((c) => [c.pad, c]));
  return (pad) => {
    const place = places.get(pad.pad_id);
    const control = controls.get(pad.pad_id);
    return { place, control, name: place?.clip ?? control?.label ?? '', sign: place ? signFor(place.tags, signs) : null };
  };
}

function drawPages() {
  put(pageBox, pages.length < 2 ? null : pages.map((one, i) => h('button', { type: 'button', 'aria-pressed': String(i === pageAt), onclick: () => { pageAt = i; draw(); } }, one.title)));
  pageBox.hidden = pages.length < 2;
}

function draw(again = false) {
  earlier.disabled = later.disabled = !(view?.show && view.rig.banks > 1);
  bankChoice.hidden = earlier.disabled;
  surfaceBox.hidden = !view?.show;
  if (!view?.show) {
    put(plot, h('div', { class: 'stage-empty', role: 'listitem' }, h('p', {}, 'Nothing is on stage yet.'), h('p', { class: 'quiet' }, 'Open Rehearse for a show on the computer that runs padbank: this screen follows it.')));
    put(bankBox, 'padbank');
    put(nextBox);
    put(sizeBox);
    pages = [];
    drawPages();
    return;
  }
  const bank = view.banks[Math.min(stage.bank, view.rig.banks) - 1];
  bankChoice.value = String(bank.bank);
  put(bankBox, h('strong', {}, bank.bank), h('span', {}, ` ${bank.segments.join(', ') || 'spare'}`));
  const next = view.banks[bank.bank % view.rig.banks];
  put(nextBox, view.rig.banks < 2 ? null : `next ${next.bank} ${next.segments.join(', ') || 'spare'}`);
  const [share, perPx] = [letterShare(), mmPerPx()];
  const need = READ_FROM_MM / DISTANCE_SHARE / perPx / share;
  const room = { width: plot.clientWidth, height: plot.clientHeight, need };
  const held = holds(bank);
  const only = surfaceBox.value;
  const { pads } = view.rig;
  const before = pages[pageAt]?.title;
  pages = only === '*' ? [{ title: '', pads }] : only ? [{ title: only, pads: pads.filter((p) => p.surface === only) }] : pagesOf(pads, held, room);
  pageAt = Math.max(0, pages.findIndex((p) => p.title === before));
  drawPages();
  if (plot.clientHeight !== room.height) room.height = plot.clientHeight; // the row of pages came or went
  const drawn = strips(pages[pageAt].pads, held, room);
  put(plot, drawn.map(({ pad, x, y, w, h: high, band, lines, size }) => {
    const { place, control, name, sign } = held(pad);
    const element = h('div', {
      class: `strip ${control ? 'strip-control' : place ? 'strip-clip' : 'strip-empty'}${place?.moved ? ' strip-moved' : ''}`,
      role: 'listitem', 'data-pad': pad.pad_id, 'aria-label': `${pad.surface} ${pad.number}: ${control ? `control hit ${control.label}` : place ? place.clip + (place.moved ? ', moved' : '') : 'empty'}`,
      style: { left: `${x}px`, top: `${y}px`, width: `${w}px`, height: `${high}px` },
    });
    if (sign) element.append(h('span', { class: 'strip-band', style: { width: `${band}px`, background: sign.colour } }, s('svg', { viewBox: '0 0 16 16', width: band * 0.7, height: band * 0.7, 'aria-hidden': 'true' }, signPath(sign, { fill: '#fffdf3' }))));
    if (name) element.append(h('span', { class: 'strip-name', style: { fontSize: `${size}px`, lineHeight: LINE, left: `${band}px` } }, lines.map((line) => h('span', { class: 'strip-line' }, line))));
    return element;
  }));
  root.dataset.bank = String(bank.bank);
  root.dataset.page = pages[pageAt].title;
  const least = Math.min(...drawn.map((d) => d.size));
  if (least < Infinity) {
    const mm = least * share * perPx;
    const from = (mm * DISTANCE_SHARE) / 1000;
    root.dataset.letterMm = mm.toFixed(2);
    put(sizeBox, `smallest letters ${mm.toFixed(1)} mm, read from ${from.toFixed(1)} m`, mm >= READ_FROM_MM / DISTANCE_SHARE - 0.005 ? '' : h('strong', {}, only === '*' ? ': come closer, or let the stage choose the pads' : ': come closer, or use a larger screen'), Number(recall('padbank-mm-per-px')) > 0 ? '' : ' (screen not measured yet)');
  } else put(sizeBox);
  if (plot.clientHeight !== room.height && !again) draw(true); // the words below came to more or fewer lines
}

/** The page that holds a pad, after a hit elsewhere. */
function turnPageTo(padIdHit) {
  if (pages[pageAt]?.pads.some((p) => p.pad_id === padIdHit)) return;
  const at = pages.findIndex((page) => page.pads.some((p) => p.pad_id === padIdHit));
  if (at >= 0) { pageAt = at; draw(); }
}

async function readView() {
  try {
    const now = await get('/api/stage/banks');
    if (!now.show && view?.show) {
      goOnAfterRestart(stage.bank);
      return;
    }
    view = now;
    put(linkBox);
  } catch (error) {
    put(linkBox, error.message); // the names stay to be read
  }
  if (view?.show) {
    for (const pad of view.rig.pads) pad.pad_id = padId(pad);
    signs = signsOfShow(view.signs);
    midi?.setMap(view.rig.pads, []);
    put(bankChoice, view.banks.map((b) => h('option', { value: b.bank, selected: b.bank === stage.bank }, `bank ${b.bank} ${b.segments.join(', ') || 'spare'}`)));
    const surfaces = [...new Set(view.rig.pads.map((p) => p.surface))];
    const own = surfaces.includes(recall('padbank-surface')) ? recall('padbank-surface') : '';
    put(surfaceBox, WHICH.map(([value, text]) => h('option', { value, selected: value === recall('padbank-surface') }, text)), surfaces.length < 2 ? null : surfaces.map((x) => h('option', { value: x, selected: x === own }, `only ${x}`)));
  }
  draw();
  root.dataset.ready = view?.show ?? 'none';
}

function turn(by) {
  if (!view?.show) return;
  const bank = ((stage.bank - 1 + by + view.rig.banks) % view.rig.banks) + 1;
  stage = { ...stage, bank };
  draw();
  socket.tell({ kind: 'bank', bank });
}

const timers = new Map();
function lit(pad) {
  turnPageTo(pad);
  const element = plot.querySelector(`[data-pad="${CSS.escape(pad)}"]`);
  if (!element) return;
  element.classList.add('strip-hit');
  clearTimeout(timers.get(pad));
  timers.set(pad, setTimeout(() => element.classList.remove('strip-hit'), LIT_MS));
  const control = view.banks[stage.bank - 1]?.controls.find((c) => c.pad === pad);
  if (control) {
    put(controlBox, control.label);
    clearTimeout(timers.get('control'));
    timers.set('control', setTimeout(() => controlBox.replaceChildren(), CONTROL_MS));
  }
}

const socket = openSocket('/ws/stage', async (message) => {
  if (message.kind === 'open' || message.kind === 'closed') {
    online = message.kind === 'open';
    toldAgain = false;
    put(linkBox, online ? '' : 'No word from the computer: trying again.');
    if (online && root.dataset.ready) await readView();
  } else if (message.kind === 'stage') {
    const before = stage;
    stage = message.stage;
    if (!stage.show && view?.show) goOnAfterRestart(before.bank);
    clockOffset = stage.clock_s * 1000 - Date.now();
    if (stage.show) startedAt = stage.since_start_s === null ? null : Date.now() - stage.since_start_s * 1000;
    if (before.show !== stage.show || !view) await readView();
    else if (before.bank !== stage.bank) draw();
    tick();
  } else if (message.kind === 'hit') {
    if (message.bank !== stage.bank) { stage = { ...stage, bank: message.bank }; draw(); }
    lit(message.pad);
    root.dataset.lastHit = message.pad;
  } else if (message.kind === 'changed') await readView();
});

/** padbank was started again and knows of no show: keep the names, and say which one it was. */
function goOnAfterRestart(bank) {
  stage = { ...stage, show: view.show, bank: toldAgain ? stage.bank : bank };
  if (!toldAgain) {
    socket.tell({ kind: 'show', show: view.show, bank });
    if (startedAt !== null) socket.tell({ kind: 'start', since_s: Math.max(0, Math.round((Date.now() - startedAt) / 1000)) });
  }
  toldAgain = true; // once for each link: a screen that may only look is not heard
}

function tick() {
  const now = new Date(Date.now() + clockOffset);
  put(clockBox, now.toLocaleTimeString('en-GB', { hour: '2-digit', minute: '2-digit' }));
  if (startedAt === null) put(sinceBox);
  else {
    const seconds = Math.max(0, Math.floor((Date.now() - startedAt) / 1000));
    put(sinceBox, `${Math.floor(seconds / 3600)}:${String(Math.floor(seconds / 60) % 60).padStart(2, '0')}:${String(seconds % 60).padStart(2, '0')}`);
  }
}
setInterval(tick, 1000);

function measure() {
  more.open = false;
  let px = CARD_MM / mmPerPx();
  const bar = h('div', { class: 'card-bar', 'aria-hidden': 'true' });
  const slider = h('input', { type: 'range', min: '150', max: '1200', step: '1', value: px, 'aria-label': 'Width of the bar', oninput: () => { px = Number(slider.value); bar.style.width = `${px}px`; } });
  bar.style.width = `${px}px`;
  const dialog = h('dialog', { class: 'ask measure', 'aria-label': 'Measure this screen', onclose: () => { if (dialog.returnValue === 'keep') { remember('padbank-mm-per-px', String(CARD_MM / px)); draw(); } dialog.remove(); } },
    h('form', { method: 'dialog' }, h('p', {}, 'Hold a bank card against the screen and make the bar as wide as the card (85.6 mm). Then the letters’ height is known.'), bar, slider,
      h('div', { class: 'row' }, h('button', { value: 'keep', class: 'strong' }, 'That is the width'), h('button', { value: '' }, 'Leave it'))));
  document.body.append(dialog);
  dialog.showModal();
}

async function listen() {
  midi ??= createMidi({
    pads: view?.show ? view.rig.pads : [],
    controls: [],
    onHit: ({ pad, velocity }) => { lit(pad); socket.tell({ kind: 'hit', pad, bank: stage.bank, velocity: Math.round(velocity * 127) }); },
    onBank: ({ bank }) => { if (view?.show && bank <= view.rig.banks) { stage = { ...stage, bank }; draw(); socket.tell({ kind: 'bank', bank }); } },
    onState: ({ inputs }) => say(inputs.length ? `Listening to ${inputs.join(', ')}.` : 'No MIDI input is plugged in yet.'),
  });
  const { ok, text } = await midi.start();
  if (!ok) {
    say(text, 'error');
    put(midiText, text);
  }
}

let lock = null;
async function stayAwake() {
  if (!('wakeLock' in navigator) || lock) return;
  try {
    lock = await navigator.wakeLock.request('screen');
  } catch {
    lock = null; // the battery is low or the page is hidden: the screen's own settings decide
  }
}
document.addEventListener('visibilitychange', () => { if (document.visibilityState === 'visible' && lock) { lock = null; stayAwake(); } });

addEventListener('keydown', (e) => {
  if (e.target.closest?.('input, dialog') || e.ctrlKey || e.metaKey || e.altKey) return;
  if (['ArrowRight', 'PageDown'].includes(e.key)) { e.preventDefault(); turn(1); }
  else if (['ArrowLeft', 'PageUp'].includes(e.key)) { e.preventDefault(); turn(-1); }
});
let drawnAt = '';
new ResizeObserver(() => {
  const now = `${innerWidth}x${innerHeight}`;
  if (now !== drawnAt) { drawnAt = now; draw(); }
}).observe(plot);
const support = midiSupport();
midiButton.hidden = !support.ok;
put(midiText, support.ok ? 'Hits reach this screen from the computer’s page; a MIDI input of its own is only needed without one.' : support.text);
tick();
