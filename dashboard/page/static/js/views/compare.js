// Batches side by side: their curves laid over one another, lined up at a
// moment that each went through, and their figures in columns.
import { h, rebuild, freshId } from '../dom.js';
import { t } from '../strings.js';
import { api } from '../api.js';
import { store } from '../store.js';
import { units } from '../prefs.js';
import * as format from '../format.js';
import { label } from '../taps.js';
import { Chart, frame, library } from '../chart.js';
import { standing, curvesOf, worthShowing } from '../curve-data.js';
import { lineValue } from './records.js';

const MOST = 4;

/** The moment of a batch that its curve is laid at. A jug out of the bath is off the heat. */
const momentOf = (b, kind) => b.events.find((e) => e.kind === kind) || (kind === 'heat-off' ? b.events.find((e) => e.kind === 'jug-out') : undefined);

export async function compare(main, { query }) {
  const ids = (query.get('ids') || '').split(',').filter(Boolean).map(decodeURIComponent).slice(0, MOST);
  if (ids.length < 2) {
    main.append(h('div', { class: 'view' }, h('h1', null, t('compare.title')), h('p', null, t('compare.pick')), h('p', null, h('a', { href: '#/records' }, t('records.title')))));
    return { title: () => t('compare.title') };
  }
  const uPlot = await library();
  const all = await Promise.all(ids.map(async (id) => {
    const [rec, curve] = await Promise.all([api.batch(id), api.batchCurve(id, 3000).catch(() => null)]);
    const s = curve ? curvesOf(curve).find((x) => x.role === 'pot') : null;
    return { id, rec, start: Date.parse(curve?.start), curve: s ? s.curve : null, events: standing(curve?.events) };
  }));
  const f = frame(t('curve.title'));
  // At heat-off the curves of one jug should fall alike from there on.
  const best = ['heat-off', 'jug-out'].find((k) => all.every((b) => momentOf(b, k))) || 'start';
  const align = h('select', { id: freshId('f'), onchange: () => { sig = ''; update(); } },
    ['heat-off', 'jug-out', 'scent-added', 'start'].map((k) => h('option', { value: k, selected: k === best }, t(`compare.align.${k}`))));
  const key = h('ol', { class: 'compare-key' });
  const table = h('div', { class: 'scroll', tabindex: '0', role: 'region', 'aria-label': t('record.lines') });
  main.append(h('div', { class: 'view' }, h('h1', null, t('compare.title')), label(align, t('compare.align')), f.el, key, table));
  let chart = null;
  let sig = '';

  function update() {
    const u = units();
    const next = JSON.stringify([u, align.value, document.documentElement.dataset.theme]);
    if (next === sig) return;
    sig = next;
    chart ||= new Chart(uPlot, f.box, { unit: () => units().temp, clock: () => units().clock, relative: true, onRead: f.say });
    chart.colours();
    const shift = (b) => { const e = momentOf(b, align.value); return e ? (Date.parse(e.wall) - b.start) / 1000 : 0; };
    chart.set({
      start: 0,
      nowS: NaN,
      lines: all.map((b, i) => b.curve && { curve: b.curve, kind: ['pot', 'earlier', 'other', 'other'][i], shift: shift(b), words: b.id }).filter(Boolean),
      fan: [],
      bands: null,
      events: [],
    });
    chart.until(Math.max(...all.map((b) => worthShowing(b.start, b.events) - shift(b))));
    rebuild(key, [ids], () => all.map((b, i) => h('li', { class: `k-${['pot', 'earlier', 'other', 'other2'][i]}` }, h('a', { href: `#/records/${encodeURIComponent(b.id)}` }, `${b.rec.name} · ${b.id}`))));
    const rows = new Map();
    for (const b of all) for (const l of b.rec.lines || []) if (!rows.has(l.key)) rows.set(l.key, l);
    rebuild(table, [u, ids], () => h('table', null,
      h('thead', null, h('tr', null, h('td', null), all.map((b) => h('th', { scope: 'col' }, b.id)))),
      h('tbody', null,
        h('tr', null, h('th', { scope: 'row' }, t('event.start')), all.map((b) => h('td', null, format.moment(b.rec.started, store.now(), u.clock)))),
        h('tr', null, h('th', { scope: 'row' }, t('record.peak')), all.map((b) => h('td', null, b.rec.summary?.peak ? format.temp(b.rec.summary.peak, u.temp) : '–'))),
        [...rows.values()].map((l) => h('tr', null, h('th', { scope: 'row' }, l.what), all.map((b) => {
          const mine = (b.rec.lines || []).find((x) => x.key === l.key);
          return h('td', null, mine ? lineValue(mine.actual, mine.unit, u, mine.step) : '–');
        }))))));
  }

  update();
  return { update, destroy() { chart?.destroy(); }, title: () => t('compare.title') };
}
