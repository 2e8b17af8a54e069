// What this device prefers. Kept on the device, and with the station so that it
// survives a cleared browser; sound, speech and the like are the device's own.
import { api } from './api.js';
import { store } from './store.js';

const KEY = 'meltstation.prefs';
const defaults = { temp: '', mass: '', clock: '', theme: 'auto', sound: null, speech: true, vibrate: true, awake: true };

let prefs = { ...defaults };
try { prefs = { ...defaults, ...JSON.parse(localStorage.getItem(KEY) || '{}') }; } catch { /* no storage: defaults */ }

const listeners = new Set();

export const get = (name) => prefs[name];
export const onChange = (fn) => { listeners.add(fn); return () => listeners.delete(fn); };

/** The units to show: the device's choice, else the station's, else the trade's plain ones. */
export function units() {
  const snap = store.snapshot;
  return {
    temp: prefs.temp || snap?.units || 'C',
    mass: prefs.mass || snap?.mass || 'g',
    clock: prefs.clock || systemClock(),
  };
}

const system12 = (() => {
  try { return new Intl.DateTimeFormat(undefined, { hour: 'numeric' }).resolvedOptions().hour12 === true; } catch { return false; }
})();
const systemClock = () => (system12 ? '12' : '24');

/** Sets one preference, applies it, and tells the station (best effort). */
export function set(name, value) {
  if (prefs[name] === value) return;
  prefs = { ...prefs, [name]: value };
  save();
  apply();
  for (const fn of listeners) fn(name);
  if (['temp', 'mass', 'clock', 'theme', 'sound'].includes(name)) push();
}

function save() {
  try { localStorage.setItem(KEY, JSON.stringify(prefs)); } catch { /* private mode: this visit only */ }
}

export function apply() {
  const root = document.documentElement;
  if (prefs.theme === 'auto') delete root.dataset.theme; else root.dataset.theme = prefs.theme;
}

function push() {
  const u = units();
  api.putPreferences({
    units: u.temp, mass: u.mass, clock: u.clock, theme: prefs.theme, sound: prefs.sound !== false,
    language: document.documentElement.lang || 'en',
  }).catch(() => { /* the device keeps its own copy */ });
}

/** Takes what the station keeps for this device, wherever the device itself has chosen nothing. */
export async function load() {
  try {
    const p = await api.preferences();
    prefs = {
      ...prefs,
      temp: prefs.temp || p.units || '',
      mass: prefs.mass || p.mass || '',
      // 24 h is what the station says of a device it does not know: then the device's own habit stands.
      clock: prefs.clock || (p.clock === '12' ? '12' : ''),
      theme: prefs.theme !== 'auto' ? prefs.theme : p.theme || 'auto',
    };
    apply();
    for (const fn of listeners) fn('all');
  } catch { /* the station's defaults do */ }
}
