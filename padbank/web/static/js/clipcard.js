// One clip in hand: its picture with handles, its levels before and after, how it plays, its rights.

import { get, part, post } from './api.js';
import { bytes, change, choice, field, h, later, level, put, say, seconds, TOLD_MS } from './dom.js';
import { createEdits, createRedraw, createTrouble } from './edits.js';
import { tagBit } from './tags.js';
import { createWave } from './wave.js';


export function openClip(aside, desk, name, list) {
  const card = { name, ready: null, refresh, lookAgain, hear, close };
  let clip = null;
  let wave = null;
  let closed = false;
  let lookedUp = 0;
  const redraw = createRedraw(aside);
  const edits = createEdits();
  const trouble = createTrouble(aside);

  card.ready = load();

  async function load() {
    try {
      clip = await get(`/api/clips/${part(card.name)}`);
    } catch (error) {
      put(aside, h('p', { class: 'trouble', role: 'alert' }, error.message));
      return;
    }
    if (closed) return;
    if (wave) redraw(draw);
    else draw(); // what was typed into another clip's boxes is not this one's
  }

  function refresh() {
    return edits.inTurn(load);
  }

  /** Somebody changed something: draw anew only when this clip is another now. Asked between edits, so
   *  that an answer never tells of a time before the last of them. */
  function lookAgain() {
    return edits.inTurn(async () => {
      if (!clip || closed) return;
      let now;
      try {
        now = await get(`/api/clips/${part(card.name)}`);
      } catch (error) {
        if (error.status === 400 && !closed) trouble.tell(`${card.name} was renamed or taken out of sight elsewhere: go back to the list to find it.`);
        return;
      }
      trouble.mended();
      if (!closed && now.revision !== clip.revision) {
        if (wave?.grabbed) return; // let go, the handle is an edit of what was seen: told and not made
        const both = wave?.unsent().some((key) => now.recipe[key] !== clip.recipe[key]);
        if (both) wave.forget();
        clip = now;
        edits.overtaken();
        const lost = redraw(draw) + (both ? ' A handle that you moved was moved there too: move it again.' : '');
        say(`${clip.name} was changed elsewhere: this is how it is now.${lost}`, lost ? 'error' : 'note', TOLD_MS);
      }
    });
  }

  function close() {
    closed = true;
    wave?.close();
    desk.play.stop();
  }

  /** Send an edit after those before it; the answer is the clip as it is then. */
  function edit(body) {
    return edits.edit(async () => {
      try {
        const was = clip.name;
        clip = await post(`/api/clips/${part(clip.name)}/edit`, { seen: clip.revision, ...body });
        card.name = clip.name;
        list.changed(was, clip);
        if (!closed) settle();
      } catch (error) {
        say(error.message, 'error');
        if (error.changedMeanwhile) edits.overtaken();
        await load();
      }
    }, late);
  }

  function late() {
    say(`${clip.name} was changed elsewhere before that was done: look at it as it is now, then repeat your edit.`, 'error');
    redraw(draw);
  }

  const recipe = (changes) => edit({ changes });

  function undo() {
    return edits.edit(async () => {
      if (clip.edit_now <= 1) return; // pressed again before the last edit back was answered
      try {
        clip = await post(`/api/clips/${part(clip.name)}/undo`, { seen: clip.revision });
        list.changed(clip.name, clip);
        if (!closed) draw();
        say('One edit back.');
      } catch (error) {
        say(error.message, 'error');
        if (!error.changedMeanwhile) return;
        edits.overtaken();
        await load();
      }
    }, late);
  }

  async function hear() {
    if (!clip) return;
    await edits.inTurn(() => null);
    try {
      await desk.play.clip(clip.name, clip.recipe, { show: levelShow(), revision: clip.revision });
      wave?.follow(() => {
        const at = desk.play.positionS();
        return at === null ? null : clip.recipe.start_s + at;
      });
    } catch (error) {
      say(error.message, 'error');
    }
  }

  const levelShow = () => desk.show;

  const title = h('h2', { tabindex: '-1' });
  const facts = h('p', { class: 'quiet facts' });
  const waveBox = h('div', { class: 'wave-box' });
  const levels = h('div', { class: 'levels' });
  const form = h('div', { class: 'card-form' });
  const undoButton = h('button', { type: 'button', onclick: undo }, 'Undo');
  const hearButton = h('button', { type: 'button', class: 'strong', onpointerdown: (e) => { if (clip?.recipe.play_mode === 'gate') { e.preventDefault(); hearButton.focus(); hear(); } }, onpointerup: () => desk.play.letGo(), onclick: (e) => { if (clip?.recipe.play_mode !== 'gate' || e.detail === 0) hear(); } }, 'Hear');

  function draw() {
    wave?.close();
    put(aside,
      h('div', { class: 'card-head' },
        h('button', { type: 'button', class: 'back', onclick: list.back }, 'Back to the list'),
        title, facts),
      waveBox,
      h('div', { class: 'row wrap transport' }, hearButton,
        h('button', { type: 'button', onclick: () => desk.play.stop() }, 'Stop'),
        undoButton,
        h('span', { class: 'hint' }, 'Space in the list plays it as its pad will')),
      h('section', { 'aria-label': 'Levels' }, levels),
      form);
    wave = createWave(waveBox, {
      duration_s: clip.original.duration_s,
      load: (from, to, columns) => get(`/api/clips/${part(clip.name)}/wave?from=${from}&to=${to}&columns=${columns}`),
      changed: recipe,
    });
    drawForm();
    settle();
  }

  /** What changes with each edit, without touching a control that has the focus. */
  function settle() {
    const { original } = clip;
    put(title, clip.name);
    put(facts, `plays ${seconds(clip.duration_s)} of ${seconds(original.duration_s)} · ${(original.sample_rate_hz / 1000).toLocaleString('en')} kHz, ${original.channels === 1 ? 'mono' : original.channels === 2 ? 'stereo' : `${original.channels} channels`} · ${bytes(original.n_bytes)}`, h('br'), h('span', { class: 'source', title: original.source }, h('bdi', {}, original.source.replace(/^.*[\\/]dropped[\\/][^\\/]+[\\/]\d+[\\/]/, 'dropped: '))));
    undoButton.disabled = clip.edit_now <= 1;
    wave.set(clip.recipe);
    for (const update of updates) update();
    askLevels();
  }

  const askLevels = later(async () => {
    if (closed) return;
    const at = (lookedUp += 1);
    drawLevels(null);
    try {
      const show = levelShow();
      const after = await get(`/api/clips/${part(clip.name)}/levels?${show ? `show=${part(show)}` : ''}`);
      if (at !== lookedUp || closed) return;
      if (!clip.as_played && after.as_played) {
        clip = { ...clip, as_played: after.as_played };
        list.changed(clip.name, clip);
      }
      drawLevels(after);
    } catch (error) {
      if (at === lookedUp && !closed) put(levels, h('p', { class: 'quiet' }, error.message));
    }
  }, 150);

  function drawLevels(after) {
    const file = clip.as_file;
    const role = clip.recipe.role;
    const loud = (m) => (!m ? null : role === 'phrase' && m.integrated_lufs !== null ? m.integrated_lufs : m.momentary_max_lufs);
    const cell = (value, unit) => h('td', {}, level(value, unit));
    const cells = (m) => (m ? [cell(loud(m), 'LUFS'), cell(m.true_peak_dbtp, 'dBTP')] : [h('td', { class: 'quiet' }, after ? 'not measured' : 'measuring'), h('td')]);
    put(levels,
      h('table', { class: 'figures' },
        h('caption', {}, role === 'phrase' ? 'Loudness over the whole clip' : 'Loudness of its loudest 400 ms'),
        h('thead', {}, h('tr', {}, h('td'), h('th', { scope: 'col' }, 'Loudness'), h('th', { scope: 'col' }, 'True peak'))),
        h('tbody', {},
          h('tr', {}, h('th', { scope: 'row' }, 'the file'), cells(file)),
          h('tr', {}, h('th', { scope: 'row' }, 'trimmed, as a pad plays it'), cells(clip.as_played)),
          h('tr', { class: 'after' }, h('th', { scope: 'row' }, 'on the card'), after ? [cell(after.loudness_lufs, 'LUFS'), cell(after.true_peak_dbtp, 'dBTP')] : [h('td', { class: 'quiet' }, 'rendering'), h('td')]))),
      after ? h('p', { class: 'quiet' },
        `${after.device ? `${after.pad ? `On ${after.pad} (${after.device})` : `On ${after.device}`}: ` : ''}${after.channels === 2 ? 'stereo' : 'mono'}, ${after.sample_rate_hz} Hz, ${after.bits} bit. Target ${level(after.target_lufs, 'LUFS')}${after.show ? ` of ${after.show}` : ''}: gain ${change(after.gain_db, 'dB')}`,
        after.limited_db > 0.05 ? `, limited by ${level(after.limited_db, 'dB')}` : '',
        after.short_lu >= 0.05 ? h('strong', {}, `, ${level(after.short_lu, 'LU')} short: ${after.reason}`) : '.') : null);
  }

  let updates = [];

  function drawForm() {
    updates = [];
    const number = (label, key, { scale = 1, step = 1, digits = 0, unit, min = '0', empty = null } = {}) => {
      const show = () => (clip.recipe[key] === null ? '' : (clip.recipe[key] * scale).toFixed(digits));
      const input = h('input', { type: 'number', step, min, inputmode: 'decimal', value: show(), placeholder: key === 'end_s' ? (clip.original.duration_s * scale).toFixed(digits) : null, onchange: () => {
        if (input.value === '' && empty === undefined) return;
        recipe({ [key]: input.value === '' ? empty : Number(input.value) / scale });
      } });
      updates.push(() => { if (document.activeElement !== input) input.value = show(); });
      return field(`${label}${unit ? `, ${unit}` : ''}`, input);
    };
    const select = (label, key, values) => {
      const control = choice(values, clip.recipe[key], (value) => recipe({ [key]: value }));
      updates.push(() => { control.value = clip.recipe[key]; });
      return field(label, control);
    };
    const group = h('input', { type: 'text', value: clip.recipe.mute_group ?? '', placeholder: 'none', autocomplete: 'off', onchange: () => recipe({ mute_group: group.value.trim() || null }) });
    const tagBox = h('input', { type: 'text', placeholder: 'another tag', autocomplete: 'off', onkeydown: (e) => { if (e.key === 'Enter') { e.preventDefault(); addTags(); } }, onchange: addTags });
    const tagList = h('ul', { class: 'tags-edit' });
    updates.push(() => put(tagList, clip.tags.map((t) => h('li', {}, tagBit(t, list.signs()), h('button', { type: 'button', class: 'small', 'aria-label': `Take off the tag ${t}`, onclick: () => edit({ tags: [`-${t}`] }) }, '×')))));
    function addTags() {
      const words = tagBox.value.split(/[\s,]+/).filter(Boolean);
      tagBox.value = '';
      if (words.length) edit({ tags: words.map((w) => `+${w}`) });
    }
    const licence = h('input', { type: 'text', list: 'licences', value: clip.licence ?? '', placeholder: 'not stated', autocomplete: 'off', onchange: () => { if (licence.value.trim()) edit({ licence: licence.value.trim() }); } });
    const credit = h('input', { type: 'text', value: clip.credit ?? '', autocomplete: 'off', onchange: () => edit({ credit: credit.value.trim() }) });
    const newName = h('input', { type: 'text', value: clip.name, autocomplete: 'off', spellcheck: 'false', onchange: () => edit({ new_name: newName.value.trim() }) });
    const caution = h('p', { class: 'caution' });
    updates.push(() => { put(caution, clip.caution ?? ''); caution.hidden = !clip.caution; licence.value = clip.licence ?? ''; });
    updates.push(() => { if (document.activeElement !== newName) newName.value = clip.name; });
    const history = h('details', {}, h('summary', {}, 'Edits so far'));
    const editList = h('ol', { class: 'plain edits' });
    history.append(editList);
    updates.push(() => put(editList, clip.edits.map((e) => h('li', { class: e.number === clip.edit_now ? 'now' : e.number > clip.edit_now ? 'undone' : '' }, e.why, h('span', { class: 'quiet' }, ` ${e.made_at.replace('T', ' ').slice(0, 16)}`)))));
    const noLoop = h('button', { type: 'button', onclick: () => recipe({ loop_start_s: null, loop_end_s: null }) }, 'No loop points');
    const setLoop = h('button', { type: 'button', onclick: () => recipe({ loop_start_s: clip.recipe.start_s, loop_end_s: clip.recipe.end_s ?? clip.original.duration_s }) }, 'Loop the whole trim');
    const findLoop = h('button', { type: 'button', onclick: proposeLoop }, 'Find a loop');
    updates.push(() => { noLoop.disabled = clip.recipe.loop_start_s === null; });

    async function proposeLoop() {
      await edits.inTurn(() => null);
      try {
        const proposed = await post(`/api/clips/${part(clip.name)}/loop`, {});
        await recipe(proposed.changes);
        say(proposed.text);
      } catch (error) {
        say(error.message, 'error');
      }
    }

    put(form,
      h('fieldset', {}, h('legend', {}, 'Trim and fades'),
        number('Start', 'start_s', { scale: 1000, step: 1, digits: 1, unit: 'ms' }),
        number('End', 'end_s', { scale: 1000, step: 1, digits: 1, unit: 'ms' }),
        number('Fade in', 'fade_in_s', { scale: 1000, step: 1, digits: 1, unit: 'ms', empty: 0 }),
        number('Fade out', 'fade_out_s', { scale: 1000, step: 1, digits: 1, unit: 'ms', empty: 0 })),
      h('fieldset', {}, h('legend', {}, 'Level'),
        select('Levelled', 'role', [['hit', 'as a hit: its loudest moment'], ['phrase', 'as a phrase: the whole of it']]),
        number('Louder or softer', 'level_offset_lu', { step: 0.5, digits: 1, unit: 'LU', min: '-40', empty: 0 }),
        select('Channels', 'channels', [['as-is', 'as they are'], ['mono', 'mixed to mono'], ['left', 'left only'], ['right', 'right only']])),
      h('fieldset', {}, h('legend', {}, 'On the pad'),
        select('Plays', 'play_mode', [['one-shot', 'to its end'], ['gate', 'while held'], ['loop', 'round and round until hit again']]),
        field('Mute group', group, 'clips of one group cut each other off'),
        h('div', { class: 'row wrap' }, setLoop, findLoop, noLoop)),
      h('fieldset', {}, h('legend', {}, 'Name, tags, rights'),
        field('Name', newName), field('Licence', licence), field('Credit', credit), caution,
        h('div', { class: 'field grow' }, h('span', { class: 'label' }, 'Tags'), tagList, h('label', { class: 'hidden', for: 'tag-box' }, 'Another tag'), Object.assign(tagBox, { id: 'tag-box' }))),
      history);
  }

  return card;
}

