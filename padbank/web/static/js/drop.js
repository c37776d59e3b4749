// Files into the library: dropped anywhere on the place, chosen, or named by their path.

import { createTurns, get, post, send, watchJob } from './api.js';
import { bytes, count, field, h, put, say } from './dom.js';
import { createSlip } from './slip.js';

const AT_ONCE = 3;

/** The files of a drop, folders walked through; hidden ones are passed over. */
async function filesOf(transfer) {
  const entries = [...transfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  if (!entries.length) return [...transfer.files];
  const found = [];
  async function walk(entry) {
    if (entry.name.startsWith('.')) return;
    if (entry.isFile) {
      found.push(await new Promise((resolve, reject) => entry.file(resolve, reject)));
      return;
    }
    const reader = entry.createReader();
    for (;;) {
      const some = await new Promise((resolve, reject) => reader.readEntries(resolve, reject));
      if (!some.length) return;
      for (const one of some) await walk(one);
    }
  }
  for (const entry of entries) await walk(entry);
  return found;
}

export function addPanel(root, desk, licences, done) {
  const input = h('input', { type: 'file', multiple: true, id: 'files', class: 'hidden', tabindex: '-1', 'aria-hidden': 'true', onchange: () => take([...input.files]) });
  const tags = h('input', { type: 'text', placeholder: 'laugh, quiz', autocomplete: 'off' });
  const licence = h('input', { type: 'text', list: 'licences', placeholder: 'CC0-1.0', autocomplete: 'off' });
  const credit = h('input', { type: 'text', autocomplete: 'off' });
  const path = h('input', { type: 'text', placeholder: 'a folder or file on this computer', autocomplete: 'off', spellcheck: 'false' });
  const panel = h('div', { class: 'progress-slip', hidden: true, role: 'region', 'aria-label': 'Adding files' });
  const details = h('details', { class: 'more' }, h('summary', {}, 'Tags and rights for what is added, or add by path'),
    h('div', { class: 'row wrap' }, field('Tags', tags), field('Licence', licence), field('Credit', credit)),
    h('form', { class: 'row wrap', onsubmit: (e) => { e.preventDefault(); afterTheLast(addPath); } }, field('Path', path), h('button', { type: 'submit' }, 'Add path')),
    h('p', { class: 'hint' }, 'Only what is cleared goes into a show that asks for cleared clips. Rights differ from place to place: ask whoever licenses music and recordings where you play.'));

  const settings = () => ({
    tags: tags.value.split(/[\s,]+/).filter(Boolean),
    licence: licence.value.trim() || null,
    credit: credit.value.trim() || null,
  });

  const slip = createSlip(panel);
  const bar = (title, part, text, onStop, stopping = false) => slip({ title, text, done: part, total: 1, onStop, stopping });

  const inTurn = createTurns();
  let busy = 0;

  /** One after the other: what is dropped meanwhile waits. */
  function afterTheLast(work) {
    if (busy) say('That follows when what came before it is in the library.');
    busy += 1;
    return inTurn(work).finally(() => { busy -= 1; });
  }

  function take(files) {
    input.value = '';
    return files.length ? afterTheLast(() => takeNow(files)) : null;
  }

  async function takeNow(files) {
    let stopped = false;
    let sends = [];
    const total = files.reduce((sum, f) => sum + f.size, 0);
    const sent = files.map(() => 0);
    const failed = [];
    const stop = () => { stopped = true; sends.forEach((s) => s.stop()); };
    const draw = () => bar(`Fetching ${count(files.length, 'file')}`, total ? sent.reduce((a, b) => a + b, 0) / total : 1, bytes(total), stop);
    let drop = null;
    try {
      drop = (await post('/api/drops')).drop;
      draw();
      let next = 0;
      const lane = async () => {
        while (next < files.length && !stopped) {
          const i = next;
          next += 1;
          const one = send(`/api/drop/${drop}/${i}?name=${encodeURIComponent(files[i].name)}`, files[i], (n) => { sent[i] = n; draw(); });
          sends.push(one);
          try {
            await one;
          } catch (error) {
            if (error.name !== 'AbortError') failed.push({ path: files[i].name, reason: error.message });
          }
          sends = sends.filter((s) => s !== one);
          sent[i] = files[i].size;
        }
      };
      await Promise.all(Array.from({ length: AT_ONCE }, lane));
      if (stopped) {
        await fetch(`/api/drops/${drop}`, { method: 'DELETE' });
        put(panel, h('p', {}, 'Stopped. Nothing was added.'), closeButton());
        return;
      }
      await addFetched(drop, failed);
    } catch (error) {
      put(panel, h('p', { class: 'trouble', role: 'alert' }, error.message), closeButton());
      panel.hidden = false;
    }
  }

  /** Add what was fetched; when that cannot begin now (another tab is adding), it waits here. */
  async function addFetched(drop, failed) {
    let job;
    try {
      job = await post(`/api/drops/${drop}/add`, settings());
    } catch (error) {
      put(panel, h('p', { class: 'trouble', role: 'alert' }, error.message),
        error.status === 400 ? h('button', { type: 'button', onclick: () => afterTheLast(() => addFetched(drop, failed)) }, 'Add them now') : null,
        closeButton(() => fetch(`/api/drops/${drop}`, { method: 'DELETE' })));
      panel.hidden = false;
      return;
    }
    await follow(job, failed);
  }

  async function addPath() {
    let job;
    try {
      job = await post('/api/add', { paths: [path.value], ...settings() });
    } catch (error) {
      say(error.message, 'error');
      return;
    }
    await follow(job, []);
  }

  async function follow(job, failed) {
    try {
      const last = await watchJob(job, (now) => {
        if (now.state === 'running') bar(now.stopping ? 'Stopping' : 'Adding', now.total ? now.done / now.total : 0, now.total ? `${now.done} of ${now.total} ${now.label}` : '', () => post(`/api/jobs/${now.id}/stop`), now.stopping);
      });
      await done();
      report(last, failed);
    } catch (error) {
      put(panel, h('p', { class: 'trouble', role: 'alert' }, error.message), closeButton());
      panel.hidden = false;
    }
  }

  /** Files that are being added since before this page was opened: it goes on here. */
  async function goOn() {
    const { jobs } = await get('/api/jobs');
    const running = jobs.find((job) => job.kind === 'adding');
    if (running && panel.hidden) await follow(running, []);
  }

  const closeButton = (more = () => null) => h('button', { type: 'button', onclick: () => { panel.hidden = true; panel.replaceChildren(); more(); } }, 'Close');

  function report(job, failed) {
    if (job.state === 'stopped') {
      put(panel, h('p', {}, `Stopped after ${count(job.done, 'file')}; those are in the library. Drop the rest again to go on: what is there already is passed over.`), closeButton());
      return;
    }
    if (job.state === 'failed') {
      put(panel, h('p', { class: 'trouble', role: 'alert' }, job.error), closeButton());
      return;
    }
    const { added, already, refused, warnings, passed_over: others } = job.result;
    const twins = already.filter((a) => a.same_as);
    const bad = [...failed, ...refused];
    put(panel,
      h('p', {}, h('strong', {}, `${added.length} added`), `, ${already.length} already there, ${bad.length} refused.`),
      bad.length ? h('details', { open: true }, h('summary', {}, `Refused, and why (${bad.length})`), h('ul', { class: 'plain' }, bad.map((r) => h('li', {}, h('strong', {}, r.path), ` ${r.reason}`)))) : null,
      warnings.length ? h('details', {}, h('summary', {}, `Taken, with a warning (${warnings.length})`), h('ul', { class: 'plain' }, warnings.map((w) => h('li', {}, h('strong', {}, w.path), ` ${w.reason}`)))) : null,
      twins.length ? h('details', {}, h('summary', {}, `The same sound as a clip that is there (${twins.length})`), h('ul', { class: 'plain' }, twins.map((a) => h('li', {}, h('strong', {}, a.path), ` is ${a.clip}`)))) : null,
      others.length ? h('details', {}, h('summary', {}, `Passed over, no sound or video by name (${others.length})`), h('p', {}, others.slice(0, 500).join(', '))) : null,
      added.length ? h('details', {}, h('summary', {}, `Added (${added.length})`), h('ul', { class: 'plain' }, added.slice(0, 500).map((a) => h('li', {}, h('strong', {}, a.clip), ` ${a.role}: ${a.reason}`)))) : null,
      closeButton());
    panel.hidden = false;
    say(`${added.length} added, ${already.length} already there, ${bad.length} refused.`);
  }

  let depth = 0;
  const over = (on) => root.classList.toggle('dropping', on);
  root.addEventListener('dragenter', (e) => { if (e.dataTransfer?.types.includes('Files')) { depth += 1; over(true); } });
  root.addEventListener('dragleave', () => { depth = Math.max(0, depth - 1); if (!depth) over(false); });
  root.addEventListener('dragover', (e) => { if (e.dataTransfer?.types.includes('Files')) e.preventDefault(); });
  root.addEventListener('drop', async (e) => {
    if (!e.dataTransfer?.types.includes('Files')) return;
    e.preventDefault();
    depth = 0;
    over(false);
    try {
      await take(await filesOf(e.dataTransfer));
    } catch (error) {
      say(`what was dropped cannot be read (${error.message})`, 'error');
    }
  });

  afterTheLast(goOn).catch(() => null); // without an answer there is nothing to go on with

  return h('div', { class: 'adding' },
    h('div', { class: 'row' }, h('button', { type: 'button', class: 'strong', onclick: () => input.click() }, 'Add files…'), h('span', { class: 'hint' }, 'or drop files and folders here'), input),
    details, panel);
}
