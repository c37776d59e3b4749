// Signs for tags: seven colours (Okabe and Ito, "Color Universal Design", 2008), each with its own shape.
// The commonest tags of what is shown get a sign; the rest are read by their word.

import { h, s } from './dom.js';

const SIGNS = [
  { colour: '#E69F00', d: 'M8 2 A6 6 0 1 0 8.01 2 Z', name: 'disc' },
  { colour: '#56B4E9', d: 'M2 2 H14 V14 H2 Z', name: 'square' },
  { colour: '#009E73', d: 'M8 1 L15 14 H1 Z', name: 'peak' },
  { colour: '#F0E442', d: 'M8 1 L15 8 L8 15 L1 8 Z', name: 'lozenge' },
  { colour: '#0072B2', d: 'M6 1 H10 V6 H15 V10 H10 V15 H6 V10 H1 V6 H6 Z', name: 'cross' },
  { colour: '#D55E00', d: 'M1 3 H15 L8 15 Z', name: 'wedge' },
  { colour: '#CC79A7', d: 'M1 5 H11 V1 L15 8 L11 15 V11 H1 Z', name: 'arrow' },
];

/** Gives each of the commonest tags its sign: Map of tag to sign. */
export function giveSigns(tagLists) {
  const counts = new Map();
  for (const tags of tagLists) for (const tag of tags) counts.set(tag, (counts.get(tag) ?? 0) + 1);
  if (tagLists.length > 1) for (const [tag, n] of counts) if (n === tagLists.length) counts.delete(tag); // it tells none apart
  const order = [...counts].sort((a, b) => b[1] - a[1] || (a[0] < b[0] ? -1 : 1));
  return new Map(order.slice(0, SIGNS.length).map(([tag], i) => [tag, SIGNS[i]]));
}

export function signPath(sign, props = {}) {
  return s('path', { d: sign.d, fill: sign.colour, class: 'tag-shape', ...props });
}

/** A tag as a bit of tape: its sign, where it has one, and its word. */
export function tagBit(tag, signs) {
  const sign = signs?.get(tag);
  return h('span', { class: 'tag' }, sign ? s('svg', { viewBox: '0 0 16 16', width: 12, height: 12, 'aria-hidden': 'true' }, signPath(sign)) : null, tag);
}
