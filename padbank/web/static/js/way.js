// The way from sounds to the stage, shown by a place that has nothing to show yet.

import { h, put } from './dom.js';

const WAY = [
  ['clips', 'Clips', 'Drop sound or video files. They are copied, measured and trimmed; your files stay as they are.'],
  ['show', 'Show', 'Write down, song by song, which clips or kinds of clips you want at hand.'],
  ['layout', 'Layout', 'Let the planner find a pad for each of them, or arrange them yourself.'],
  ['rehearse', 'Rehearse', 'Play the pads here, and bring the stage view to the kit.'],
  ['export', 'Export', 'Write the set to the card and have every file proved.'],
  ['sheet', 'Sheet', 'Print the banks for the floor.'],
];

/** The steps in their order; the one called `next` is the one to take now. */
export function way(next) {
  return h('ol', { class: 'way' }, WAY.map(([name, title, text]) => h('li', { 'aria-current': name === next ? 'step' : null }, h('strong', {}, title), h('span', {}, text))));
}

/** A place without a show, or without a layout: what is lacking, the button that leads there, the whole way. */
export function lacking(root, desk, title) {
  const [next, text, button] = desk.show
    ? ['layout', 'Nothing is laid out for this show yet.', 'Go to Layout']
    : ['show', 'There is no show yet.', 'Begin one'];
  put(root, h('div', { class: 'blank' }, h('h1', {}, title), h('p', {}, text),
    h('p', {}, h('button', { type: 'button', class: 'strong', onclick: () => desk.go(next, desk.show ?? '') }, button)), way(next)));
}

/** A place that could not be opened: why, what to do, and the shows that there are when the one asked for is not. */
export function failed(root, desk, title, error, show) {
  const known = desk.shows.find((s) => s.name === show);
  const gone = show && !known && error.status >= 400;
  put(root, h('div', { class: 'blank' }, h('h1', {}, title),
    h('p', { class: 'trouble', role: 'alert' }, gone ? `There is no show named ${show}.` : error.message),
    known?.fault ? h('p', {}, 'Mend the file in a text editor and save it: this page looks again by itself.') : null,
    gone ? h('p', { class: 'row wrap' }, desk.shows.length ? [
      desk.shows.map((s) => h('button', { type: 'button', onclick: () => desk.go('show', s.name) }, s.title || s.name)),
    ] : h('button', { type: 'button', class: 'strong', onclick: () => { desk.show = null; desk.go('show'); } }, 'Begin one')) : null));
}
