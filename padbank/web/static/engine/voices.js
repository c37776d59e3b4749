// What sounds when pads are hit: starts, stops and why, on one device with so many voices.
//
// The same seven rules as padbank/rehearsal/voices.py, in its order and words;
// padbank/rehearsal/cases.json drives both. Pure: no sound, no clock, no page.
//
// Limits: {voices, voicesPerStereo, samePadAgain: 'overlap'|'self-cut', releaseS,
//          whenFull: 'oldest'|'refuse'}
// Sound:  {bank, pad, clip, durationS, channels, playMode: 'one-shot'|'gate'|'loop', muteGroup}
// Reasons a sound stops: 'end', 'cut' (by a pad of its mute group), 'released',
//   'stolen' (by a pad that needed its voices), 'hit again', 'refused', 'stopped',
//   'still sounding'.

export const SAME_TIME_S = 1e-9;

export const DEFAULT_LIMITS = Object.freeze({
  voices: 32,
  voicesPerStereo: 2,
  samePadAgain: 'overlap',
  releaseS: 0.01,
  whenFull: 'oldest',
});

/** Limits with defaults filled in; throws a sentence when one makes no sense. */
export function checkLimits(limits = {}) {
  const given = Object.fromEntries(Object.entries(limits).filter(([, value]) => value !== undefined));
  const full = { ...DEFAULT_LIMITS, ...given };
  if (!(full.voices >= 0) || !(full.voicesPerStereo >= 1)) {
    throw new RangeError('voices start at 0 and voices per stereo clip at 1: check the device');
  }
  if (!(Number.isFinite(full.releaseS) && full.releaseS >= 0)) {
    throw new RangeError(`release is ${full.releaseS} s: use a number from 0 up`);
  }
  if (!['overlap', 'self-cut'].includes(full.samePadAgain)) {
    throw new RangeError(`samePadAgain is ${full.samePadAgain}: use 'overlap' or 'self-cut'`);
  }
  if (!['oldest', 'refuse'].includes(full.whenFull)) {
    throw new RangeError(`whenFull is ${full.whenFull}: use 'oldest' or 'refuse'`);
  }
  return full;
}

function samePad(one, other) {
  return one.pad === other.pad && (one.bank === other.bank || one.clip === other.clip);
}

/** Released before held, then oldest first. */
function goesBefore(one, other) {
  const oneHeld = one.releasedS === null;
  const otherHeld = other.releasedS === null;
  if (oneHeld !== otherHeld) return otherHeld;
  const oneS = oneHeld ? one.startS : one.releasedS;
  const otherS = otherHeld ? other.startS : other.releasedS;
  return oneS !== otherS ? oneS < otherS : one.order < other.order;
}

/**
 * The rules as a machine. Feed it hits in time order. `tell` hears every change
 * as it is decided: {type: 'start', voice}, {type: 'stop', voice, timeS, reason, by},
 * {type: 'letting go', voice, timeS}, {type: 'refused', sound, timeS}.
 * A voice is {order, sound, startS, endS, voices, held, releasedS, cutShort}.
 */
export function createAllocator(limits, tell = () => {}) {
  const rules = checkLimits(limits);
  const sounding = [];
  let count = 0;

  function inUse() {
    return sounding.reduce((sum, voice) => sum + voice.voices, 0);
  }

  function voicesOf(sound) {
    if (!(sound.durationS > 0)) return 0;
    return sound.channels > 1 ? rules.voicesPerStereo : 1;
  }

  function stop(voice, timeS, reason, by = null) {
    sounding.splice(sounding.indexOf(voice), 1);
    tell({ type: 'stop', voice, timeS, reason, by });
  }

  function letGo(voice, timeS) {
    if (!voice.held) return;
    voice.held = false;
    voice.releasedS = timeS;
    if (timeS + rules.releaseS < voice.endS - SAME_TIME_S) {
      voice.endS = timeS + rules.releaseS;
      voice.cutShort = true;
      tell({ type: 'letting go', voice, timeS });
    }
  }

  function advance(timeS) {
    for (const voice of sounding.filter((v) => v.endS <= timeS + SAME_TIME_S)) {
      stop(voice, voice.endS, voice.cutShort ? 'released' : 'end');
    }
  }

  function hit(sound, timeS) {
    advance(timeS);
    const before = sounding.filter((v) => samePad(v.sound, sound));
    if (sound.playMode === 'loop' && before.length > 0) {
      for (const voice of before) stop(voice, timeS, 'hit again');
      return null;
    }
    for (const voice of before) letGo(voice, timeS);
    advance(timeS);
    const again =
      rules.samePadAgain === 'self-cut' ? sounding.filter((v) => samePad(v.sound, sound)) : [];
    const muted = sounding.filter(
      (v) => sound.muteGroup && v.sound.muteGroup === sound.muteGroup && !samePad(v.sound, sound),
    );
    const need = voicesOf(sound);
    const freed = [...again, ...muted].reduce((sum, voice) => sum + voice.voices, 0);
    const room = rules.voices - inUse() + freed;
    if (need > rules.voices || (need > room && rules.whenFull === 'refuse')) {
      tell({ type: 'refused', sound, timeS, need, limit: rules.voices });
      return null;
    }
    for (const voice of again) stop(voice, timeS, 'hit again');
    for (const voice of muted) stop(voice, timeS, 'cut', sound.pad);
    while (rules.voices - inUse() < need) {
      stop(sounding.reduce((a, b) => (goesBefore(b, a) ? b : a)), timeS, 'stolen', sound.pad);
    }
    count += 1;
    const voice = {
      order: count,
      sound,
      startS: timeS,
      endS: sound.playMode === 'loop' ? Infinity : timeS + sound.durationS,
      voices: need,
      held: sound.playMode === 'gate',
      releasedS: null,
      cutShort: false,
    };
    tell({ type: 'start', voice });
    if (!(sound.durationS > 0)) {
      tell({ type: 'stop', voice, timeS, reason: 'end', by: null });
      return null;
    }
    sounding.push(voice);
    return voice;
  }

  function release(pad, timeS) {
    advance(timeS);
    for (const voice of [...sounding]) {
      if (voice.sound.pad === pad) letGo(voice, timeS);
    }
    advance(timeS);
  }

  function stopAll(timeS) {
    advance(timeS);
    for (const voice of [...sounding]) stop(voice, timeS, 'stopped');
  }

  function close() {
    const ends = sounding.map((v) => v.endS).filter((endS) => endS < Infinity);
    advance(ends.length > 0 ? Math.max(...ends) : 0);
    for (const voice of [...sounding]) stop(voice, null, 'still sounding');
  }

  /** For a player whose clock says that this voice is over. */
  function finish(voice) {
    if (sounding.includes(voice)) stop(voice, voice.endS, voice.cutShort ? 'released' : 'end');
  }

  return { limits: rules, sounding, inUse, voicesOf, advance, hit, release, stopAll, close, finish };
}

/**
 * Play events on pads; the soundings by start, as in perform() of voices.py.
 * Events: {timeS, kind: 'hit'|'release'|'bank'|'stop', pad, bank}. The bank is 1
 * until the first switch.
 */
export function perform(limits, sounds, events) {
  const pads = new Map(sounds.map((sound) => [`${sound.bank}|${sound.pad}`, sound]));
  const soundings = [];
  const empty = [];
  const note = (sound, startS, stopS, reason, by, voices) =>
    soundings.push({ bank: sound.bank, pad: sound.pad, clip: sound.clip, startS, stopS, reason, by, voices });
  const allocator = createAllocator(limits, (change) => {
    if (change.type === 'stop') {
      const { voice } = change;
      note(voice.sound, voice.startS, change.timeS, change.reason, change.by, voice.voices);
    } else if (change.type === 'refused') {
      note(change.sound, change.timeS, change.timeS, 'refused', null, 0);
    }
  });
  let bank = 1;
  for (const event of [...events].sort((a, b) => a.timeS - b.timeS)) {
    if (event.kind === 'bank') bank = event.bank;
    else if (event.kind === 'release') allocator.release(event.pad, event.timeS);
    else if (event.kind === 'stop') allocator.stopAll(event.timeS);
    else if (pads.has(`${bank}|${event.pad}`)) allocator.hit(pads.get(`${bank}|${event.pad}`), event.timeS);
    else empty.push({ timeS: event.timeS, bank, pad: event.pad });
  }
  allocator.close();
  soundings.sort((a, b) => a.startS - b.startS || a.bank - b.bank || (a.pad < b.pad ? -1 : a.pad > b.pad ? 1 : 0) || a.voices - b.voices);
  return { soundings, empty };
}
