// Runs on the audio thread: tells the frame at which silence turns into sound.
// Used by bench.js only.

/* global AudioWorkletProcessor, registerProcessor, currentFrame */
class OnsetProbe extends AudioWorkletProcessor {
  constructor() {
    super();
    this.silent = true;
  }

  process([input]) {
    const samples = input[0];
    if (!samples) {
      this.silent = true;
      return true;
    }
    for (let n = 0; n < samples.length; n += 1) {
      const quiet = samples[n] === 0;
      if (this.silent && !quiet) this.port.postMessage(currentFrame + n);
      this.silent = quiet;
    }
    return true;
  }
}

registerProcessor('padbank-onset-probe', OnsetProbe);
