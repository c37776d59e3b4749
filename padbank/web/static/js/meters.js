// Meters of what a layout uses, and the table of what it costs, with what the last or the next step changes.

import { change, h, level, sign } from './dom.js';

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

const UNITS = [['GB', 1e9], ['MB', 1e6], ['kB', 1e3], ['B', 1]];

/** "14.4 → 14.6 of 40.0 MB": all in the unit of the limit. */
function amounts(used, after, limit, unit) {
  const [name, size] = unit === 'bytes' ? UNITS.find(([, n]) => limit >= n) ?? UNITS[3] : [unit === 'voices' ? '' : unit, 1];
  const text = (x) => (unit === 'voices' ? String(x) : (x / size).toFixed(1));
  return `${text(used)}${after === null ? '' : ` → ${text(after)}`} of ${text(limit)} ${name}`.trim();
}

/**
 * One meter: a ruler that ends at the limit; what the step in hand would add is drawn on and told;
 * what is over the limit is hatched and said.
 */
function ruler(label, now, then = null) {
  const { used, limit, unit } = now;
  const after = then && Math.abs(then.used - used) > 1e-9 ? then.used : null;
  const most = Math.max(used, after ?? 0);
  const over = most > limit;
  const share = (x) => `${Math.min(100, limit ? (x / limit) * 100 : 0)}%`;
  const low = Math.min(used, after ?? used);
  return h('div', { class: `ruler${over ? ' over' : ''}` },
    h('span', { class: 'ruler-label' }, label),
    h('span', { class: 'ruler-bar', 'aria-hidden': 'true' },
      h('span', { class: 'ruler-fill', style: { width: share(low) } }),
      after === null ? null : h('span', { class: `ruler-step ruler-${after > used ? 'more' : 'less'}`, style: { left: share(low), width: `calc(${share(most)} - ${share(low)})` } })),
    h('span', { class: 'ruler-text' }, over ? sign('error') : null, amounts(used, after, limit, unit)));
}

const find = (meters, one) => meters?.find((m) => m.what === one.what && m.bank === one.bank && m.device === one.device) ?? null;

/** A cell of the table of banks: a share in percent over a thin bar. */
function shareCell(now, then) {
  const one = then ?? now;
  if (!one || !one.used) return h('td', { class: 'quiet' }, '–');
  const share = one.used / one.limit;
  const text = `${Math.round(share * 100)} %`;
  return h('td', { class: share > 1 ? 'worse' : then && now && then.used !== now.used ? 'now-other' : '' }, share > 1 ? sign('error') : null, text,
    h('span', { class: 'thin-bar', 'aria-hidden': 'true' }, h('span', { style: { width: `${Math.min(100, share * 100)}%` } })));
}

/** How close the layout is to every limit: the rig's memory, the bank in hand, then every bank. */
export function drawMeters(meters, then, bank, devices) {
  const several = devices.length > 1;
  const of = (what, b, device) => find(meters, { what, bank: b, device });
  const here = devices.map(({ name }) => {
    const rows = [['voices', 'voices'], ['bank memory', 'memory'], ['longest', 'longest'], ['largest', 'largest']].map(([what, label]) => {
      const now = of(what, bank, name) ?? find(then, { what, bank, device: name });
      if (!now || (!now.used && !find(then, now)?.used)) return null;
      return ruler(now.clip ? [label, h('span', { class: 'quiet' }, ` ${(find(then, now) ?? now).where}`)] : label, of(what, bank, name) ?? { ...now, used: 0 }, find(then, now));
    }).filter(Boolean);
    return rows.length ? [several ? h('p', { class: 'quiet ruler-head' }, name) : null, rows] : null;
  }).filter(Boolean);
  const banks = [...new Set(meters.filter((m) => m.bank !== null).map((m) => m.bank))];
  const columns = devices.flatMap(({ name }) => ['bank memory', 'voices'].map((what) => ({ what, name }))).concat([{ what: 'pad', name: null }]);
  const fullest = (list, b) => list?.filter((m) => m.bank === b && (m.what === 'longest' || m.what === 'largest')).sort((x, y) => y.used / y.limit - x.used / x.limit)[0] ?? null;
  const padLimits = meters.concat(then ?? []).some((m) => m.what === 'longest' || m.what === 'largest');
  const shown = columns.filter((c) => c.what !== 'pad' || padLimits);
  return [h('h2', {}, 'Limits'),
    h('h3', {}, 'All banks together'),
    meters.filter((m) => m.what === 'memory').map((m) => ruler(several ? `memory, ${m.where}` : 'memory', m, find(then, m))),
    h('h3', {}, `Bank ${bank}`),
    here.length ? here : h('p', { class: 'quiet' }, 'Empty.'),
    h('details', { class: 'every-bank', open: banks.length <= 6 }, h('summary', {}, 'Every bank'),
      h('div', { class: 'scroll' }, h('table', { class: 'figures bank-limits' },
        h('caption', {}, 'How much of each limit is used; voices count what rings on from another bank.'),
        h('thead', {}, several ? h('tr', {}, h('td'), devices.map(({ name }) => h('th', { scope: 'colgroup', colspan: '2' }, name)), padLimits ? h('td') : null) : null,
          h('tr', {}, h('th', { scope: 'col', class: 'first' }, 'bank'), shown.map((c) => h('th', { scope: 'col' }, { 'bank memory': 'memory', voices: 'voices', pad: 'fullest pad' }[c.what])))),
        h('tbody', {}, banks.map((b) => h('tr', { 'aria-current': b === bank ? 'true' : null }, h('th', { scope: 'row' }, b),
          shown.map((c) => (c.what === 'pad' ? shareCell(fullest(meters, b), then && fullest(then, b)) : shareCell(of(c.what, b, c.name), then && find(then, { what: c.what, bank: b, device: c.name })))))))))) ];
}

/** What each kind of pad takes, and how much of it the clip in view needs; which pads cannot have it. */
export function drawTakes(name, takes, classes, surfacesOf) {
  const rows = classes.map((pads, i) => {
    const label = surfacesOf(pads.pads);
    const take = takes?.[i];
    if (take?.refused) return h('p', { class: 'refuses' }, sign('error'), h('strong', {}, label), ` ${take.refused}`);
    return [['length', take?.duration_s ?? 0, pads.max_clip_s, 's'], ['size', take?.n_bytes ?? 0, pads.max_clip_bytes, 'bytes']]
      .filter(([, , limit]) => limit !== null)
      .map(([what, used, limit, unit]) => ruler([label, h('span', { class: 'quiet' }, ` ${what}`)], { used, limit, unit }));
  });
  return [h('h2', {}, 'On one pad'),
    h('p', { class: 'quiet caption' }, name ? ['What ', h('strong', {}, name), ' needs of what a pad takes'] : 'What a pad takes; point at a clip to see what it needs'),
    rows.flat().length ? rows : h('p', { class: 'hint' }, 'No pad of this rig has a limit of its own.')];
}
