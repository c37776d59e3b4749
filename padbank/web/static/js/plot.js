// A bank on the stage plot: every pad at its true place and size in millimetres, as a strip of tape.

import { h, s } from './dom.js';
import { fitName } from './fit.js';
import { signFor, signPath } from './tags.js';

const MARGIN_MM = 16;
const LEAST_PX = matchMedia('(pointer: coarse)').matches ? 44 : 32;

/** The corners of the rig's plot in millimetres. */
export function extent(pads) {
  const left = Math.min(...pads.map((p) => p.x_mm - p.w_mm / 2)) - MARGIN_MM;
  const right = Math.max(...pads.map((p) => p.x_mm + p.w_mm / 2)) + MARGIN_MM;
  const top = Math.min(...pads.map((p) => p.y_mm - p.h_mm / 2)) - MARGIN_MM;
  const bottom = Math.max(...pads.map((p) => p.y_mm + p.h_mm / 2)) + MARGIN_MM;
  return { left, top, width: right - left, height: bottom - top };
}

const FOLD_FROM_MM = 110;
const FOLDED_MM = 52;

/**
 * Long empty stretches between rows of pads (such as from the table to the floor) are
 * folded, as on a working drawing; sizes stay true and the mark says how far it is.
 */
export function fold(pads) {
  const spans = pads.map((p) => [p.y_mm - p.h_mm / 2, p.y_mm + p.h_mm / 2]).sort((a, b) => a[0] - b[0]);
  const folds = [];
  let end = spans[0][1];
  for (const [top, bottom] of spans) {
    if (top - end > FOLD_FROM_MM) folds.push({ from: end, to: top, mm: Math.round(top - end) });
    end = Math.max(end, bottom);
  }
  const shift = (y) => folds.reduce((sum, f) => sum + (y >= f.to ? f.to - f.from - FOLDED_MM : y > f.from ? (y - f.from) * (1 - FOLDED_MM / (f.to - f.from)) : 0), 0);
  return { folds: folds.map((f) => ({ y: f.from - shift(f.from) + FOLDED_MM / 2, mm: f.mm })), shift };
}

/** The size in millimetres of the plot of a type that comes out `px` pixels high in a box of this size, between 3.5 and 16. */
export function noteSize(rig, width, height, px = 11) {
  const { shift } = fold(rig.pads);
  const box = extent(rig.pads.map((p) => ({ ...p, y_mm: p.y_mm - shift(p.y_mm) })));
  const perPx = Math.max(box.width / Math.max(width, 200), box.height / Math.max(height, 200));
  return Math.min(16, Math.max(3.5, px * perPx));
}

/** The outline of a torn strip of tape. */
function tape(x, y, w, h_, seed) {
  const rough = Math.min(2.2, w * 0.03);
  const teeth = 5;
  let d = `M${x} ${y}H${x + w}`;
  for (let i = 1; i <= teeth; i += 1) d += `L${x + w - (i % 2 ? rough * (0.5 + ((seed * i * 7) % 5) / 8) : 0)} ${y + (h_ * i) / teeth}`;
  d += `H${x}`;
  for (let i = 1; i < teeth; i += 1) d += `L${x + (i % 2 ? rough * (0.4 + ((seed * i * 3) % 5) / 8) : 0)} ${y + h_ - (h_ * i) / teeth}`;
  return `${d}Z`;
}

/** A line drawn under a name by hand. */
function underline(x, y, w) {
  return `M${x} ${y}c${w * 0.3} ${w * 0.028} ${w * 0.55} ${-w * 0.022} ${w} ${w * 0.012}`;
}

export const padId = (pad) => pad.pad_id ?? `${pad.surface}/${pad.number}`;

/** One pad as an SVG group; `more` are its attributes (role, handlers). */
export function drawPad(pad, { place, control }, { signs, tags = [], small = false, keyLabel = null, number = true, most = 26, note = 9 } = {}, more = {}) {
  const x = pad.x_mm - pad.w_mm / 2;
  const y = pad.y_mm - pad.h_mm / 2;
  const [w, hh] = [pad.w_mm, pad.h_mm];
  const seed = pad.number * 3 + Math.round(pad.x_mm);
  const kind = control ? 'control' : place ? 'clip' : 'empty';
  const group = s('g', { class: `pad pad-${kind} pad-${pad.limb}${place?.moved ? ' pad-moved' : ''}`, ...more });
  group.append(s('path', { class: 'pad-tape', d: tape(x, y, w, hh, seed) }));
  group.append(s('path', { class: 'pad-cross', d: `M${x + 4} ${y + 4}L${x + w - 4} ${y + hh - 4}M${x + w - 4} ${y + 4}L${x + 4} ${y + hh - 4}` }));
  const sign = place ? signFor(tags, signs) : null;
  const band = sign ? Math.min(17, w * 0.19) : 0;
  if (sign) {
    group.append(s('path', { class: 'pad-band', d: `M${x + 1.4} ${y + 1.4}H${x + band}V${y + hh - 1.4}H${x + 1.4}Z`, fill: sign.colour }));
    const size = Math.min(band * 0.66, 11);
    group.append(s('g', { transform: `translate(${x + (band - size) / 2 + 0.7} ${y + hh / 2 - size / 2}) scale(${size / 16})` }, signPath(sign, { class: 'band-shape' })));
  }
  const name = place?.clip ?? control?.label ?? '';
  const foot = number && !small ? Math.min(note + 6, Math.max(hh * 0.2, note + 2)) : 0;
  if (name) {
    const room = { w: w - band - 9, h: hh - foot - 7 };
    const { lines, size } = fitName(name, room.w, room.h, { most: small ? 40 : most });
    const cx = x + band + (w - band) / 2;
    const cy = y + (hh - foot) / 2;
    lines.forEach((line, i) => group.append(s('text', { class: 'pad-name', x: cx, y: cy + (i - (lines.length - 1) / 2) * size * 1.04 + size * 0.34, 'font-size': size, 'text-anchor': 'middle' }, line)));
    if (place?.moved) {
      const long = Math.min(room.w, size * 0.5 * Math.max(...lines.map((l) => l.length)));
      group.append(s('path', { class: 'pad-underline', d: underline(cx - long / 2, cy + (lines.length / 2) * size * 1.02 + size * 0.16, long), 'stroke-width': Math.max(1.1, size * 0.09) }));
    }
  }
  if (foot) {
    const right = keyLabel ? `key ${keyLabel}` : place ? `${place.hits ? `×${Math.round(place.hits)}` : ''}` : control ? 'control' : '';
    const room = (w - band - 9) / (note * 0.58);
    const fits = (text, other) => text.length + (other ? other.length + 1 : 0) <= room;
    const left = pad.limb === 'foot' && fits(`${pad.number} foot`, right) ? `${pad.number} foot` : String(pad.number);
    group.append(s('text', { class: 'pad-number', x: x + band + 4, y: y + hh - note * 0.5, 'font-size': note }, left));
    if (right && fits(left, right)) group.append(s('text', { class: 'pad-number', x: x + w - 5, y: y + hh - note * 0.5, 'font-size': note, 'text-anchor': 'end' }, right));
  }
  if (place?.pinned) group.append(s('g', { class: 'pad-pin', transform: `translate(${x + w - 9} ${y + 8})` }, s('circle', { r: 4.2 }), s('path', { d: 'M-1 3L-5 11' })));
  return group;
}

/** How a screen reader hears a pad. */
export function padWords(pad, { place, control }, more = '') {
  const what = control ? `control hit ${control.label}` : place ? place.clip : 'empty';
  const notes = [place?.moved ? 'moved' : '', place?.pinned ? 'pinned' : ''].filter(Boolean).join(', ');
  return `${pad.surface} ${pad.number}${pad.limb === 'foot' ? ', foot' : ''}: ${what}${notes ? `, ${notes}` : ''}${more}`;
}

/** A bank's plot. `pad(pad, held)` gives each pad's group; extras: scale bar and homes. */
export function drawPlot(rig, pad, { label, scale = false, homes = false, className = 'plot', note = null } = {}) {
  const { folds, shift } = fold(rig.pads);
  const drawn = rig.pads.map((p) => ({ ...p, y_mm: p.y_mm - shift(p.y_mm) }));
  const box = extent(drawn);
  const fine = note ?? Math.max(8, Math.min(14, box.width / 80)); // small print, in mm: read on a narrow screen too
  if (scale) box.height += fine;
  const smallest = Math.min(...rig.pads.map((p) => Math.min(p.w_mm, p.h_mm)));
  // Wide enough to be hit, the more so by a finger; the plot then moves sideways in its box.
  const svg = s('svg', { class: className, style: { minWidth: className === 'plot' ? `${Math.round((LEAST_PX / smallest) * box.width)}px` : '' }, viewBox: `${box.left} ${box.top} ${box.width} ${box.height}`, role: 'group', 'aria-label': label });
  if (homes) {
    const clear = ({ x_mm, y_mm }) => rig.pads.every((p) => Math.abs(p.x_mm - x_mm) > p.w_mm / 2 + 8 || Math.abs(p.y_mm - y_mm) > p.h_mm / 2 + 8);
    for (const home of rig.homes.filter(clear)) {
      svg.append(s('g', { class: 'home', transform: `translate(${home.x_mm} ${home.y_mm - shift(home.y_mm)})`, 'aria-hidden': 'true' }, s('path', { d: 'M-5 0H5M0 -5V5' }), s('text', { x: 7, y: 3, 'font-size': fine }, home.limb)));
    }
  }
  for (const { y, mm } of folds) {
    const [x, w] = [box.left + MARGIN_MM, box.width - 2 * MARGIN_MM];
    const d = [-2, 2].map((dy) => `M${x} ${y + dy}H${x + w * 0.45}l4 -7l7 14l4 -7H${x + w - 5 * fine}`).join('');
    svg.append(s('g', { class: 'fold', 'aria-hidden': 'true' }, s('path', { d }), s('text', { x: x + w, y: y + fine * 0.35, 'font-size': fine, 'text-anchor': 'end' }, `${mm} mm`)));
  }
  for (const one of drawn) svg.append(pad(one));
  if (scale) {
    const y = box.top + box.height - 3;
    const x = box.left + box.width - MARGIN_MM - 100;
    svg.append(s('g', { class: 'scale', 'aria-hidden': 'true' }, s('path', { d: `M${x} ${y - 3}V${y}H${x + 100}V${y - 3}` }), s('text', { x: x - fine / 2, y, 'font-size': fine, 'text-anchor': 'end' }, 'to scale: 100 mm')));
  }
  return svg;
}

/** The pad that lies nearest in a direction, for arrow keys. */
export function neighbour(pads, fromId, key) {
  const from = pads.find((p) => p.pad_id === fromId);
  const [dx, dy] = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[key];
  let best = null;
  let least = Infinity;
  for (const pad of pads) {
    const ahead = (pad.x_mm - from.x_mm) * dx + (pad.y_mm - from.y_mm) * dy;
    if (pad === from || ahead <= 1) continue;
    const aside = Math.abs((pad.x_mm - from.x_mm) * dy) + Math.abs((pad.y_mm - from.y_mm) * dx);
    const far = ahead + aside * 2;
    if (far < least) {
      least = far;
      best = pad;
    }
  }
  return best;
}

/** What the signs of a plot mean: those that are on it. */
export function legend(signs, places, controls) {
  return h('ul', { class: 'legend', 'aria-label': 'Signs' },
    [...signs].map(([tag, sign]) => h('li', {}, s('svg', { viewBox: '0 0 16 16', width: 14, height: 14, 'aria-hidden': 'true' }, signPath(sign)), ` ${tag}`)),
    places.some((p) => p.moved) && h('li', {}, s('svg', { viewBox: '0 0 26 14', width: 26, height: 14, 'aria-hidden': 'true' }, s('path', { class: 'pad-underline', d: underline(2, 8, 22), 'stroke-width': 2 })), ' moved'),
    places.some((p) => p.pinned) && h('li', {}, s('svg', { viewBox: '-8 -6 16 20', width: 12, height: 15, 'aria-hidden': 'true' }, s('g', { class: 'pad-pin' }, s('circle', { r: 4.2 }), s('path', { d: 'M-1 3L-5 11' }))), ' pinned'),
    controls.length > 0 && h('li', {}, s('svg', { viewBox: '0 0 26 14', width: 26, height: 14, 'aria-hidden': 'true' }, s('rect', { class: 'legend-control', x: 1.5, y: 1.5, width: 23, height: 11 })), ' control hit'));
}
