// A slip for work that takes its time: what is being done, how far it is, a button that stops it. It is
// changed in place: made anew at each look, the button would lose the focus and a press on its way.

import { h, put } from './dom.js';

/** Gives `show({title, text, note, done, total, stopText, stopping, onStop})`, which writes into `box`. */
export function createSlip(box) {
  const title = h('strong');
  const text = h('span');
  const note = h('p', { class: 'quiet' });
  const bar = h('progress');
  let halt = null;
  const stop = h('button', { type: 'button', onclick: () => halt?.() });
  const parts = [h('p', {}, title, ' ', text), note, h('div', { class: 'row' }, bar, stop)];
  return (now) => {
    title.textContent = now.title;
    text.textContent = now.text ?? '';
    note.textContent = now.note ?? '';
    note.hidden = !now.note;
    bar.max = Math.max(1, now.total ?? 1);
    bar.value = now.done ?? 0;
    bar.setAttribute('aria-label', now.title);
    stop.textContent = now.stopText ?? 'Stop';
    stop.disabled = Boolean(now.stopping);
    halt = now.onStop;
    if (parts[0].parentNode !== box) put(box, parts);
    box.hidden = false;
  };
}
