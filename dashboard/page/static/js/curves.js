// The curves of the pots, fetched once and then grown by each reading.
import { api } from './api.js';
import { store } from './store.js';
import { emptyCurve, append, curvesOf } from './curve-data.js';

const POINTS = 8000; // an ordinary batch in full
const all = new Map(); // pot id → entry

/**
 * The curve of a pot: {state: "loading"|"ready"|"failed", why, pot: curve,
 * others: [{role, probe, curve}], version}. It grows in place; `version`
 * changes each time.
 */
export function curveOf(id) {
  const batch = store.pot(id)?.batch?.id || '';
  let c = all.get(id);
  if (!c || c.batch !== batch) {
    c = { batch, state: 'loading', why: '', pot: emptyCurve(), others: [], version: 0, pending: [] };
    all.set(id, c);
    load(id, c);
  }
  return c;
}

async function load(id, c) {
  try {
    const got = await api.potCurve(id, POINTS);
    if (all.get(id) !== c) return;
    const each = curvesOf(got);
    const mine = each.find((s) => s.role === 'pot');
    c.pot = mine ? mine.curve : emptyCurve();
    c.others = each.filter((s) => s !== mine);
    c.state = 'ready';
    for (const r of c.pending) take(c, r);
    c.pending = [];
  } catch (err) {
    if (all.get(id) !== c) return;
    c.state = 'failed';
    c.why = err.message;
  }
  c.version++;
  store.changed();
}

/** Fetches a curve that failed again. */
export function retry(id) {
  all.delete(id);
  return curveOf(id);
}

function take(c, r) {
  const value = r.quality === 'good' ? r.celsius : null;
  const target = r.role === 'pot' ? c.pot : c.others.find((o) => o.probe === r.probe)?.curve;
  if (target && append(target, Date.parse(r.at), value)) c.version++;
}

store.on('happened', (m) => {
  if (m.type === 'snapshot') {
    // After a gap the curve may miss some: fetch it anew when next asked for.
    for (const [id, c] of all) if (c.state !== 'loading') all.delete(id);
    return;
  }
  if ((m.type === 'reading' || m.type === 'room') && m.reading) {
    for (const [id, c] of all) {
      if (m.type === 'reading' && id !== m.pot_id) continue; // the room is every pot's
      if (c.state === 'loading') c.pending.push(m.reading); else take(c, m.reading);
    }
  }
});
