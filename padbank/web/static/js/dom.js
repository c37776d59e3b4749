// Small helpers: elements without HTML text, figures with units, things said aloud.

const SVG = 'http://www.w3.org/2000/svg';

function fill(element, props, children) {
  for (const [key, value] of Object.entries(props ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith('on')) element.addEventListener(key.slice(2), value);
    else if (key === 'style') Object.assign(element.style, value);
    else if (key === 'dataset') Object.assign(element.dataset, value);
    else if (['value', 'checked', 'disabled', 'selected', 'indeterminate'].includes(key)) element[key] = value;
    else element.setAttribute(key, value === true ? '' : value);
  }
  add(element, children);
  return element;
}

function add(element, children) {
  for (const child of children.flat(Infinity)) {
    if (child === null || child === undefined || child === false) continue;
    element.append(child.nodeType ? child : document.createTextNode(String(child)));
  }
}

/** An HTML element: h('p', {class: 'x', onclick: f}, 'text', another). */
export function h(tag, props, ...children) {
  return fill(document.createElement(tag), props, children);
}

/** An SVG element. */
export function s(tag, props, ...children) {
  return fill(document.createElementNS(SVG, tag), props, children);
}

/** Replace what an element holds. */
export function put(element, ...children) {
  element.replaceChildren();
  add(element, children);
  return element;
}

let saidTimer = 0;

/** How long a sentence stays that must not be missed. */
export const TOLD_MS = 12000;

/** Say a sentence: shown at the foot of the page and read by screen readers. */
export function say(text, kind = 'note', ms = kind === 'error' ? TOLD_MS : 5000) {
  const place = document.getElementById('said');
  if (!place) return;
  put(place, h('p', { class: `said-${kind}` }, kind === 'error' ? sign('error') : null, h('span', {}, text),
    kind === 'error' ? h('button', { type: 'button', 'aria-label': 'Close this message', onclick: hush }, '×') : null));
  clearTimeout(saidTimer);
  saidTimer = setTimeout(hush, ms);
}

/** Take away what was said last. */
export function hush() {
  clearTimeout(saidTimer);
  document.getElementById('said')?.replaceChildren();
}

const minus = (text) => text.replace('-', '−');

/** 0.350 s below ten, 12.0 s below a minute, 2:05.0 from there on. */
export function seconds(value) {
  if (value === null || value === undefined) return '–';
  if (value < 60) return `${value < 10 ? value.toFixed(3) : value.toFixed(1)} s`;
  const minutes = Math.floor(Math.round(value * 10) / 600);
  const rest = (value - minutes * 60).toFixed(1).padStart(4, '0');
  if (minutes < 60) return `${minutes}:${rest}`;
  return `${Math.floor(minutes / 60)}:${String(minutes % 60).padStart(2, '0')}:${rest}`;
}

export function level(value, unit = '', digits = 1) {
  if (value === null || value === undefined) return 'none';
  const text = value.toFixed(digits);
  return minus(Number(text) === 0 ? text.replace('-', '') : text) + (unit ? ` ${unit}` : '');
}

/** With its sign: +1.2, −0.4, 0. */
export function change(value, unit = '', digits = 1) {
  const text = Math.abs(value).toFixed(digits);
  const sign_ = Number(text) === 0 ? '±' : value > 0 ? '+' : '−';
  return `${sign_}${text}${unit ? ` ${unit}` : ''}`;
}

export function bytes(value) {
  let left = value;
  for (const unit of ['B', 'kB', 'MB', 'GB']) {
    if (Math.abs(left) < 1000 || unit === 'GB') return unit === 'B' ? `${left} B` : `${left.toFixed(1)} ${unit}`;
    left /= 1000;
  }
  return '';
}

export function count(n, one, many = `${one}s`) {
  return `${n.toLocaleString('en')} ${n === 1 ? one : many}`;
}

/** A sign for how bad a finding is: its shape differs as well as its colour. */
export function sign(severity) {
  const shapes = { error: 'M2 2 L12 12 M12 2 L2 12', warning: 'M7 1 L13 12 L1 12 Z', note: 'M7 3 A4 4 0 1 0 7.01 3' };
  return s('svg', { class: `sign sign-${severity}`, viewBox: '0 0 14 14', width: 14, height: 14, role: 'img', 'aria-label': severity }, s('path', { d: shapes[severity] ?? shapes.note }));
}

export function findingsList(findings, empty = '') {
  const order = { error: 0, warning: 1, note: 2 };
  const places = new Map();
  for (const f of findings) places.set(f.severity + f.text, [...(places.get(f.severity + f.text) ?? []), f]);
  const once = [...places.values()].map((same) => (same.length > 1 && same[0].where !== same[1].where ? { ...same[0], where: `${same[0].where} and ${same.length - 1} more` } : same[0]));
  const sorted = once.sort((a, b) => order[a.severity] - order[b.severity]);
  if (!sorted.length) return empty ? h('p', { class: 'quiet' }, empty) : null;
  return h('ul', { class: 'findings' }, sorted.map((f) => h('li', {}, sign(f.severity), h('span', {}, f.text, f.where && !f.text.includes(f.where) ? h('span', { class: 'quiet' }, ` (${f.where})`) : null))));
}

/** Calls `work` once, `ms` after the last call. */
export function later(work, ms) {
  let timer = 0;
  return (...args) => {
    clearTimeout(timer);
    timer = setTimeout(() => work(...args), ms);
  };
}

let lastId = 0;

export function freshId(what) {
  lastId += 1;
  return `${what}-${lastId}`;
}

/** A labelled field: the label and the control it is for. */
export function field(label, control, hint) {
  const id = control.id || freshId('f');
  control.id = id;
  return h('div', { class: 'field' }, h('label', { for: id }, label), control, hint ? h('span', { class: 'hint' }, hint) : null);
}

export function choice(values, now, onchange, props = {}) {
  const select = h('select', { ...props, onchange: () => onchange(select.value) }, values.map((v) => {
    const [value, text] = Array.isArray(v) ? v : [v, v];
    return h('option', { value, selected: value === now }, text);
  }));
  return select;
}

/** A question with two answers, as a dialog; gives true for yes. */
export function ask(question, yes, no = 'No, leave it') {
  return new Promise((resolve) => {
    const dialog = h('dialog', { class: 'ask', 'aria-label': question, onclose: () => { dialog.remove(); resolve(dialog.returnValue === 'yes'); } },
      h('form', { method: 'dialog' }, h('p', {}, question), h('div', { class: 'row' },
        h('button', { value: 'yes', class: 'strong' }, yes), h('button', { value: 'no' }, no))));
    document.body.append(dialog);
    dialog.showModal();
  });
}
