// The pads of a show, ready to be hit: by click, by computer key, by MIDI. Tells the stage view.

import { createMidi, midiSupport } from '../engine/midi.js';
import { get, part } from './api.js';
import { padId } from './plot.js';

const ROWS = ['1234567890', 'QWERTYUIOP', 'ASDFGHJKL', 'ZXCVBNM'];

/** Gives each pad a computer key that lies as the pad lies: Map of KeyboardEvent.code to pad. */
export function keysFor(pads) {
  const bands = [];
  for (const pad of [...pads].sort((a, b) => a.y_mm - b.y_mm)) {
    const band = bands.at(-1);
    if (band && pad.y_mm - band[0].y_mm < Math.max(20, band[0].h_mm * 0.6)) band.push(pad);
    else bands.push([pad]);
  }
  const keys = new Map();
  const rows = ROWS.slice(Math.max(0, ROWS.length - bands.length));
  const free = ROWS.join('').split('');
  const give = (pad, letter) => {
    free.splice(free.indexOf(letter), 1);
    keys.set(/\d/.test(letter) ? `Digit${letter}` : `Key${letter}`, pad);
  };
  const over = [];
  bands.forEach((band, i) => {
    const row = rows[Math.min(i, rows.length - 1)].split('').filter((x) => free.includes(x));
    band.sort((a, b) => a.x_mm - b.x_mm).forEach((pad, j) => { if (row[j]) give(pad, row[j]); else over.push(pad); });
  });
  for (const pad of over) if (free.length) give(pad, free[0]);
  return keys;
}

export const keyName = (code) => code.replace(/^(Key|Digit)/, '');

/** Everything between a hit and its sound, for one show. */
export async function createPads(desk, show) {
  const { engine } = desk.play;
  const view = await get(`/api/layouts/${part(show)}/banks`);
  const asRead = JSON.stringify(view);
  for (const pad of view.rig.pads) pad.pad_id = padId(pad);
  const devices = Object.fromEntries(view.rig.devices.map((d) => [d.name, { voices: d.voices, voicesPerStereo: d.voices_per_stereo, samePadAgain: d.same_pad_again, releaseS: d.release_s, whenFull: d.when_full }]));
  const byId = new Map(view.rig.pads.map((p) => [p.pad_id, p]));
  const listeners = new Set();
  const tell = (event) => { for (const listener of [...listeners]) listener(event); };
  const prepared = new Map(); // bank to the promise of what could not be fetched
  const offs = ['start', 'stop', 'miss'].map((type) => engine.on(type, (e) => { if (e.pad !== 'hear') tell({ ...e, type }); }));
  let bank = 1;
  let midi = null;
  engine.setLimits(devices[view.rig.devices[0].name], devices);

  const bankNow = () => view.banks[bank - 1];
  const controlsNow = () => bankNow().controls.map((c) => ({ label: c.label, pad_id: c.pad, note: view.rig.controls.find((x) => x.label === c.label)?.note ?? null, channel: view.rig.controls.find((x) => x.label === c.label)?.channel ?? null }));

  async function prepare(number) {
    if (!prepared.has(number)) prepared.set(number, fetchSounds(number));
    const failed = await prepared.get(number);
    tell({ type: 'ready', bank: number, failed });
    return failed;
  }

  async function fetchSounds(number) {
    const failed = [];
    await Promise.all(view.banks[number - 1].places.map(async (place) => {
      const more = { bank: number, clip: place.clip, playMode: place.play_mode, muteGroup: place.mute_group, device: byId.get(place.pad).device, channels: place.channels, durationS: place.duration_s };
      if (place.loop) [more.loopStartS, more.loopEndS] = place.loop;
      try {
        await engine.assign(place.pad, `/api/clips/${part(place.clip)}/sound.wav?show=${part(show)}&bank=${number}&pad=${part(place.pad)}&seen=${view.layout}`, more);
      } catch (error) {
        failed.push(`${place.clip}: ${error.message}`);
      }
    }));
    return failed;
  }

  async function setBank(number, { told = false } = {}) {
    bank = ((number - 1 + view.rig.banks) % view.rig.banks) + 1;
    midi?.setMap(view.rig.pads, controlsNow());
    if (!told) desk.tell({ kind: 'bank', bank });
    tell({ type: 'bank', bank });
    const failed = await prepare(bank);
    await engine.switchBank(bank);
    return failed;
  }

  function hit(pad, velocity = 0.8, how = 'click') {
    desk.tell({ kind: 'hit', pad, bank, velocity: Math.round(velocity * 127) });
    const control = bankNow().controls.find((c) => c.pad === pad);
    if (control) {
      tell({ type: 'control', pad, label: control.label, how });
      return null;
    }
    tell({ type: 'hit', pad, how });
    return engine.hit(pad, { velocity });
  }

  const heard = desk.play.onMessage((message) => {
    if (message.kind === 'open') desk.tell({ kind: 'show', show, bank }); // after a lost link: padbank may have been started again
    if (message.kind === 'stage' && message.stage.show === show && message.stage.bank !== bank) setBank(message.stage.bank, { told: true });
  });

  desk.tell({ kind: 'show', show });

  return {
    view,
    asRead,
    get bank() { return bank; },
    setBank,
    prepare,
    hit,
    release: (pad) => engine.release(pad),
    keys: keysFor(view.rig.pads),
    onEvent(listener) {
      listeners.add(listener);
      return () => listeners.delete(listener);
    },
    midiSupport,
    async listen() {
      midi ??= createMidi({
        pads: view.rig.pads,
        controls: controlsNow(),
        onHit: ({ pad, velocity }) => hit(pad, velocity, 'MIDI'),
        onRelease: ({ pad }) => engine.release(pad),
        onBank: ({ bank: number }) => { if (number <= view.rig.banks) setBank(number); },
        onState: ({ inputs }) => { desk.tell({ kind: 'midi', on: inputs.length > 0 }); tell({ type: 'midi', inputs }); },
        onUnknown: ({ note, channel }) => tell({ type: 'unknown', note, channel }),
      });
      return midi.start();
    },
    startClock: (on = true) => desk.tell({ kind: 'start', on }),
    close() {
      heard();
      offs.forEach((off) => off());
      midi?.stop();
      engine.stopAll();
      for (const number of prepared.keys()) for (const place of view.banks[number - 1].places) engine.unassign(place.pad, { bank: number });
    },
  };
}
