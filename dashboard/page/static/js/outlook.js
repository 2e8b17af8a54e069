// What comes next, in words. Pure: it is given what the station said and how
// many seconds have gone by since.
import { t, has } from './strings.js';
import { span, range, clock, day, moment, temp, mass, timer, own } from './format.js';

/**
 * Puts a NextView into words.
 *
 * next     what the station said, or null
 * elapsed  station seconds since it said so
 * now      the station's time now, a Date
 * units    {temp: "C"|"F", mass: "g"|"oz", clock: "24"|"12"}
 *
 * Gives {what, when, big, range, note, kind}: `big` is the part of `when` to
 * set large, `kind` is "count", "timer", "now" or "words".
 */
export function outlook(next, elapsed, now, units) {
  if (!next) return { what: t('next.none'), when: '', big: '', range: '', note: '', kind: 'words' };
  const key = `next.${next.key}`;
  const what = has(key) ? t(key) : next.key;
  const note = notes(next, units);
  const known = next.eta !== null && next.eta !== undefined && Number.isFinite(next.eta);
  const eta = known ? next.eta - elapsed : null;

  if (next.status === 'timer' && known) {
    if (eta <= -60) return { what, when: t('when.over', { x: span(-eta) }), big: span(-eta), range: '', note, kind: 'now' };
    if (eta <= 0) return { what, when: t('when.now'), big: t('when.now'), range: '', note, kind: 'now' };
    const big = eta < 3600 ? timer(eta) : span(eta);
    return { what, when: t('when.timer', { x: big }), big, range: eta >= 300 ? near(now, eta, units, 'range.clock.timer') : '', note, kind: 'timer' };
  }
  if (next.status === 'reached') {
    return { what, when: t('when.now'), big: t('when.now'), range: '', note, kind: 'now' };
  }
  if (next.status === 'ok' && known) {
    const lo = Math.max(0, (next.lo ?? next.eta) - elapsed);
    const open = next.hi === null || next.hi === undefined || !Number.isFinite(next.hi);
    const hi = open ? null : Math.max(0, next.hi - elapsed);
    if (eta <= 3) return { what, when: t('when.any'), big: t('when.any'), range: '', note, kind: 'now' };
    const big = span(eta);
    return {
      what,
      when: t('when.in', { x: big }),
      big,
      range: [range(lo, hi), eta >= 120 ? near(now, eta, units) : ''].filter(Boolean).join(' · '),
      note: [note, maybe(next)].filter(Boolean).join(' · '),
      kind: 'count',
    };
  }
  const cooling = ['window-open', 'pour', 'window-close', 'warm-jars'].includes(next.key);
  let words = `when.${next.status}`;
  if (next.status === 'unreachable' && cooling) words = 'when.unreachable.cooling';
  const when = has(words) ? t(words) : t('when.unknown');
  // Nothing is said twice: the station's word for it may be the very one that stands above.
  const said = !next.reason || next.reason.startsWith(when) || (next.status === 'unreachable' && /get there at this heat$/.test(next.reason));
  const reason = said ? '' : own(next.reason, units);
  return { what, when, big: '', range: reason, note, kind: 'words' };
}

/** One sentence for a screen reader or a title: "Scent-add in about 6 min (5 to 8 min)". */
export function sentence(o) {
  if (!o.when) return o.what;
  const r = o.range && o.kind === 'count' ? ` (${o.range.split(' · ')[0]})` : '';
  return `${o.what} ${o.when}${r}`;
}

// By the clock within a day, with the day beyond it, by the day alone where the span is in days.
function near(now, eta, units, key = 'range.clock') {
  const at = new Date(now.getTime() + eta * 1000);
  if (eta >= 47.5 * 3600) return t('range.day', { day: day(at, now) });
  return t(key, { clock: eta >= 20 * 3600 ? moment(at, now, units.clock) : clock(at, units.clock) });
}

function notes(next, units) {
  const parts = [];
  if (next.celsius !== null && next.celsius !== undefined) parts.push(t('next.at', { temp: temp(next.celsius, units.temp) }));
  if (next.grams) parts.push(t('next.grams', { mass: mass(next.grams, units.mass) }));
  if (next.open_for !== null && next.open_for !== undefined && next.open_for > 0) parts.push(t('next.open-for', { x: span(next.open_for) }));
  // How long the filling takes is said where the window may be too short for it.
  if (next.need > 0 && next.open_for > 0 && next.need > 0.8 * next.open_for) parts.push(t(next.need > next.open_for ? 'next.need.over' : 'next.need', { x: span(next.need) }));
  return parts.join(' · ');
}

function maybe(next) {
  const p = next.p_reach;
  if (p === null || p === undefined || p >= 0.95) return '';
  return t('next.maybe', { p: Math.max(1, Math.min(9, Math.round(p * 10))) });
}
