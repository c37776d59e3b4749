// How a bank is shown on the stage so that it can be read: all pads at once where their letters come out
// large enough, else without the empty pads, else a few surfaces at a time.

import { fitName } from './fit.js';

/** Widest gap between pads that is kept, in millimetres of the rig: the rest goes to the names. */
const GAP_MM = 6;
/** Pads may be drawn this much wider or taller than they are. */
const STRETCH = 1.7;
/** Room in a pad that no letter gets: the edge of the tape, in pixels. */
const EDGE_PX = { w: 7, h: 10 };
/** Air around a name that is large enough without the last of its pad, as a share of the pad. */
const AIR = 0.07;
const BAND_PX = 22;
const MOST_PAGES = 6;

/** Where each pad goes: gaps drawn together, the rest stretched to fill the box. */
export function arrange(pads, width, height) {
  const squeeze = (spans) => {
    const sorted = [...spans].sort((a, b) => a[0] - b[0]);
    const cuts = [];
    let end = sorted[0][1];
    for (const [low, high] of sorted) {
      if (low - end > GAP_MM) cuts.push([low, low - end - GAP_MM]);
      end = Math.max(end, high);
    }
    return (value) => value - cuts.reduce((sum, [from, by]) => sum + (value >= from ? by : 0), 0);
  };
  const mapX = squeeze(pads.map((p) => [p.x_mm - p.w_mm / 2, p.x_mm + p.w_mm / 2]));
  const mapY = squeeze(pads.map((p) => [p.y_mm - p.h_mm / 2, p.y_mm + p.h_mm / 2]));
  const boxes = pads.map((p) => ({ pad: p, x: mapX(p.x_mm - p.w_mm / 2), y: mapY(p.y_mm - p.h_mm / 2), w: p.w_mm, h: p.h_mm }));
  const left = Math.min(...boxes.map((b) => b.x));
  const top = Math.min(...boxes.map((b) => b.y));
  const wide = Math.max(...boxes.map((b) => b.x + b.w)) - left;
  const high = Math.max(...boxes.map((b) => b.y + b.h)) - top;
  let [sx, sy] = [width / wide, height / high];
  if (sx > sy * STRETCH) sx = sy * STRETCH;
  if (sy > sx * STRETCH) sy = sx * STRETCH;
  const [dx, dy] = [(width - wide * sx) / 2, (height - high * sy) / 2];
  return boxes.map((b) => ({ pad: b.pad, x: (b.x - left) * sx + dx, y: (b.y - top) * sy + dy, w: b.w * sx, h: b.h * sy }));
}

/**
 * The strips of one page: box, name as lines, type size, width of the coloured band.
 * `held(pad)` gives {name, sign}; `need` is the type size that can be read, in pixels.
 */
export function strips(pads, held, { width, height, need }) {
  return arrange(pads, width, height).map((box) => {
    const { name, sign } = held(box.pad);
    const band = sign ? Math.min(BAND_PX, box.w * 0.08) : 0;
    const fitIn = (part) => fitName(name, (box.w - band - EDGE_PX.w) * part, (box.h - EDGE_PX.h) * part, { need, most: box.h * 0.6 * part });
    const airy = name ? fitIn(1 - AIR) : null;
    const fitted = airy && airy.size < need ? fitIn(1) : airy;
    return { ...box, band, lines: fitted?.lines ?? [], size: fitted?.size ?? Infinity };
  });
}

const smallest = (pads, held, room) => (pads.length ? Math.min(...strips(pads, held, room).map((s) => s.size)) : Infinity);

/** Lines of pads in `n` parts of about the same number of lines. */
function evenly(lines, n) {
  const from = (i) => Math.round((i * lines.length) / n);
  return Array.from({ length: n }, (_, i) => lines.slice(from(i), from(i + 1)).flat());
}

/** A surface in as few parts as can be read, cut across or along: rows or columns stay whole. */
function partsOf(pads, fits) {
  const ways = ['y_mm', 'x_mm'].map((key) => {
    const places = [...new Set(pads.map((p) => p[key]))].sort((a, b) => a - b);
    const parts = [];
    let now = [];
    for (const place of places) {
      const line = pads.filter((p) => p[key] === place);
      if (now.length && !fits([...now, ...line])) {
        parts.push(now);
        now = [];
      }
      now = [...now, ...line];
    }
    parts.push(now);
    const even = evenly(places.map((place) => pads.filter((p) => p[key] === place)), parts.length);
    return even.every(fits) ? even : parts;
  });
  const poor = (way) => way.filter((part) => !fits(part)).length;
  return ways.sort((a, b) => poor(a) - poor(b) || a.length - b.length)[0];
}

/** Every way to put some things side by side into groups (their order kept within each). */
function groupings(things) {
  if (!things.length) return [[]];
  const [first, ...rest] = things;
  return groupings(rest).flatMap((groups) => [[[first], ...groups], ...groups.map((g, i) => groups.map((x, j) => (i === j ? [first, ...x] : x)))]);
}

/**
 * The pages of a bank: [{title, pads, size}], as few as can be read; size is that of the smallest letters.
 *
 * In this order: every pad at once; the pads in use at once; surfaces together, on as few pages as
 * possible; a surface in parts. Where the screen is too small for all of it, the surfaces one by one.
 */
export function pagesOf(pads, held, room) {
  const page = (title, some) => ({ title, pads: some, size: smallest(some, held, room) });
  const whole = page('', pads);
  if (whole.size >= room.need) return [whole];
  const used = pads.filter((p) => held(p).name);
  if (!used.length) return [whole];
  const busy = page('', used);
  if (busy.size >= room.need) return [busy];
  const surfaces = [...new Set(used.map((p) => p.surface))];
  const some = surfaces.length <= 5 ? groupings(surfaces) : [surfaces.map((s) => [s])];
  const ways = some.map((groups) => groups.map((names) => page(names.join(' + '), used.filter((p) => names.includes(p.surface)))))
    .sort((a, b) => a.length - b.length || Math.min(...b.map((p) => p.size)) - Math.min(...a.map((p) => p.size)));
  const good = ways.find((way) => way.every((p) => p.size >= room.need));
  if (good) return good;
  const single = surfaces.map((name) => page(name, used.filter((p) => p.surface === name)));
  const fits = (part) => smallest(part, held, room) >= room.need;
  const parts = single.flatMap((one) => (one.size >= room.need ? [one]
    : partsOf(one.pads, fits).map((part) => page(`${one.title} ${part.map((p) => p.number).sort((a, b) => a - b).join(' ')}`, part))));
  return parts.length <= MOST_PAGES && parts.every((p) => p.size >= room.need) ? parts : single;
}
