// The staff's scale: which temperatures a pot's picture spans, and where on it
// each one stands. Pure.
import { toShown, fromShown } from './format.js';

/**
 * The span of a pot's staff in °C, on whole tens of the unit shown. With a
 * batch it holds the pour window, scent-add and the flash limit if that is
 * near; without one it holds what the probe reads.
 */
export function staffSpan(bands, celsius, unit) {
  let lo = 20;
  let hi = 90;
  if (bands) {
    lo = Math.min(bands.pour_low, bands.congeal || bands.pour_low) - 12;
    hi = bands.scent_add + 9;
    const flash = flashLimit(bands);
    if (flash !== null && flash < bands.scent_add + 25) hi = Math.max(hi, flash + 3);
  }
  if (Number.isFinite(celsius)) {
    if (celsius > hi - 3) hi = celsius + 5;
    if (!bands && celsius < lo + 5) lo = celsius - 10;
  }
  const ten = unit === 'F' ? 20 : 10;
  const down = fromShown(Math.floor(toShown(lo, unit) / ten) * ten, unit);
  const up = fromShown(Math.ceil(toShown(hi, unit) / ten) * ten, unit);
  return { lo: down, hi: up };
}

/** Where the flash-point alarm stands in °C, or null. */
export function flashLimit(bands) {
  return bands && bands.flash ? bands.flash.celsius - bands.flash_margin : null;
}

/** Ticks of a staff: {c, shown, tall}, one for each block edge. */
export function staffTicks({ lo, hi }, unit) {
  const step = unit === 'F' ? 5 : 2;
  const ten = unit === 'F' ? 20 : 10;
  const ticks = [];
  for (let v = Math.round(toShown(lo, unit)); v <= Math.round(toShown(hi, unit)); v += step) {
    ticks.push({ c: fromShown(v, unit), shown: v, tall: v % ten === 0 });
  }
  return ticks;
}

/** The height on a picture, in px from its top, of a temperature. */
export function yOf(c, { lo, hi }, height, top = 0, bottom = 0) {
  const y = top + ((hi - c) / (hi - lo)) * (height - top - bottom);
  return Math.min(height, Math.max(0, y));
}

/**
 * How much time a picture holds on each side of now, in s: as far as the fan
 * reaches, in calm steps (each a quarter longer), so that it does not breathe
 * with every forecast. Without a fan it is a quarter of an hour.
 */
export function timeSpan(reach) {
  if (!(reach > 0)) return 900;
  let s = 240;
  while (s < reach && s < 14400) s *= 1.25;
  return s;
}
