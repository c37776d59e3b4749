// Rehearse: the pads of the show played in the page, and what each hit started and cut off.

import { call, get, part, post } from './api.js';
import { choice, field, h, put, say } from './dom.js';
import { createPads, keyName } from './pads.js';
import { drawPad, drawPlot, legend, noteSize, padWords } from './plot.js';
import { signsOfShow } from './tags.js';

const LINES = 60;
const LIT_MS = 160;
const ENDED = { end: 'to its end', released: 'let go', cut: 'cut off' };

export async function open(root, desk, show) {
  const pads = await createPads(desk, show);
  const { view } = pads;
  const signs = signsOfShow(view.signs);
  const letters = new Map([...pads.keys].map(([code, pad]) => [pad.pad_id, keyName(code)]));
  const held = new Map();
  const log = [];
  let drawn = false;

  const head = h('div', { class: 'sheet-head' });
  const plotBox = h('div', { class: 'plot-box' });
  const list = h('ol', { class: 'hit-log', 'aria-label': 'What was hit' });
  const nothingYet = h('p', { class: 'hint' }, 'Nothing yet. Each hit is told here: what it starts, what it cuts off, and what ends by itself.');
  const midiText = h('p', { class: 'quiet', role: 'status' });
  const midiButton = h('button', { type: 'button', onclick: listen }, 'Listen to MIDI');
  const state = h('p', { class: 'quiet', role: 'status' });
  const soundOff = h('div', { class: 'sound-off row wrap', role: 'status' }, h('strong', {}, 'The sound is off.'),
    h('span', {}, 'Browsers keep it so until you press something.'), h('button', { type: 'button', class: 'strong', onclick: soundOn }, 'Switch it on'));

  put(root, head,
    h('div', { class: 'layout-split' },
      h('div', {}, soundOff, plotBox, h('p', { class: 'hint' }, 'Hit a pad by click, by finger, by the key named on it, or from your pads by MIDI. Page keys change the bank; the stage view follows.')),
      h('aside', { class: 'rehearse-side' },
        h('p', { class: 'hint caution' }, 'Keep your monitors low while you try things out: a loud cue next to the ear harms hearing.'),
        h('h2', {}, 'From your pads'), h('div', { class: 'row' }, midiButton), midiText,
        h('h2', {}, 'Stage'), h('div', { class: 'row wrap' },
          h('a', { class: 'button', href: '/stage', target: '_blank', rel: 'opener' }, 'Open the stage view'),
          h('button', { type: 'button', onclick: () => { pads.startClock(); say('The clock of the show runs.'); } }, 'Start the clock'),
          invitePart()),
        h('h2', {}, 'What was hit'), nothingYet, list)));

  function invitePart() {
    if (!desk.shared) return h('p', { class: 'hint' }, 'To bring in a tablet, stop padbank and start it with ', h('code', {}, 'padbank serve --share'), ': this page then makes an address for it.');
    const slip = h('p', { class: 'invite', role: 'status' });
    const what = choice([['stage', 'the stage view'], ['everything', 'everything on this page']], 'stage', () => {});
    return [
      h('div', { class: 'row wrap' }, field('Another screen gets', what),
        h('button', { type: 'button', onclick: async () => {
          try {
            const { address } = await post('/api/invite', { what: what.value });
            put(slip, 'Open this once, on that screen, in this network: ', h('strong', { class: 'address' }, address));
          } catch (error) {
            put(slip, error.message);
          }
        } }, 'Make a one-time address'),
        h('button', { type: 'button', onclick: async () => {
          try {
            const { ended } = await call('DELETE', '/api/visits');
            put(slip, `${ended} other screens were sent away.`);
          } catch (error) {
            put(slip, error.message);
          }
        } }, 'Send other screens away')), slip];
  }

  const at = (pad) => {
    const bank = view.banks[pads.bank - 1];
    return { place: bank.places.find((p) => p.pad === pad) ?? null, control: bank.controls.find((c) => c.pad === pad) ?? null };
  };

  /** What had the focus, by its pad or its label: a bank's change draws everything anew. */
  function focused() {
    const now = document.activeElement;
    if (!root.contains(now)) return null;
    return now.dataset.pad ? `.plot-box [data-pad="${CSS.escape(now.dataset.pad)}"]` : now.getAttribute('aria-label') ? `.sheet-head [aria-label="${CSS.escape(now.getAttribute('aria-label'))}"]` : null;
  }

  function draw() {
    const focus = focused();
    const bank = view.banks[pads.bank - 1];
    put(head, h('div', {}, h('h1', {}, 'Rehearse'), h('p', { class: 'quiet' }, `${view.title} · layout ${view.layout}`)), state,
      h('div', { class: 'row wrap' }, view.rig.banks > 1 ? [h('button', { type: 'button', 'aria-label': 'Earlier bank', onclick: () => turn(-1) }, 'Earlier'),
          choice(view.banks.map((b) => [String(b.bank), `${b.bank} ${b.segments.join(', ') || 'spare'}`]), String(bank.bank), (to) => turn(Number(to) - pads.bank), { 'aria-label': 'Bank', class: 'bank-choice' }),
          h('button', { type: 'button', 'aria-label': 'Later bank', onclick: () => turn(1) }, 'Later')] : null,
        h('button', { type: 'button', onclick: () => desk.play.stop() }, 'Stop all')));
    const note = noteSize(view.rig, plotBox.clientWidth || 900, Math.max(320, innerHeight - 272));
    put(plotBox, h('h2', {}, h('span', { class: 'big-number' }, bank.bank), ` ${bank.segments.join(', ') || 'spare'}`),
      h('div', { class: 'plot-view' }, drawPlot(view.rig, (pad) => {
        const what = at(pad.pad_id);
        return drawPad(pad, what, { signs, tags: what.place?.tags ?? [], keyLabel: letters.get(pad.pad_id), note }, {
          role: 'button', tabindex: '0', 'data-pad': pad.pad_id, 'aria-label': `${padWords(pad, what)}${letters.has(pad.pad_id) ? `, key ${letters.get(pad.pad_id)}` : ''}`,
          onpointerdown: (e) => { if (e.button) return; e.preventDefault(); e.currentTarget.focus?.(); strike(pad.pad_id, e.pressure && e.pointerType !== 'mouse' ? Math.max(0.3, e.pressure) : 0.8, 'click', e.pointerId); },
          onkeydown: (e) => { if ((e.key === 'Enter' || e.key === ' ') && !e.repeat) { e.preventDefault(); e.stopPropagation(); strike(pad.pad_id, 0.8, 'key', e.key); } },
          onkeyup: (e) => { if (e.key === 'Enter' || e.key === ' ') letGo(e.key); },
        });
      }, { label: `Bank ${bank.bank}`, scale: true, note })), legend(signs, bank.places, bank.controls));
    if (focus) root.querySelector(focus)?.focus();
    drawn = true;
  }

  function strike(pad, velocity, how, holdKey) {
    held.set(holdKey, pad);
    const hit = () => {
      const answer = pads.hit(pad, velocity, how);
      root.dataset.hitAnswer = answer ? `${answer.started}` : 'control';
    };
    if (desk.play.engine.enabled) hit();
    else desk.play.enable().then(hit); // the press that switches the sound on is heard too
  }

  async function soundOn() {
    const { text } = await desk.play.enable();
    if (text) say(text, 'error');
  }

  const drawSound = () => { soundOff.hidden = desk.play.engine.enabled; };

  function letGo(holdKey) {
    const pad = held.get(holdKey);
    held.delete(holdKey);
    if (pad) pads.release(pad);
  }

  async function turn(by) {
    const failed = await pads.setBank(pads.bank + by);
    if (failed.length) say(failed[0], 'error');
  }

  async function listen() {
    desk.play.enable(); // this press is the one that browsers ask for
    const { ok, text } = await pads.listen();
    midiText.className = ok ? 'quiet' : 'trouble';
    if (!ok) put(midiText, text);
  }

  const timers = new Map();
  function light(pad) {
    const group = plotBox.querySelector(`[data-pad="${CSS.escape(pad)}"]`);
    if (!group) return;
    group.classList.add('pad-hit');
    clearTimeout(timers.get(pad));
    timers.set(pad, setTimeout(() => group.classList.remove('pad-hit'), LIT_MS));
  }

  function note(text) {
    log.unshift(text);
    nothingYet.hidden = true;
    log.length = Math.min(log.length, LINES);
    put(list, log.map((line) => h('li', {}, line)));
  }

  const off = pads.onEvent((e) => {
    if (e.type === 'hit') light(e.pad);
    else if (e.type === 'control') { light(e.pad); note([h('strong', {}, e.label), ` control hit, by ${e.how}`]); }
    else if (e.type === 'start') note([h('strong', {}, e.clip), ` starts on ${e.pad}`]);
    else if (e.type === 'stop' && e.reason !== 'end') note([h('strong', {}, e.clip), ` ${ENDED[e.reason] ?? 'cut off'}${e.by ? ` by ${e.by.clip ?? e.by}` : ''}`]);
    else if (e.type === 'miss') note([h('strong', {}, e.clip ?? e.pad), ` did not sound: ${e.why === 'sound off' ? 'the sound is off' : e.why}`]);
    else if (e.type === 'midi') { put(midiText, e.inputs.length ? `Listening to ${e.inputs.join(', ')}.` : 'No MIDI input is plugged in yet.'); midiButton.setAttribute('aria-pressed', String(e.inputs.length > 0)); }
    else if (e.type === 'unknown') note(`note ${e.note} on channel ${e.channel} belongs to no pad of this rig`);
    else if (e.type === 'bank' && drawn) { put(state, `fetching bank ${e.bank}`); draw(); } else if (e.type === 'ready' && e.bank === pads.bank) { put(state, e.failed.length ? e.failed[0] : `bank ${e.bank} is ready`); root.dataset.readyBank = String(e.bank); }
  });

  // A rehearsal is not broken off: the change is told, and the player takes it over when it suits.
  const told = h('p', { class: 'trouble', role: 'alert' });
  const text = pads.asRead;
  const stopHearing = desk.onChanged(async () => {
    let now;
    try {
      now = await get(`/api/layouts/${part(show)}/banks`);
    } catch (error) {
      if (error.status) { put(told, `${error.message}. Until that is mended, these are the pads as they were before.`); root.prepend(told); }
      return;
    }
    if (JSON.stringify(now) === text) { told.remove(); return; }
    put(told, `The show, its layout or its clips were changed elsewhere: this is still layout ${view.layout} as it was. `, h('button', { type: 'button', class: 'small', onclick: () => desk.go('rehearse', show) }, 'Take over what is new'));
    root.prepend(told);
  });

  const down = (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || e.target.closest?.('input, select, textarea')) return;
    if (e.key === 'PageDown' || e.key === 'PageUp') { e.preventDefault(); turn(e.key === 'PageDown' ? 1 : -1); return; }
    const pad = pads.keys.get(e.code);
    if (!pad || e.repeat) return;
    e.preventDefault();
    strike(pad.pad_id, 0.8, 'key', e.code);
  };
  const up = (e) => letGo(e.code);
  const lift = (e) => letGo(e.pointerId);
  addEventListener('keydown', down);
  addEventListener('keyup', up);
  addEventListener('pointerup', lift);
  addEventListener('pointercancel', lift);

  const offState = desk.play.engine.on('state', drawSound);
  const support = pads.midiSupport();
  if (!support.ok) { put(midiText, support.text); midiButton.disabled = true; }
  draw();
  drawSound();
  const stage = await get('/api/stage');
  pads.setBank(stage.show === show ? stage.bank : 1);
  return () => {
    removeEventListener('keydown', down);
    removeEventListener('keyup', up);
    removeEventListener('pointerup', lift);
    removeEventListener('pointercancel', lift);
    off();
    offState();
    stopHearing();
    pads.close();
  };
}
