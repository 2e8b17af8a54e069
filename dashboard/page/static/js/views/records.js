// Records: every batch; one batch on paper with its curve, and how its candles
// came out.
import { h, put, rebuild, freshId } from '../dom.js';
import { t, has } from '../strings.js';
import { store } from '../store.js';
import { api, recordFile, labels, freshId as newId } from '../api.js';
import { units } from '../prefs.js';
import * as format from '../format.js';
import { toast } from '../toasts.js';
import { dialog, invalid, label } from '../taps.js';
import { Chart, frame, library } from '../chart.js';
import { standing, curvesOf, worthShowing } from '../curve-data.js';
import { edit, firstLast } from '../events.js';
import { photoField, photoList } from '../photos.js';
import { lesson as lessons } from './lesson.js';

export function records(main, params) {
  return params.id ? one(main, params.id) : list(main, params.query);
}

const stageWords = (stage) => (has(`stage.${stage}`) ? t(`stage.${stage}`) : stage || '');

async function list(main, query) {
  const text = query.get('text') || '';
  const lot = query.get('lot') || ''; // which batches used it
  let answer = await api.batches({ text, lot, limit: 50 });
  const all = [...answer.batches];
  const picked = new Set();
  const field = h('input', { type: 'search', id: freshId('f'), value: text, autocomplete: 'off', maxlength: 100 });
  const find = h('form', {
    class: 'find', role: 'search',
    onsubmit: (e) => { e.preventDefault(); location.hash = field.value.trim() ? `#/records?text=${encodeURIComponent(field.value.trim())}` : '#/records'; },
  }, label(field, t('records.search')), h('button', { type: 'submit', class: 'tap' }, t('records.find')));
  const box = h('div');
  const compare = h('div', { class: 'compare-bar' });
  const more = h('div');
  const lesson = h('section', { class: 'lesson', hidden: true });
  const used = lot ? h('p', { class: 'head-row' }, h('strong', null, t('records.lot', { lot })), h('a', { href: '#/records' }, t('records.all'))) : null;
  main.append(h('div', { class: 'view' }, h('h1', null, t('records.title')), used, all.length || text || lot ? find : null, compare, box, more, lesson));
  let taught = false;
  if (all.length && !text && !lot) lessons(lesson).then(() => { taught = !lesson.hidden; update(); });

  function update() {
    const u = units();
    const now = store.now();
    rebuild(box, [all, u], () => {
      if (all.length === 0) {
        return h('div', { class: 'empty' }, h('h2', null, text || lot ? t('records.none', { text: text || lot }) : t('records.empty')), text || lot ? null : h('p', null, t('records.empty.do')));
      }
      return h('ul', { class: 'records' }, all.map((b) => h('li', null,
        h('label', { class: 'check record-pick' }, h('input', {
          type: 'checkbox', checked: picked.has(b.id), 'aria-label': t('records.pick', { name: `${b.name} ${b.id}` }),
          onchange: (e) => { if (e.target.checked) picked.add(b.id); else picked.delete(b.id); update(); },
        })),
        h('a', { href: `#/records/${encodeURIComponent(b.id)}`, 'data-key': b.id },
          h('span', { class: 'record-name' }, b.name || b.recipe || b.id),
          h('span', { class: 'record-line' }, [b.id, format.moment(b.started, now, u.clock), b.lots?.length ? b.lots.join(', ') : ''].filter(Boolean).join(' · '))),
        h('span', { class: 'record-stage' }, b.ended && b.stage !== 'done' && !has(`stage.${b.stage}`) ? t('stage.ended') : stageWords(b.stage)))));
    });
    const ids = [...picked];
    rebuild(compare, [ids, all.length > 1, taught], () => (all.length < 2 ? [] : ids.length < 2
      ? h('div', { class: 'head-row' }, h('p', { class: 'hint' }, t('records.compare.pick')),
        !taught ? null : h('button', { type: 'button', class: 'plain', 'data-key': 'lesson', onclick: () => lesson.scrollIntoView() }, t('lesson.title')))
      : h('a', { class: 'button strong', href: `#/compare?ids=${ids.map(encodeURIComponent).join(',')}` }, t('records.compare'))));
    rebuild(more, [answer.next], () => (answer.next ? h('button', {
      type: 'button', class: 'tap',
      onclick: async () => {
        try {
          answer = await api.batches({ text, lot, limit: 50, before: answer.next });
          all.push(...answer.batches);
          update();
        } catch (err) { toast(t('failed.load', { why: err.message }), { kind: 'bad' }); }
      },
    }, t('records.more')) : []));
  }

  update();
  return { update, title: () => t('records.title') };
}

/** A planned-against-done value in the maker's units. */
export function lineValue(v, unit, u, step = 0) {
  if (v === null || v === undefined) return '–';
  switch (unit) {
    case 'g': return format.weighed(v, step, u.mass);
    case 'C': return format.temp(v, u.temp);
    case 's': return format.span(v);
    case '%': return `${format.fixed(v, 2)} %`;
    default: return format.fixed(v, Number.isInteger(v) ? 0 : 1);
  }
}

export function linePlanned(l, u) {
  if (l.low !== undefined && l.high !== undefined && l.low !== null && l.high !== null) return `${lineValue(l.low, l.unit, u)} – ${lineValue(l.high, l.unit, u)}`;
  return lineValue(l.planned, l.unit, u, l.step);
}

async function one(main, id) {
  let [rec, curve, uPlot] = await Promise.all([api.batch(id), api.batchCurve(id, 3000).catch(() => null), library()]);
  const body = h('div');
  const f = frame(t('curve.title'));
  const curveBox = h('section', { class: 'record-curve' }, h('h2', null, t('curve.title')), f.el);
  const found = h('section', { class: 'no-print' });
  main.append(h('div', { class: 'view record' }, body, curveBox, found));
  let chart = null;
  const series = curve ? curvesOf(curve).filter((s) => s.curve.t.length > 1) : [];

  f.box.addEventListener('keydown', (e) => { if (chart && !e.ctrlKey && !e.metaKey && !e.altKey && chart.key(e.key)) e.preventDefault(); });

  function draw() {
    const u = units();
    const now = store.now();
    const when = (x) => (x ? format.moment(x, now, u.clock) : '');
    const table = (caption, head, rows) => (rows.length === 0 ? null : h('div', { class: 'scroll', tabindex: '0', role: 'region', 'aria-label': caption }, h('table', null,
      h('thead', null, h('tr', null, head.map((x) => (x ? h('th', { scope: 'col' }, x) : h('td', null))))), h('tbody', null, rows))));
    rebuild(body, [rec, u, store.maker], () => [
      h('div', { class: 'head-row' }, h('h1', null, rec.name || rec.code),
        h('div', { class: 'row no-print' }, ['html', 'csv', 'svg', 'ics'].map((kind) => h('a', {
          class: 'button', href: recordFile(id, kind), 'data-key': kind, ...(kind === 'html' || kind === 'svg' ? { target: '_blank', rel: 'noopener' } : { download: `${id}.${kind}` }),
        }, t(`record.file.${kind}`))),
        jars(rec) ? h('a', { class: 'button', href: labels(id, jars(rec)), target: '_blank', rel: 'noopener', 'data-key': 'labels' }, t('record.labels')) : null,
        store.maker ? h('a', { class: 'button', href: `#/sheet?from=${encodeURIComponent(id)}`, 'data-key': 'again' }, t('record.again')) : null)),
      h('dl', { class: 'pairs wide' }, [
        [rec.code, rec.recipe], [t('event.start'), when(rec.started)], [t('record.poured'), when(rec.poured)],
        [t('shelf.step.trim'), when(rec.trim)], [t('shelf.step.move'), when(rec.move)], [t('record.cured'), when(rec.ready)],
        [t('record.peak'), rec.summary?.peak !== undefined && rec.summary?.peak !== null ? format.temp(rec.summary.peak, u.temp) : ''],
        [t('record.room'), rec.summary?.room !== undefined && rec.summary?.room !== null ? format.temp(rec.summary.room, u.temp) : ''],
        [t('record.lots'), (rec.lots || []).length ? rec.lots.map((l, i) => [i ? ' ' : '', h('a', { href: `#/records?lot=${encodeURIComponent(l)}`, 'aria-label': t('records.lot', { lot: l }) }, l)]) : ''],
      ].filter(([, v]) => v).map(([k, v]) => h('div', null, h('dt', null, k), h('dd', null, v)))),
      rec.abandoned ? h('p', { class: 'err' }, t('stage.abandoned')) : null,
      rec.lines?.length ? h('section', null, h('div', { class: 'head-row' }, h('h2', null, t('record.lines')),
        store.maker && rec.poured && !(rec.steps || []).some((s) => s.kind === 'left-over' && !s.taken)
          ? h('button', { type: 'button', class: 'tap no-print', 'data-key': 'left', onclick: () => askLeft(id, again) }, t('tap.left-over')) : null), table(t('record.lines'), ['', t('record.planned'), t('record.actual')], rec.lines.map((l) => h('tr', null,
        h('th', { scope: 'row' }, l.what), h('td', null, linePlanned(l, u)),
        h('td', null, lineValue(l.actual, l.unit, u, l.step), l.mark ? h('span', { class: 'mark-word' }, has(`record.mark.${l.mark}`) ? t(`record.mark.${l.mark}`) : l.mark) : null))))) : null,
      rec.materials?.length ? h('section', null, h('div', { class: 'head-row' }, h('h2', null, t('record.materials')),
        store.maker ? h('button', { type: 'button', class: 'tap no-print', 'data-key': 'lots', onclick: () => askLots(id, rec, again) }, t('record.lots.edit')) : null), table(t('record.materials'), ['', t('record.planned'), t('record.actual')], rec.materials.map((m) => {
        const v = (x) => (x === null || x === undefined ? '–' : m.kind === 'wicks' ? format.fixed(x, 0) : format.weighed(x, m.step, u.mass));
        return h('tr', null, h('th', { scope: 'row' }, m.name, m.lot ? h('span', { class: 'kind' }, `${t('sheet.lot')} ${m.lot}`) : null), h('td', null, v(m.planned)), h('td', null, v(m.actual)));
      }))) : null,
      rec.containers?.length ? h('section', null, h('h2', null, t('record.jars')), table(t('record.jars'), ['', t('record.planned'), t('record.actual')], rec.containers.map((c) => h('tr', null,
        h('th', { scope: 'row' }, c.name), h('td', null, String(c.planned)), h('td', null, c.actual === null || c.actual === undefined ? '–' : String(c.actual)))))) : null,
      rec.steps?.length ? h('section', null, h('h2', null, t('record.steps')), h('ol', { class: 'events' }, rec.steps.map((s) => h('li', { class: s.taken ? 'taken' : null },
        h('time', { datetime: s.wall }, sameDay(s.wall, rec.steps[0].wall) ? '' : `${format.day(s.wall, now)} `, format.clock(s.wall, u.clock)),
        h('span', { class: 'event-words' },
          [s.title, s.grams ? format.mass(s.grams, u.mass) : '', s.celsius && !s.last ? format.temp(s.celsius, u.temp) : '',
            Object.entries(s.counts || {}).map(([name, n]) => `${n}\u00a0× ${name}`).join(', '), firstLast(s, u), s.kind === 'lots' ? s.text : '',
            s.found ? '' : s.note || '', s.who || '', s.taken ? t('record.taken') : ''].filter(Boolean).join(' · '),
          (s.before || []).map((b) => h('span', { class: 'kind' }, t('record.before', { text: format.firm(b.text) })))),
        store.maker && !s.taken && s.kind !== 'start' && has(`event.${s.kind}`) ? h('button', {
          type: 'button', class: 'plain no-print', 'data-key': s.id, 'aria-label': `${t('event.edit')}: ${s.title}`,
          onclick: () => edit({ ...s, text: s.note }, (verb, to) => api.batchEvent(id, s.id, verb, to), (rec.containers || []).map((c) => ({ name: c.name, count: c.planned })), again),
        }, t('event.edit')) : null)))) : null,
      rec.summary?.alarms?.length ? h('section', null, h('h2', null, t('record.alarms')), h('ol', { class: 'events' }, rec.summary.alarms.map((a) => h('li', null,
        h('time', { datetime: a.at }, format.clock(a.at, u.clock)), h('span', { class: 'event-words' }, a.text))))) : null,
      rec.findings?.length ? h('section', null, h('h2', null, t('record.findings')), h('ul', { class: 'events' }, rec.findings.map((x) => h('li', null,
        h('time', { datetime: x.wall }, format.day(x.wall, now)), h('span', { class: 'event-words' }, findingWords(x), photoList(id, x.photos)))))) : null,
      rec.notes ? h('section', null, h('h2', null, t('record.recipe-notes')), h('p', { class: 'as-written' }, rec.notes)) : null,
      rec.warnings?.length ? h('section', null, h('h2', null, t('sheet.warnings')), h('ul', { class: 'do' }, rec.warnings.map((w) => h('li', null, format.firm(w.text))))) : null,
    ]);
    if (series.length) {
      const first = !chart;
      chart ||= new Chart(uPlot, f.box, { unit: () => units().temp, clock: () => units().clock, onRead: f.say });
      const start = Date.parse(curve.start);
      chart.set({
        start,
        nowS: NaN,
        lines: series.map((s) => ({ curve: s.curve, kind: s.role === 'pot' ? 'pot' : 'other', words: has(`curve.series.${s.role}`) ? t(`curve.series.${s.role}`) : s.role })),
        fan: [],
        bands: curve.bands || null,
        events: standing(curve.events).filter((e) => !['touched', 'lots', 'found'].includes(e.kind)).map((e) => ({ s: (Date.parse(e.wall) - start) / 1000, words: t(`event.${e.kind}`) })),
      });
      if (first) chart.until(worthShowing(start, standing(curve.events)));
    } else curveBox.hidden = true;
  }

  let sig = '';
  // What was mended shows at once, in the words and in the curve.
  async function again() {
    try { [rec, curve] = await Promise.all([api.batch(id), api.batchCurve(id, 3000).catch(() => curve)]); } catch (err) { toast(t('failed.load', { why: err.message }), { kind: 'bad' }); }
    sig = '';
    update();
  }
  function update() {
    const u = units();
    const next = JSON.stringify([u, store.maker, document.documentElement.dataset.theme]);
    if (next === sig) return;
    sig = next;
    draw();
  }

  update();
  if (store.maker && rec.poured) {
    found.append(h('h2', null, t('record.look')), findingForm(id, rec, again));
  } else found.hidden = true;
  return { update, destroy() { chart?.destroy(); }, title: () => rec.name || t('records.title') };
}

const sameDay = (a, b) => new Date(a).toDateString() === new Date(b).toDateString();

const jars = (rec) => (rec.containers || []).reduce((n, c) => n + (c.actual ?? c.planned ?? 0), 0);

function findingWords(x) {
  const b = x.burn;
  return [
    x.container || '',
    (x.finish || []).map((f) => t(`record.finish.${f}`)).join(', '),
    x.cold_throw ? `${t('record.throw')} ${t('record.throw.cold').toLowerCase()} ${x.cold_throw}/5` : '',
    x.hot_throw ? `${t('record.throw')} ${t('record.throw.hot').toLowerCase()} ${x.hot_throw}/5` : '',
    b ? [[t('record.burn'), b.wick || '', b.lasted ? format.wait(b.lasted) : ''].filter(Boolean).join(' '),
      (b.reached ? t('record.burn.reached') : t('record.burn.not')).toLowerCase() + (b.reached && b.reached_in ? ` ${t('record.burn.reached_in').replace(/ \(.*/, '')} ${format.wait(b.reached_in)}` : ''),
      ...[['width', b.pool_width], ['depth', b.pool_depth], ['flame', b.flame_height]].map(([k, v]) => (v ? `${t(`record.burn.${k}`).toLowerCase().replace(/ \(.*/, '')} ${format.fixed(v, 0)} mm` : ''))].filter(Boolean).join(', ') : '',
    x.text || '', x.who || '',
  ].filter(Boolean).join(' · ');
}

const FINISHES = ['smooth', 'rough', 'frosted', 'wet spots', 'sinkholes', 'tunnelled'];

function findingForm(id, rec, done) {
  const which = h('select', { id: freshId('f') }, h('option', { value: '' }, t('record.look.all')), (rec.containers || []).map((c) => h('option', { value: c.name }, c.name)));
  const finishes = FINISHES.map((x) => ({ x, box: h('input', { type: 'checkbox' }) }));
  const score = () => h('select', { id: freshId('f') }, h('option', { value: '0' }, t('record.throw.none')), [1, 2, 3, 4, 5].map((n) => h('option', { value: String(n) }, String(n))));
  const cold = score();
  const hot = score();
  const num = () => h('input', { id: freshId('f'), inputmode: 'decimal', autocomplete: 'off' });
  const wick = h('input', { id: freshId('f'), autocomplete: 'off', maxlength: 80 });
  const [lasted, reachedIn, width, depth, flame] = [num(), num(), num(), num(), num()];
  const reached = h('input', { type: 'checkbox' });
  const words = h('textarea', { rows: 3, maxlength: 2000, id: freshId('f') });
  const send = h('button', { type: 'submit', class: 'tap strong' }, t('form.save'));
  const err = h('p', { class: 'err', role: 'alert' });
  const photos = photoField(freshId('f'), (why) => { err.textContent = why; });
  let sendId = newId(); // the same for each retry
  return h('form', {
    class: 'finding',
    onsubmit: async (e) => {
      e.preventDefault();
      err.textContent = '';
      const val = (el) => { const v = el.value.trim(); return v === '' ? 0 : format.typed(v); };
      const nums = { lasted: val(lasted), reachedIn: val(reachedIn), width: val(width), depth: val(depth), flame: val(flame) };
      if (Object.values(nums).some((n) => !(n >= 0))) { err.textContent = t('form.number'); return; }
      const hour = 3600e9;
      const body = {};
      if (which.value) body.container = which.value;
      const f = finishes.filter((y) => y.box.checked).map((y) => y.x);
      if (f.length) body.finish = f;
      if (cold.value !== '0') body.cold_throw = Number(cold.value);
      if (hot.value !== '0') body.hot_throw = Number(hot.value);
      if (Object.values(nums).some((n) => n > 0) || reached.checked || wick.value.trim()) {
        body.burn = { reached: reached.checked };
        if (wick.value.trim()) body.burn.wick = wick.value.trim();
        if (nums.lasted) body.burn.lasted = Math.round(nums.lasted * hour);
        if (nums.reachedIn) body.burn.reached_in = Math.round(nums.reachedIn * hour);
        if (nums.width) body.burn.pool_width = nums.width;
        if (nums.depth) body.burn.pool_depth = nums.depth;
        if (nums.flame) body.burn.flame_height = nums.flame;
      }
      const text = words.value.trim();
      if (Object.keys(body).length === 0 && !text && !photos.any()) { err.textContent = t('record.look.nothing'); return; }
      send.disabled = true;
      try {
        if (photos.any()) body.photos = await photos.send(id);
        await api.putNotes(id, { id: sendId, found: body, text });
        sendId = newId();
        toast(t('record.saved'), { stay: 4000 });
        e.target.reset();
        photos.clear();
        await done();
      } catch (x) {
        err.textContent = t('failed', { why: x.message });
      }
      send.disabled = false;
    },
  },
  label(which, t('record.look.which')),
  h('fieldset', null, h('legend', null, t('record.finish')), h('div', { class: 'checks' }, finishes.map((y) => h('label', { class: 'check' }, y.box, t(`record.finish.${y.x}`))))),
  h('fieldset', null, h('legend', null, `${t('record.throw')} (${t('record.throw.scale')})`), h('div', { class: 'fields' }, label(cold, t('record.throw.cold')), label(hot, t('record.throw.hot')))),
  h('details', null, h('summary', null, t('record.burn')),
    h('div', { class: 'fields' }, label(wick, t('record.burn.wick')), label(lasted, t('record.burn.lasted')),
      h('label', { class: 'check' }, reached, t('record.burn.reached')), label(reachedIn, t('record.burn.reached_in')),
      label(width, t('record.burn.width')), label(depth, t('record.burn.depth')), label(flame, t('record.burn.flame')))),
  label(words, t('record.text')),
  photos.el,
  err,
  h('div', { class: 'row' }, send));
}

/** Asks for the lot of everything that went in, the wicks too; what was noted before stays in the history. */
function askLots(id, rec, done) {
  const fields = (rec.materials || []).map((m) => ({ name: m.kind === 'wicks' ? 'wicks' : m.name, was: m.lot || '', el: h('input', { id: freshId('f'), value: m.lot || '', autocomplete: 'off', maxlength: 80 }), words: m.kind === 'wicks' ? t('record.wicks.lot') : m.name }));
  if (!fields.some((f) => f.name === 'wicks')) fields.push({ name: 'wicks', was: '', el: h('input', { id: freshId('f'), autocomplete: 'off', maxlength: 80 }), words: t('record.wicks.lot') });
  const tapId = newId();
  return dialog(t('record.lots'), fields.map((f) => label(f.el, f.words)), t('form.save'), async () => {
    const lots = Object.fromEntries(fields.filter((f) => f.el.value.trim() !== f.was).map((f) => [f.name, f.el.value.trim()]));
    if (Object.keys(lots).length === 0) return true;
    return send(id, { id: tapId, kind: 'lots', lots }, done);
  });
}

/** Tells a batch by its code; true when the station has kept it. */
async function send(id, tap, done) {
  try {
    await api.batchTap(id, tap);
    toast(t('form.saved'), { stay: 4000 });
    done();
    return true;
  } catch (err) {
    toast(t('failed', { why: err.message }), { kind: 'bad' });
    return false;
  }
}

/** Asks what stayed in the jug, where nobody has said so yet: the next sheet's loss rests on it. */
function askLeft(id, done) {
  const u = units();
  const field = h('input', { inputmode: 'decimal', autocomplete: 'off', required: true, id: freshId('f') });
  const tapId = newId();
  return dialog(t('event.left-over'), [label(field, `${t('form.leftover')} (${u.mass})`)], t('form.save'), async () => {
    const n = format.typed(field.value);
    if (!(n >= 0)) return invalid(field);
    return send(id, { id: tapId, kind: 'left-over', grams: format.massFromShown(n, u.mass) }, done);
  });
}
