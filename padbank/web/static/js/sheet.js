// Sheet: the banks on paper, one a page or all on one; printed by the browser.

import { get, part } from './api.js';
import { choice, h, put, say, TOLD_MS } from './dom.js';
import { createTrouble } from './edits.js';
import { drawPad, drawPlot, legend, noteSize, padId, padWords } from './plot.js';
import { signsOfShow } from './tags.js';

export async function open(root, desk, show) {
  let view;
  let signs;
  let used;
  function take(now) {
    view = now;
    for (const pad of view.rig.pads) pad.pad_id = padId(pad);
    signs = signsOfShow(view.signs);
    used = view.banks.filter((b) => b.places.length);
  }
  const read = () => get(`/api/layouts/${part(show)}/banks`);
  let text = '';
  const newest = async () => {
    const now = await read();
    const fresh = JSON.stringify(now);
    const another = fresh !== text;
    text = fresh;
    if (another) take(now);
    return another;
  };
  await newest();
  let how = 'each';
  const pages = h('div', { class: 'sheets' });

  function draw() {
    root.classList.toggle('sheet-all', how === 'all');
    const columns = used.length <= 1 ? 1 : used.length <= 4 ? 2 : used.length <= 9 ? 3 : used.length <= 16 ? 4 : 5;
    pages.style.setProperty('--columns', columns);
    pages.style.setProperty('--rows', Math.ceil(used.length / columns));
    const about = [view.title, view.date, `layout ${view.layout}`].filter(Boolean).join(' · ');
    const note = how === 'all' ? 9 : Math.max(9, noteSize(view.rig, pages.clientWidth - 48, 5000)); // on a narrow screen larger than paper needs it
    put(pages, how === 'all' ? h('p', { class: 'sheet-about' }, about) : null, used.map((bank) => h('section', { class: 'sheet-page', 'aria-label': `Bank ${bank.bank}` },
      h('header', { class: 'sheet-line' }, h('h2', {}, h('span', { class: 'big-number' }, bank.bank), ` ${bank.segments.join(', ') || 'spare'}`), how === 'each' ? h('p', { class: 'quiet' }, about) : null),
      drawPlot(view.rig, (pad) => {
        const what = { place: bank.places.find((p) => p.pad === pad.pad_id) ?? null, control: bank.controls.find((c) => c.pad === pad.pad_id) ?? null };
        return drawPad(pad, what, { signs, tags: what.place?.tags ?? [], most: 40, note }, { role: 'img', 'aria-label': padWords(pad, what) });
      }, { label: `Bank ${bank.bank}`, scale: true, className: 'plot paper', note: note > 9 ? note : null }),
      how === 'each' ? legend(signs, bank.places, bank.controls) : null)),
    how === 'all' ? h('div', { class: 'sheet-legend' }, legend(signs, used.flatMap((b) => b.places), used.flatMap((b) => b.controls))) : null);
  }

  put(root, h('div', { class: 'sheet-head no-print' }, h('div', {}, h('h1', {}, 'Sheet'), h('p', { class: 'quiet' }, 'Underlined by hand: not where the hands know it. Outlined: a control hit.')),
    h('div', { class: 'row wrap' }, h('label', { class: 'row small-label' }, 'On paper ', choice([['each', 'one bank a page'], ['all', 'all banks on one']], how, (v) => { how = v; draw(); })),
      h('button', { type: 'button', class: 'strong', onclick: () => print() }, 'Print'))), pages);
  draw();
  const trouble = createTrouble(root);
  return desk.onChanged(async () => {
    try {
      if (await newest()) {
        draw();
        say(`The show, its layout or its clips were changed elsewhere: this is the sheet as it is now (layout ${view.layout}).`, 'note', TOLD_MS);
      }
      trouble.mended();
    } catch (error) {
      if (error.status) trouble.tell(`${error.message}. Until that is mended, this is the sheet as it was before.`);
    }
  });
}
