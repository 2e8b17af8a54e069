// Sound, vibration and speech, made on the device: no sound files.
import * as prefs from './prefs.js';

let ctx = null;
let asked = false;

const root = document.documentElement;

/** Whether sound can be heard now. */
export const ready = () => ctx !== null && ctx.state === 'running' && prefs.get('sound') === true;

/** Whether the maker chose sound but the browser still waits for a touch. */
export const waiting = () => prefs.get('sound') === true && !ready();

function mark() { root.dataset.audio = ctx ? ctx.state : 'none'; }

/** To be called from a touch or a key: browsers allow sound only then. */
export async function unlock() {
  const AC = window.AudioContext || window.webkitAudioContext;
  if (!AC) return false;
  if (!ctx) {
    ctx = new AC();
    ctx.onstatechange = () => { mark(); document.dispatchEvent(new CustomEvent('meltstation:audio')); };
  }
  if (ctx.state !== 'running') { try { await ctx.resume(); } catch { /* stays waiting */ } }
  mark();
  return ctx.state === 'running';
}

/** Arms every later touch to bring sound back after a reload. */
export function arm() {
  if (asked) return;
  asked = true;
  for (const kind of ['pointerdown', 'keydown']) {
    document.addEventListener(kind, () => { if (prefs.get('sound') === true && !ready()) unlock(); }, { passive: true });
  }
  mark();
}

// One note: a mellow tone with a struck start. Two partials carry further from
// a phone's small loudspeaker than one.
function note(at, hertz, length, loud, shape = 'triangle') {
  for (const [mult, part] of [[1, 1], [2.01, 0.35]]) {
    const osc = ctx.createOscillator();
    const gain = ctx.createGain();
    osc.type = shape;
    osc.frequency.value = hertz * mult;
    gain.gain.setValueAtTime(0.0001, at);
    gain.gain.exponentialRampToValueAtTime(loud * part, at + 0.015);
    gain.gain.exponentialRampToValueAtTime(0.0001, at + length);
    osc.connect(gain).connect(ctx.destination);
    osc.start(at);
    osc.stop(at + length + 0.05);
  }
}

/** Plays "alarm", "cue" or "tap"; nothing when sound is off. Gives true when it played. */
export function play(kind) {
  root.dataset.lastSound = kind;
  if (!ready()) return false;
  const t = ctx.currentTime + 0.02;
  if (kind === 'alarm') {
    for (let i = 0; i < 3; i++) {
      note(t + i * 0.42, 880, 0.24, 0.5, 'square');
      note(t + i * 0.42 + 0.2, 660, 0.24, 0.5, 'square');
    }
  } else if (kind === 'cue') {
    note(t, 523.25, 0.5, 0.4);
    note(t + 0.22, 659.25, 0.5, 0.4);
    note(t + 0.44, 783.99, 0.9, 0.45);
  } else {
    note(t, 392, 0.12, 0.2);
  }
  root.dataset.sounded = String(Number(root.dataset.sounded || 0) + 1);
  return true;
}

/** Shakes the device, where it can. */
export function shake(kind) {
  if (!prefs.get('vibrate') || !navigator.vibrate) return;
  if (navigator.userActivation && !navigator.userActivation.hasBeenActive) return; // browsers refuse before the first touch
  try { navigator.vibrate(kind === 'alarm' ? [400, 150, 400, 150, 800] : [180, 120, 180]); } catch { /* not allowed yet */ }
}

/** Speaks a sentence; an urgent one cuts off what is being said. */
export function speak(words, urgent = false) {
  if (prefs.get('sound') !== true || !prefs.get('speech') || !window.speechSynthesis) return;
  try {
    if (urgent) speechSynthesis.cancel();
    const u = new SpeechSynthesisUtterance(words);
    u.lang = root.lang || 'en';
    u.rate = 0.95;
    speechSynthesis.speak(u);
  } catch { /* speech is an extra */ }
}
