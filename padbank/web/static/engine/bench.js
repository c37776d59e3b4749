// Measures how long a hit takes to sound, through the engine as the page uses it.
//
// A probe on the audio thread reports the frame at which the engine's output turns
// from silence to sound. `rendered` is the time from the call of hit() to that frame
// leaving the audio graph, by the browser's own relation of the two clocks; `heard` adds
// the output latency that the browser states, up to the output device; `reported` is a
// plain upper bound of `rendered`, until the probe's message was back. In milliseconds.

/** One object of samples and figures; `engine` must be enabled. */
export async function measureHits(engine, { hits = 200, pad = 'bench/1' } = {}) {
  const { context } = engine;
  const clickFrames = Math.round(context.sampleRate * 0.005);
  const click = new AudioBuffer({ length: clickFrames, numberOfChannels: 1, sampleRate: context.sampleRate });
  click.getChannelData(0).fill(0.001);
  await engine.assign(pad, click, { clip: 'bench-click' });
  await context.audioWorklet.addModule(new URL('./probe.js', import.meta.url));
  const probe = new AudioWorkletNode(context, 'padbank-onset-probe', { numberOfOutputs: 0 });
  engine.output.connect(probe);
  const rendered = [];
  const heard = [];
  const reported = [];
  let lost = 0;
  try {
    for (let n = 0; n < hits; n += 1) {
      // Odd gaps, so that hits fall anywhere within the audio thread's blocks.
      await new Promise((resolve) => setTimeout(resolve, 20 + ((n * 7919) % 1000) / 60));
      const frame = await hitOnce(engine, pad, probe);
      if (frame === null) {
        lost += 1;
        continue;
      }
      const stamp = context.getOutputTimestamp();
      const outMs = stamp.performanceTime + (frame.frame / context.sampleRate - stamp.contextTime) * 1000;
      reported.push(frame.backMs - frame.hitMs);
      heard.push(outMs - frame.hitMs);
      rendered.push(outMs - frame.hitMs - (context.outputLatency || 0) * 1000);
    }
  } finally {
    engine.output.disconnect(probe);
    engine.unassign(pad);
  }
  return {
    hits,
    lost,
    baseLatencyMs: context.baseLatency * 1000,
    outputLatencyMs: (context.outputLatency || 0) * 1000,
    rendered: figures(rendered),
    heard: figures(heard),
    reported: figures(reported),
  };
}

function hitOnce(engine, pad, probe) {
  return new Promise((resolve) => {
    const timeout = setTimeout(() => resolve(null), 1000);
    probe.port.onmessage = ({ data }) => {
      const backMs = performance.now();
      clearTimeout(timeout);
      resolve({ frame: data, hitMs, backMs });
    };
    const hitMs = performance.now();
    engine.hit(pad);
  });
}

function figures(samples) {
  const sorted = [...samples].sort((a, b) => a - b);
  const at = (share) => sorted[Math.min(sorted.length - 1, Math.ceil(share * sorted.length) - 1)] ?? null;
  return { medianMs: at(0.5), p95Ms: at(0.95), worstMs: sorted.at(-1) ?? null };
}
