// Show: what the evening wants, segment by segment, and what is missing.

import { get, part, post } from './api.js';
import { ask, choice, count, field, findingsList, h, put, say, TOLD_MS } from './dom.js';
import { createEdits, createRedraw, createTrouble } from './edits.js';
import { way } from './way.js';

export async function open(root, desk, name) {
  let seen = null;
  const redraw = createRedraw(root);
  const edits = createEdits();
  const trouble = createTrouble(root);

  async function load() {
    if (!name) {
      await drawNone();
      return;
    }
    seen = await get(`/api/shows/${part(name)}`);
    draw();
  }

  async function drawNone() {
    const { rigs } = await get('/api/shows');
    put(root, h('div', { class: 'blank' }, h('h1', {}, 'Show'), h('p', {}, 'A show says on which evening you want which clips at hand. Begin with the first one.'), newShow(rigs, null), h('p', { class: 'hint' }, 'A rig is the hardware as a text file: pads with their places in millimetres, banks, memory and voices. Describe your own in the library’s folder “rigs”; the README shows how.'), way('show')));
  }

  function newShow(rigs, like) {
    const box = h('input', { type: 'text', required: true, placeholder: 'Harbour night', autocomplete: 'off', maxlength: 80 });
    const rig = h('select', {}, rigs.filter((r) => !r.fault).map((r) => h('option', { value: r.name, selected: r.name === seen?.show.rig }, `${r.title} (${count(r.pads, 'pad')}, ${count(r.banks, 'bank')})`)));
    return h('form', { class: 'row wrap new-show', onsubmit: async (e) => {
      e.preventDefault();
      try {
        const made = await post('/api/shows', like ? { name: box.value, like } : { name: box.value, rig: rig.value });
        await desk.readShows();
        desk.show = made.name;
        await desk.readShows();
        desk.go('show', made.name);
      } catch (error) {
        say(error.message, 'error');
      }
    } }, field('Name of the new show', box), like ? null : field('Rig', rig), h('button', { type: 'submit', class: 'strong' }, like ? `Begin like ${like}` : 'Begin it'));
  }

  const LATE = 'This show was changed elsewhere before that was done: look at it as it is now, then repeat your edit.';
  const GONE = 'That want is not there any more: look at the show as it is now.';
  const edit = (what, want = null) => edits.edit(() => editNow(what, want), () => { say(LATE, 'error'); draw(); return false; });

  /** A want among its fellows: its name, and which of those with this name it is. */
  function wantKey(wants, index) {
    const key = JSON.stringify([wants[index].clip, wants[index].tag]);
    return `${key}${wants.slice(0, index).filter((w) => JSON.stringify([w.clip, w.tag]) === key).length}`;
  }

  /** Send an edit; one of a want (`want`: its key) finds where that stands by now. */
  async function editNow(what, want) {
    let sent = what;
    if (want !== null) {
      const wants = seen.show.segments.find((s) => s.name === what.segment)?.wants ?? [];
      const index = wants.findIndex((_, i) => wantKey(wants, i) === want);
      if (index < 0) { say(GONE, 'error'); draw(); return false; }
      sent = { ...what, index };
    }
    try {
      seen = await post(`/api/shows/${part(name)}/edit`, { seen: seen.revision, edit: sent });
      draw();
      return true;
    } catch (error) {
      say(error.message, 'error');
      if (error.changedMeanwhile) await takeOver(error.message);
      else draw(); // a box shows again what holds
      return false;
    }
  }

  /** Show what somebody else made of it; edits that were asked for before are not of this any more. */
  async function takeOver(text) {
    let now;
    try {
      now = await get(`/api/shows/${part(name)}`);
    } catch (error) {
      if (error.status) trouble.tell(`${error.message}. Until that is mended, this page shows what it was before.`);
      return;
    }
    const [another, fresh] = [now.revision !== seen.revision, now.state !== seen.state];
    trouble.mended();
    if (!fresh) return;
    seen = now;
    if (another) edits.overtaken();
    const lost = draw();
    if (another || lost) say(`${text}${lost}`, lost || text !== CHANGED ? 'error' : 'note', TOLD_MS);
  }

  const CHANGED = 'This show was changed elsewhere: this is how it is now.';

  const numberOr = (text) => (text.trim() === '' ? null : Number(text));

  const draw = () => redraw(drawAll);

  function drawAll() {
    const { show, rig } = seen;
    const lacking = new Map(seen.missing.map(([segment, index, text]) => [`${segment}|${index}`, text]));
    // What a finding tells, with what to do about it, is not told twice.
    const untold = seen.missing.filter(([segment, index]) => {
      const want = show.segments.find((x) => x.name === segment).wants[index];
      if (/rights/.test(lacking.get(`${segment}|${index}`)) && seen.findings.some((f) => f.code === 'clip-uncleared' && !f.where)) return false;
      return !seen.findings.some((f) => f.where === `segment ${segment}` && f.text.includes(`'${want.clip ?? want.tag}'`));
    });
    const errors = seen.findings.filter((f) => f.severity === 'error').length;
    put(root,
      h('div', { class: 'sheet-head' },
        h('div', {}, h('h1', {}, show.title || show.name), h('p', { class: 'quiet' }, `${show.date ?? 'no date yet'} · ${rig.title}, ${count(rig.banks, 'bank')} of ${count(rig.pads, 'pad')}`)),
        h('div', { class: 'row' }, h('button', { type: 'button', class: 'strong', disabled: errors > 0, onclick: () => desk.go('layout', name) }, 'Lay it out'))),
      h('div', { class: 'show-split' },
        h('section', { class: 'setlist', 'aria-label': 'Set list' },
          show.segments.map((segment, i) => drawSegment(segment, i, lacking)),
          addSegment()),
        h('aside', { class: 'show-side' },
          h('section', { 'aria-label': 'What is missing' }, h('h2', {}, 'What is missing'),
            untold.length ? h('ul', { class: 'plain wide' }, untold.map(([segment, index, text]) => h('li', {}, h('strong', {}, wantName(show.segments.find((x) => x.name === segment).wants[index])), `, in ${segment}: ${text}`))) : seen.missing.length ? null : h('p', { class: 'quiet' }, 'Nothing: every want has its clips.'),
            findingsList(seen.findings)),
          drawSettings(show),
          h('details', { dataset: { key: 'another' } }, h('summary', {}, 'Begin another show like this one'), newShow([], name)),
          h('p', { class: 'hint file-path' }, `This page edits ${seen.file}; so may you, in any editor.`))));
    put(wants, seen.tags.map(([tag, n]) => h('option', { value: tag }, `any of ${n}`)), seen.clips.slice(0, 3000).map((c) => h('option', { value: c })));
  }

  /** Add what a box says. The page is drawn anew on the way: when it was refused, the words come back into their box. */
  async function addFrom(box, what) {
    const { key } = box.dataset;
    const text = box.value;
    box.value = '';
    if (await edit(what)) return;
    const now = root.querySelector(`[data-key="${CSS.escape(key)}"]`);
    if (now && !now.value) now.value = text;
    else say(`“${text}” was not added: the show was changed elsewhere, or the words are no want. Type them again.`, 'error');
  }

  const wantName = (want) => (want.clip ?? `${want.count} × ${want.tag}`);

  function drawSegment(segment, i, lacking) {
    const id = `seg-${segment.name}`;
    const words = h('input', { type: 'text', list: 'wants', placeholder: 'clip or tag: 3 laugh x8 must', autocomplete: 'off', spellcheck: 'false', 'aria-label': `Another want in ${segment.title || segment.name}`, dataset: { key: `add-${segment.name}`, adds: '' } });
    return h('section', { class: 'segment', 'aria-labelledby': id },
      h('div', { class: 'segment-head' },
        h('span', { class: 'number', 'aria-hidden': 'true' }, segment.any_time ? '∗' : String(i + 1)),
        h('h2', { id }, segment.title || segment.name),
        segment.any_time ? h('span', { class: 'quiet' }, 'at any time') : null,
        segment.bank ? h('span', { class: 'quiet' }, `bank ${segment.bank}`) : null,
        h('details', { class: 'segment-more', dataset: { key: `more-${segment.name}` } }, h('summary', {}, h('span', { class: 'hidden' }, `${segment.title || segment.name}: `), 'Change'),
          h('div', { class: 'row wrap' },
            field('Title', textBox(`title-${segment.name}`, segment.title, (v) => edit({ do: 'set segment', segment: segment.name, key: 'title', value: v }))),
            field('Bank', h('input', { type: 'number', min: '1', max: String(seen.rig.banks), value: segment.bank ?? '', placeholder: 'any', dataset: { key: `bank-${segment.name}` }, onchange: (e) => edit({ do: 'set segment', segment: segment.name, key: 'bank', value: numberOr(e.target.value) }) })),
            h('label', { class: 'tick' }, h('input', { type: 'checkbox', checked: segment.any_time, onchange: (e) => edit({ do: 'set segment', segment: segment.name, key: 'any_time', value: e.target.checked }) }), 'at any time'),
            h('button', { type: 'button', dataset: { key: `up-${segment.name}` }, disabled: i === 0, onclick: () => edit({ do: 'move segment', segment: segment.name, by: -1 }) }, 'Earlier'),
            h('button', { type: 'button', dataset: { key: `down-${segment.name}` }, disabled: i === seen.show.segments.length - 1, onclick: () => edit({ do: 'move segment', segment: segment.name, by: 1 }) }, 'Later'),
            h('button', { type: 'button', onclick: () => takeOut(segment) }, 'Take out')))),
      segment.wants.length ? h('table', { class: 'wants' },
        h('caption', { class: 'hidden' }, `Wants of ${segment.title || segment.name}`),
        h('thead', {}, h('tr', {}, h('th', { scope: 'col' }, 'Want'), h('th', { scope: 'col' }, 'How many'), h('th', { scope: 'col' }, 'Hits'), h('th', { scope: 'col' }, 'Worth'), h('th', { scope: 'col' }, 'Must'), h('th', { scope: 'col' }, h('span', { class: 'hidden' }, 'Take out')))),
        h('tbody', {}, segment.wants.map((want, index) => drawWant(segment, want, index, lacking.get(`${segment.name}|${index}`))))) : h('p', { class: 'quiet' }, 'Nothing wanted yet.'),
      h('form', { class: 'row add-want', onsubmit: async (e) => { e.preventDefault(); if (words.value.trim()) await addFrom(words, { do: 'add want', segment: segment.name, words: words.value }); } },
        words, h('button', { type: 'submit', 'aria-label': `Add to ${segment.title || segment.name}` }, 'Add')));
  }

  async function takeOut(segment) {
    const asked = seen;
    if (!await ask(`Take ${segment.title || segment.name} with its ${count(segment.wants.length, 'want')} out of the show?`, 'Take it out')) return;
    if (seen === asked) edit({ do: 'remove segment', segment: segment.name });
    else say(LATE, 'error');
  }

  function drawWant(segment, want, index, lack) {
    const name_ = wantName(want);
    const id = wantKey(segment.wants, index);
    const set = (changes) => edit({ do: 'set want', segment: segment.name, changes }, id);
    const box = (key, label, value) => h('input', { type: 'number', min: key === 'count' ? '1' : '0', step: 'any', value, 'aria-label': `${label} of ${name_}`, dataset: { key: `${key}-${segment.name}-${id}` }, onchange: (e) => { if (e.target.value !== '') set({ [key]: Number(e.target.value) }); } });
    return h('tr', { class: lack ? 'lacking' : '' },
      h('th', { scope: 'row' }, want.clip ? want.clip : h('span', {}, h('span', { class: 'quiet' }, 'any '), want.tag), lack ? h('span', { class: 'lack' }, ` ${lack}`) : null),
      h('td', {}, want.clip ? '' : box('count', 'How many', want.count)),
      h('td', {}, box('hits', 'Expected hits', want.hits)),
      h('td', {}, box('value', 'Worth', want.value)),
      h('td', {}, h('label', { class: 'cell-tick' }, h('input', { type: 'checkbox', checked: want.must, 'aria-label': `${name_} must be there`, dataset: { key: `must-${segment.name}-${id}` }, onchange: (e) => set({ must: e.target.checked }) }))),
      h('td', {}, h('button', { type: 'button', class: 'small bare', 'aria-label': `Take ${name_} out`, onclick: (e) => { e.currentTarget.disabled = true; edit({ do: 'remove want', segment: segment.name }, id); } }, '×')));
  }

  function textBox(key, value, work) {
    return h('input', { type: 'text', value: value ?? '', autocomplete: 'off', dataset: { key }, onchange: (e) => work(e.target.value.trim() || null) });
  }

  /** A segment's name in the file where its title gives none, as in other scripts. */
  function freeName() {
    const taken = new Set(seen.show.segments.map((s) => s.name));
    let n = taken.size + 1;
    while (taken.has(`segment-${n}`)) n += 1;
    return `segment-${n}`;
  }

  function addSegment() {
    const title = h('input', { type: 'text', placeholder: 'Encore', autocomplete: 'off', dataset: { key: 'new-segment', adds: '' } });
    const any = h('input', { type: 'checkbox' });
    return h('form', { class: 'row wrap add-segment', onsubmit: async (e) => {
      e.preventDefault();
      const text = title.value.trim();
      const base = text.normalize('NFKD').toLowerCase().replace(/[^a-z0-9]+/g, '-').replace(/^-+|-+$/g, '');
      if (!text) { say('Write the segment’s title first.', 'error'); return; }
      await addFrom(title, { do: 'add segment', segment: base || freeName(), title: text, any_time: any.checked });
    } }, field('Another segment: a song, talk, a mood', title), h('label', { class: 'tick' }, any, 'at any time'), h('button', { type: 'submit' }, 'Add segment'));
  }

  function drawSettings(show) {
    const number = (label, key, value, unit, step = 0.5) => field(`${label}, ${unit}`, h('input', { type: 'number', step, value, dataset: { key: `level-${key}` }, onchange: (e) => { if (e.target.value !== '') edit({ do: 'level', key, value: Number(e.target.value) }); } }));
    const others = desk.shows.map((s) => s.name).filter((n) => n !== show.name);
    return h('section', { 'aria-label': 'Settings' }, h('h2', {}, 'Level and rights'),
      h('div', { class: 'settings' },
        number('Target', 'target_lufs', show.target_lufs, 'LUFS'),
        number('No peak above', 'ceiling_dbtp', show.ceiling_dbtp, 'dBTP'),
        number('Hits louder', 'hit_offset_lu', show.hit_offset_lu, 'LU'),
        field('Too peaky for the target', choice([['limit', 'limit it'], ['short', 'leave it quieter'], ['even', 'lower the whole show']], show.level_rule, (v) => edit({ do: 'level', key: 'rule', value: v }), { 'data-key': 'level-rule' })),
        show.level_rule === 'limit' ? number('Limit by at most', 'limit_max_db', show.limit_max_db, 'dB') : null,
        field('Rights', choice([['cleared', 'only clips with a licence'], ['any', 'any clip: I answer for the rest']], show.rights, (v) => edit({ do: 'set', key: 'rights', value: v }), { 'data-key': 'rights' })),
        field('Title', textBox('title', show.title, (v) => edit({ do: 'set', key: 'title', value: v }))),
        field('Date', h('input', { type: 'date', value: show.date ?? '', dataset: { key: 'date' }, onchange: (e) => edit({ do: 'set', key: 'date', value: e.target.value || null }) })),
        field('The hands know', choice([['', 'this show’s last layout'], ...others], show.like ?? '', (v) => edit({ do: 'set', key: 'like', value: v || null }))),
        h('p', { class: 'hint' }, 'A stated licence is your word, not advice: playing music in public and on a stream needs its own permissions, which differ from place to place. Loud monitoring harms hearing: keep to the limits where you play.')));
  }

  const wants = h('datalist', { id: 'wants' });
  root.after(wants);
  await load();
  const stop = desk.onChanged(() => edits.inTurn(() => (seen ? takeOver(CHANGED) : null)));
  return () => { stop(); wants.remove(); };
}
