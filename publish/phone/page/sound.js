// Sounds, vibration and a screen that stays on. A browser lets a page sound
// only after a touch, and keeps the screen on only over a secure connection.

import { keep, kept } from './dom.js';

let audio = null;
let wanted = kept('sound') === 'on';

// Tones between 500 and 2500 Hz (ISO 7731): [Hz, from s, for s]. The more urgent,
// the higher, the longer and the more often.
const TUNES = {
  low: [[587, 0, 0.18]],
  prompt: [[587, 0, 0.12], [740, 0.16, 0.2]],
  medium: [[784, 0, 0.22], [1047, 0.28, 0.22], [784, 0.56, 0.3]],
  high: [[1047, 0, 0.16], [1568, 0.2, 0.16], [1047, 0.4, 0.16], [1568, 0.6, 0.16], [1047, 0.8, 0.16], [1568, 1, 0.3]],
};
const SHAKES = { low: [60], prompt: [60, 80, 60], medium: [200, 120, 200], high: [500, 150, 500, 150, 500] };

/** allowed tells whether sounds will be heard. */
export const allowed = () => wanted && audio?.state === 'running';

/** allow is to be called from a touch. */
export async function allow(is) {
  wanted = is;
  keep('sound', is ? 'on' : 'off');
  if (!is) return audio?.suspend();
  audio ??= new (globalThis.AudioContext ?? globalThis.webkitAudioContext)();
  await audio.resume();
}

/** resume lets a phone that had sound before have it again at the first touch. */
export const resume = () => (wanted && audio?.state !== 'running' ? allow(true) : undefined);

/** signal sounds and shakes: low, prompt, medium or high. */
export function signal(kind) {
  navigator.vibrate?.(SHAKES[kind]);
  if (!allowed()) return;
  for (const [hertz, from, length] of TUNES[kind]) {
    const tone = audio.createOscillator();
    const gain = audio.createGain();
    const at = audio.currentTime + 0.02 + from;
    const loud = kind === 'low' || kind === 'prompt' ? 0.35 : 0.9;
    tone.type = kind === 'high' ? 'square' : 'triangle';
    tone.frequency.value = hertz;
    gain.gain.setValueAtTime(0, at);
    gain.gain.linearRampToValueAtTime(loud, at + 0.02);
    gain.gain.setValueAtTime(loud, at + length - 0.03);
    gain.gain.linearRampToValueAtTime(0, at + length);
    tone.connect(gain).connect(audio.destination);
    tone.start(at);
    tone.stop(at + length);
  }
}

let lock = null;

/** stayAwake keeps the screen on where the browser can; call it again whenever the page shows. */
export async function stayAwake() {
  if (!navigator.wakeLock || document.visibilityState !== 'visible' || (lock && !lock.released)) return;
  try { lock = await navigator.wakeLock.request('screen'); } catch { lock = null; }
}

/** awake tells it in words, for the set-up. */
export const awake = () => {
  if (!navigator.wakeLock) return 'This browser cannot keep the screen on over a plain connection: set it in the phone.';
  return lock && !lock.released ? 'The screen stays on.' : 'The phone may switch its screen off.';
};
