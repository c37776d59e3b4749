// The pads' sound in the page. Decides by voices.js, plays by the Web Audio API.
//
//   const engine = createEngine({voices: 32, voicesPerStereo: 2, samePadAgain: 'overlap',
//                                releaseS: 0.01, onStart, onStop});
//   await engine.enable();                       // from a click or a key: browsers ask for one
//   await engine.assign('kit/3', '/clips/gull/sound.wav',
//                       {bank: 1, clip: 'gull', playMode: 'one-shot', muteGroup: null});
//   engine.hit('kit/3'); engine.release('kit/3'); engine.switchBank(2); engine.stopAll();
//
// Times are seconds of the audio context; a hit takes place now (an offline context takes
// {timeS}). Events (on(type, fn), or onStart, onStop,
// onMiss, onBank, onState, onEvicted): 'start' {id, pad, bank, clip, timeS},
// 'stop' {id, pad, bank, clip, timeS, reason, by}, 'miss' {pad, bank, clip, why}
// with why 'empty', 'not ready', 'no voices' or 'sound off', 'bank' {bank},
// 'state' {state}, 'evicted' {key, bytes, pads}.

import { createBuffers, DEFAULT_MAX_BYTES } from './buffers.js';
import { checkLimits, createAllocator } from './voices.js';

/**
 * Cuts fade so that they do not click: by an exponential of FADE_S / 20 = 1 ms (60 dB
 * down after 7 ms), silent after FADE_S; not counted as a voice. Exponentials, because
 * they go on from where the sound is: a ramp that reaches the audio thread late, on a
 * busy machine, would jump to where it should have been.
 */
export const FADE_S = 0.02;
const FADE_CONSTANTS = 20;
/** A gate's release falls by exp(-5), 43 dB, in its time, and fades from there. */
const RELEASE_CONSTANTS = 5;
const RESUME_WAIT_MS = 1500;
const BLOCK_FRAMES = 128; // a render quantum of the Web Audio API
const EVENTS = ['start', 'stop', 'miss', 'bank', 'state', 'evicted'];

export function createEngine(options = {}) {
  const { maxBytes = DEFAULT_MAX_BYTES, fadeS = FADE_S, fetcher = (url) => fetch(url) } = options;
  let limits = checkLimits(pickLimits(options));
  let deviceLimits = options.devices ?? {};
  let context = options.context ?? null;
  const ownContext = !context;
  let master = null;
  let bank = 1;
  let nextId = 0;
  let latestS = 0;
  const pads = new Map(); // "bank|pad" -> assignment
  const allocators = new Map(); // device -> allocator
  const playing = new Map(); // voice -> {id, source, gain, key}
  const listeners = new Map(EVENTS.map((type) => [type, new Set()]));
  for (const type of EVENTS) {
    const given = options[`on${type[0].toUpperCase()}${type.slice(1)}`];
    if (given) listeners.get(type).add(given);
  }

  const buffers = createBuffers({
    context: getContext,
    maxBytes,
    fetcher,
    inUse: (key) => [...playing.values()].some((node) => node.key === key),
    evicted: ({ key, bytes }) =>
      tell('evicted', { key, bytes, pads: [...pads.values()].filter((p) => p.key === key).map((p) => p.pad) }),
  });

  function tell(type, detail) {
    for (const listener of listeners.get(type)) listener(detail);
  }

  function getContext() {
    if (!context) {
      context = new AudioContext({ latencyHint: 0 });
      context.addEventListener('statechange', () => tell('state', { state: context.state }));
    }
    if (!master) {
      master = context.createGain();
      master.connect(options.destination ?? context.destination);
    }
    return context;
  }

  if (context) getContext();

  const offline = () => typeof context?.startRendering === 'function';
  const enabled = () => context !== null && (offline() || context.state === 'running');

  /** Now; in an offline context the time asked for. Decisions are made in time order. */
  function timeOf(timeS) {
    const askedS = offline() ? (timeS ?? 0) : getContext().currentTime;
    latestS = Math.max(askedS, latestS);
    return latestS;
  }

  function allocatorOf(device) {
    if (!allocators.has(device)) {
      const rules = device in deviceLimits ? checkLimits(pickLimits(deviceLimits[device])) : limits;
      allocators.set(device, createAllocator(rules, decided));
    }
    return allocators.get(device);
  }

  function decided(change) {
    if (change.type === 'start') start(change.voice);
    else if (change.type === 'stop') stop(change);
    else if (change.type === 'letting go') letGo(change.voice, change.timeS);
    else if (change.type === 'refused') {
      const { pad, bank: ofBank, clip } = change.sound;
      tell('miss', { pad, bank: ofBank, clip, why: 'no voices' });
    }
  }

  function start(voice) {
    const { assignment } = voice.sound;
    const buffer = buffers.touch(assignment.key);
    const source = context.createBufferSource();
    source.buffer = buffer;
    const gain = context.createGain();
    gain.gain.value = assignment.level;
    gain.gain.setValueAtTime(assignment.level, voice.startS);
    source.connect(gain).connect(master);
    const at = { id: (nextId += 1), source, gain, key: assignment.key };
    playing.set(voice, at);
    source.onended = () => {
      gain.disconnect();
      allocatorOf(assignment.device).finish(voice);
      playing.delete(voice);
    };
    if (assignment.playMode === 'loop') {
      source.loop = true;
      source.loopStart = assignment.loopStartS ?? assignment.startS;
      source.loopEnd = assignment.loopEndS ?? assignment.endS;
      source.start(voice.startS, assignment.startS);
    } else {
      source.start(voice.startS, assignment.startS, assignment.endS - assignment.startS);
    }
    tell('start', { id: at.id, ...named(voice.sound), timeS: voice.startS });
  }

  /** A live context has already promised its next block: fade from behind it. */
  const fadeFrom = (timeS) =>
    offline() ? timeS : timeS + Math.max(context.baseLatency || 0, BLOCK_FRAMES / context.sampleRate);

  function stop({ voice, timeS, reason, by }) {
    const at = playing.get(voice);
    if (!at) return;
    if (reason === 'end' || reason === 'released') {
      playing.delete(voice);
      tell('stop', { id: at.id, ...named(voice.sound), timeS, reason, by });
      return;
    }
    const fromS = fadeFrom(timeS);
    at.gain.gain.cancelScheduledValues(fromS);
    fade(at, fromS);
    playing.delete(voice);
    tell('stop', { id: at.id, ...named(voice.sound), timeS, reason, by });
  }

  function letGo(voice, timeS) {
    const at = playing.get(voice);
    if (!at) return;
    const fromS = fadeFrom(timeS);
    const toS = Math.max(voice.endS, fromS);
    const constantS = Math.max((toS - fromS) / RELEASE_CONSTANTS, fadeS / FADE_CONSTANTS);
    at.gain.gain.setTargetAtTime(0, fromS, constantS);
    fade(at, toS);
  }

  function fade(at, fromS) {
    at.gain.gain.setTargetAtTime(0, fromS, fadeS / FADE_CONSTANTS);
    at.source.stop(fromS + fadeS);
  }

  function find(pad, ofBank) {
    return pads.get(`${ofBank}|${pad}`);
  }

  function forgetUnused(key) {
    if (![...pads.values()].some((p) => p.key === key)) buffers.forget(key);
  }

  async function load(assignment) {
    const { key, clip, source, expected } = assignment;
    const buffer = await buffers.load(key, clip, source, expected);
    assignment.endS = Math.min(assignment.wantedEndS ?? buffer.duration, buffer.duration);
    assignment.sound = {
      bank: assignment.bank,
      pad: assignment.pad,
      clip,
      durationS: Math.max(0, assignment.endS - assignment.startS),
      channels: assignment.channels ?? buffer.numberOfChannels,
      playMode: assignment.playMode,
      muteGroup: assignment.muteGroup,
      assignment,
    };
    return buffer;
  }

  return {
    /** Starts sound; call it from a click or a key. Gives {state, text}. */
    async enable() {
      getContext();
      if (!offline() && context.state !== 'running') {
        const waited = new Promise((resolve) => setTimeout(resolve, RESUME_WAIT_MS));
        await Promise.race([context.resume(), waited]);
      }
      const text = enabled() ? '' : 'The browser keeps sound off until you click or press a key: press “Enable sound”.';
      return { state: context.state, text };
    },

    /**
     * Puts a sound on a pad and decodes it. `source` is an address, an ArrayBuffer or an
     * AudioBuffer. Options: bank (the current one), clip, playMode, muteGroup, gainDb,
     * startS, endS, loopStartS, loopEndS (seconds of the decoded sound), device,
     * channels (as stored on the device; else as decoded), durationS (lets a sound that
     * is too long be refused before it is fetched), key (equal keys share one decoded sound).
     */
    async assign(pad, source, more = {}) {
      const ofBank = more.bank ?? bank;
      const isAddress = typeof source === 'string';
      const assignment = {
        pad,
        bank: ofBank,
        source,
        key: more.key ?? (isAddress ? source : Symbol(more.clip ?? pad)),
        clip: more.clip ?? pad,
        playMode: more.playMode ?? 'one-shot',
        muteGroup: more.muteGroup ?? null,
        level: 10 ** ((more.gainDb ?? 0) / 20),
        startS: more.startS ?? 0,
        wantedEndS: more.endS,
        endS: 0,
        loopStartS: more.loopStartS,
        loopEndS: more.loopEndS,
        device: more.device ?? 'main',
        channels: more.channels,
        expected: { durationS: more.durationS, channels: more.channels ?? 2 },
        sound: null,
      };
      if (!['one-shot', 'gate', 'loop'].includes(assignment.playMode)) {
        throw new RangeError(`play mode ${assignment.playMode}: use one-shot, gate or loop`);
      }
      const place = `${ofBank}|${pad}`;
      const before = pads.get(place);
      pads.set(place, assignment);
      if (typeof before?.key === 'symbol') forgetUnused(before.key); // nobody can ask for it again
      const buffer = await load(assignment);
      if (!isAddress) assignment.source = null; // bytes are spent by decoding
      return {
        pad,
        bank: ofBank,
        durationS: assignment.sound.durationS,
        channels: buffer.numberOfChannels,
        bytes: buffer.length * buffer.numberOfChannels * 4,
        replaced: pads.get(place) !== assignment,
      };
    },

    unassign(pad, { bank: ofBank = bank } = {}) {
      const gone = find(pad, ofBank);
      pads.delete(`${ofBank}|${pad}`);
      if (gone) forgetUnused(gone.key);
    },

    /** True when a hit would sound at once. */
    ready(pad, { bank: ofBank = bank } = {}) {
      const assignment = find(pad, ofBank);
      return Boolean(assignment?.sound && buffers.has(assignment.key));
    },

    /** Hit a pad of the current bank. Gives {started, id, timeS, why}. */
    hit(pad, { timeS, velocity = 1 } = {}) {
      const assignment = find(pad, bank);
      const miss = (why) => {
        tell('miss', { pad, bank, clip: assignment?.clip ?? null, why });
        return { started: false, id: null, timeS: null, why, velocity };
      };
      if (!assignment) return miss('empty');
      if (!enabled()) return miss('sound off');
      if (!assignment.sound || !buffers.has(assignment.key)) {
        if (assignment.source) load(assignment).catch(() => {});
        return miss('not ready');
      }
      const atS = timeOf(timeS);
      const voice = allocatorOf(assignment.device).hit(assignment.sound, atS);
      if (voice) return { started: true, id: playing.get(voice).id, timeS: atS, why: '', velocity };
      const why = assignment.playMode === 'loop' ? 'loop stopped' : 'no voices';
      return { started: false, id: null, timeS: atS, why, velocity };
    },

    /** Let go of a pad, whichever bank it was hit in. */
    release(pad, { timeS } = {}) {
      if (!context) return;
      const atS = timeOf(timeS);
      for (const allocator of allocators.values()) allocator.release(pad, atS);
    },

    /** Tails ring on. Gives, when all is loaded, {bank, missing: pads whose sound was let go}. */
    async switchBank(number) {
      bank = number;
      tell('bank', { bank });
      const mine = [...pads.values()].filter((p) => p.bank === number);
      await Promise.allSettled(mine.map((p) => (p.source || buffers.has(p.key) ? load(p) : null)));
      const missing = mine.filter((p) => !p.sound || !buffers.has(p.key)).map((p) => p.pad);
      return { bank: number, missing };
    },

    stopAll({ timeS } = {}) {
      if (!context) return;
      const atS = timeOf(timeS);
      for (const allocator of allocators.values()) allocator.stopAll(atS);
    },

    /** New limits (another rig): stops what sounds. */
    setLimits(newLimits, newDevices = {}) {
      this.stopAll();
      limits = checkLimits(pickLimits(newLimits));
      deviceLimits = newDevices;
      allocators.clear();
    },

    on(type, listener) {
      listeners.get(type).add(listener);
      return () => listeners.get(type).delete(listener);
    },

    /** Seconds into the clip that a pad is playing, null when it is silent. */
    positionS(pad, { bank: ofBank = bank } = {}) {
      for (const voice of [...playing.keys()].reverse()) {
        const { assignment } = voice.sound;
        if (assignment.pad !== pad || assignment.bank !== ofBank) continue;
        const playedS = Math.max(0, context.currentTime - voice.startS);
        const loopStartS = assignment.loopStartS ?? assignment.startS;
        const loopS = (assignment.loopEndS ?? assignment.endS) - loopStartS;
        const atS = assignment.startS + playedS;
        const wraps = assignment.playMode === 'loop' && loopS > 0 && atS > loopStartS + loopS;
        return wraps ? loopStartS + ((atS - loopStartS) % loopS) : atS;
      }
      return null;
    },

    async dispose() {
      this.stopAll();
      pads.clear();
      if (ownContext && context) await context.close();
    },

    get enabled() { return enabled(); },
    get context() { return getContext(); },
    get output() { getContext(); return master; },
    get bank() { return bank; },
    get memory() { return buffers.memory; },
    get voicesInUse() { return [...allocators.values()].reduce((sum, a) => sum + a.inUse(), 0); },
    get sounding() {
      return [...playing].map(([voice, at]) => ({ id: at.id, ...named(voice.sound), startS: voice.startS }));
    },
  };
}

function named({ pad, bank, clip }) {
  return { pad, bank, clip };
}

function pickLimits({ voices, voicesPerStereo, samePadAgain, releaseS, whenFull }) {
  return { voices, voicesPerStereo, samePadAgain, releaseS, whenFull };
}
