// The lines of a long list: only those in sight exist, and they are written anew, never made anew.
//
// Nothing is read back from the layout while typing: the height comes from an observer, the place from
// scroll events.

import { h, level, put, seconds } from './dom.js';
import { tagBit } from './tags.js';

/** Height of a line, as places.css has it. */
export const ROW_PX = matchMedia('(pointer: coarse)').matches ? 44 : 40;
const SPARE_ROWS = 6;

/**
 * @param grid the element that scrolls, @param body the element that holds the lines
 * @param look {search(): a search, signs(): Map, chosen(): row or null, isMarked(name), onChoose(row), onMark(row, on)}
 */
export function createRows(grid, body, look) {
  const slots = [];
  const tagBits = new Map();
  let signsNow = null;
  let height = 600;
  let top = 0;
  let rowsHigh = -1;
  let shownSlots = 0;
  let nothing = null;

  const observer = new ResizeObserver(([entry]) => {
    const now = entry.contentRect.height || 600;
    if (now === height) return;
    height = now;
    draw();
  });
  observer.observe(grid);
  grid.addEventListener('scroll', () => {
    const before = Math.floor(top / ROW_PX);
    top = grid.scrollTop;
    if (Math.floor(top / ROW_PX) !== before) draw();
  });
  body.addEventListener('click', (e) => {
    const slot = slots.find((s) => s.line === e.target.closest('.line'));
    if (!slot?.row) return;
    if (e.target === slot.mark) look.onMark(slot.row, slot.mark.checked);
    else look.onChoose(slot.row);
  });

  function makeSlot() {
    const cell = (name) => h('span', { role: 'gridcell', class: `c-${name}` });
    const mark = h('input', { type: 'checkbox', tabindex: '-1' });
    const cells = { name: cell('name'), tags: cell('tags'), length: cell('duration_s'), role: cell('role'), loud: cell('loudness_lufs'), peak: cell('true_peak_dbtp'), rights: cell('licence') };
    const line = h('div', { class: 'line', role: 'row', 'aria-selected': 'false', hidden: true },
      h('span', { role: 'gridcell', class: 'c-mark' }, mark), Object.values(cells));
    for (const c of Object.values(cells)) c.append('');
    body.append(line);
    const slot = { line, mark, cells, row: null, index: -1, tags: null, said: {} };
    slots.push(slot);
    return slot;
  }

  const write = (slot, key, text) => {
    if (slot.said[key] === text) return;
    slot.said[key] = text;
    slot.cells[key].firstChild.data = text;
  };

  function bit(tag) {
    if (!tagBits.has(tag)) tagBits.set(tag, tagBit(tag, signsNow));
    return tagBits.get(tag).cloneNode(true);
  }

  function attribute(slot, name, value) {
    const key = `@${name}`;
    if (slot.said[key] === value) return;
    slot.said[key] = value;
    if (value === null) slot.line.removeAttribute(name);
    else slot.line.setAttribute(name, value);
  }

  function fill(slot, row, index) {
    if (slot.index !== index) {
      slot.index = index;
      slot.line.style.top = `${index * ROW_PX}px`;
      attribute(slot, 'aria-rowindex', String(index + 2));
    }
    if (slot.said['@id'] !== `row-${row.name}`) {
      attribute(slot, 'id', `row-${row.name}`);
      slot.mark.setAttribute('aria-label', `Mark ${row.name}`);
    }
    slot.row = row;
    write(slot, 'name', row.name);
    write(slot, 'length', seconds(row.duration_s));
    write(slot, 'role', row.role);
    write(slot, 'loud', row.loudness_lufs === null ? '–' : level(row.loudness_lufs));
    write(slot, 'peak', row.true_peak_dbtp === null ? '–' : level(row.true_peak_dbtp));
    write(slot, 'rights', row.licence ?? 'not stated');
    const tags = row.tags.join(' ');
    if (slot.tags !== tags) {
      slot.tags = tags;
      put(slot.cells.tags, row.tags.map(bit));
    }
    const marked = look.isMarked(row.name);
    if (slot.mark.checked !== marked) slot.mark.checked = marked;
    attribute(slot, 'aria-selected', String(marked));
    attribute(slot, 'aria-current', row === look.chosen() ? 'true' : null);
  }

  function draw() {
    const search = look.search();
    if (signsNow !== look.signs()) {
      signsNow = look.signs();
      tagBits.clear();
      for (const slot of slots) slot.tags = null;
    }
    const n = search.length;
    if (rowsHigh !== n) {
      rowsHigh = n;
      body.style.height = `${Math.max(n, 1) * ROW_PX}px`;
      grid.setAttribute('aria-rowcount', String(n + 1));
    }
    const first = Math.max(0, Math.min(Math.floor(top / ROW_PX), n - 1) - SPARE_ROWS);
    const end = Math.min(n, first + Math.ceil(height / ROW_PX) + 2 * SPARE_ROWS);
    const used = Math.max(0, end - first);
    let inSight = false;
    for (let i = 0; i < used; i += 1) {
      const slot = slots[i] ?? makeSlot();
      fill(slot, search.at(first + i), first + i);
      if (i >= shownSlots) slot.line.hidden = false;
      inSight ||= slot.row === look.chosen();
    }
    for (let i = used; i < shownSlots; i += 1) {
      slots[i].line.hidden = true;
      slots[i].row = null;
    }
    shownSlots = used;
    if (nothing !== (n === 0)) {
      nothing = n === 0;
      body.querySelector('.none-found')?.remove();
      if (nothing) body.append(h('div', { class: 'none-found', role: 'row' }, h('span', { role: 'gridcell', class: 'quiet' }, look.nothing())));
    }
    if (inSight) grid.setAttribute('aria-activedescendant', `row-${look.chosen().name}`);
    else grid.removeAttribute('aria-activedescendant');
  }

  return {
    draw,
    get height() { return height; },
    /** Back to the first line, without asking the layout when it is there already. */
    toTop() {
      if (top === 0) return;
      top = 0;
      grid.scrollTop = 0;
    },
    scrollTo(y) {
      grid.scrollTop = y;
      top = grid.scrollTop;
      draw();
    },
    /** Bring a line into sight. */
    reveal(index) {
      const y = index * ROW_PX;
      if (y < top) this.scrollTo(y);
      else if (y + ROW_PX * 2 > top + height) this.scrollTo(y + ROW_PX * 2 - height);
    },
    get top() { return top; },
    forget() {
      nothing = null;
      for (const slot of slots) slot.tags = null;
    },
    close: () => observer.disconnect(),
  };
}
