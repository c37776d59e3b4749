// Hits from a MIDI input: messages to pads, and a plain sentence when there is no MIDI.
//
//   const midi = createMidi({pads: rig.pads, controls: rig.controls, onHit, onRelease, onBank,
//                            onControl, onState});
//   const {ok, text} = await midi.start();      // text says why not, in words for the page
//
// A pad is {pad_id, note, channel}; a channel of null takes any. A control is
// {label, note, channel, pad_id}: where its own note is null its pad's note counts.
// Tests (and a page that has its own access object) give `access` or `requestAccess`.
//
// Message facts: MIDI 1.0 Detailed Specification 4.2.1 (status bytes; velocity 0 is a
// note-off). Program change n meaning bank n + 1 is common practice, no source.

export const NOTE_OFF = 0x80;
export const NOTE_ON = 0x90;
export const PROGRAM_CHANGE = 0xc0;

/** {kind: 'on'|'off'|'program', channel 1-16, note, velocity 0-1, program}, or null. */
export function readMessage(data) {
  if (!data || data.length < 2 || data[0] < 0x80 || data[0] >= 0xf0) return null;
  const status = data[0] & 0xf0;
  const channel = (data[0] & 0x0f) + 1;
  if (status === PROGRAM_CHANGE) return { kind: 'program', channel, program: data[1] & 0x7f };
  if (data.length < 3) return null;
  const note = data[1] & 0x7f;
  const velocity = (data[2] & 0x7f) / 127;
  if (status === NOTE_ON && velocity > 0) return { kind: 'on', channel, note, velocity };
  if (status === NOTE_ON || status === NOTE_OFF) return { kind: 'off', channel, note, velocity: 0 };
  return null;
}

/** Looks up {pad_id, control} of a note; a pad with its own channel beats one with any. */
export function createNoteMap(pads, controls = []) {
  const notes = new Map();
  const put = (note, channel, value) => {
    if (note === null || note === undefined) return;
    const key = `${channel ?? '*'}|${note}`;
    notes.set(key, { ...notes.get(key), ...value });
  };
  for (const pad of pads) put(pad.note, pad.channel, { pad_id: pad.pad_id });
  const byId = new Map(pads.map((pad) => [pad.pad_id, pad]));
  for (const control of controls) {
    if (control.note === null || control.note === undefined) continue;
    const pad = byId.get(control.pad_id);
    put(control.note, control.channel ?? pad?.channel, { pad_id: control.pad_id ?? null, control: control.label });
  }
  return (channel, note) => notes.get(`${channel}|${note}`) ?? notes.get(`*|${note}`) ?? null;
}

/** {ok, text}: whether this page may use MIDI, and if not, why and what to do. */
export function midiSupport(scope = globalThis) {
  if (typeof scope.navigator?.requestMIDIAccess === 'function') return { ok: true, text: '' };
  if (scope.isSecureContext === false) {
    return {
      ok: false,
      text:
        'Browsers allow MIDI only on the computer’s own page (127.0.0.1) or over https. Plug the pads into ' +
        'the computer that runs padbank and leave its page open: it passes every hit on to this one.',
    };
  }
  return { ok: false, text: 'This browser has no Web MIDI. Open the page in one that has it, or use keys and clicks.' };
}

export function createMidi({
  pads = [],
  controls = [],
  access = null,
  requestAccess = null,
  scope = globalThis,
  programIsBank = true,
  onHit = () => {},
  onRelease = () => {},
  onBank = () => {},
  onControl = () => {},
  onUnknown = () => {},
  onState = () => {},
} = {}) {
  let lookUp = createNoteMap(pads, controls);
  let current = null;

  function heard(event) {
    const message = readMessage(event.data);
    if (!message) return;
    const timeMs = event.timeStamp ?? null;
    if (message.kind === 'program') {
      if (programIsBank) onBank({ bank: message.program + 1, timeMs });
      return;
    }
    const target = lookUp(message.channel, message.note);
    if (!target) {
      if (message.kind === 'on') onUnknown({ channel: message.channel, note: message.note, timeMs });
      return;
    }
    if (target.control && message.kind === 'on') onControl({ label: target.control, pad: target.pad_id, timeMs });
    if (!target.pad_id) return;
    if (message.kind === 'on') onHit({ pad: target.pad_id, velocity: message.velocity, timeMs });
    else onRelease({ pad: target.pad_id, timeMs });
  }

  function listen() {
    const inputs = current ? [...current.inputs.values()] : [];
    for (const input of inputs) input.onmidimessage = heard;
    onState({ inputs: inputs.filter((i) => i.state !== 'disconnected').map((i) => i.name ?? 'MIDI input') });
  }

  return {
    async start() {
      current = access;
      if (!current) {
        const support = requestAccess ? { ok: true } : midiSupport(scope);
        if (!support.ok) return support;
        try {
          current = await (requestAccess ?? (() => scope.navigator.requestMIDIAccess()))();
        } catch {
          return { ok: false, text: 'The browser did not allow MIDI. Allow it in the page’s settings and try again.' };
        }
      }
      current.onstatechange = listen;
      listen();
      return { ok: true, text: '' };
    },
    stop() {
      for (const input of current?.inputs.values() ?? []) input.onmidimessage = null;
      if (current) current.onstatechange = null;
      current = null;
    },
    setMap(newPads, newControls = []) {
      lookUp = createNoteMap(newPads, newControls);
    },
    /** A message as if it had come in: for keys on screen and for tests. */
    heard,
  };
}
