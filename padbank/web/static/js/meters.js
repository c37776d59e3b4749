// Meters of what a layout uses, and the table of what it costs, with what the last or the next step changes.

import { bytes, change, h, level, sign } from './dom.js';

const NAMES = {
  wish: 'Wishes left out',
  away: 'Hits away from the bank in hand',
  reach: 'Movement to the pads',
  moved: 'Places to learn anew',
  mishit: 'Hits on a risky neighbour',
  quality: 'Loss by mono or a lower rate',
};

export function drawTerms(now, next, before, name) {
  const other = next ?? before;
  const terms = now.terms.map((term) => {
    const its = other?.terms.find((t) => t.name === term.name);
    const delta = its ? (next ? its.cost - term.cost : term.cost - its.cost) : null;
    return h('tr', {}, h('th', { scope: 'row' }, NAMES[term.name] ?? term.name),
      h('td', {}, `${level(term.amount, '', term.amount < 10 && term.amount > 0 ? 2 : 1)} ${term.unit}`),
      h('td', {}, level(term.cost, 's', 2)),
      h('td', { class: delta && Math.abs(delta) >= 0.005 ? (delta > 0 ? 'worse' : 'better') : 'quiet' }, delta === null ? '' : change(delta, '', 2)));
  });
  const sum = other ? (next ? next.objective - now.objective : now.objective - before.objective) : null;
  return [h('h2', {}, 'What it costs'),
    h('table', { class: 'figures terms' },
      h('caption', {}, next ? `If you put ${name} here` : before ? 'With what the last step changed' : 'In seconds of your time'),
      h('thead', {}, h('tr', {}, h('td'), h('th', { scope: 'col' }, 'amount'), h('th', { scope: 'col' }, 'cost'), h('th', { scope: 'col' }, 'change'))),
      h('tbody', {}, terms, h('tr', { class: 'after' }, h('th', { scope: 'row' }, 'In all'), h('td'), h('td', {}, level(now.objective, 's', 2)), h('td', {}, sum === null ? '' : change(sum, '', 2)))))];
}

/** One meter: a ruler with a mark at the limit; what is over it is hatched and said. */
function ruler(used, limit, text, label) {
  const share = limit ? used / limit : 0;
  return h('div', { class: `ruler${share > 1 ? ' over' : ''}` },
    h('span', { class: 'ruler-label' }, label),
    h('span', { class: 'ruler-bar', 'aria-hidden': 'true' }, h('span', { class: 'ruler-fill', style: { width: `${Math.min(100, share * 100)}%` } })),
    h('span', { class: 'ruler-text' }, share > 1 ? sign('error') : null, text));
}

export function drawMeters(meters) {
  const memory = meters.filter((m) => m.what === 'memory');
  const voices = meters.filter((m) => m.what === 'voices');
  const devices = [...new Set(voices.map((m) => m.where.split(', ')[0]))];
  return [h('h2', {}, 'Limits'),
    h('h3', {}, 'Memory'),
    memory.map((m) => ruler(m.used, m.limit, `${bytes(m.used)} of ${bytes(m.limit)}`, m.where)),
    h('h3', {}, 'Most voices at once, with what rings on'),
    devices.map((device) => [devices.length > 1 ? h('p', { class: 'quiet ruler-head' }, device) : null,
      voices.filter((m) => m.where.startsWith(`${device}, `) && (m.used > 0 || devices.length === 1)).map((m) => ruler(m.used, m.limit, `${m.used} of ${m.limit}`, m.where.split(', ')[1]))])];
}
