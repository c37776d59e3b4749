// One audio engine for the whole page: auditions of single clips, and the pads of a layout.

import { createEngine } from '../engine/engine.js';
import { part } from './api.js';

const HEAR_PAD = 'hear';

export function createPlay({ tell, onState }) {
  const engine = createEngine({ voices: 64, samePadAgain: 'self-cut', releaseS: 0.02 });
  const listeners = new Set();
  let assigned = '';
  engine.on('state', () => onState(engine.enabled));

  const play = {
    engine,
    hear(message) {
      for (const listener of [...listeners]) listener(message);
    },
    onMessage(listener) {
      listeners.add(listener);
      return () => listeners.delete(listener);
    },
    tell,
    /** Goes up when anything was changed: what was decoded before may sound otherwise now. */
    version: 0,
    async enable() {
      const answer = await engine.enable();
      onState(engine.enabled);
      return answer;
    },
    /** Hear one clip as the pad would play it (a click or key must have asked for it). */
    async clip(name, recipe, { show = null, revision = '', spot = null } = {}) {
      const query = new URLSearchParams();
      if (show) query.set('show', show);
      if (spot) {
        query.set('bank', spot.bank);
        query.set('pad', spot.pad);
      }
      query.set('seen', `${revision}-${play.version}`);
      const address = `/api/clips/${part(name)}/sound.wav?${query}`;
      const answer = await engine.enable();
      onState(engine.enabled);
      if (answer.text) throw new Error(answer.text);
      if (assigned !== address) {
        engine.unassign(HEAR_PAD, { bank: engine.bank });
        const more = { clip: name, playMode: recipe.play_mode };
        if (recipe.play_mode === 'loop' && recipe.loop_start_s !== null) {
          more.loopStartS = recipe.loop_start_s - recipe.start_s;
          more.loopEndS = recipe.loop_end_s - recipe.start_s;
        }
        await engine.assign(HEAR_PAD, address, more);
        assigned = address;
      }
      return engine.hit(HEAR_PAD);
    },
    letGo() {
      engine.release(HEAR_PAD);
    },
    stop() {
      engine.stopAll();
    },
    positionS: () => engine.positionS(HEAR_PAD),
  };
  return play;
}
