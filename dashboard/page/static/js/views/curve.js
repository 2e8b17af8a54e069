// The curve of a pot's batch: what was, the bands to aim at, what is ahead, and
// what happened, with the means to correct it.
import { h, text, rebuild, say } from '../dom.js';
import { t, has } from '../strings.js';
import { store } from '../store.js';
import { api } from '../api.js';
import { units } from '../prefs.js';
import * as format from '../format.js';
import { curveOf, retry } from '../curves.js';
import { standing, thin, curvesOf } from '../curve-data.js';
import { Chart, frame, library } from '../chart.js';
import { eventList } from '../events.js';

export async function curve(main, { id }) {
  const uPlot = await library();
  const tabs = h('p', { class: 'pot-tabs' });
  const title = h('h1', null, t('curve.title'));
  const now = h('p', { class: 'curve-now' });
  const f = frame(t('curve.title'));
  const wait = h('div', { class: 'curve-wait' });
  let chart = null;
  const near = (words, run) => h('button', { type: 'button', class: 'tap', onclick: () => chart && run(chart) }, words);
  const tools = h('div', { class: 'row curve-tools' },
    near(t('curve.all'), (c) => c.last(null)), near(t('curve.hour'), (c) => c.last(3600)),
    near(t('curve.ten'), (c) => c.last(600)), near(t('curve.ahead'), (c) => c.ahead()));
  const key = h('ul', { class: 'curve-key' });
  const events = h('div', { class: 'curve-events' });
  const table = h('details', { class: 'curve-table' }, h('summary', null, t('curve.table')));
  main.append(h('div', { class: 'view curve-view' },
    h('div', { class: 'curve-head' }, title, tabs, now),
    h('div', { class: 'curve-main' }, wait, f.el, tools, key),
    h('div', { class: 'curve-side' }, h('h2', null, t('curve.events')), events, table)));

  table.addEventListener('toggle', () => { table.dataset.sig = ''; update(); });
  f.box.addEventListener('keydown', (e) => {
    if (!chart || e.ctrlKey || e.metaKey || e.altKey) return;
    if (chart.key(e.key)) { e.preventDefault(); say(f.read.textContent); }
  });

  const earlier = new Map(); // batch id → curve or null
  function like(batch) {
    if (!batch?.like) return null;
    if (!earlier.has(batch.like)) {
      earlier.set(batch.like, null);
      api.batchCurve(batch.like, 1500).then((got) => {
        const s = curvesOf(got).find((x) => x.role === 'pot');
        if (s) earlier.set(batch.like, { ...s.curve, events: standing(got.events) });
        last = '';
        store.changed();
      }).catch(() => { /* the curve does without */ });
    }
    return earlier.get(batch.like);
  }

  let last = '';
  function update() {
    const snap = store.snapshot;
    if (!snap) return;
    const pot = id ? store.pot(id) : snap.pots.find((p) => p.batch) || snap.pots[0];
    if (!pot) { text(wait, id ? t('not-found.pot', { id }) : t('pots.none')); f.el.hidden = tools.hidden = true; return; }
    const u = units();
    rebuild(tabs, [snap.pots.map((p) => [p.id, p.name]), pot.id], () => (snap.pots.length < 2 ? [] : snap.pots.map((p) => h('a', {
      href: `#/curve/${encodeURIComponent(p.id)}`, 'aria-current': p.id === pot.id ? 'page' : null, 'data-key': p.id,
    }, p.name))));
    text(title, pot.batch ? pot.batch.name : pot.name);
    const c = curveOf(pot.id);
    const good = pot.last_good;
    text(now, good ? [format.temp(good.celsius, u.temp), has(`stage.${pot.stage}`) ? t(`stage.${pot.stage}`) : '', store.live ? format.trend(pot.trend, u.temp) : ''].filter(Boolean).join(' · ') : t('reading.none'));
    f.box.setAttribute('aria-label', t('curve.aria', { temp: good ? format.temp(good.celsius, u.temp) : '–', trend: format.trend(pot.trend, u.temp) }));

    const empty = c.state === 'ready' && c.pot.t.length < 2;
    rebuild(wait, [c.state, c.why, empty], () => (c.state === 'loading' ? h('p', null, t('curve.wait'))
      : c.state === 'failed' ? [h('p', null, t('curve.failed', { why: c.why })), h('button', { type: 'button', class: 'tap', onclick: () => { retry(pot.id); update(); } }, t('failed.again'))]
        : empty ? h('p', null, t('curve.empty')) : []));
    f.el.hidden = tools.hidden = c.state !== 'ready' || empty;
    if (!f.el.hidden) {
      const old = like(pot.batch);
      const sig = [c.version, c.batch, u.temp, u.clock, old?.t.length, pot.fan?.length, pot.fan?.[0]?.mid, pot.events?.length, document.documentElement.dataset.theme].join();
      if (sig !== last) {
        last = sig;
        chart ||= new Chart(uPlot, f.box, { unit: () => units().temp, clock: () => units().clock, onRead: f.say });
        const start = c.pot.start;
        const evs = standing(pot.events);
        const lines = [{ curve: c.pot, kind: 'pot', words: t('curve.series.pot') },
          ...c.others.filter((o) => o.curve.t.length).map((o) => ({ curve: o.curve, kind: 'other', words: has(`curve.series.${o.role}`) ? t(`curve.series.${o.role}`) : o.role }))];
        if (old) lines.unshift({ curve: old, kind: 'earlier', faint: true, words: t('curve.earlier'), brief: t('curve.earlier.brief'), shift: lineUp(evs, old, start) });
        chart.colours();
        chart.set({
          start,
          nowS: good ? (Date.parse(good.at) - start) / 1000 : c.pot.t[c.pot.t.length - 1],
          lines,
          fan: store.live && pot.reading?.quality === 'good' ? pot.fan || [] : [],
          bands: pot.bands,
          events: evs.filter((e) => !['touched', 'lots', 'found'].includes(e.kind)).map((e) => ({ s: (Date.parse(e.wall) - start) / 1000, words: t(`event.${e.kind}`) })),
        });
        rebuild(key, [lines.map((l) => l.words), u.temp], () => (lines.length < 2 ? [] : lines.map((l) => h('li', { class: `k-${l.kind}${l.kind === 'other' && lines.find((x) => x.kind === 'other') !== l ? ' dashed' : ''}` }, l.words))));
      }
    }
    eventList(events, pot, pot.history || pot.events);
    if (table.open) drawTable(c, u);
  }

  // The earlier batch is laid so that the last thing both went through falls together.
  function lineUp(evs, old, start) {
    for (const kind of ['jug-out', 'scent-added', 'start']) {
      const a = evs.find((e) => e.kind === kind);
      const b = old.events.find((e) => e.kind === kind);
      if (a && b) return (Date.parse(b.wall) - old.start) / 1000 - (Date.parse(a.wall) - start) / 1000;
    }
    return 0;
  }

  function drawTable(c, u) {
    const n = c.pot.t.length;
    if (!n) return;
    const rows = thin(c.pot, c.pot.t[0], c.pot.t[n - 1], 20);
    rebuild(table, [Math.floor(n / 30), u.temp, u.clock], () => [h('summary', { 'data-key': 'sum' }, t('curve.table')),
      h('table', null,
        h('thead', null, h('tr', null, h('th', { scope: 'col' }, t('curve.time')), h('th', { scope: 'col' }, t('curve.temp')))),
        h('tbody', null, rows.t.map((s, i) => h('tr', null, h('td', null, format.clock(new Date(c.pot.start + s * 1000), u.clock)), h('td', null, format.temp(rows.c[i], u.temp))))))]);
  }

  update();
  return {
    update,
    destroy() { chart?.destroy(); },
    title: () => t('curve.title'),
  };
}
