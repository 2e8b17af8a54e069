// Numbers into the maker's units and words. Pure: units, the clock's form and
// the moment are passed in; nothing here reads a clock or the document.
import { t } from './strings.js';

const GRAMS_PER_OUNCE = 28.349523125; // exact: international avoirdupois ounce
const MINUS = '−';

/** °C to the unit shown. */
export const toShown = (celsius, unit) => (unit === 'F' ? celsius * 1.8 + 32 : celsius);

/** The unit shown to °C. */
export const fromShown = (value, unit) => (unit === 'F' ? (value - 32) / 1.8 : value);

/** A difference in K to the unit shown. */
export const spanShown = (kelvin, unit) => (unit === 'F' ? kelvin * 1.8 : kelvin);

/** Grams to the unit shown. */
export const massToShown = (grams, unit) => (unit === 'oz' ? grams / GRAMS_PER_OUNCE : grams);

/** The unit shown to grams. */
export const massFromShown = (value, unit) => (unit === 'oz' ? value * GRAMS_PER_OUNCE : value);

/** A number with so many decimals and a real minus; never "-0". */
export function fixed(value, decimals) {
  let text = Math.abs(value).toFixed(decimals);
  if (value < 0 && Number(text) !== 0) text = MINUS + text;
  return text;
}

/** The parts of a big numeral: whole degrees, the tenth, the unit. */
export function tempParts(celsius, unit) {
  if (celsius === null || celsius === undefined || !Number.isFinite(celsius)) {
    return { whole: '––', tenth: '', unit: '°' + unit, known: false };
  }
  const [whole, tenth] = fixed(toShown(celsius, unit), 1).split('.');
  return { whole, tenth, unit: '°' + unit, known: true };
}

/** "71.4 °C". */
export function temp(celsius, unit, decimals = 1) {
  if (celsius === null || celsius === undefined || !Number.isFinite(celsius)) return '–';
  return `${fixed(toShown(celsius, unit), decimals)}\u00a0°${unit}`;
}

/** The station's words with numbers kept beside their units. */
export const firm = (words) => String(words).replace(/(\d) (°|g\b|oz\b|lb\b|min\b|s\b|h\b)/g, '$1\u00a0$2');

/**
 * What the station says of an alarm or a cue, in this device's units. The
 * station speaks in its own; every temperature in these words is one, none is a
 * difference.
 */
export function own(words, { temp: unit, mass: weight }) {
  return firm(String(words ?? '')
    .replace(/([−-]?)(\d+(?:\.\d+)?)[ \u00a0]°([CF])\b/g, (all, sign, n, from) => {
      if (from === unit) return all;
      return temp(fromShown(Number(n) * (sign ? -1 : 1), from), unit, unit === 'C' ? 1 : 0);
    })
    .replace(/(\blb[ \u00a0])?(\d+(?:\.\d+)?)[ \u00a0](g|oz)\b/g, (all, pounds, n, from) => {
      if (from === weight || pounds) return all;
      return mass(massFromShown(Number(n), from), weight);
    }));
}

/** Parts of speech joined as sentences: no full stop after a question. */
export const sentences = (...parts) => parts.filter(Boolean).map((p) => (/[.?!…:]$/.test(p) ? p : `${p}.`)).join(' ');

/** "71°": for marks and axes, where the unit is said nearby. */
export const degrees = (celsius, unit, decimals = 0) => `${fixed(toShown(celsius, unit), decimals)}°`;

/**
 * "96 g", "25.5 g", "3.39 oz", "2 lb 3.3 oz". `step` is the smallest step in
 * grams that the maker's scale shows, when it is known.
 */
export function mass(grams, unit, step = 0) {
  if (!Number.isFinite(grams)) return '–';
  if (unit !== 'oz') {
    let decimals = grams < 100 && Math.abs(grams - Math.round(grams)) > 0.04 ? 1 : 0;
    if (step > 0) decimals = Math.max(0, Math.min(3, Math.ceil(-Math.log10(step) - 1e-9)));
    return `${fixed(grams, decimals)}\u00a0g`;
  }
  const oz = grams / GRAMS_PER_OUNCE;
  if (oz < 16) return `${fixed(oz, 2)}\u00a0oz`;
  let pounds = Math.floor(oz / 16);
  let rest = Math.round((oz - pounds * 16) * 10) / 10;
  if (rest === 16) { pounds += 1; rest = 0; }
  return rest === 0 ? `${pounds}\u00a0lb` : `${pounds}\u00a0lb ${fixed(rest, 1)}\u00a0oz`;
}

/**
 * What a scale of the given step (in grams) shows: in ounces when the step is a
 * round one in ounces and not in grams, with as many decimals as the step has.
 * Less than a step, and without a known scale, it is `mass` in the given unit.
 */
export function weighed(grams, step, unit) {
  const round = (v) => Math.abs(v * 1000 - Math.round(v * 1000)) < 1e-6 * Math.max(v * 1000, 1);
  if (!(step > 0) || !Number.isFinite(grams)) return mass(grams, unit);
  const ounces = !round(step) && round(step / GRAMS_PER_OUNCE);
  const each = ounces ? GRAMS_PER_OUNCE : 1;
  let decimals = 3;
  for (let d = 0; d < 3; d++) if (Math.abs(step / each * 10 ** d - Math.round(step / each * 10 ** d)) < 1e-6) { decimals = d; break; }
  if (grams > 0 && grams < step * 0.999) decimals = ounces ? 2 : grams < 1 ? 2 : 1; // too little for it; the sheet says so
  const shown = grams / each;
  if (!ounces || shown < 16 - 0.5 * 10 ** -decimals) return `${fixed(shown, decimals)}\u00a0${ounces ? 'oz' : 'g'}`;
  const all = Math.round(shown * 10 ** decimals) / 10 ** decimals;
  const pounds = Math.floor(all / 16 + 1e-9);
  const rest = Math.max(0, all - 16 * pounds);
  return rest < 0.5 * 10 ** -decimals ? `${pounds}\u00a0lb` : `${pounds}\u00a0lb ${fixed(rest, decimals)}\u00a0oz`;
}

/** "rising 1.8° a minute", from °C per minute. Under 0.1° a minute it is steady. */
export function trend(perMinute, unit) {
  if (perMinute === null || perMinute === undefined || !Number.isFinite(perMinute)) return '';
  const shown = spanShown(perMinute, unit);
  if (Math.abs(shown) < 0.05) return t('trend.flat');
  const rate = `${fixed(Math.abs(shown), 1)}°`;
  return t(shown > 0 ? 'trend.up' : 'trend.down', { rate });
}

/** A span in words, cut as a person would: "40 s", "6 min", "2 h 40 min", "2 days". */
export function span(seconds, round = Math.round) {
  const s = Math.max(0, seconds);
  if (s < 90) return t('dur.s', { n: s < 20 ? round(s) : round(s / 5) * 5 });
  if (s < 99.5 * 60) return t('dur.min', { n: round(s / 60) });
  if (s < 47.5 * 3600) {
    const minutes = round(s / 60);
    const cut = s < 6 * 3600 ? 5 : 30;
    const m = round(minutes / cut) * cut;
    return m % 60 === 0 ? t('dur.h', { h: m / 60 }) : t('dur.hm', { h: Math.floor(m / 60), m: m % 60 });
  }
  return t('dur.d', { n: round(s / 86400) });
}

/** A span on a running timer: "0:45", "12:07", "3:02:10". */
export function timer(seconds) {
  const s = Math.max(0, Math.ceil(seconds));
  const h = Math.floor(s / 3600);
  const m = Math.floor((s % 3600) / 60);
  const pad = (n) => String(n).padStart(2, '0');
  return h > 0 ? `${h}:${pad(m)}:${pad(s % 60)}` : `${m}:${pad(s % 60)}`;
}

/** An age in words, to the second while that matters: "12 s", "3 min". */
export function age(seconds) {
  const s = Math.max(0, Math.floor(seconds));
  if (s < 120) return t('dur.s', { n: s });
  return span(s, Math.floor);
}

/** Two ends of an interval, widened outward to whole words: "5 to 8 min". */
export function range(lo, hi) {
  if (hi === null || hi === undefined || !Number.isFinite(hi)) return t('range.open', { lo: span(lo, Math.floor) });
  const a = span(lo, Math.floor);
  const b = span(hi, Math.ceil);
  if (a === b) return b;
  const [an, au] = split(a);
  const [bn, bu] = split(b);
  if (au !== null && au === bu) return t('range', { lo: an, hi: `${bn} ${bu}` });
  return t('range', { lo: a, hi: b });
}

function split(text) {
  const parts = text.split(' ');
  return parts.length === 2 ? parts : [text, null];
}

// Making a formatter takes a hundred times as long as using it.
const formatters = new Map();

function formatter(locale, options) {
  const key = locale + JSON.stringify(options);
  let f = formatters.get(key);
  if (!f) {
    f = new Intl.DateTimeFormat(locale, options);
    formatters.set(key, f);
  }
  return f;
}

/** "10:42" or "10:42 am", in the device's own zone unless one is given. */
export function clock(date, form, { seconds = false, zone } = {}) {
  const d = date instanceof Date ? date : new Date(date);
  if (Number.isNaN(d.getTime())) return '–';
  const text = formatter(t('locale'), {
    hour: form === '12' ? 'numeric' : '2-digit',
    minute: '2-digit',
    second: seconds ? '2-digit' : undefined,
    hour12: form === '12',
    timeZone: zone,
  }).format(d);
  return text.replace(/[ \u202f]/g, '\u00a0').toLowerCase();
}

/** "today", "yesterday" or "3 Nov", "3 Nov 2024" in another year. */
export function day(date, now, zone) {
  const d = new Date(date);
  const key = (x) => formatter('en-CA', { timeZone: zone, year: 'numeric', month: '2-digit', day: '2-digit' }).format(x);
  if (key(d) === key(now)) return t('day.today');
  if (key(d) === key(new Date(now.getTime() - 86400e3))) return t('day.yesterday');
  return formatter(t('locale'), {
    day: 'numeric', month: 'short', timeZone: zone,
    year: key(d).slice(0, 4) === key(now).slice(0, 4) ? undefined : 'numeric',
  }).format(d);
}

/** Day and time: "today 10:42", "3 Nov 10:42". */
export const moment = (date, now, form, zone) => `${day(date, now, zone)} ${clock(date, form, { zone })}`;

/** A plan's wait, in ns as the station keeps it, in words. */
export const wait = (ns) => span(ns / 1e9);

/** A number typed by hand: comma or point, blanks allowed. NaN when it is none. */
export function typed(text) {
  const s = String(text).trim().replace(/ | /g, '').replace(',', '.').replace(MINUS, '-');
  return /^-?\d*\.?\d+$/.test(s) ? Number(s) : NaN;
}
