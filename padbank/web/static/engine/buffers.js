// Decoded sounds in bounded memory: each clip once, the longest unused one goes first.
//
// Decoding happens when a clip is assigned, never at hit time. `maxBytes` bounds
// the decoded sound that is held (channels x frames x 4 bytes); at most
// DECODES_AT_ONCE files are being decoded beside it.

export const DECODES_AT_ONCE = 2;
export const DEFAULT_MAX_BYTES = 256 * 1024 * 1024;
const BYTES_PER_SAMPLE = 4;

export function decodedBytes(buffer) {
  return buffer.length * buffer.numberOfChannels * BYTES_PER_SAMPLE;
}

function megabytes(bytes) {
  return `${(bytes / 1e6).toFixed(bytes < 1e7 ? 1 : 0)} MB`;
}

/**
 * `context` is a function that gives the audio context; `inUse(key)` says whether
 * a sound is playing; `evicted({key, bytes})` hears what was let go.
 */
export function createBuffers({ context, maxBytes = DEFAULT_MAX_BYTES, inUse, evicted, fetcher }) {
  const held = new Map(); // key -> {buffer, bytes}; oldest use first
  const loading = new Map(); // key -> promise
  const waiting = [];
  let heldBytes = 0;
  let decoding = 0;

  async function turn() {
    if (decoding >= DECODES_AT_ONCE) await new Promise((resolve) => waiting.push(resolve));
    else decoding += 1;
  }

  function done() {
    const next = waiting.shift();
    if (next) next();
    else decoding -= 1;
  }

  function checkSize(name, bytes) {
    if (bytes > maxBytes) {
      throw new RangeError(
        `${name} takes ${megabytes(bytes)} of sound memory, more than the ${megabytes(maxBytes)} ` +
          'kept for it: cut a section of it first',
      );
    }
  }

  function forget(key) {
    const entry = held.get(key);
    if (!entry) return;
    held.delete(key);
    heldBytes -= entry.bytes;
  }

  function makeRoom(name, bytes) {
    for (const [key, entry] of [...held]) {
      if (heldBytes + bytes <= maxBytes) return;
      if (inUse(key)) continue;
      forget(key);
      evicted({ key, bytes: entry.bytes });
    }
    if (heldBytes + bytes > maxBytes) {
      throw new RangeError(
        `no sound memory left for ${name}: ${megabytes(heldBytes)} are playing now; stop some first`,
      );
    }
  }

  function touch(key) {
    const entry = held.get(key);
    if (!entry) return null;
    held.delete(key);
    held.set(key, entry);
    return entry.buffer;
  }

  async function decode(name, source) {
    await turn();
    try {
      let bytes = source;
      if (typeof source === 'string') {
        let answer;
        try {
          answer = await fetcher(source);
        } catch {
          throw new Error(`${name} could not be fetched: is padbank still running?`);
        }
        if (!answer.ok) throw new Error(`${name} could not be fetched (${answer.status}): reload the page`);
        bytes = await answer.arrayBuffer();
      }
      try {
        return await context().decodeAudioData(bytes);
      } catch {
        throw new Error(`${name} cannot be decoded by this browser: render it as WAV first`);
      }
    } finally {
      done();
    }
  }

  /** The decoded sound of `key`, from memory, or from `source` (address, bytes or AudioBuffer). */
  async function load(key, name, source, expected = {}) {
    const ready = touch(key);
    if (ready) return ready;
    if (loading.has(key)) return loading.get(key);
    if (expected.durationS > 0 && expected.channels > 0) {
      const frames = expected.durationS * context().sampleRate;
      checkSize(name, frames * expected.channels * BYTES_PER_SAMPLE);
    }
    const promise = (async () => {
      const isBuffer = typeof source?.getChannelData === 'function';
      const buffer = isBuffer ? source : await decode(name, source);
      const bytes = decodedBytes(buffer);
      checkSize(name, bytes);
      makeRoom(name, bytes);
      held.set(key, { buffer, bytes });
      heldBytes += bytes;
      return buffer;
    })();
    loading.set(key, promise);
    try {
      return await promise;
    } finally {
      loading.delete(key);
    }
  }

  return {
    load,
    touch,
    forget,
    has: (key) => held.has(key),
    get memory() {
      return { heldBytes, maxBytes, clips: held.size };
    },
  };
}
