// The picture of a clip with handles: trim, fades and loop points, by mouse, touch or arrow keys.
//
// Positions are seconds of the original. A handle is a slider for screen readers;
// arrow keys move it by 1 ms, with Shift by 10 ms, Page keys by 100 ms.

import { h, later, put, s, say, seconds } from './dom.js';

const HANDLES = [
  ['start_s', 'Start', 'top'],
  ['end_s', 'End', 'top'],
  ['fade_in', 'Fade in ends', 'middle'],
  ['fade_out', 'Fade out begins', 'middle'],
  ['loop_start_s', 'Loop start', 'bottom'],
  ['loop_end_s', 'Loop end', 'bottom'],
];
const STEP_S = 0.001;
const SHORTEST_S = 0.002;
const CLOSEST_S = 0.01;

const clamp = (value, low, high) => Math.min(high, Math.max(low, value));

export function createWave(box, { duration_s: length, load, changed }) {
  let from = 0;
  let to = length;
  let recipe = null;
  let picture = null;
  let following = 0;
  let closed = false;
  const dirty = new Set();

  const canvas = h('canvas', { class: 'wave', role: 'img', 'aria-label': 'The sound as a picture; the handles over it are sliders' });
  const overlay = s('svg', { class: 'wave-over', 'aria-hidden': 'true', preserveAspectRatio: 'none' });
  const needle = h('div', { class: 'needle', hidden: true });
  const frame = h('div', { class: 'wave-frame' }, canvas, overlay, needle);
  const scale = h('div', { class: 'wave-scale', 'aria-hidden': 'true' });
  const handles = Object.fromEntries(HANDLES.map(([key, label, where]) => {
    const handle = h('div', { class: `handle handle-${where} handle-${key}`, role: 'slider', tabindex: '0', 'aria-label': label, 'aria-orientation': 'horizontal', onkeydown: (e) => keys(e, key), onpointerdown: (e) => grab(e, key), onblur: flush });
    handle.append(h('span', { class: 'handle-grip', 'aria-hidden': 'true' }));
    frame.append(handle);
    return [key, handle];
  }));
  const readout = h('p', { class: 'readout', 'aria-hidden': 'true' });
  const button = (text, work, label) => h('button', { type: 'button', class: 'small', onclick: work, 'aria-label': label ?? null }, text);
  put(box, frame, scale,
    h('div', { class: 'row wrap wave-tools' }, h('span', { class: 'hint' }, 'Look at'),
      button('Whole', () => view(0, length), 'Show the whole file'),
      button('Trim', () => viewTrim(), 'Show the trim'),
      button('Start', () => viewAround(at('start_s')), 'Close up on the start'),
      button('End', () => viewAround(at('end_s')), 'Close up on the end'),
      button('+', () => zoom(0.5), 'Closer'), button('−', () => zoom(2), 'Wider'),
      button('←', () => pan(-0.5), 'Earlier'), button('→', () => pan(0.5), 'Later'),
      readout));

  const endOf = () => recipe.end_s ?? length;

  /** Where a handle stands, in seconds of the original. */
  function at(key) {
    if (key === 'start_s') return recipe.start_s;
    if (key === 'end_s') return endOf();
    if (key === 'fade_in') return recipe.start_s + recipe.fade_in_s;
    if (key === 'fade_out') return endOf() - recipe.fade_out_s;
    return recipe[key];
  }

  function limits(key) {
    const end = endOf();
    if (key === 'start_s') return [0, Math.min(end - recipe.fade_in_s - recipe.fade_out_s, recipe.loop_start_s ?? end) - SHORTEST_S];
    if (key === 'end_s') return [Math.max(recipe.start_s + recipe.fade_in_s + recipe.fade_out_s, recipe.loop_end_s ?? 0) + SHORTEST_S, length];
    if (key === 'fade_in') return [recipe.start_s, end - recipe.fade_out_s];
    if (key === 'fade_out') return [recipe.start_s + recipe.fade_in_s, end];
    if (key === 'loop_start_s') return [recipe.start_s, recipe.loop_end_s - SHORTEST_S];
    return [recipe.loop_start_s + SHORTEST_S, end];
  }

  function move(key, time) {
    const [low, high] = limits(key);
    if (high < low) return;
    const value = Math.round(clamp(time, low, high) * 1e6) / 1e6;
    if (key === 'fade_in') recipe.fade_in_s = Math.round((value - recipe.start_s) * 1e6) / 1e6;
    else if (key === 'fade_out') recipe.fade_out_s = Math.round((endOf() - value) * 1e6) / 1e6;
    else if (key === 'end_s') recipe.end_s = value >= length - 1e-6 ? null : value;
    else recipe[key] = value;
    dirty.add({ fade_in: 'fade_in_s', fade_out: 'fade_out_s' }[key] ?? key);
    tellPlace(key);
    draw();
  }

  function tellPlace(key) {
    const label = HANDLES.find((x) => x[0] === key)[1];
    put(readout, `${label} ${seconds(at(key))}`);
  }

  function flush() {
    if (!dirty.size) return;
    const changes = Object.fromEntries([...dirty].map((key) => [key, recipe[key]]));
    dirty.clear();
    changed(changes);
  }
  const flushSoon = later(flush, 600);

  function keys(e, key) {
    const step = e.shiftKey ? STEP_S * 10 : STEP_S;
    const steps = { ArrowRight: step, ArrowUp: step, ArrowLeft: -step, ArrowDown: -step, PageUp: 0.1, PageDown: -0.1 };
    if (e.key in steps) move(key, at(key) + steps[e.key]);
    else if (e.key === 'Home') move(key, limits(key)[0]);
    else if (e.key === 'End') move(key, limits(key)[1]);
    else if (e.key === 'Enter') { flush(); return; } else return;
    e.preventDefault();
    const place = at(key);
    if (place < from || place > to) viewAround(place);
    flushSoon();
  }

  let grabbed = false;

  function grab(e, key) {
    if (e.button) return;
    e.preventDefault();
    const handle = handles[key];
    handle.focus();
    handle.setPointerCapture(e.pointerId);
    grabbed = true;
    const box_ = frame.getBoundingClientRect();
    const offset = e.clientX - (box_.left + ((at(key) - from) / (to - from)) * box_.width);
    const drag = (event) => move(key, from + ((event.clientX - offset - box_.left) / box_.width) * (to - from));
    const drop = () => {
      handle.removeEventListener('pointermove', drag);
      handle.removeEventListener('pointerup', drop);
      handle.removeEventListener('pointercancel', drop);
      grabbed = false;
      flush();
    };
    handle.addEventListener('pointermove', drag);
    handle.addEventListener('pointerup', drop);
    handle.addEventListener('pointercancel', drop);
  }

  canvas.addEventListener('pointerdown', (e) => {
    if (e.button) return;
    const startX = e.clientX;
    const [a, b] = [from, to];
    const width = canvas.clientWidth;
    canvas.setPointerCapture(e.pointerId);
    const drag = (event) => {
      const shift = clamp(((startX - event.clientX) / width) * (b - a), -a, length - b);
      [from, to] = [a + shift, b + shift];
      draw();
    };
    const drop = () => {
      canvas.removeEventListener('pointermove', drag);
      canvas.removeEventListener('pointerup', drop);
      canvas.removeEventListener('pointercancel', drop);
      fetchPicture();
    };
    canvas.addEventListener('pointermove', drag);
    canvas.addEventListener('pointerup', drop);
    canvas.addEventListener('pointercancel', drop);
  });

  canvas.addEventListener('wheel', (e) => {
    if (!e.ctrlKey && !e.metaKey) return;
    e.preventDefault();
    const box_ = canvas.getBoundingClientRect();
    zoom(e.deltaY > 0 ? 1.25 : 0.8, from + ((e.clientX - box_.left) / box_.width) * (to - from));
  }, { passive: false });

  function view(a, b) {
    const span = clamp(b - a, Math.min(CLOSEST_S, length), length);
    from = clamp(a, 0, length - span);
    to = from + span;
    draw();
    fetchPicture();
  }

  const viewTrim = () => { const pad = (endOf() - recipe.start_s) * 0.06; view(recipe.start_s - pad, endOf() + pad); };
  const viewAround = (time) => { const span = Math.min(length, Math.max(0.12, (to - from) > 1 ? 0.4 : to - from)); view(time - span / 2, time + span / 2); };
  const zoom = (by, around = (from + to) / 2) => view(around - (around - from) * by, around + (to - around) * by);
  const pan = (by) => view(from + (to - from) * by, to + (to - from) * by);

  let asked = 0;
  const fetchPicture = later(async () => {
    const mine = (asked += 1);
    const width = Math.max(200, Math.round(canvas.clientWidth * Math.min(2, devicePixelRatio)));
    try {
      const got = await load(from.toFixed(6), to.toFixed(6), Math.min(4000, width));
      if (mine === asked && !closed) {
        picture = got;
        draw();
      }
    } catch (error) {
      if (!closed && mine === asked) say(error.message, 'error');
    }
  }, 40);

  function draw() {
    if (closed || !recipe) return;
    const ratio = Math.min(2, devicePixelRatio);
    const width = Math.round(canvas.clientWidth * ratio);
    const height = Math.round(canvas.clientHeight * ratio);
    if (canvas.width !== width) canvas.width = width;
    if (canvas.height !== height) canvas.height = height;
    const style = getComputedStyle(frame);
    const pen = canvas.getContext('2d');
    pen.clearRect(0, 0, width, height);
    const x = (time) => ((time - from) / (to - from)) * width;
    const y = (value) => height / 2 - value * (height / 2) * 0.94;
    pen.strokeStyle = style.getPropertyValue('--line');
    pen.beginPath();
    pen.moveTo(0, height / 2);
    pen.lineTo(width, height / 2);
    pen.stroke();
    if (picture) {
      const { low, high } = picture;
      const step = (picture.end_s - picture.start_s) / low.length;
      pen.fillStyle = style.getPropertyValue('--ink');
      pen.beginPath();
      const bar = Math.max(1, (step / (to - from)) * width);
      for (let i = 0; i < low.length; i += 1) {
        const left = x(picture.start_s + i * step);
        if (left < -bar || left > width) continue;
        const top = y(high[i]);
        pen.rect(left, top, bar, Math.max(1, y(low[i]) - top));
      }
      pen.fill();
    }
    drawOver();
    drawScale();
  }

  function drawOver() {
    const X = (time) => ((time - from) / (to - from)) * 1000;
    const end = endOf();
    overlay.setAttribute('viewBox', '0 0 1000 100');
    const parts = [
      s('rect', { class: 'cut', x: -10, y: 0, width: Math.max(0, X(recipe.start_s) + 10), height: 100 }),
      s('rect', { class: 'cut', x: X(end), y: 0, width: Math.max(0, 1010 - X(end)), height: 100 }),
    ];
    const curve = (a, b, up) => {
      // The gain of a raised cosine, drawn over the sound.
      let d = `M${X(a)} ${up ? 100 : 0}`;
      for (let i = 1; i <= 12; i += 1) {
        const g = (1 - Math.cos((Math.PI * i) / 12)) / 2;
        d += `L${X(a + ((b - a) * i) / 12)} ${100 - 100 * (up ? g : 1 - g)}`;
      }
      return s('path', { class: 'fade', d });
    };
    if (recipe.fade_in_s > 0) parts.push(curve(recipe.start_s, at('fade_in'), true));
    if (recipe.fade_out_s > 0) parts.push(curve(at('fade_out'), end, false));
    if (recipe.loop_start_s !== null) parts.push(s('path', { class: 'loop', d: `M${X(recipe.loop_start_s)} 90V97H${X(recipe.loop_end_s)}V90` }));
    put(overlay, parts);
    for (const [key, label] of HANDLES) {
      const place = at(key);
      const handle = handles[key];
      const there = place !== null && place !== undefined && place >= from - 1e-9 && place <= to + 1e-9;
      const loopless = key.startsWith('loop') && recipe.loop_start_s === null;
      handle.hidden = loopless;
      handle.classList.toggle('away', !there);
      if (loopless) continue;
      handle.style.left = `${clamp(((place - from) / (to - from)) * 100, 0, 100)}%`;
      const [low, high] = limits(key);
      handle.setAttribute('aria-valuemin', String(Math.round(low * 1e4) / 10));
      handle.setAttribute('aria-valuemax', String(Math.round(high * 1e4) / 10));
      handle.setAttribute('aria-valuenow', String(Math.round(place * 1e4) / 10));
      handle.setAttribute('aria-valuetext', `${label} at ${(place * 1000).toFixed(1)} milliseconds`);
    }
  }

  function drawScale() {
    const span = to - from;
    const raw = span / 6;
    const size = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 5, 10].map((m) => m * size).find((m) => m >= raw) ?? raw;
    const marks = [];
    for (let time = Math.ceil(from / step) * step; time <= to + 1e-9 && marks.length < 12; time += step) {
      const text = step >= 1 ? seconds(Math.round(time)) : step >= 0.1 ? `${time.toFixed(1)} s` : `${(time * 1000).toFixed(step < 0.001 ? 1 : 0)} ms`;
      const where = ((time - from) / span) * 100;
      if (where < 96) marks.push(h('span', { style: { left: `${where}%` } }, text.replace(/\.0+ s/, ' s')));
    }
    put(scale, marks);
  }

  const observer = new ResizeObserver(() => { draw(); fetchPicture(); });
  observer.observe(frame);
  const repaint = new MutationObserver(draw);
  repaint.observe(document.documentElement, { attributes: true, attributeFilter: ['data-light'] });

  return {
    set(given) {
      if (dirty.size) return; // a handle is being moved: its edit follows
      const first = recipe === null;
      recipe = { ...given };
      if (first) viewTrim();
      else draw();
    },
    /** Whether a handle is in a hand now. */
    get grabbed() { return grabbed; },
    /** What was moved and is not sent yet. */
    unsent: () => [...dirty],
    /** Let those moves go. */
    forget() { dirty.clear(); },
    /** Moves the needle while `position()` gives seconds of the original. */
    follow(position) {
      cancelAnimationFrame(following);
      const step = () => {
        const time = closed ? null : position();
        needle.hidden = time === null || time < from || time > to;
        if (time === null) return;
        needle.style.left = `${((time - from) / (to - from)) * 100}%`;
        following = requestAnimationFrame(step);
      };
      following = requestAnimationFrame(step);
    },
    close() {
      flush();
      closed = true;
      observer.disconnect();
      repaint.disconnect();
      cancelAnimationFrame(following);
    },
  };
}
