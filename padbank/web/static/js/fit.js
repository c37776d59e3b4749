// Names as large as fits: where to break them, and how tall their letters come out.

export const LINE = 1.04;
/** Height of a capital or ascender letter as a share of the type size, where measuring it fails. */
const USUAL_CAP = 0.72;

const FACE_WAIT_MS = 1500;
const HAND = `800 100px ${getComputedStyle(document.documentElement).getPropertyValue('--hand')}`;
let pen = null;
const widths = new Map();

// Nothing is measured before the face is there; one that never comes is waited for once.
await Promise.race([document.fonts.load(HAND, 'Aa').catch(() => []), new Promise((go) => setTimeout(go, FACE_WAIT_MS))]);

/** Measures texts at 100 px in the face of the tape (`--hand` of page.css). */
function penOfTape() {
  if (!pen) {
    pen = document.createElement('canvas').getContext('2d');
    pen.font = HAND;
  }
  return pen;
}

/** Width of a text at size 1. */
export function width(text) {
  if (!widths.has(text)) widths.set(text, penOfTape().measureText(text).width / 100);
  return widths.get(text);
}

/** Height of a capital or ascender letter as a share of the type size. */
export function letterShare() {
  const got = penOfTape().measureText('H').actualBoundingBoxAscent / 100;
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

/**
 * Where a word may be broken: between doubled letters, before a consonant between vowels, between two
 * consonants between vowels; nearest to its middle first. Without such a place, in its middle.
 */
export function breakPlaces(word) {
  const vowel = [...word].map((c) => 'aeiouy'.includes(c));
  const places = [];
  for (let at = 2; at < word.length - 1; at += 1) {
    const doubled = word[at - 1] === word[at] && !vowel[at];
    const openEnd = vowel[at - 1] && !vowel[at] && vowel[at + 1];
    const closedEnd = vowel[at - 2] && !vowel[at - 1] && !vowel[at] && vowel[at + 1];
    if (doubled || openEnd || closedEnd) places.push(at);
  }
  places.sort((a, b) => Math.abs(2 * a - word.length) - Math.abs(2 * b - word.length));
  return places.length ? places.slice(0, 2) : word.length >= 7 ? [Math.ceil(word.length / 2)] : [];
}

/** The ways to write a name with its longest words broken: one word, then two. */
function broken(words) {
  const long = words.map((w, i) => i).filter((i) => words[i].replace(/-$/, '').length >= 5).sort((a, b) => words[b].length - words[a].length).slice(0, 2);
  const cut = (list, i, at) => [...list.slice(0, i), `${list[i].slice(0, at)}-`, list[i].slice(at), ...list.slice(i + 1)];
  const ones = long.flatMap((i) => breakPlaces(words[i].replace(/-$/, '')).map((at) => cut(words, i, at)));
  if (long.length < 2) return ones;
  const [first, second] = [Math.min(...long), Math.max(...long)];
  const twos = breakPlaces(words[second].replace(/-$/, '')).flatMap((b) => breakPlaces(words[first].replace(/-$/, '')).map((a) => cut(cut(words, second, b), first, a)));
  return [...ones, ...twos];
}

/**
 * The lines of a name in a box, and its type size (in the unit of the box).
 * Breaks at hyphens; only when that leaves the letters below `need` are words cut.
 */
export function fitName(name, w, h, { most = Infinity, need = 0 } = {}) {
  let best = { lines: [name], size: 0 };
  const attempt = (words) => {
    for (let n = 1; n <= Math.min(5, words.length); n += 1) {
      for (const split of breaks(words, n)) {
        const lines = split.map((line) => line.reduce((text, word) => text + (text && !text.endsWith('-') ? ' ' : '') + word, ''));
        const size = Math.min(w / Math.max(...lines.map(width)), h / (n * LINE), most);
        if (size > best.size * (n > best.lines.length ? 1.08 : 1)) best = { lines, size };
      }
    }
  };
  const words = pieces(name);
  attempt(words);
  if (best.size < need) for (const parts of broken(words)) attempt(parts);
  return best;
}
