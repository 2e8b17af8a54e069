// Curves as columns, and their thinning to what a screen can show. Pure.

/** An empty curve: t in s from `start` (ms since 1970), c in °C or null. */
export const emptyCurve = () => ({ start: null, t: [], c: [], lo: [], hi: [] });

/** Appends one reading. Readings come in order; one not later than the last is left out. */
export function append(curve, atMs, celsius) {
  if (curve.start === null) curve.start = atMs;
  const s = (atMs - curve.start) / 1000;
  const n = curve.t.length;
  if (n > 0 && s <= curve.t[n - 1]) return false;
  curve.t.push(s);
  curve.c.push(celsius);
  curve.lo.push(celsius);
  curve.hi.push(celsius);
  return true;
}

/** Index of the first t at or after x. */
export function indexAt(ts, x) {
  let a = 0;
  let b = ts.length;
  while (a < b) {
    const m = (a + b) >> 1;
    if (ts[m] < x) a = m + 1; else b = m;
  }
  return a;
}

const BLOCK = 16;

// A curve in whole blocks of 16 readings with their least and greatest, kept
// beside it and grown with it: a whole day is drawn from these. A column of the
// screen then holds two blocks or more, so nothing moves by as much as a pixel.
function coarse(curve) {
  const whole = Math.floor(curve.t.length / BLOCK);
  const k = (curve.blocks ||= { t: [], c: [], lo: [], hi: [] });
  for (let i = k.t.length; i < whole; i++) {
    let min = null;
    let max = null;
    for (let j = i * BLOCK; j < (i + 1) * BLOCK; j++) {
      const v = curve.c[j];
      if (v === null || v === undefined) continue;
      const l = curve.lo[j] ?? v;
      const h = curve.hi[j] ?? v;
      if (min === null || l < min) min = l;
      if (max === null || h > max) max = h;
    }
    k.t.push(curve.t[i * BLOCK + BLOCK / 2]);
    k.c.push(min === null ? null : (min + max) / 2);
    k.lo.push(min);
    k.hi.push(max);
  }
  return k;
}

/**
 * Thins a curve to at most two points for each of `columns` pixel columns: the
 * least and the greatest in the order they came, so that no spike is lost, or
 * one midway where they lie within `alike` °C; a null wherever a whole column
 * holds nothing good. Gives {t, c}.
 */
export function thin(curve, from, to, columns, alike = 0) {
  const out = { t: [], c: [] };
  const first = Math.max(0, indexAt(curve.t, from) - 1);
  const end = Math.min(curve.t.length, indexAt(curve.t, to) + 1);
  if (end - first <= columns * 2) {
    for (let i = first; i < end; i++) {
      out.t.push(curve.t[i]);
      out.c.push(curve.c[i] ?? null);
    }
    return out;
  }
  const width = (to - from) / columns;
  if (end - first <= columns * 2 * BLOCK) {
    gather(out, curve, first, end, from, width, alike);
    return out;
  }
  const k = coarse(curve);
  const a = Math.floor(first / BLOCK);
  const b = Math.min(k.t.length, Math.ceil(end / BLOCK));
  gather(out, k, a, b, from, width, alike);
  gather(out, curve, b * BLOCK, end, from, width, alike); // those not in a whole block yet
  return out;
}

// Puts the columns of readings a to b (excluded) into `out`.
function gather(out, { t: ts, c, lo, hi }, a, b, from, width, alike) {
  let i = a;
  while (i < b) {
    const column = Math.floor((ts[i] - from) / width);
    const end = from + (column + 1) * width;
    let min = Infinity;
    let max = -Infinity;
    let minAt = 0;
    let maxAt = 0;
    let gap = null;
    const first = ts[i];
    for (let one = true; i < b && (one || ts[i] < end); i++, one = false) {
      const v = c[i];
      if (v === null || v === undefined) { gap = ts[i]; continue; }
      const l = lo[i] ?? v;
      const h = hi[i] ?? v;
      if (l < min) { min = l; minAt = ts[i]; }
      if (h > max) { max = h; maxAt = ts[i]; }
    }
    if (min === Infinity) {
      out.t.push(gap ?? first);
      out.c.push(null);
    } else if (max - min < alike) {
      out.t.push((first + ts[i - 1]) / 2);
      out.c.push((min + max) / 2);
    } else if (minAt === maxAt) {
      out.t.push(minAt);
      out.c.push(min);
      if (max !== min) { out.t.push(minAt); out.c.push(max); }
    } else if (minAt < maxAt) {
      out.t.push(minAt, maxAt);
      out.c.push(min, max);
    } else {
      out.t.push(maxAt, minAt);
      out.c.push(max, min);
    }
  }
}

/**
 * Leaves out the points of {t, c} that the straight line between those kept
 * passes within `near` °C: what can't be seen need not be drawn. Gaps stay.
 */
export function straighten({ t: ts, c }, near) {
  const out = { t: [], c: [] };
  const keep = (i) => { out.t.push(ts[i]); out.c.push(c[i]); };
  let a = -1; // the last point kept, or -1 after a gap
  let last = -1; // the last point seen since
  let low = 0; // slopes from a that pass near every point since
  let high = 0;
  for (let i = 0; i < ts.length; i++) {
    if (c[i] === null) {
      if (last > a) keep(last);
      keep(i);
      a = last = -1;
      continue;
    }
    if (a < 0) { keep(i); a = last = i; low = -Infinity; high = Infinity; continue; }
    let dt = ts[i] - ts[a];
    const slope = dt > 0 ? (c[i] - c[a]) / dt : NaN;
    if (!(slope >= low && slope <= high)) {
      if (last > a) { keep(last); a = last; } else { keep(i); a = last = i; low = -Infinity; high = Infinity; continue; }
      low = -Infinity;
      high = Infinity;
      dt = ts[i] - ts[a];
    }
    if (dt > 0) {
      low = Math.max(low, (c[i] - near - c[a]) / dt);
      high = Math.min(high, (c[i] + near - c[a]) / dt);
      last = i;
    } else { keep(i); a = last = i; low = -Infinity; high = Infinity; }
  }
  if (last > a) keep(last);
  return out;
}

/** The curve's value nearest to x within `reach` s: {t, c} or null. */
export function nearest(curve, x, reach = Infinity) {
  const { t: ts, c } = curve;
  const i = indexAt(ts, x);
  let best = null;
  for (const j of [i - 1, i]) {
    if (j < 0 || j >= ts.length || c[j] === null) continue;
    const d = Math.abs(ts[j] - x);
    if (d <= reach && (best === null || d < Math.abs(best.t - x))) best = { t: ts[j], c: c[j] };
  }
  return best;
}

/** The forecast fan at so many seconds ahead: {lo, mid, hi} or null outside it. */
export function fanAt(fan, ahead) {
  if (!fan || fan.length === 0 || ahead < fan[0].ahead || ahead > fan[fan.length - 1].ahead) return null;
  for (let i = 1; i < fan.length; i++) {
    const p = fan[i - 1];
    const q = fan[i];
    if (ahead > q.ahead) continue;
    const f = q.ahead === p.ahead ? 0 : (ahead - p.ahead) / (q.ahead - p.ahead);
    const mix = (k) => p[k] + f * (q[k] - p[k]);
    return { lo: mix('lo'), mid: mix('mid'), hi: mix('hi') };
  }
  return { lo: fan[0].lo, mid: fan[0].mid, hi: fan[0].hi };
}

/**
 * A batch's events as a history: [{event, before, taken}] in order of time.
 * `event` is what now holds, under the id it was first given; `before` is what
 * it said earlier, oldest first, each with `until` and `by`; `taken` is true
 * when it was taken back. A withdrawal may take back a correction or another
 * withdrawal.
 */
export function history(events) {
  const all = events || [];
  const gone = new Set();
  for (const e of [...all].reverse()) if (e.kind === 'withdrawal' && !gone.has(e.id)) gone.add(e.corrects);
  return all.filter((e) => e.kind !== 'withdrawal' && e.kind !== 'correction').map((first) => {
    let event = first;
    const before = [];
    for (const c of all) {
      if (c.kind !== 'correction' || c.corrects !== first.id || !c.corrected || gone.has(c.id)) continue;
      // A "yes" to what the station noticed changes no more than who says it.
      if (said(event) !== said(c.corrected)) before.push({ ...event, until: c.wall, by: c.who || '' });
      event = { ...c.corrected, id: first.id };
    }
    return { event, before, taken: gone.has(first.id) };
  }).sort((x, y) => (x.event.wall < y.event.wall ? -1 : x.event.wall > y.event.wall ? 1 : 0));
}

const said = (e) => JSON.stringify([e.kind, Date.parse(e.wall), e.celsius || 0, e.grams || 0, e.counts || {}, e.first || 0, e.last || 0, e.text || '']);

/** Events as they stand: withdrawn ones gone, corrected ones replaced, in order of time. */
export const standing = (events) => history(events).filter((x) => !x.taken).map((x) => x.event);

/**
 * Makes one curve of each probe's stretches, from what the station answers:
 * {start, series} in, [{probe, role, curve}] out, the pot's own first.
 */
export function curvesOf(answer) {
  const start = Date.parse(answer.start);
  const all = [];
  for (const s of answer.series || []) {
    let one = all.find((x) => x.probe === s.probe && x.role === s.role);
    if (!one) {
      one = { probe: s.probe, role: s.role, curve: { start, t: [], c: [], lo: [], hi: [] } };
      all.push(one);
    }
    const { curve } = one;
    // Where nothing was read for long there is no line: 20 usual steps, 5 min at least.
    const steps = s.t.slice(1).map((x, i) => x - s.t[i]).sort((a, b) => a - b);
    const long = Math.max(300, 20 * (steps[steps.length >> 1] || 0));
    for (let i = 0; i < s.t.length; i++) {
      const last = curve.t.length ? curve.t[curve.t.length - 1] : -Infinity;
      if (s.t[i] <= last) continue;
      if (last > -Infinity && s.t[i] - last > long) {
        curve.t.push(last + 1);
        curve.c.push(null);
        curve.lo.push(null);
        curve.hi.push(null);
      }
      curve.t.push(s.t[i]);
      curve.c.push(s.c[i]);
      curve.lo.push(s.lo ? s.lo[i] : s.c[i]);
      curve.hi.push(s.hi ? s.hi[i] : s.c[i]);
    }
  }
  return all.sort((a, b) => Number(b.role === 'pot') - Number(a.role === 'pot'));
}

/**
 * How long a closed batch's curve is worth showing, in s from its start: to an
 * hour and a half after the last jar, unless it ends before. Infinity when it
 * was not poured.
 */
export function worthShowing(startMs, events) {
  const poured = (events || []).filter((e) => e.kind === 'poured').map((e) => Date.parse(e.wall));
  return poured.length ? (Math.max(...poured) - startMs) / 1000 + 5400 : Infinity;
}
