// Clips: every clip of the library in one list that answers each keystroke, and the one in hand beside it.

import { post } from './api.js';
import { openClip } from './clipcard.js';
import { count, h, level, put, say, seconds } from './dom.js';
import { addPanel } from './drop.js';
import { giveSigns, tagBit } from './tags.js';

const ROW_PX = 40;
const SPARE_ROWS = 6;
const COLUMNS = [
  ['name', 'Name'],
  ['tags', 'Tags'],
  ['duration_s', 'Length'],
  ['role', 'Role'],
  ['loudness_lufs', 'LUFS'],
  ['true_peak_dbtp', 'dBTP'],
  ['licence', 'Rights'],
];

/** Rows whose text holds every word; `within` are the rows of a search that this one narrows. */
export function search(rows, words, tag, role, rights, within = rows) {
  const found = [];
  for (const row of within) {
    let fits = true;
    for (let i = 0; fits && i < words.length; i += 1) fits = row.text.includes(words[i]);
    if (fits && tag && !row.tags.includes(tag)) fits = false;
    if (fits && role && row.role !== role) fits = false;
    if (fits && rights === 'cleared' && !row.cleared) fits = false;
    if (fits && rights === 'open' && row.cleared) fits = false;
    if (fits) found.push(row);
  }
  return found;
}

export function readRows({ columns, rows }) {
  return rows.map((values) => {
    const row = Object.fromEntries(columns.map((c, i) => [c, values[i]]));
    row.cleared = row.licence !== null && row.licence !== 'NONE' && row.licence !== 'NOASSERTION';
    row.text = `${row.name} ${row.tags.join(' ')} ${row.source} ${row.licence ?? ''}`.toLowerCase();
    return row;
  });
}

export async function open(root, desk, wanted) {
  let rows = [];
  let shown = [];
  let signs = new Map();
  let chosen = null;
  let licences = [];
  const marked = new Set();
  const filter = { words: [], tag: '', role: '', rights: '', sort: 'name', down: false };
  let before = null;
  let card = null;

  const box = h('input', { type: 'search', id: 'search', placeholder: 'name, tag, file, licence', autocomplete: 'off', spellcheck: 'false', oninput: () => find() });
  const tally = h('p', { class: 'tally', role: 'status' });
  const head = h('div', { class: 'rows-head', role: 'row', 'aria-rowindex': '1' });
  const body = h('div', { class: 'rows-body', role: 'rowgroup' });
  const grid = h('div', { class: 'rows', role: 'grid', tabindex: '0', 'aria-label': 'Clips', 'aria-multiselectable': 'true', onkeydown: keys, onscroll: () => drawRows() },
    h('div', { role: 'rowgroup', class: 'rows-top' }, head), body);
  const tagSelect = h('select', { onchange: () => { filter.tag = tagSelect.value; find(); } });
  const roleSelect = h('select', { onchange: () => { filter.role = roleSelect.value; find(); } },
    h('option', { value: '' }, 'hits and phrases'), h('option', { value: 'hit' }, 'hits'), h('option', { value: 'phrase' }, 'phrases'));
  const rightsSelect = h('select', { onchange: () => { filter.rights = rightsSelect.value; find(); } },
    h('option', { value: '' }, 'all rights'), h('option', { value: 'cleared' }, 'cleared'), h('option', { value: 'open' }, 'not stated or none'));
  const bulk = h('div', { class: 'bulk row', hidden: true });
  const aside = h('section', { class: 'card', 'aria-label': 'The clip in hand' }, h('p', { class: 'quiet empty-card' }, 'Choose a clip in the list to trim, level and hear it.'));

  put(root,
    h('div', { class: 'split' },
      h('section', { class: 'list', 'aria-label': 'The library' },
        h('div', { class: 'list-head' },
          h('h1', {}, 'Clips'), tally,
          addPanel(root, desk, () => licences, async () => { await load(); await desk.readShows(); })),
        h('div', { class: 'filters' },
          h('div', { class: 'field grow' }, h('label', { for: 'search' }, 'Find'), box),
          h('label', { class: 'field' }, 'Tag', tagSelect),
          h('label', { class: 'field' }, 'Role', roleSelect),
          h('label', { class: 'field' }, 'Rights', rightsSelect)),
        bulk, grid, h('p', { class: 'hint list-keys' }, 'Arrow keys choose, Space plays, Enter goes to the clip, M marks several.')),
      aside));

  function drawHead() {
    put(head,
      h('span', { role: 'columnheader', class: 'c-mark' }, h('span', { class: 'hidden' }, 'Marked')),
      COLUMNS.map(([key, title]) => {
        const now = filter.sort === key;
        return h('span', { role: 'columnheader', class: `c-${key}`, 'aria-sort': now ? (filter.down ? 'descending' : 'ascending') : 'none' },
          h('button', { type: 'button', class: 'sort', onclick: () => sortBy(key) }, title, now ? h('span', { 'aria-hidden': 'true' }, filter.down ? ' ↓' : ' ↑') : null));
      }));
  }

  function sortBy(key) {
    filter.down = filter.sort === key ? !filter.down : false;
    filter.sort = key;
    drawHead();
    find();
  }

  function find() {
    const started = performance.now();
    const text = box.value.toLowerCase();
    filter.words = text.split(/\s+/).filter(Boolean);
    const rest = JSON.stringify([filter.tag, filter.role, filter.rights, filter.sort, filter.down]);
    const narrows = before && before.rows === rows && before.rest === rest && text.startsWith(before.text) && before.text !== '';
    shown = search(rows, filter.words, filter.tag, filter.role, filter.rights, narrows ? before.shown : rows);
    if (!narrows) order(shown);
    before = { rows, rest, text, shown };
    grid.scrollTop = 0;
    drawRows(true);
    root.dataset.searchMs = (performance.now() - started).toFixed(2);
  }

  function order(list) {
    const { sort, down } = filter;
    if (sort === 'name' && !down) return; // the server's order
    const turn = down ? -1 : 1;
    const key = (row) => (sort === 'tags' ? row.tags.join(' ') : row[sort]);
    list.sort((a, b) => {
      const x = key(a);
      const y = key(b);
      if (x === y) return a.name < b.name ? -1 : 1;
      if (x === null) return 1;
      if (y === null) return -1;
      return (x < y ? -1 : 1) * turn;
    });
  }

  let drawn = '';
  function drawRows(force = false) {
    const height = grid.clientHeight || 600;
    const top = Math.max(0, Math.floor(grid.scrollTop / ROW_PX) - SPARE_ROWS);
    const end = Math.min(shown.length, top + Math.ceil(height / ROW_PX) + 2 * SPARE_ROWS);
    const now = `${top}-${end}`;
    if (!force && now === drawn) return;
    drawn = now;
    body.style.height = `${Math.max(shown.length, 1) * ROW_PX}px`;
    grid.setAttribute('aria-rowcount', String(shown.length + 1));
    const some = shown.slice(top, end).map((row, i) => drawRow(row, top + i));
    put(body, some.length ? some : h('p', { class: 'quiet none-found' }, rows.length ? 'Nothing fits. Take a word away or choose another filter.' : 'The library is empty. Drop sound or video files anywhere on this page.'));
    if (chosen && shown[top] && shown.slice(top, end).includes(chosen)) grid.setAttribute('aria-activedescendant', `row-${chosen.name}`);
    else grid.removeAttribute('aria-activedescendant');
    put(tally, shown.length === rows.length ? count(rows.length, 'clip') : `${shown.length.toLocaleString('en')} of ${count(rows.length, 'clip')}`);
  }

  function drawRow(row, index) {
    const mark = h('input', { type: 'checkbox', tabindex: '-1', 'aria-label': `Mark ${row.name}`, checked: marked.has(row.name), onclick: (e) => { e.stopPropagation(); toggleMark(row, e.currentTarget.checked); } });
    return h('div', {
      class: 'line', role: 'row', id: `row-${row.name}`, 'aria-rowindex': String(index + 2), 'aria-selected': String(marked.has(row.name)),
      'aria-current': row === chosen ? 'true' : null, style: { top: `${index * ROW_PX}px` },
      onclick: () => choose(row),
    },
    h('span', { role: 'gridcell', class: 'c-mark' }, mark),
    h('span', { role: 'gridcell', class: 'c-name' }, row.name),
    h('span', { role: 'gridcell', class: 'c-tags' }, row.tags.map((t) => tagBit(t, signs))),
    h('span', { role: 'gridcell', class: 'c-duration_s' }, seconds(row.duration_s)),
    h('span', { role: 'gridcell', class: 'c-role' }, row.role),
    h('span', { role: 'gridcell', class: 'c-loudness_lufs' }, level(row.loudness_lufs)),
    h('span', { role: 'gridcell', class: 'c-true_peak_dbtp' }, level(row.true_peak_dbtp)),
    h('span', { role: 'gridcell', class: 'c-licence' }, row.licence ?? 'not stated'));
  }

  function toggleMark(row, on) {
    if (on) marked.add(row.name);
    else marked.delete(row.name);
    drawRows(true);
    drawBulk();
  }

  function drawBulk() {
    bulk.hidden = marked.size === 0;
    if (bulk.hidden) return;
    const tag = h('input', { type: 'text', placeholder: '+laugh −gull', 'aria-label': 'Tags to add or take off', size: 14 });
    const licence = h('input', { type: 'text', list: 'licences', placeholder: 'CC0-1.0', 'aria-label': 'Licence', size: 14 });
    const names = [...marked];
    put(bulk,
      h('strong', {}, `${count(names.length, 'clip')} marked`),
      tag, h('button', { type: 'button', onclick: () => many({ what: 'tags', tags: tag.value.replaceAll('−', '-').split(/[\s,]+/).filter(Boolean) }) }, 'Tag them'),
      licence, h('button', { type: 'button', onclick: () => many({ what: 'rights', licence: licence.value }) }, 'Set rights'),
      h('button', { type: 'button', onclick: () => many({ what: 'remove' }) }, 'Take out of sight'),
      h('button', { type: 'button', onclick: () => { marked.clear(); drawRows(true); drawBulk(); } }, 'Unmark'));
  }

  async function many(what) {
    const names = [...marked];
    try {
      await post('/api/clips/many', { names, ...what });
      if (what.what === 'remove') {
        marked.clear();
        say(`${count(names.length, 'clip')} out of sight. Their originals stay; padbank remove --undo brings them back.`);
      } else say(`${count(names.length, 'clip')} changed.`);
      await load();
      drawBulk();
      if (card && names.includes(card.name)) await card.refresh();
    } catch (error) {
      say(error.message, 'error');
    }
  }

  function choose(row, focusCard = false) {
    chosen = row;
    drawRows(true);
    history.replaceState(null, '', `/clips/${encodeURIComponent(row.name)}`);
    card?.close();
    card = openClip(aside, desk, row.name, { signs: () => signs, licences: () => licences, changed: noteChange, back: () => { root.classList.remove('has-card'); grid.focus(); } });
    root.classList.add('has-card');
    if (focusCard) card.ready.then(() => aside.querySelector('h2')?.focus());
  }

  /** The clip in hand was changed here: keep its line in step without reading all again. */
  function noteChange(was, now) {
    const row = rows.find((r) => r.name === was);
    if (!row) return;
    const played = now.as_played;
    Object.assign(row, {
      name: now.name, duration_s: now.duration_s, role: now.recipe.role, tags: now.tags, licence: now.licence,
      loudness_lufs: played ? (now.recipe.role === 'phrase' && played.integrated_lufs !== null ? played.integrated_lufs : played.momentary_max_lufs) : null,
      true_peak_dbtp: played?.true_peak_dbtp ?? null,
      cleared: now.licence !== null && !['NONE', 'NOASSERTION'].includes(now.licence),
    });
    row.text = `${row.name} ${row.tags.join(' ')} ${row.source} ${row.licence ?? ''}`.toLowerCase();
    if (was !== now.name) history.replaceState(null, '', `/clips/${encodeURIComponent(now.name)}`);
    drawRows(true);
  }

  function keys(e) {
    if (e.target !== grid) return;
    const at = chosen ? shown.indexOf(chosen) : -1;
    const page = Math.max(1, Math.floor(grid.clientHeight / ROW_PX) - 1);
    const steps = { ArrowDown: 1, ArrowUp: -1, PageDown: page, PageUp: -page, Home: -shown.length, End: shown.length };
    if (e.key in steps && shown.length) {
      e.preventDefault();
      const next = Math.min(shown.length - 1, Math.max(0, at + steps[e.key]));
      const y = next * ROW_PX;
      if (y < grid.scrollTop) grid.scrollTop = y;
      else if (y + ROW_PX * 2 > grid.scrollTop + grid.clientHeight) grid.scrollTop = y + ROW_PX * 2 - grid.clientHeight;
      chooseSoon(shown[next]);
    } else if (e.key === 'Enter' && chosen) {
      e.preventDefault();
      choose(chosen, true);
    } else if (e.key === ' ' && chosen) {
      e.preventDefault();
      card?.hear();
    } else if (e.key.toLowerCase() === 'm' && chosen) {
      toggleMark(chosen, !marked.has(chosen.name));
    }
  }

  let soon = 0;
  function chooseSoon(row) {
    chosen = row;
    drawRows(true);
    clearTimeout(soon);
    soon = setTimeout(() => choose(row), 120);
  }

  let etag = null;
  async function load() {
    const response = await fetch('/api/clips', etag ? { headers: { 'if-none-match': etag } } : {});
    if (response.status === 304) return;
    const data = await response.json();
    if (!response.ok) throw new Error(data.error);
    etag = response.headers.get('etag');
    licences = data.licences;
    rows = readRows(data);
    before = null;
    signs = giveSigns(rows.map((r) => r.tags));
    const tags = [...new Set(rows.flatMap((r) => r.tags))].sort();
    if (!tags.includes(filter.tag)) filter.tag = '';
    put(tagSelect, h('option', { value: '' }, 'any tag'), tags.map((t) => h('option', { value: t, selected: t === filter.tag }, t)));
    if (chosen) chosen = rows.find((r) => r.name === chosen.name) ?? null;
    const top = grid.scrollTop;
    find();
    grid.scrollTop = top;
    drawRows(true);
  }

  root.append(h('datalist', { id: 'licences' }));
  drawHead();
  await load();
  put(root.querySelector('#licences'), licences.map((l) => h('option', { value: l })));
  if (wanted) {
    const row = rows.find((r) => r.name === wanted);
    if (row) {
      choose(row);
      grid.scrollTop = Math.max(0, shown.indexOf(row) * ROW_PX - 120);
      drawRows(true);
    } else say(`There is no clip named ${wanted}.`, 'error');
  }
  const resize = () => drawRows(true);
  addEventListener('resize', resize);
  const stopHearing = desk.onChanged(async () => {
    try {
      await load();
      await card?.lookAgain();
    } catch (error) {
      say(error.message, 'error');
    }
  });
  return () => {
    removeEventListener('resize', resize);
    stopHearing();
    card?.close();
  };
}
