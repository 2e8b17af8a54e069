// What past batches taught: what their figures support, with how many batches
// stand behind it, two small pictures of the figures themselves, and one trial.
import { h, s, put, freshId } from '../dom.js';
import { t } from '../strings.js';
import { api } from '../api.js';
import { units } from '../prefs.js';
import * as format from '../format.js';
import { label } from '../taps.js';

/** Mounts the lessons into `el`, which stays hidden while there are none. */
export async function lesson(el) {
  let all;
  try { all = await api.lesson('', units()); } catch { return; } // an extra
  const recipes = [...(all.recipes || [])].reverse(); // the latest first
  const body = h('div', { class: 'lesson-body' });
  const pick = h('select', {
    id: freshId('f'),
    onchange: show,
  }, recipes.map((r) => h('option', { value: r }, r)), h('option', { value: '' }, t('lesson.all')));

  // The latest recipe first: a trial is for one of them.
  async function show() {
    try { draw(pick.value && recipes.length > 1 ? await api.lesson(pick.value, units()) : all); } catch (err) { put(body, h('p', { class: 'err' }, t('failed.load', { why: err.message }))); }
  }

  function draw(got) {
    const known = (got.findings || []).filter((f) => f.verdict !== 'too-few');
    const few = (got.findings || []).filter((f) => f.verdict === 'too-few');
    put(body,
      known.length ? h('ul', { class: 'do' }, known.map((f) => h('li', null, format.firm(f.text)))) : null,
      h('div', { class: 'two' }, (got.findings || []).map(plot)),
      few.length ? h('details', null, h('summary', null, t('lesson.few', { n: few.length })), h('ul', { class: 'do' }, few.map((f) => h('li', null, `${f.question} ${format.firm(f.text)}`)))) : null,
      got.trial?.text ? h('p', null, h('strong', null, t('lesson.try')), ': ', format.firm(got.trial.text)) : null,
      got.caution && known.length ? h('p', { class: 'hint' }, got.caution) : null);
    el.hidden = body.childElementCount === 0;
  }

  put(el, h('h2', null, t('lesson.title')), recipes.length > 1 ? label(pick, t('lesson.of')) : null, body);
  await show();
}

const W = 320;
const H = 136;
const PAD = { left: 84, right: 14, top: 10, bottom: 24 };

/** The figures of a finding that sets one against another, each batch a dot. */
function plot(f) {
  const u = units();
  const kinds = {
    'pour-finish': { title: t('lesson.plot.pour', { unit: `°${u.temp}` }), x: (v) => format.toShown(v, u.temp), unit: `°${u.temp}`, rows: [[0, t('lesson.plot.other')], [1, t('lesson.plot.smooth')]] },
    'load-throw': { title: t('lesson.plot.load'), x: (v) => v, unit: '%', rows: [[1, `1 ${t('lesson.plot.faint')}`], [2, '2'], [3, '3'], [4, '4'], [5, `5 ${t('lesson.plot.strong')}`]] },
  };
  const kind = kinds[f.key];
  const points = f.points || [];
  if (!kind || points.length < 2) return null;
  const xs = points.map((p) => kind.x(p.x));
  const step = niceStep(Math.max(...xs) - Math.min(...xs));
  const lo = Math.floor(Math.min(...xs) / step - 0.2) * step;
  const hi = Math.ceil(Math.max(...xs) / step + 0.2) * step;
  const [low, high] = [kind.rows[0][0], kind.rows.at(-1)[0]];
  const X = (v) => PAD.left + ((v - lo) / (hi - lo)) * (W - PAD.left - PAD.right);
  const Y = (v) => H - PAD.bottom - 12 - ((v - low) / (high - low)) * (H - PAD.top - PAD.bottom - 24);
  const decimals = step < 1 ? 1 : 0;
  const ticks = [];
  for (let v = lo; v <= hi + step / 2; v += step) ticks.push(v);
  const used = new Map(); // dots on the same spot are set side by side
  return h('figure', { class: 'plot' }, h('figcaption', null, kind.title),
    s('svg', { viewBox: `0 0 ${W} ${H}`, role: 'img', 'aria-label': `${kind.title}. ${points.map((p, i) => `${p.batch}: ${format.fixed(xs[i], 1)} ${kind.unit}, ${rowWords(kind, p.y)}`).join('; ')}` },
      kind.rows.map(([v, words]) => [
        s('line', { class: 'plot-line', x1: PAD.left, x2: W - PAD.right, y1: Y(v), y2: Y(v) }),
        s('text', { x: PAD.left - 8, y: Y(v) + 4, 'text-anchor': 'end' }, words)]),
      ticks.map((v) => s('text', { x: X(v), y: H - 4, 'text-anchor': 'middle' }, format.fixed(v, decimals))),
      points.map((p, i) => {
        const at = `${Math.round(X(xs[i]) / 6)} ${p.y}`;
        const n = used.get(at) || 0;
        used.set(at, n + 1);
        const off = (n % 2 ? 1 : -1) * Math.ceil(n / 2) * 7;
        const rows = kind.rows.length > 2; // so close that the dots of one would run into the next
        return s('circle', { class: 'plot-dot', cx: X(xs[i]) + (rows ? off : 0), cy: Y(p.y) + (rows ? 0 : off), r: 4.5 },
          s('title', null, `${p.batch}: ${format.fixed(xs[i], 1)} ${kind.unit}, ${rowWords(kind, p.y)}`));
      })));
}

const rowWords = (kind, y) => (kind.rows.find(([v]) => v === y) || [0, format.fixed(y, 1)])[1];

/** A step of 1, 2 or 5 times a power of ten that gives about four to a span. */
function niceStep(span) {
  const raw = Math.max(span, 0.4) / 3;
  const ten = 10 ** Math.floor(Math.log10(raw));
  return [1, 2, 5, 10].map((m) => m * ten).find((x) => x >= raw);
}
