// Edits beside other edits: typed words survive a new drawing, and an edit is made of what was seen.

import { createTurns } from './api.js';

const BOXES = 'input:not([type=checkbox], [type=radio], [type=file]), textarea';

/** The name of a box among its fellows: the one it was given, else its label. */
const keyOf = (box) => box.dataset.key ?? box.labels?.[0]?.textContent ?? null;

/** What a person calls a box. */
const nameOf = (box) => box.getAttribute('aria-label') ?? box.labels?.[0]?.textContent ?? 'a box';

/**
 * Draws a place anew without losing what is being typed in it: `redraw(draw)` gives the words whose box is
 * no more, to be told. A box with `data-adds` keeps its words until they are added; of the others those
 * that were typed and not yet sent.
 */
export function createRedraw(root) {
  if (!redraws.has(root)) redraws.set(root, makeRedraw(root));
  return redraws.get(root);
}

const redraws = new WeakMap();

function makeRedraw(root) {
  const typed = new WeakSet();
  let drawing = false;
  // A browser may tell of a change when a box with typed words is taken away: that is no edit of the person's.
  for (const type of ['change', 'blur', 'focusout']) root.addEventListener(type, (e) => { if (drawing) e.stopImmediatePropagation(); }, true);
  root.addEventListener('input', (e) => { if (e.target.matches(BOXES)) typed.add(e.target); });
  root.addEventListener('change', (e) => typed.delete(e.target));
  // Words that were put back into a new box are no change in the browser's eyes: tell of it when they are done.
  const done = (box) => { if (typed.has(box) && box.dataset.adds === undefined) box.dispatchEvent(new Event('change', { bubbles: true })); };
  root.addEventListener('focusout', (e) => done(e.target));
  root.addEventListener('keydown', (e) => { if (e.key === 'Enter') setTimeout(() => done(e.target)); });

  const kept = (box) => (box.dataset.adds === undefined ? typed.has(box) : box.value !== '');
  const find = (key) => [...root.querySelectorAll(BOXES)].find((box) => keyOf(box) === key);

  return function redraw(draw) {
    const active = document.activeElement;
    const here = root.contains(active) ? { key: active.matches(BOXES) ? keyOf(active) : active.dataset.key, caret: caretOf(active) } : null;
    const drafts = [...root.querySelectorAll(BOXES)].filter(kept).map((box) => ({ key: keyOf(box), name: nameOf(box), value: box.value }));
    const opened = [...root.querySelectorAll('details[open][data-key]')].map((d) => d.dataset.key);
    drawing = true;
    try {
      draw();
    } finally {
      drawing = false;
    }
    for (const key of opened) root.querySelector(`details[data-key="${CSS.escape(key)}"]`)?.setAttribute('open', '');
    const lost = drafts.filter(({ key, value }) => {
      const box = find(key);
      if (!box) return true;
      box.value = value;
      typed.add(box);
      return false;
    });
    if (here?.key) {
      const again = find(here.key) ?? root.querySelector(`[data-key="${CSS.escape(here.key)}"]`);
      again?.focus();
      if (again && here.caret) again.setSelectionRange(...here.caret);
    }
    return lost.length ? ` Not kept: ${lost.map(({ name, value }) => `“${value}” (${name})`).join(', ')}.` : '';
  };
}

/** Where the caret stands; null for boxes that do not say. */
function caretOf(box) {
  return typeof box.selectionStart === 'number' ? [box.selectionStart, box.selectionEnd] : null;
}

/**
 * Edits in turn, each made of what the person saw: once the page has taken over what somebody else made
 * (`overtaken`), those that were asked for before are not made any more but given to `late`.
 */
export function createEdits() {
  const inTurn = createTurns();
  let era = 0;
  return {
    inTurn,
    overtaken() { era += 1; },
    edit(work, late) {
      const asked = era;
      return inTurn(() => (asked === era ? work() : late()));
    },
  };
}

/** A line at the top of a place that stays until what it tells of is mended. */
export function createTrouble(root) {
  let line = null;
  return {
    tell(text) {
      if (line?.textContent === text && line.isConnected) return;
      line?.remove();
      line = Object.assign(document.createElement('p'), { className: 'trouble', textContent: text });
      line.setAttribute('role', 'alert');
      root.prepend(line);
    },
    mended() {
      line?.remove();
      line = null;
    },
  };
}
