// Layout: every bank to scale; clips picked up and put down by mouse, finger or keys; what each step costs.

import { get, part, post, watchJob } from './api.js';
import { change, choice, count, findingsList, h, level, put, say, seconds, TOLD_MS } from './dom.js';
import { createEdits, createTrouble } from './edits.js';
import { drawMeters, drawTakes, drawTerms } from './meters.js';
import { drawPad, drawPlot, legend, neighbour, noteSize, padId, padWords } from './plot.js';
import { createSlip } from './slip.js';
import { signsOfShow, tagBit } from './tags.js';

const DRAG_PX = 6;
const TRY_MS = 90;
const EDGE_PX = 44;
const SCROLL_PX = 14;

export async function open(root, desk, show) {
  let seen = null;
  let bank = 1;
  let focusPad = null;
  let chosen = null;
  let hand = null;
  let signs = new Map();
  let tried = null;
  let job = null;
  let reason = null;
  let left = null;
  let atMost = '';
  const undo = [];

  const title = h('div', { class: 'sheet-head' });
  const banks = h('div', { class: 'banks', role: 'tablist', 'aria-label': 'Banks' });
  const plotBox = h('div', { class: 'plot-box', id: 'bank-plot', role: 'tabpanel' });
  const tray = h('section', { class: 'tray', 'aria-labelledby': 'tray-title' });
  const details = h('section', { class: 'pad-card', 'aria-label': 'The pad in hand' });
  const costs = h('section', { 'aria-label': 'What it costs' });
  const limits = h('section', { 'aria-label': 'Limits' });
  const taken = h('section', { 'aria-label': 'What one pad takes' });
  const fitBox = h('p', { class: 'fit-line', role: 'status' });
  const troubles = h('section', { 'aria-label': 'Findings' });
  const planSlip = h('div', { class: 'progress-slip', role: 'region', 'aria-label': 'Planning', hidden: true });
  const planning = createSlip(planSlip);
  const live = h('p', { class: 'hidden', 'aria-live': 'assertive' });
  const help = h('p', { class: 'hint', id: 'plot-help' }, 'Drag, or: arrow keys go from pad to pad, Enter picks up and puts down, Page keys change the bank, Escape puts back, Delete clears, P pins, H plays.');

  put(root, title, planSlip,
    h('div', { class: 'layout-split' },
      h('div', { class: 'layout-main' }, banks, plotBox, fitBox, help, details),
      h('aside', { class: 'layout-side' }, tray, taken, costs, limits, troubles)), live);

  const announce = (text) => put(live, text);
  const at = (b, pad) => ({ place: seen.places.find((p) => p.bank === b && p.pad === pad) ?? null, control: seen.controls.find((c) => c.bank === b && c.pad === pad) ?? null });
  const tagsOf = (clip) => seen.clips[clip]?.tags ?? [];
  const segmentsOf = (b) => seen.banks[b - 1].segments.join(', ') || 'spare';

  function take(now) {
    seen = { ...now, pad_classes: now.pad_classes ?? seen.pad_classes, takes: now.takes ?? seen.takes };
    refusals.clear();
    for (const pad of seen.rig.pads) pad.pad_id = padId(pad);
    signs = signsOfShow(seen.signs);
    bank = Math.min(bank, seen.rig.banks);
    if (!seen.rig.pads.some((p) => p.pad_id === focusPad)) focusPad = seen.rig.pads[0].pad_id;
    tried = null;
  }

  // ------------------------------------------------------------ which pads take a clip

  const refusals = new Map();
  /** Pads that cannot take a clip, with the reason: a Map, found once for each clip. */
  function refusedBy(name) {
    if (!refusals.has(name)) {
      const found = new Map();
      (seen.takes[name] ?? []).forEach(({ refused }, i) => { if (refused) for (const pad of seen.pad_classes[i].pads) found.set(pad, refused); });
      refusals.set(name, found);
    }
    return refusals.get(name);
  }

  /** Pads by the surfaces that they lie on: "lid, crate" or "pedal 2–4". */
  function surfacesOf(pads) {
    const whole = new Map();
    for (const pad of seen.rig.pads) whole.set(pad.surface, (whole.get(pad.surface) ?? 0) + 1);
    const some = new Map();
    for (const id of pads) {
      const pad = seen.rig.pads.find((p) => p.pad_id === id);
      some.set(pad.surface, [...(some.get(pad.surface) ?? []), pad.number]);
    }
    return [...some].map(([surface, numbers]) => (numbers.length === whole.get(surface) ? surface : `${surface} ${numbers.join(', ')}`)).join(', ');
  }

  let lookedAt = null;
  /** The clip that the limits are told for: in hand, else under the pointer, else on the chosen pad. */
  const inView = () => (hand && seen.clips[hand.name] ? hand.name : lookedAt ?? at(bank, chosen).place?.clip ?? null);

  /** Cross out the pads that cannot take the clip in hand or under the pointer. */
  function markRefusals() {
    const name = hand && seen.clips[hand.name] ? hand.name : lookedAt;
    const refused = name ? refusedBy(name) : null;
    for (const group of root.querySelectorAll('.plot [data-pad]')) {
      const reason = refused?.get(group.dataset.pad);
      group.classList.toggle('pad-refuses', Boolean(reason));
      if (group.getAttribute('aria-label')) group.setAttribute('aria-label', `${group.dataset.words}${reason ? `, cannot take ${name}: ${reason}` : ''}`);
    }
    const n = refused?.size ?? 0;
    put(fitBox, !name ? 'Point at a clip, or pick it up, to see which pads can take it.' : n === 0 ? [h('strong', {}, name), ' fits on every pad.'] : [h('strong', {}, name), ` cannot go on ${count(n, 'pad')}, crossed out: `, surfacesOf([...refused.keys()]), '.']);
  }

  let looking = 0;
  function lookAt(name) {
    clearTimeout(looking);
    looking = setTimeout(() => {
      if (lookedAt === name || hand) return;
      lookedAt = name;
      markRefusals();
      drawTaken();
    }, name ? 60 : 200);
  }

  function drawTaken() {
    const name = inView();
    const known = name && seen.takes[name] ? name : null;
    put(taken, drawTakes(known, known && seen.takes[known], seen.pad_classes, surfacesOf));
  }

  const read = () => get(`/api/layouts/${part(show)}`);

  // ------------------------------------------------------------ what others changed

  const edits = createEdits();
  const trouble = createTrouble(root);

  /** Whether what is in hand still lies where it was taken. */
  function stillThere({ name, from }) {
    if (!from) return seen.unplaced.includes(name);
    const { place, control } = at(from.bank, from.pad);
    return (place?.clip ?? control?.label) === name;
  }

  /** Show what others made. Steps asked for before, and steps back, are not of this: they end here. */
  function adopt(now) {
    if (now.number !== seen.number) undo.length = 0;
    edits.overtaken();
    take(now);
    seen.change = null;
    reason = null;
    const gone = hand && !stillThere(hand) ? hand.name : null;
    if (gone) hand = null;
    draw();
    return gone ? ` ${gone} is not where you took it, so it is out of your hand.` : '';
  }

  const BESIDE = 'The show, its rig or its clips were changed elsewhere: this is how it is now.';

  function tellOthers(now, why = null) {
    const mine = seen.number;
    const other = now.number !== mine;
    const gone = adopt(now);
    const kept = other && mine ? ` What you saw, layout ${mine}, is kept: “Go back to” brings it back.` : '';
    const text = `${why ?? (other ? `Layout ${now.number} was ${now.result.by === 'plan' ? 'planned' : 'made'} elsewhere: this is how it is now.` : BESIDE)}${kept}${gone}`;
    say(text, why ? 'error' : 'note', TOLD_MS);
    announce(text);
  }

  let lookAfterDrag = false;
  /** Look whether somebody changed something; never under a clip that is being dragged. */
  const look = (why = null) => edits.inTurn(() => lookNow(why));

  async function lookNow(why = null) {
    let now;
    try {
      now = await read();
    } catch (error) {
      if (error.status) trouble.tell(`${error.message}. Until that is mended, this page shows what it was before.`);
      return;
    }
    trouble.mended();
    if (ghost) { lookAfterDrag = true; return; }
    if (now.state === seen.state) return;
    if (job && now.number > seen.number && now.result.by === 'plan') return; // the plan begun here: it is told with its figures
    tellOthers(now, why);
  }

  /** Errors that a weighed layout has and another had not. */
  const newErrors = (now, before) => now.findings.filter((f) => f.severity === 'error' && !before.findings.some((old) => old.text === f.text));

  // ------------------------------------------------------------ steps

  /** Take a step; `holds` (bank, pad, name) is what it is about: not there any more, it is not taken. */
  function step(what, said, { holds = null, back = false } = {}) {
    const late = () => {
      const text = `${said}: not done, because the layout is another by now. Look at it as it is, then repeat your step.`;
      say(text, 'error');
      announce(text);
      draw();
      return false;
    };
    return edits.edit(() => (holds && !stillThere({ name: holds.name, from: holds }) ? late() : stepNow(what, said, back)), late);
  }

  async function stepNow(what, said, back) {
    const had = seen;
    try {
      const now = await post(`/api/layouts/${part(show)}/step`, { seen: had.number, step: what });
      hand = null;
      reason = null;
      const beside = now.ground === had.ground ? '' : ` ${BESIDE}`;
      if (beside) adopt(await read());
      else take(now);
      if (now.number !== had.number && !back) undo.push(had.number);
      seen.change = { from: had.weighed };
      draw();
      const [broken] = newErrors(seen.weighed, had.weighed);
      const text = `${said}: ${change(seen.weighed.objective - had.weighed.objective, 's', 2)} in all.${broken ? ` But ${broken.text}.` : ''}${beside}`;
      say(text, broken ? 'error' : 'note', beside || broken ? TOLD_MS : undefined);
      if (broken) announce(text);
      return true;
    } catch (error) {
      say(error.message, 'error');
      announce(error.message);
      hand = null;
      draw();
      if (error.changedMeanwhile) await lookNow(`${error.message}.`);
      return false;
    }
  }

  /** One step back; a step that was not taken can be tried again. */
  async function stepBack() {
    const number = undo.pop();
    const before = seen;
    if (await step({ do: 'put back', number }, 'One step back', { back: true }) || seen.number !== before.number) return;
    undo.push(number);
    drawTitle();
  }

  function putDown(b, pad) {
    if (!hand) return null;
    if (hand.from && hand.from.bank === b && hand.from.pad === pad) {
      hand = null;
      draw();
      announce('put back');
      return null;
    }
    const held = hand;
    const what = stepFor(b, pad);
    hand = null; // pressed twice, it is put down once
    return step(what, `${held.name} to ${pad} of bank ${b}`, { holds: held.from ? { ...held.from, name: held.name } : null });
  }

  const stepFor = (b, pad) => (hand.from
    ? { do: 'move', bank: hand.from.bank, pad: hand.from.pad, to_bank: b, to_pad: pad }
    : { do: 'put', clip: hand.name, bank: b, pad });

  function pickUp(b, pad) {
    const { place, control } = at(b, pad);
    if (control?.fixed) { say(`${control.label} is a control hit with its own pad: it stays here.`); announce('a control hit stays here'); return; }
    if (!place && !control) { announce('empty'); return; }
    hand = { name: place?.clip ?? control.label, from: { bank: b, pad } };
    draw();
    announce(`${hand.name} in hand. Arrow keys choose a pad, Enter puts it down, Escape puts it back.`);
  }

  function clear(b, pad) {
    const { place } = at(b, pad);
    if (place) step({ do: 'clear', bank: b, pad }, `${place.clip} cleared`, { holds: { bank: b, pad, name: place.clip } });
  }

  function pin(b, pad, everywhere = false) {
    const { place } = at(b, pad);
    if (!place) return null;
    const late = () => say(`${place.clip}: not ${place.pinned ? 'freed' : 'pinned'}, because the layout is another by now. Look at it as it is, then repeat your step.`, 'error');
    return edits.edit(() => (at(b, pad).place?.clip === place.clip ? pinNow(b, pad, everywhere) : late()), late);
  }

  async function pinNow(b, pad, everywhere) {
    const { place } = at(b, pad);
    const had = seen;
    try {
      const now = await post(`/api/layouts/${part(show)}/pin`, place.pinned ? { on: false, clip: place.clip, seen: seen.revision } : { on: true, clip: place.clip, pad, bank: everywhere ? null : b, seen: seen.revision });
      if (now.number !== had.number) { tellOthers(await read()); return; }
      take(now);
      draw();
      say(place.pinned ? `${place.clip} is free again.` : `${place.clip} is pinned to ${pad}${everywhere ? ' in every bank' : ` of bank ${b}`}: the planner keeps it there.`);
    } catch (error) {
      say(error.message, 'error');
      if (error.changedMeanwhile) await lookNow(`${error.message}.`);
    }
  }

  async function why(b, pad) {
    try {
      reason = await get(`/api/layouts/${part(show)}/why?bank=${b}&pad=${part(pad)}`);
      drawDetails();
    } catch (error) {
      say(error.message, 'error');
    }
  }

  async function whyNot(clip) {
    try {
      const { text } = await get(`/api/layouts/${part(show)}/why?clip=${part(clip)}`);
      left = { clip, text };
      drawTray();
    } catch (error) {
      say(error.message, 'error');
    }
  }

  async function hear(clip, spot) {
    try {
      const facts = seen.clips[clip];
      const recipe = { play_mode: facts.play_mode, start_s: 0, loop_start_s: facts.loop?.[0] ?? null, loop_end_s: facts.loop?.[1] ?? null };
      await desk.play.clip(clip, recipe, { show, revision: String(seen.number), spot });
    } catch (error) {
      say(error.message, 'error');
    }
  }

  let trying = 0;
  function tryAt(b, pad) {
    clearTimeout(trying);
    if (!hand || (hand.from?.bank === b && hand.from?.pad === pad)) { tried = null; drawCosts(); drawLimits(); return; }
    const what = stepFor(b, pad);
    trying = setTimeout(async () => {
      try {
        const { weighed, refused } = await post(`/api/layouts/${part(show)}/try`, { step: what });
        if (!hand) return;
        tried = weighed ?? { refused };
      } catch (error) {
        tried = { refused: error.message };
      }
      drawCosts();
      drawLimits();
      ghostText();
    }, TRY_MS);
  }

  // ------------------------------------------------------------ drag

  let ghost = null;
  function ghostText() {
    if (!ghost) return;
    const breaks = tried && !tried.refused && newErrors(tried, seen.weighed).length ? ', but something breaks' : '';
    const sum = tried && !tried.refused ? `${change(tried.objective - seen.weighed.objective, 's', 2)}${breaks}` : tried?.refused ? 'not here' : '';
    put(ghost, h('strong', {}, hand?.name ?? ''), sum ? ` ${sum}` : '');
  }

  function targetAt(x, y) {
    const element = document.elementFromPoint(x, y)?.closest?.('[data-pad], [data-bank]');
    return element ? { pad: element.dataset.pad ?? null, bank: Number(element.dataset.bank) } : null;
  }

  /** Begin what may become a drag; a press without movement is left to the click. */
  function press(e, name, from) {
    if (e.button) return;
    pressing = true;
    const start = [e.clientX, e.clientY];
    const source = e.currentTarget;
    let over = null;
    let last = null;
    // Held near the top or bottom edge, the page moves on under the clip.
    const edge = setInterval(() => {
      if (!ghost || !last) return;
      const by = last.y < EDGE_PX ? -SCROLL_PX : last.y > innerHeight - EDGE_PX ? SCROLL_PX : 0;
      if (by) scrollBy(0, by);
    }, 30);
    const move = (event) => {
      last = { x: event.clientX, y: event.clientY };
      if (!ghost) {
        const [dx, dy] = [Math.abs(event.clientX - start[0]), Math.abs(event.clientY - start[1])];
        if (Math.max(dx, dy) < DRAG_PX) return;
        hand = { name, from };
        markRefusals();
        drawTaken();
        ghost = h('div', { class: 'ghost', 'aria-hidden': 'true' });
        document.body.append(ghost);
        root.classList.add('dragging');
        ghostText();
      }
      event.preventDefault();
      ghost.style.transform = `translate(${event.clientX + 10}px, ${event.clientY + 8}px)`;
      const now = targetAt(event.clientX, event.clientY);
      const key = now ? `${now.bank}|${now.pad}` : '';
      if (key === over) return;
      over = key;
      root.querySelectorAll('.pad-over').forEach((x) => x.classList.remove('pad-over'));
      if (now?.pad) {
        root.querySelectorAll(`[data-bank="${now.bank}"][data-pad="${CSS.escape(now.pad)}"]`).forEach((x) => x.classList.add('pad-over'));
        tryAt(now.bank, now.pad);
      } else {
        tried = null;
        drawCosts();
        drawLimits();
        ghostText();
      }
    };
    const stop = (event) => {
      pressing = false;
      clearInterval(edge);
      removeEventListener('pointermove', move);
      removeEventListener('pointerup', stop);
      removeEventListener('pointercancel', stop);
      removeEventListener('keydown', escape, true);
      if (!ghost) return;
      ghost.remove();
      ghost = null;
      root.classList.remove('dragging');
      if (lookAfterDrag) { lookAfterDrag = false; setTimeout(look); }
      const now = event.type === 'pointerup' ? targetAt(event.clientX, event.clientY) : null;
      dragged = true;
      setTimeout(() => { dragged = false; }, 0);
      if (now?.pad) putDown(now.bank, now.pad);
      else if (event.type === 'pointerup' && from && document.elementFromPoint(event.clientX, event.clientY)?.closest?.('.tray')) {
        hand = null;
        clear(from.bank, from.pad);
      } else {
        hand = null;
        draw();
      }
    };
    const escape = (event) => { if (event.key === 'Escape') stop(event); };
    addEventListener('pointermove', move, { passive: false });
    addEventListener('pointerup', stop);
    addEventListener('pointercancel', stop);
    addEventListener('keydown', escape, true);
    if (source.hasPointerCapture?.(e.pointerId)) source.releasePointerCapture(e.pointerId);
  }
  let dragged = false;
  let pressing = false;

  // ------------------------------------------------------------ keys

  function padKeys(e, pad) {
    if (e.key.startsWith('Arrow')) {
      const next = neighbour(seen.rig.pads, pad.pad_id, e.key);
      if (next) {
        focusPad = next.pad_id;
        focusNow();
        if (hand) {
          const held = at(bank, next.pad_id);
          const refused = refusedBy(hand.name).get(next.pad_id);
          announce(padWords(next, held, refused ? `, cannot take ${hand.name}: ${refused}` : ''));
          tryAt(bank, next.pad_id);
        }
      }
    } else if (e.key === 'Enter' || e.key === ' ') {
      if (hand) putDown(bank, pad.pad_id);
      else pickUp(bank, pad.pad_id);
    } else if (e.key === 'PageDown' || e.key === 'PageUp') {
      turn(e.key === 'PageDown' ? 1 : -1);
    } else if (e.key === 'Escape' && hand) {
      hand = null;
      draw();
      announce('put back');
    } else if (e.key === 'Delete' || e.key === 'Backspace') clear(bank, pad.pad_id);
    else if (e.key === 'p' || e.key === 'P') pin(bank, pad.pad_id);
    else if ((e.key === 'h' || e.key === 'H') && at(bank, pad.pad_id).place) hear(at(bank, pad.pad_id).place.clip, { bank, pad: pad.pad_id });
    else return;
    e.preventDefault();
  }

  function turn(by) {
    bank = ((bank - 1 + by + seen.rig.banks) % seen.rig.banks) + 1;
    draw();
    focusNow();
    announce(`bank ${bank}, ${segmentsOf(bank)}`);
  }

  function focusNow() {
    const groups = plotBox.querySelectorAll('[data-pad]');
    groups.forEach((g) => g.setAttribute('tabindex', g.dataset.pad === focusPad ? '0' : '-1'));
    plotBox.querySelector(`[data-pad="${CSS.escape(focusPad)}"]`)?.focus();
  }

  // ------------------------------------------------------------ drawing

  function draw() {
    const active = document.activeElement?.closest?.('.plot-box [data-pad]')?.dataset.pad ?? null;
    if (!hand) tried = null; // what was tried was put back
    drawTitle();
    drawBanks();
    drawBig();
    drawTray();
    drawDetails();
    drawCosts();
    drawLimits();
    drawTaken();
    markRefusals();
    if (active) { focusPad = active; focusNow(); }
  }

  function drawTitle() {
    const { result, number } = seen;
    const broken = number ? new Set(seen.weighed.findings.filter((f) => f.severity === 'error').map((f) => f.text)).size : 0;
    const proof = number === 0 ? 'nothing laid out yet' : result.by === 'plan' ? (result.status === 'proved' ? 'planned, proved the best' : `planned, within ${(100 * result.gap).toFixed(1)} % of the best`) : 'arranged by hand';
    const limit = h('input', { type: 'number', min: '1', step: '1', placeholder: 'no limit', 'aria-label': 'Plan for at most, seconds', id: 'plan-seconds', value: atMost, oninput: (e) => { atMost = e.target.value; } });
    put(title,
      h('div', {}, h('h1', {}, 'Layout'), h('p', { class: 'quiet' }, `${seen.title} · ${number ? `layout ${number}, ` : ''}${proof} · cost ${level(seen.weighed.objective, 's', 2)}`, broken ? [' ', h('button', { type: 'button', class: 'bare lack', onclick: () => troubles.scrollIntoView({ block: 'nearest', behavior: 'smooth' }) }, `${count(broken, 'error')}: see Findings`)] : null)),
      h('div', { class: 'row wrap' },
        seen.numbers.length > 1 ? h('label', { class: 'row quiet small-label' }, 'Go back to ', choice([['', 'an earlier one'], ...seen.numbers.filter((n) => n !== number).reverse().map((n) => [String(n), `layout ${n}`])], '', (n) => n && step({ do: 'put back', number: Number(n) }, `layout ${n} put back`))) : null,
        h('button', { type: 'button', disabled: !undo.length, onclick: stepBack }, 'Undo'),
        h('button', { type: 'button', class: 'strong', disabled: job !== null, onclick: () => plan(limit.value ? Number(limit.value) : null) }, 'Plan'),
        h('label', { class: 'row quiet small-label' }, 'for at most', limit, 's')));
  }

  /** A bank's small plot, drawn anew only when something on it is another. */
  const minis = new Map();
  function mini(b) {
    const key = JSON.stringify([seen.places.filter((p) => p.bank === b), seen.controls.filter((c) => c.bank === b), [...signs.keys()]]);
    const kept = minis.get(b);
    if (kept?.key === key) return kept.plot;
    const plot = drawPlot(seen.rig, (pad) => {
      const held = at(b, pad.pad_id);
      return drawPad(pad, held, { signs, tags: tagsOf(held.place?.clip), small: true }, { 'data-bank': b, 'data-pad': pad.pad_id });
    }, { className: 'plot mini' });
    plot.removeAttribute('role');
    plot.setAttribute('aria-hidden', 'true');
    minis.set(b, { key, plot });
    return plot;
  }

  function drawBanks() {
    put(banks, seen.banks.map(({ bank: b }) => h('button', {
      type: 'button', class: 'bank', role: 'tab', 'aria-selected': String(b === bank), 'aria-controls': 'bank-plot', tabindex: b === bank ? '0' : '-1', dataset: { bank: b },
      onclick: () => { if (dragged) return; bank = b; draw(); },
      onkeydown: (e) => {
        if (e.key !== 'ArrowRight' && e.key !== 'ArrowLeft') return;
        e.preventDefault();
        bank = ((b - 1 + (e.key === 'ArrowRight' ? 1 : -1) + seen.rig.banks) % seen.rig.banks) + 1;
        draw();
        banks.querySelector('[aria-selected="true"]').focus();
      },
    }, h('span', { class: 'bank-title' }, h('strong', {}, `${b}`), ` ${segmentsOf(b)}`),
    mini(b))));
    banks.querySelector('[aria-selected="true"]')?.scrollIntoView({ block: 'nearest', inline: 'nearest' });
  }

  function drawBig() {
    const note = noteSize(seen.rig, plotBox.clientWidth || 900, Math.max(320, innerHeight - 344));
    const svg = drawPlot(seen.rig, (pad) => {
      const held = at(bank, pad.pad_id);
      const inHand = hand?.from?.bank === bank && hand.from.pad === pad.pad_id;
      return drawPad(pad, held, { signs, tags: tagsOf(held.place?.clip), note }, {
        role: 'button', tabindex: pad.pad_id === focusPad ? '0' : '-1', 'data-pad': pad.pad_id, 'data-bank': bank,
        'aria-label': padWords(pad, held, inHand ? ', in hand' : ''), 'aria-describedby': 'plot-help', 'aria-pressed': String(inHand), 'data-words': padWords(pad, held, inHand ? ', in hand' : ''),
        onkeydown: (e) => padKeys(e, pad),
        onfocus: () => { focusPad = pad.pad_id; if (chosen !== pad.pad_id) { chosen = pad.pad_id; reason = null; drawDetails(); drawTaken(); } },
        onpointerdown: (e) => { const { place, control } = held; if ((place || (control && !control.fixed)) && !hand) press(e, place?.clip ?? control.label, { bank, pad: pad.pad_id }); },
        onpointerenter: () => { if (hand && !ghost) tryAt(bank, pad.pad_id); else if (held.place) lookAt(held.place.clip); },
        onpointerleave: () => lookAt(null),
        onclick: () => { if (dragged) return; if (hand) putDown(bank, pad.pad_id); else { chosen = pad.pad_id; focusPad = pad.pad_id; reason = null; drawDetails(); drawTaken(); } },
      });
    }, { label: `Bank ${bank}, ${segmentsOf(bank)}`, scale: true, homes: true, note });
    put(plotBox, h('div', { class: 'plot-head' }, h('h2', {}, h('span', { class: 'big-number' }, bank), ` ${segmentsOf(bank)}`),
      seen.rig.banks > 1 ? [h('button', { type: 'button', class: 'small', 'aria-label': 'Earlier bank', onclick: () => turn(-1) }, 'Earlier'), h('button', { type: 'button', class: 'small', 'aria-label': 'Later bank', onclick: () => turn(1) }, 'Later')] : null,
      hand ? h('p', { class: 'in-hand' }, 'In hand: ', h('strong', {}, hand.name), ' ', h('button', { type: 'button', class: 'small', onclick: () => { hand = null; draw(); } }, 'Put back')) : null),
    h('div', { class: 'plot-view' }, svg), legend(signs, seen.places.filter((p) => p.bank === bank), seen.controls.filter((c) => c.bank === bank)));
    // A finger on a clip drags it; anywhere else it moves the page or the plot.
    svg.addEventListener('touchmove', (e) => { if (pressing) e.preventDefault(); }, { passive: false });
  }

  function drawTray() {
    const lost = new Map(seen.weighed.left_out.map((l) => [l.want, l]));
    put(tray, h('h2', { id: 'tray-title' }, 'Not under a pad'),
      seen.places.length || !seen.unplaced.length ? null : h('p', {}, 'Nothing is laid out yet. Press Plan, or drag a clip onto a pad and begin by hand.'),
      seen.unplaced.length ? h('ul', { class: 'tray-list' }, seen.unplaced.map((name) => {
        const facts = seen.clips[name];
        return h('li', {}, h('button', { type: 'button', class: 'tape-bit', 'aria-pressed': String(hand?.name === name && !hand.from), onpointerdown: (e) => press(e, name, null), onpointerenter: () => lookAt(name), onpointerleave: () => lookAt(null), onfocus: () => lookAt(name), onblur: () => lookAt(null), onclick: () => { if (dragged) return; hand = hand?.name === name ? null : { name, from: null }; draw(); if (hand) { announce(`${name} in hand: choose a pad, Enter puts it down`); focusNow(); } } },
          h('span', {}, name), h('span', { class: 'quiet' }, seconds(facts.duration_s))), facts.tags.slice(0, 2).map((t) => tagBit(t, signs)),
        h('button', { type: 'button', class: 'small bare', 'aria-label': `Why is ${name} left out?`, onclick: () => whyNot(name) }, 'why?'),
        !facts.cleared && seen.rights === 'cleared' ? h('span', { class: 'lack' }, 'not cleared') : left?.clip === name ? h('p', { class: 'why' }, left.text) : lost.has(name) && seen.result.by === 'plan' ? h('span', { class: 'hint' }, lost.get(name).reason) : null);
      })) : h('p', { class: 'quiet' }, 'Everything that the show could use has its place.'));
  }

  function drawDetails() {
    const pad = seen.rig.pads.find((p) => p.pad_id === chosen);
    if (!pad) { put(details, h('p', { class: 'quiet' }, 'Choose a pad to see what is on it, hear it, pin it or ask why it is there.')); return; }
    const { place, control } = at(bank, pad.pad_id);
    const device = seen.rig.devices.find((d) => d.name === pad.device);
    const longest = pad.max_clip_s ?? device.max_clip_s;
    const facts = place ? seen.clips[place.clip] : null;
    put(details,
      h('h2', {}, place?.clip ?? control?.label ?? 'Empty'),
      h('p', { class: 'quiet' }, [`${pad.surface} ${pad.number}`, `${pad.w_mm} × ${pad.h_mm} mm`, pad.note === null ? '' : `note ${pad.note}${pad.channel ? ` on channel ${pad.channel}` : ''}`, longest ? `takes ${longest} s at most` : '', facts ? `${seconds(facts.duration_s)}, ${place.channels === 2 ? 'stereo' : 'mono'} at ${place.sample_rate_hz} Hz, ${count(Math.round(place.hits * 10) / 10, 'expected hit')}` : ''].filter(Boolean).join(' · ')),
      place ? h('div', { class: 'row wrap' },
        h('button', { type: 'button', class: 'strong', onclick: () => hear(place.clip, { bank, pad: pad.pad_id }) }, 'Hear'),
        h('button', { type: 'button', onclick: () => pickUp(bank, pad.pad_id) }, 'Move it'),
        h('button', { type: 'button', onclick: () => pin(bank, pad.pad_id) }, place.pinned ? 'Unpin' : 'Pin it here'),
        place.pinned ? null : h('button', { type: 'button', onclick: () => pin(bank, pad.pad_id, true) }, 'Pin in every bank'),
        h('button', { type: 'button', onclick: () => clear(bank, pad.pad_id) }, 'Clear'),
        h('button', { type: 'button', onclick: () => why(bank, pad.pad_id) }, 'Why here?')) : control ? h('p', {}, control.fixed ? 'A control hit: it sends its note and holds no sound. Its pad is set in the rig’s file.' : 'A control hit that the planner may place.') : null,
      reason && reason.pad_id === pad.pad_id && reason.bank === bank ? h('div', { class: 'why' },
        h('p', {}, `${reason.clip} is expected ${count(Math.round(reason.hits * 10) / 10, 'time')} here; the way to this pad takes ${level(reason.reach_s * 1000, 'ms', 0)}${reason.pinned ? '; it is pinned' : ''}${reason.moved ? '; it is not where the hands know it' : ''}.`),
        reason.elsewhere.length ? h('table', { class: 'figures' }, h('caption', {}, 'The next best pads of this bank'),
          h('tbody', {}, reason.elsewhere.map((e) => h('tr', {}, h('th', { scope: 'row' }, e.pad_id, e.instead_of ? h('span', { class: 'quiet' }, ` changing places with ${e.instead_of}`) : null), h('td', {}, change(e.change_s, 's', 3)), h('td', { class: 'words' }, e.breaks.join('; ')))))) : h('p', {}, 'No other pad of this bank can take it.')) : null);
  }

  function drawCosts() {
    put(costs, drawTerms(seen.weighed, tried && !tried.refused ? tried : null, seen.change?.from ?? null, hand?.name ?? null));
    if (tried?.refused) costs.append(h('p', { class: 'trouble' }, tried.refused));
  }

  /** Places on pads or banks that the rig has no longer: no plot shows them. */
  const lostPlaces = () => seen.places.filter((p) => p.bank > seen.rig.banks || !seen.rig.pads.some((pad) => pad.pad_id === p.pad));

  function drawLimits() {
    put(limits, drawMeters(seen.weighed.meters, tried && !tried.refused ? tried.meters : null, bank, seen.rig.devices));
    put(troubles, h('h2', {}, 'Findings'), findingsList(seen.weighed.findings, 'No limit is broken.'),
      lostPlaces().map((p) => h('p', {}, h('button', { type: 'button', class: 'small', onclick: () => clear(p.bank, p.pad) }, `Clear ${p.clip} from ${p.pad} of bank ${p.bank}`))),
      seen.weighed.left_out.length ? h('details', {}, h('summary', {}, `${count(seen.weighed.left_out.length, 'wish', 'wishes')} left out`), h('ul', { class: 'plain' }, seen.weighed.left_out.map((l) => h('li', {}, h('strong', {}, l.want), ` in ${l.segment}: ${l.reason}`)))) : null);
  }

  // ------------------------------------------------------------ planning

  async function plan(limit, goOn = false) {
    try {
      job = await post(`/api/layouts/${part(show)}/plan`, { ...(limit ? { seconds: limit } : {}), go_on: goOn });
    } catch (error) {
      const running = await planRunning().catch(() => null);
      if (!running) { say(error.message, 'error'); return; }
      job = running; // begun in another tab: it is followed here as well
    }
    await follow();
  }

  const planRunning = async () => (await get('/api/jobs')).jobs.find((j) => j.kind === 'planning' && j.what === show);

  async function follow() {
    drawTitle();
    try {
      const last = await watchJob(job, (now) => {
        const { objective, gap } = now.notes;
        planning({ title: now.stopping ? 'Stopping with the best so far' : 'Planning', text: `${now.label} · ${now.seconds.toFixed(0)} s`,
          note: objective === undefined ? 'No layout yet.' : `Best so far: cost ${level(objective, 's', 2)}, at most ${(100 * gap).toFixed(1)} % above the best there is.`,
          done: now.done, total: now.total, stopText: 'Stop with the best so far', stopping: now.stopping, onStop: () => post(`/api/jobs/${now.id}/stop`) });
      });
      job = null;
      if (last.state === 'failed') {
        put(planSlip, h('p', { class: 'trouble', role: 'alert' }, last.error), closeSlip());
        drawTitle();
        return;
      }
      const r = last.result;
      const gone = await edits.inTurn(async () => {
        const now = await read();
        return now.state === seen.state ? '' : adopt(now);
      });
      undo.length = 0;
      drawTitle();
      put(planSlip, h('p', {}, h('strong', {}, `Layout ${r.number}`), `: ${count(r.placed, 'clip')} placed, ${r.status === 'proved' ? 'proved the best there is' : `at most ${(100 * r.gap).toFixed(1)} % above the best there is`}, cost ${level(r.objective, 's', 2)}; ${count(r.moved, 'place')} to learn anew.`),
        r.meanwhile ? h('p', { role: 'alert' }, `${r.meanwhile[0].toUpperCase()}${r.meanwhile.slice(1)} “Go back to” brings back what was before.`) : null,
        r.bound_holds_for ? h('p', { class: 'hint' }, `That bound holds for ${r.bound_holds_for}.`) : null, h('div', { class: 'row' }, r.status === 'proved' ? null : h('button', { type: 'button', onclick: () => plan(null, true) }, 'Go on planning'), closeSlip()));
      say(`Layout ${r.number} is there.${gone}`);
    } catch (error) {
      job = null;
      put(planSlip, h('p', { class: 'trouble', role: 'alert' }, error.message), closeSlip());
      drawTitle();
    }
  }

  const closeSlip = () => h('button', { type: 'button', onclick: () => { planSlip.hidden = true; } }, 'Close');

  take(await read());
  draw();
  const running = await planRunning();
  if (running) { job = running; follow(); }
  const stop = desk.onChanged(() => look());
  return () => { stop(); ghost?.remove(); };
}
