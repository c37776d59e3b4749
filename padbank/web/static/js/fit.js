// Names as large as fits: where to break them, and how tall their letters come out.

export const FACE = '"Arial Narrow", "Liberation Sans Narrow", "Roboto Condensed", "Helvetica Neue", Arial, sans-serif';
export const LINE = 1.04;
/** Height of a capital or ascender letter as a share of the type size (checked by measuring, see capShare). */
const USUAL_CAP = 0.72;

let pen = null;
const widths = new Map();

/** Width of a text at size 1. */
export function width(text) {
  if (!widths.has(text)) {
    pen ??= document.createElement('canvas').getContext('2d');
    pen.font = `800 100px ${FACE}`;
    widths.set(text, pen.measureText(text).width / 100);
  }
  return widths.get(text);
}

/** Height of the letter x as a share of the type size: what has to be read of a lower-case name. */
export function letterShare() {
  pen ??= document.createElement('canvas').getContext('2d');
  pen.font = `800 100px ${FACE}`;
  const got = pen.measureText('H').actualBoundingBoxAscent / 100;
  return got > 0.4 && got < 1 ? got : USUAL_CAP;
}

function breaks(words, lines) {
  if (lines === 1) return [[words]];
  const found = [];
  for (let i = 1; i <= words.length - lines + 1; i += 1) {
    for (const rest of breaks(words.slice(i), lines - 1)) found.push([words.slice(0, i), ...rest]);
  }
  return found;
}

/** Pieces of a name that may stand on lines of their own; a hyphen stays with the piece before it. */
function pieces(name) {
  return name.split(/(?<=-)|\s+/).filter(Boolean);
}

function cutLong(words, most) {
  return words.flatMap((word) => {
    if (word.length <= most) return [word];
    const half = Math.ceil(word.length / 2);
    return [`${word.slice(0, half)}-`, word.slice(half)];
  });
}

/**
 * The lines of a name in a box, and its type size (in the unit of the box).
 * Breaks at hyphens; only when that leaves the letters below `need` are words cut.
 */
export function fitName(name, w, h, { most = Infinity, need = 0 } = {}) {
  let best = { lines: [name], size: 0 };
  const attempt = (words) => {
    for (let n = 1; n <= Math.min(4, words.length); n += 1) {
      for (const split of breaks(words, n)) {
        const lines = split.map((line) => line.reduce((text, word) => text + (text && !text.endsWith('-') ? ' ' : '') + word, ''));
        const size = Math.min(w / Math.max(...lines.map(width)), h / (n * LINE), most);
        if (size > best.size * (n > best.lines.length ? 1.08 : 1)) best = { lines, size };
      }
    }
  };
  const words = pieces(name);
  attempt(words);
  for (const longest of [7, 6, 5]) if (best.size < need) attempt(cutLong(words, longest));
  return best;
}
