// Export: where the set goes, what would be written, removed and kept, then writing and proving it.

import { get, part, post, watchJob } from './api.js';
import { bytes, change, count, field, findingsList, h, level, put, say, sign, TOLD_MS } from './dom.js';
import { createSlip } from './slip.js';

export async function open(root, desk, show) {
  const { folders, last } = await get(`/api/export/folders?show=${part(show)}`);
  const accepted = new Set();
  let preview = null;
  let looked = last ?? ''; // the folder that is told about below
  let busy = false;
  const box = h('input', { type: 'text', id: 'export-folder', value: last ?? '', autocomplete: 'off', spellcheck: 'false', list: 'export-folders', placeholder: 'the folder of the card', oninput: () => { if (!busy && box.value !== looked) forget(); } });
  const look = h('section', { class: 'export-look', 'aria-label': 'What would be written' });
  const work = h('div', { class: 'progress-slip', hidden: true, role: 'region', 'aria-label': 'Writing' });
  const working = createSlip(work);
  const proof = h('section', { class: 'export-proof', 'aria-label': 'Proof' });

  put(root,
    h('div', { class: 'sheet-head' }, h('div', {}, h('h1', {}, 'Export'), h('p', { class: 'quiet' }, 'The set is written beside the old one and swapped in whole; then it is read back and measured again.'))),
    h('form', { class: 'row wrap export-where', onsubmit: (e) => { e.preventDefault(); see(); } },
      field('Write the set into', box), h('datalist', { id: 'export-folders' }, folders.map((f) => h('option', { value: f.path }, f.about))),
      h('button', { type: 'submit' }, 'See what would change')),
    folders.length ? h('div', {}, h('p', { class: 'hint', id: 'drives-title' }, 'Cards, drives and folders on this computer'), h('ul', { class: 'drives', 'aria-labelledby': 'drives-title' }, folders.map((f) => h('li', {}, h('button', { type: 'button', class: 'small', onclick: () => { box.value = f.path; see(); } }, f.path), h('span', { class: 'quiet' }, f.about))))) : null,
    look, work, proof,
    h('p', { class: 'hint caution' }, 'Before the show: start with the monitors low, play the loudest pad, then set them; loud cues and long sessions harm hearing, and the limits where you play come first. A set that is proved is at its level, not cleared: playing clips in public or on a stream needs the permissions that hold there. Ask whoever licenses music and recordings in that place.'));

  const steps = () => h('ol', { class: 'steps' },
    h('li', {}, 'Choose the folder of the card. A folder that is not there yet is made.'),
    h('li', {}, 'See what would be written, kept and removed. Nothing is touched before that.'),
    h('li', {}, 'Write the set. Pulled out half-way, the card still says what it holds, and writing again finishes it.'),
    h('li', {}, 'Every file is read back and measured by a second meter.'));
  put(look, steps());

  async function see() {
    if (busy) { say('Wait until that is done, or stop it.'); return; }
    work.hidden = true;
    put(proof);
    looked = box.value;
    if (looked.trim()) await lookAgain();
    else refuse('Type the folder of the card, or choose one above.');
  }

  /** Look at the folder anew; what it holds may have changed, or the card may be out. */
  async function lookAgain() {
    if (!preview) put(look, h('p', { class: 'quiet', role: 'status' }, 'Looking.'));
    try {
      const found = await post(`/api/export/${part(show)}/look`, { folder: looked });
      if (found.revision !== preview?.revision) accepted.clear(); // what was taken on is not this any more
      preview = found;
      box.removeAttribute('aria-invalid');
      if (box.value === looked) drawLook();
      else forget();
    } catch (error) {
      refuse(error.message);
    }
  }

  /** Another folder is named now: what was told of the last one would mislead. */
  function forget() {
    if (!preview) return;
    preview = null;
    put(look, steps());
    put(proof);
    work.hidden = true;
  }

  function refuse(text) {
    preview = null;
    put(look, h('p', { class: 'trouble', role: 'alert' }, sign('error'), ` ${text}`));
    box.setAttribute('aria-invalid', 'true');
    box.focus();
  }

  function files(title, list, open_) {
    return list.length ? h('details', { open: open_ }, h('summary', {}, `${title}: ${count(list.length, 'file')}`), h('ul', { class: 'plain files' }, list.slice(0, 400).map((f) => h('li', {}, f.path, f.n_bytes ? h('span', { class: 'quiet' }, ` ${bytes(f.n_bytes)}`) : null, f.clip ? h('span', { class: 'quiet' }, ` ${f.clip}`) : null)))) : h('p', { class: 'quiet' }, `${title}: none`);
  }

  const acceptText = ([first, ...more]) => `I accept: ${first.text}${more.length ? `, and ${more.length} more of this kind` : ''}`;

  function drawLook() {
    const errors = preview.findings.filter((f) => f.severity === 'error');
    const codes = [...new Set(errors.map((f) => f.code))];
    const open_ = codes.filter((c) => !accepted.has(c));
    put(look,
      h('h2', {}, preview.folder),
      h('p', {}, `${preview.title}, layout ${preview.layout}: ${count(preview.files, 'file')}, about ${bytes(preview.n_bytes)}${preview.free_bytes === null ? '' : `; ${bytes(preview.free_bytes)} are free there`}.`),
      h('div', { class: 'three' }, h('div', {}, files('To be written', preview.write, preview.write.length < 12)), h('div', {}, files('There already', preview.keep, false)), h('div', {}, files('To be removed with the old set', preview.remove, true))),
      preview.no_room ? h('p', { class: 'trouble', role: 'alert' }, sign('error'), ` It does not fit: ${preview.no_room}.`) : null,
      findingsList(preview.findings, 'No finding.'),
      codes.length ? h('fieldset', {}, h('legend', {}, 'Take these findings on, or mend them first'), codes.map((code) => h('label', { class: 'tick' }, h('input', { type: 'checkbox', checked: accepted.has(code), onchange: (e) => { if (e.target.checked) accepted.add(code); else accepted.delete(code); drawLook(); } }), acceptText(errors.filter((f) => f.code === code))))) : null,
      h('div', { class: 'row wrap' }, h('button', { type: 'button', class: 'strong', disabled: open_.length > 0 || busy || preview.no_room !== '', onclick: () => write() }, 'Write the set'),
        h('button', { type: 'button', disabled: busy, onclick: () => verify(preview.folder) }, 'Prove what is there'),
        h('span', { class: 'hint' }, open_.length ? 'A set that breaks a limit is written only when you take the finding on.' : '')));
  }

  async function run(title, path, body) {
    busy = true;
    if (preview) drawLook();
    try {
      const job = typeof path === 'string' ? await post(path, body) : path;
      const last_ = await watchJob(job, (now) => {
        working({ title: now.stopping ? 'Stopping' : title, text: now.label, done: now.done, total: now.total, stopping: now.stopping, onStop: () => post(`/api/jobs/${now.id}/stop`) });
      });
      work.hidden = true;
      if (last_.state === 'failed') throw new Error(last_.error);
      if (last_.state === 'stopped' && !last_.result) {
        say(title === 'Proving' ? 'Stopped. Nothing was changed; prove again to go on.'
          : last_.notes.written ? 'Stopped. The new set is on the card whole, but not proved yet: “Prove what is there” goes on.'
            : 'Stopped. The card holds the old set whole; write again to go on.', 'note', TOLD_MS);
        return null;
      }
      return last_.result;
    } catch (error) {
      put(work, h('p', { class: 'trouble', role: 'alert' }, sign('error'), ` ${error.message}`), h('button', { type: 'button', onclick: () => { work.hidden = true; } }, 'Close'));
      work.hidden = false;
      put(proof); // what was proved before holds no longer
      return null;
    } finally {
      busy = false;
      if (looked.trim()) await lookAgain();
    }
  }

  async function write(running = null) {
    const done = await run('Writing', running ?? `/api/export/${part(show)}/write`, { folder: looked, accept: [...accepted], seen: preview?.revision });
    if (!done) return;
    say(`Written: ${count(done.written, 'sound')} new, ${done.kept} kept, ${done.removed} removed; the pad sheet is ${done.sheet_is_new ? 'new' : 'as before'}.`);
    drawProof(done);
    if (preview?.write.length || preview?.remove.length) {
      proof.prepend(h('p', { class: 'trouble', role: 'alert' }, sign('warning'), ' The show, its layout or its clips were changed elsewhere while this was written. The card holds the set as it was before: look above at what would be written now, and write again.'));
    }
  }

  /** Somebody changed something: what is shown to be written must be what would be written. */
  async function heard() {
    if (!preview || busy) return;
    const before = preview;
    let found;
    try {
      found = await post(`/api/export/${part(show)}/look`, { folder: looked });
    } catch (error) {
      if (error.status && preview === before && !busy) refuse(error.message);
      return;
    }
    if (preview !== before || busy || found.revision === before.revision) return;
    preview = found;
    accepted.clear();
    drawLook();
    say(`The show, its layout or its clips were changed elsewhere: this is what would be written now (layout ${found.layout}).`, 'note', TOLD_MS);
  }

  async function verify(folder) {
    const done = await run('Proving', '/api/export/verify', { folder });
    if (done) drawProof(done);
  }

  function drawProof(done) {
    const list = (title, items) => (items?.length ? [h('h3', {}, title), h('ul', { class: 'checklist' }, items)] : null);
    put(proof,
      h('h2', { class: done.ok ? 'proved' : 'not-proved', tabindex: '-1' }, done.ok ? 'Proved: the set is as planned' : 'Not as planned'),
      done.ok ? null : h('p', {}, 'Press “Write the set”: it writes anew what is missing or another. If that does not help, use another card.'),
      done.checks ? h('ul', { class: 'checklist' }, done.checks.map((c) => h('li', {}, c.ok ? tick() : sign('error'), h('span', {}, c.ok ? null : h('strong', {}, 'Not so: '), c.text, ' ', h('span', { class: 'quiet' }, c.figures))))) : null,
      findingsList(done.findings, 'Nothing found.'),
      list('By hand, before the show', (done.to_do ?? []).map((t) => h('li', {}, h('label', { class: 'tick' }, h('input', { type: 'checkbox' }), t)))),
      done.files?.length ? h('details', {}, h('summary', {}, `${count(done.files.length, 'file')}, read back and measured by the second meter`), h('div', { class: 'scroll', tabindex: '0', role: 'region', 'aria-label': 'Files read back' }, h('table', { class: 'figures' }, h('thead', {}, h('tr', {}, h('th', { scope: 'col' }, 'file'), h('th', { scope: 'col' }, 'level'), h('th', { scope: 'col' }, 'off'), h('th', { scope: 'col' }, 'true peak'))), h('tbody', {}, done.files.map((f) => h('tr', {}, h('th', { scope: 'row' }, f.path), h('td', {}, level(f.level_lufs, 'LUFS')), h('td', {}, f.off_lu === null ? '' : change(f.off_lu, 'LU', 2)), h('td', {}, level(f.true_peak_dbtp, 'dBTP')))))))) : null);
    proof.scrollIntoView({ block: 'start' });
    proof.querySelector('h2').focus({ preventScroll: true });
  }

  const tick = () => h('span', { class: 'ok', 'aria-label': 'holds', role: 'img' }, '✓');

  if (box.value) await see();
  const { jobs } = await get('/api/jobs');
  const running = jobs.find((j) => j.kind === 'writing' && j.what === show);
  if (running) write(running); // begun before this page was opened: it goes on here
  return desk.onChanged(heard);
}
