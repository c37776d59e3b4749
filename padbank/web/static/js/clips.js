// Clips: every clip of the library in one list that answers each keystroke, and the one in hand beside it.

import { get, part, post, Refused, SILENT } from './api.js';
import { openClip } from './clipcard.js';
import { count, h, put, say, TOLD_MS } from './dom.js';
import { addPanel } from './drop.js';
import { ROW_PX, createRows } from './rows.js';
import { createSearch, readRows, wordsOf } from './search.js';
import { giveSigns, signsOfShow } from './tags.js';
import { way } from './way.js';

const COLUMNS = [
  ['name', 'Name'],
  ['tags', 'Tags'],
  ['duration_s', 'Length'],
  ['role', 'Role'],
  ['loudness_lufs', 'LUFS'],
  ['true_peak_dbtp', 'dBTP'],
  ['licence', 'Rights'],
];

export async function open(root, desk, wanted) {
  let search = createSearch([]);
  let signs = new Map();
  let chosen = null;
  let licences = [];
  const marked = new Set();
  const filter = { tag: '', role: '', rights: '', sort: 'name', down: false };
  let card = null;

  const box = h('input', { type: 'search', id: 'search', placeholder: 'name, tag, file, licence', autocomplete: 'off', spellcheck: 'false', oninput: () => find() });
  const tally = h('p', { class: 'tally', role: 'status' }, ' ');
  const head = h('div', { class: 'rows-head', role: 'row', 'aria-rowindex': '1' });
  const body = h('div', { class: 'rows-body', role: 'rowgroup' });
  const grid = h('div', { class: 'rows', role: 'grid', tabindex: '0', 'aria-label': 'Clips', 'aria-multiselectable': 'true', onkeydown: keys },
    h('div', { role: 'rowgroup', class: 'rows-top' }, head), body);
  const tagSelect = h('select', { onchange: () => { filter.tag = tagSelect.value; find(); } });
  const roleSelect = h('select', { onchange: () => { filter.role = roleSelect.value; find(); } },
    h('option', { value: '' }, 'any role'), h('option', { value: 'hit' }, 'hits'), h('option', { value: 'phrase' }, 'phrases'));
  const rightsSelect = h('select', { onchange: () => { filter.rights = rightsSelect.value; find(); } },
    h('option', { value: '' }, 'any rights'), h('option', { value: 'cleared' }, 'cleared'), h('option', { value: 'open' }, 'not stated or none'));
  const bulk = h('div', { class: 'bulk row', hidden: true });
  const gone = h('details', { class: 'gone', hidden: true, ontoggle: () => gone.scrollIntoView({ block: 'nearest' }) });
  const aside = h('section', { class: 'card', 'aria-label': 'The clip in hand' }, h('div', { class: 'empty-card' }));

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
        bulk, grid, h('p', { class: 'hint list-keys' }, 'Arrow keys choose, Space plays, Enter goes to the clip, M marks several.'), gone),
      aside));

  const markAll = h('input', { type: 'checkbox', 'aria-label': 'Mark all that the list shows', title: 'Mark all that the list shows', onchange: () => {
    for (const row of found()) { if (markAll.checked) marked.add(row.name); else marked.delete(row.name); }
    rows.draw();
    drawBulk();
  } });

  const found = () => Array.from({ length: search.length }, (_, i) => search.at(i));

  function drawHead() {
    put(head,
      h('span', { role: 'columnheader', class: 'c-mark' }, h('label', { class: 'cell-tick' }, markAll)),
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

  const rows = createRows(grid, body, {
    search: () => search,
    signs: () => signs,
    chosen: () => chosen,
    isMarked: (name) => marked.has(name),
    onChoose: (row) => choose(row),
    onMark: toggleMark,
    nothing: () => (search.rows.length ? 'Nothing fits. Take a word away or choose another filter.' : 'The library is empty. Drop sound or video files, or whole folders, anywhere on this page, or press “Add files”.'),
  });

  /** The path of a keystroke: narrow, write the lines in sight, say how many. */
  function find() {
    const started = performance.now();
    const many = search.find(wordsOf(box.value), filter);
    rows.toTop();
    rows.draw();
    const all = search.rows.length;
    tally.firstChild.data = many === all ? count(all, 'clip') : `${many.toLocaleString('en')} of ${count(all, 'clip')}`;
    tellAll();
    root.dataset.searchMs = (performance.now() - started).toFixed(2);
  }

  /** Whether all that is shown is marked; looked at row by row only where that can be. */
  function tellAll() {
    markAll.checked = search.length > 0 && marked.size >= search.length && found().every((row) => marked.has(row.name));
    markAll.indeterminate = !markAll.checked && marked.size > 0;
  }

  function toggleMark(row, on) {
    if (on) marked.add(row.name);
    else marked.delete(row.name);
    rows.draw();
    drawBulk();
  }

  const bulkTag = h('input', { type: 'text', placeholder: '+laugh −gull', 'aria-label': 'Tags to add or take off', size: 14 });
  const bulkLicence = h('input', { type: 'text', list: 'licences', placeholder: 'CC0-1.0', 'aria-label': 'Licence', size: 14 });

  function drawBulk() {
    bulk.hidden = marked.size === 0;
    tellAll();
    if (bulk.hidden) return;
    const names = [...marked];
    const [tag, licence] = [bulkTag, bulkLicence]; // the same boxes while more clips are marked: what is typed stays
    put(bulk,
      h('strong', {}, `${count(names.length, 'clip')} marked`),
      tag, h('button', { type: 'button', onclick: () => many({ what: 'tags', tags: tag.value.replaceAll('−', '-').split(/[\s,]+/).filter(Boolean) }) }, 'Tag them'),
      licence, h('button', { type: 'button', onclick: () => many({ what: 'rights', licence: licence.value, was: Object.fromEntries(search.rows.filter((r) => marked.has(r.name)).map((r) => [r.name, r.licence])) }) }, 'Set rights'),
      h('button', { type: 'button', onclick: () => many({ what: 'remove' }) }, 'Take out of sight'),
      h('button', { type: 'button', onclick: () => { marked.clear(); rows.draw(); drawBulk(); } }, 'Unmark'));
  }

  async function many(what) {
    const names = [...marked];
    try {
      await post('/api/clips/many', { names, ...what });
      if (what.what === 'remove') {
        marked.clear();
        say(`${count(names.length, 'clip')} out of sight. Their originals stay: “Out of sight”, below the list, brings them back.`);
      } else {
        bulkTag.value = bulkLicence.value = '';
        say(`${count(names.length, 'clip')} changed.`);
      }
      await load();
      drawBulk();
      if (card && names.includes(card.name)) await card.refresh();
    } catch (error) {
      say(error.message, 'error');
      if (error.changedMeanwhile) await load().catch(() => null); // without an answer the page says so by itself
    }
  }

  /** Clips that were taken out of sight, each with the way back. */
  async function drawGone() {
    const { removed } = await get('/api/clips/removed');
    gone.hidden = removed.length === 0;
    put(gone, h('summary', {}, `Out of sight: ${count(removed.length, 'clip')}`),
      h('ul', { class: 'plain' }, removed.map((name) => h('li', {}, name, ' ', h('button', { type: 'button', class: 'small', 'aria-label': `Bring ${name} back`, onclick: () => bringBack([name]) }, 'Bring back')))),
      removed.length > 1 ? h('button', { type: 'button', onclick: () => bringBack(removed) }, 'Bring all back') : null);
  }

  async function bringBack(names) {
    try {
      await post('/api/clips/many', { names, what: 'bring back' });
      say(`${count(names.length, 'clip')} back in the list.`);
      await load();
    } catch (error) {
      say(error.message, 'error');
    }
  }

  function choose(row, focusCard = false) {
    chosen = row;
    rows.draw();
    history.replaceState(null, '', `/clips/${encodeURIComponent(row.name)}`);
    card?.close();
    card = openClip(aside, desk, row.name, { signs: () => signs, licences: () => licences, changed: noteChange, back: () => { root.classList.remove('has-card'); grid.focus(); } });
    root.classList.add('has-card');
    if (focusCard) card.ready.then(() => aside.querySelector('h2')?.focus());
  }

  /** The clip in hand was changed here: keep its line in step without reading all again. */
  function noteChange(was, now) {
    const row = search.rows.find((r) => r.name === was);
    if (!row) return;
    const played = now.as_played;
    Object.assign(row, {
      name: now.name, duration_s: now.duration_s, role: now.recipe.role, tags: now.tags, licence: now.licence,
      loudness_lufs: played ? (now.recipe.role === 'phrase' && played.integrated_lufs !== null ? played.integrated_lufs : played.momentary_max_lufs) : null,
      true_peak_dbtp: played?.true_peak_dbtp ?? null,
    });
    search.changed(row);
    if (now.told?.length) say(`${now.told.join('. ')}.`, 'note', TOLD_MS);
    if (was !== now.name) history.replaceState(null, '', `/clips/${encodeURIComponent(now.name)}`);
    rows.draw();
  }

  function keys(e) {
    if (e.target !== grid) return;
    const at = chosen ? search.indexOf(chosen) : -1;
    const page = Math.max(1, Math.floor(rows.height / ROW_PX) - 1);
    const steps = { ArrowDown: 1, ArrowUp: -1, PageDown: page, PageUp: -page, Home: -search.length, End: search.length };
    if (e.key in steps && search.length) {
      e.preventDefault();
      const next = Math.min(search.length - 1, Math.max(0, at + steps[e.key]));
      rows.reveal(next);
      chooseSoon(search.at(next));
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
    rows.draw();
    clearTimeout(soon);
    soon = setTimeout(() => choose(row), 120);
  }

  /** Nothing in hand yet: what the library holds, and what still wants a look. */
  function drawAbout() {
    const box_ = aside.querySelector('.empty-card');
    if (!box_) return;
    const all = search.rows;
    root.classList.toggle('no-clips', !all.length);
    if (!all.length) {
      put(box_, h('h2', {}, 'From sounds to the stage'), way('clips'),
        h('p', { class: 'hint' }, 'Only looking? ', h('code', {}, 'padbank demo'), ' makes an invented library to play with.'));
      return;
    }
    const show_ = (select, key, value) => () => { select.value = value; filter[key] = value; find(); };
    const line = (n, text, work) => h('li', {}, h('span', {}, h('strong', {}, n.toLocaleString('en')), text), n && work ? h('button', { type: 'button', class: 'small', 'aria-label': `Show ${text}`, onclick: work }, 'Show') : null);
    const of = (fits) => all.filter(fits).length;
    put(box_, h('h2', {}, 'Choose a clip'), h('p', { class: 'quiet' }, 'to trim, level and hear it as its pad will.'),
      h('ul', { class: 'about-library', 'aria-label': 'The library' },
        line(of((r) => r.role === 'hit'), 'hits, levelled by their loudest moment', show_(roleSelect, 'role', 'hit')),
        line(of((r) => r.role === 'phrase'), 'phrases, levelled as a whole', show_(roleSelect, 'role', 'phrase')),
        line(of((r) => !r.cleared), 'without stated rights', show_(rightsSelect, 'rights', 'open'))));
  }

  /** The signs that tags have in the show at hand, so that they look the same in every place; null without one. */
  const showSigns = async () => (desk.show ? get(`/api/layouts/${part(desk.show)}/signs`).then(({ signs: given }) => given && signsOfShow(given), () => null) : null);

  let etag = null;
  async function load() {
    const asked = showSigns();
    const response = await fetch('/api/clips', etag ? { headers: { 'if-none-match': etag } } : {}).catch(() => { throw new Refused(SILENT, 0); });
    if (response.status === 304) return;
    const data = await response.json();
    if (!response.ok) throw new Refused(data.error, response.status);
    const ofShow = await asked;
    etag = response.headers.get('etag');
    licences = data.licences;
    search = createSearch(readRows(data));
    signs = ofShow ?? giveSigns(search.rows.map((r) => r.tags));
    const tags = [...new Set(search.rows.flatMap((r) => r.tags))].sort();
    if (!tags.includes(filter.tag)) filter.tag = '';
    put(tagSelect, h('option', { value: '' }, 'any tag'), tags.map((t) => h('option', { value: t, selected: t === filter.tag }, t)));
    const there = new Set(search.rows.map((r) => r.name));
    const gone_ = [...marked].filter((name) => !there.has(name));
    for (const name of gone_) marked.delete(name); // taken out of sight or renamed elsewhere
    if (gone_.length) drawBulk();
    if (chosen) chosen = search.rows.find((r) => r.name === chosen.name) ?? null;
    const { top } = rows;
    rows.forget();
    find();
    if (top) rows.scrollTo(top);
    drawAbout();
    await drawGone();
  }

  root.append(h('datalist', { id: 'licences' }));
  drawHead();
  await load();
  put(root.querySelector('#licences'), licences.map((l) => h('option', { value: l })));
  if (wanted) {
    const row = search.rows.find((r) => r.name === wanted);
    if (row) {
      choose(row);
      rows.scrollTo(Math.max(0, search.indexOf(row) * ROW_PX - 120));
    } else say(`There is no clip named ${wanted}.`, 'error');
  }
  const stopHearing = desk.onChanged(async () => {
    try {
      await load();
      await card?.lookAgain();
    } catch (error) {
      if (error.status) say(error.message, 'error');
    }
  });
  return () => {
    rows.close();
    stopHearing();
    card?.close();
  };
}
