// Signs for tags: seven colours (Okabe and Ito, "Color Universal Design", 2008), each with its own shape,
// the same as on paper. Tags that most clips share get a sign; the rest are read by their word.

import { h, s } from './dom.js';

const SHAPES = {
  circle: 'M8 2 A6 6 0 1 0 8.01 2 Z',
  square: 'M2 2 H14 V14 H2 Z',
  triangle: 'M8 1 L15 14 H1 Z',
  diamond: 'M8 1 L15 8 L8 15 L1 8 Z',
  hexagon: 'M8 1 L14.5 4.5 V11.5 L8 15 L1.5 11.5 V4.5 Z',
  cross: 'M5.5 1 H10.5 V5.5 H15 V10.5 H10.5 V15 H5.5 V10.5 H1 V5.5 H5.5 Z',
  shield: 'M2 1 H14 V9 L8 15 L2 9 Z',
};

const MARKS = [['#E69F00', 'circle'], ['#56B4E9', 'square'], ['#009E73', 'triangle'], ['#F0E442', 'diamond'], ['#0072B2', 'hexagon'], ['#CC79A7', 'cross'], ['#D55E00', 'shield']];

const signOf = (colour, shape) => ({ colour, d: SHAPES[shape], name: shape });

/** Signs that the server gave the tags of a show, Map of tag to sign. */
export const signsOfShow = (signs) => new Map(signs.map(({ tag, colour, shape }) => [tag, signOf(colour, shape)]));

/** Signs for any clips: the tag of most of them first, then the tag of most of the rest. Map of tag to sign. */
export function giveSigns(tagLists) {
  const everywhere = new Set(tagLists.length > 1 ? tagLists[0].filter((tag) => tagLists.every((tags) => tags.includes(tag))) : []); // tells none apart
  let left = tagLists.map((tags) => tags.filter((tag) => !everywhere.has(tag)));
  const signs = new Map();
  while (signs.size < MARKS.length) {
    const counts = new Map();
    for (const tags of left) for (const tag of tags) counts.set(tag, (counts.get(tag) ?? 0) + 1);
    if (!counts.size) break;
    const [[most]] = [...counts].sort((a, b) => b[1] - a[1] || (a[0] < b[0] ? -1 : 1));
    signs.set(most, signOf(...MARKS[signs.size]));
    left = left.filter((tags) => !tags.includes(most));
  }
  return signs;
}

/** The sign of a clip: that of the first tag of the show that it has. */
export function signFor(tags, signs) {
  for (const [tag, sign] of signs ?? []) if (tags.includes(tag)) return sign;
  return null;
}

export function signPath(sign, props = {}) {
  return s('path', { d: sign.d, fill: sign.colour, class: 'tag-shape', ...props });
}

/** A tag as a bit of tape: its sign, where it has one, and its word. */
export function tagBit(tag, signs) {
  const sign = signs?.get(tag);
  return h('span', { class: 'tag' }, sign ? s('svg', { viewBox: '0 0 16 16', width: 12, height: 12, 'aria-hidden': 'true' }, signPath(sign)) : null, tag);
}
