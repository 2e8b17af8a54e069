import { test } from 'node:test';
import assert from 'node:assert/strict';
import { emptyCurve, append, thin, straighten, nearest, fanAt, standing, history, indexAt, curvesOf, worthShowing } from '../static/js/curve-data.js';
import { staffSpan, staffTicks, yOf, timeSpan, flashLimit } from '../static/js/scale.js';

function day() {
  const c = emptyCurve();
  for (let i = 0; i < 43200; i++) append(c, i * 1000, 60 + 5 * Math.sin(i / 900) + (i === 20000 ? 30 : 0));
  return c;
}

test('12 h at 1 Hz become two points a column, and the one spike stays', () => {
  const c = day();
  const got = thin(c, 0, 43200, 400);
  assert.ok(got.t.length <= 802, `${got.t.length} points`);
  assert.equal(Math.max(...got.c), Math.max(...c.c));
  assert.equal(Math.min(...got.c), Math.min(...c.c));
  for (let i = 1; i < got.t.length; i++) assert.ok(got.t[i] >= got.t[i - 1], 'in order of time');
});

test('a day drawn from blocks shows the same extremes in the same columns', () => {
  const c = day();
  const columns = 300;
  const got = thin(c, 0, 43200, columns);
  const width = 43200 / columns;
  const blocksOff = 16 / width; // a block's share of a column
  for (let k = 0; k < columns; k++) {
    const raw = c.c.slice(Math.round(k * width), Math.round((k + 1) * width));
    const drawn = got.t.map((t, i) => [t, got.c[i]]).filter(([t]) => t >= (k - blocksOff) * width && t < (k + 1 + blocksOff) * width).map(([, v]) => v);
    assert.ok(Math.max(...drawn) >= Math.max(...raw) - 1e-9, `column ${k}`);
    assert.ok(Math.min(...drawn) <= Math.min(...raw) + 1e-9, `column ${k}`);
  }
  append(c, 43200e3, 99); // grown after the blocks were made
  assert.equal(Math.max(...thin(c, 0, 43201, columns).c), 99);
});

test('a column of readings that look alike is one point among them', () => {
  const c = emptyCurve();
  for (let i = 0; i < 20000; i++) append(c, i * 1000, 60 + (i % 2 ? 0.05 : -0.05) + (i === 9000 ? 3 : 0));
  const got = thin(c, 0, 20000, 200, 0.2);
  assert.ok(got.t.length <= 202, `${got.t.length} points`);
  assert.equal(Math.max(...got.c), 62.95, 'the spike stays');
  for (const v of got.c) assert.ok(Math.abs(v - 60) < 0.051 || v === 62.95, String(v));
});

test('a straightened curve passes near every point, keeps its ends and its gaps', () => {
  let seed = 7;
  const random = () => { seed = (seed * 16807) % 2147483647; return seed / 2147483647; };
  for (const [near, noise] of [[0.1, 0.08], [0.2, 1], [0.05, 0], [0.5, 3]]) {
    const t = [];
    const c = [];
    for (let i = 0; i < 1000; i++) {
      t.push(i - (i % 50 === 0 ? 1 : 0)); // now and then two at the same time
      c.push(i > 400 && i < 410 ? null : 60 + 10 * Math.sin(i / 150) + noise * (random() - 0.5) + (i === 700 ? 20 : 0));
    }
    t[0] = 0;
    const got = straighten({ t, c }, near);
    assert.equal(got.t[0], t[0]);
    assert.equal(got.t[got.t.length - 1], t[999]);
    assert.equal(got.c.filter((v) => v === null).length, c.filter((v) => v === null).length);
    assert.ok(got.c.includes(c[700]), 'the spike stays');
    if (noise < near) assert.ok(got.t.length < 120, `${got.t.length} points of 1000`);
    for (let i = 0, k = 0; i < t.length; i++) {
      while (k + 1 < got.t.length && got.t[k + 1] < t[i]) k++;
      if (c[i] === null) continue;
      const off = [];
      for (let m = Math.max(0, k - 2); m + 1 < Math.min(got.t.length, k + 4); m++) {
        const [a, b] = [got.t[m], got.t[m + 1]];
        if (got.c[m] === null || got.c[m + 1] === null || t[i] < a || t[i] > b) continue;
        const at = b === a ? null : got.c[m] + ((t[i] - a) / (b - a)) * (got.c[m + 1] - got.c[m]);
        off.push(at === null ? 0 : Math.abs(at - c[i]));
      }
      if (got.c[got.t.indexOf(t[i])] === c[i]) off.push(0);
      assert.ok(Math.min(...off) <= near + 1e-9, `at ${t[i]} the line is ${Math.min(...off)} off`);
    }
  }
});

test('close up every reading is there', () => {
  const c = day();
  const got = thin(c, 100, 200, 400);
  assert.equal(got.t.length, 102); // 100 to 200, and one before to draw the line in from
  assert.equal(got.c[50], c.c[got.t[50]]);
});

test('a gap stays a gap', () => {
  const c = emptyCurve();
  for (let i = 0; i < 5000; i++) append(c, i * 1000, i > 2000 && i < 2400 ? null : 50);
  const got = thin(c, 0, 5000, 100);
  assert.ok(got.c.includes(null));
});

test('thinning ends for any span, columns and times', () => {
  for (const [n, columns, from, to] of [[1000, 3, 0.1, 700.7], [5000, 7, -50, 5e4], [3000, 411, 1e-3, 2999.999], [2000, 1, 0, 0.5]]) {
    const c = emptyCurve();
    for (let i = 0; i < n; i++) append(c, i * 333, Math.sin(i));
    assert.ok(thin(c, from, to, columns).t.length <= n);
  }
});

test('readings that come late or twice are left out', () => {
  const c = emptyCurve();
  assert.ok(append(c, 1000, 1));
  assert.ok(append(c, 2000, 2));
  assert.ok(!append(c, 2000, 3));
  assert.ok(!append(c, 1500, 3));
  assert.deepEqual(c.c, [1, 2]);
});

test('reading off', () => {
  const c = { t: [0, 10, 20], c: [1, null, 3] };
  assert.deepEqual(nearest(c, 12), { t: 20, c: 3 });
  assert.equal(nearest(c, 12, 5), null);
  assert.equal(indexAt([1, 2, 3], 2), 1);
});

test('the fan between its points', () => {
  const fan = [{ ahead: 0, lo: 60, mid: 60, hi: 60 }, { ahead: 100, lo: 68, mid: 70, hi: 72 }];
  assert.deepEqual(fanAt(fan, 50), { lo: 64, mid: 65, hi: 66 });
  assert.equal(fanAt(fan, 101), null);
  assert.equal(fanAt([], 1), null);
});

test('withdrawn events are gone, corrected ones replaced', () => {
  const got = standing([
    { id: 'a', kind: 'start', wall: '2026-01-01T10:00:00Z' },
    { id: 'b', kind: 'jug-out', wall: '2026-01-01T10:30:00Z' },
    { id: 'c', kind: 'note', wall: '2026-01-01T10:20:00Z' },
    { id: 'x', kind: 'withdrawal', corrects: 'c' },
    { id: 'y', kind: 'correction', corrects: 'b', corrected: { kind: 'jug-out', wall: '2026-01-01T10:10:00Z' } },
  ]);
  assert.deepEqual(got.map((e) => e.id), ['a', 'b']);
  assert.equal(got[1].wall, '2026-01-01T10:10:00Z');
});

test('what was corrected is kept with what stood there before', () => {
  const scent = { id: 's', kind: 'scent-added', wall: '2026-01-01T10:00:00Z', celsius: 75.2 };
  const got = history([
    scent,
    { id: 'j', kind: 'jug-out', wall: '2026-01-01T10:05:00Z', detected: true },
    { id: 'c1', kind: 'correction', corrects: 's', wall: '2026-01-01T10:01:00Z', who: 'Ada', corrected: { ...scent, grams: 75 } },
    { id: 'c2', kind: 'correction', corrects: 's', wall: '2026-01-01T10:02:00Z', who: 'Ada', corrected: { ...scent, grams: 74.5 } },
    { id: 'c3', kind: 'correction', corrects: 'j', wall: '2026-01-01T10:06:00Z', corrected: { id: 'j', kind: 'jug-out', wall: '2026-01-01T10:05:00.000Z' } },
    { id: 'w', kind: 'withdrawal', corrects: 'c2' },
    { id: 'n', kind: 'note', wall: '2026-01-01T10:07:00Z', text: 'draught' },
    { id: 'w2', kind: 'withdrawal', corrects: 'n' },
  ]);
  assert.deepEqual(got.map((x) => [x.event.id, x.event.grams, x.before.map((b) => [b.grams, b.by]), x.taken]), [
    ['s', 75, [[undefined, 'Ada']], false], // the second correction was taken back
    ['j', undefined, [], false], // a yes to what was noticed corrects nothing
    ['n', undefined, [], true],
  ]);
});

const bands = { scent_add: 74, pour_high: 57, pour: 54, pour_low: 50, congeal: 44, flash: { celsius: 93 }, flash_margin: 10 };

test('a staff holds everything the maker aims at, on whole tens', () => {
  for (const unit of ['C', 'F']) {
    for (const celsius of [20, 60, 99, NaN]) {
      const s = staffSpan(bands, celsius, unit);
      assert.ok(s.lo < bands.congeal && s.hi > flashLimit(bands));
      if (celsius > 50) assert.ok(s.hi > celsius);
      for (const c of [s.lo, s.hi]) {
        const shown = unit === 'F' ? c * 1.8 + 32 : c;
        assert.ok(Math.abs(shown % 10) < 1e-6 || Math.abs((shown % 10) - 10) < 1e-6, `${shown} °${unit}`);
      }
      assert.ok(staffTicks(s, unit).filter((t) => t.tall).length >= 4);
    }
  }
  assert.ok(staffSpan(null, 8, 'C').lo < 8, 'a cold kitchen');
});

test('heights', () => {
  assert.equal(yOf(90, { lo: 30, hi: 90 }, 600), 0);
  assert.equal(yOf(30, { lo: 30, hi: 90 }, 600), 600);
  assert.equal(yOf(60, { lo: 30, hi: 90 }, 600), 300);
  assert.equal(yOf(200, { lo: 30, hi: 90 }, 600), 0);
});

test('the time a picture holds covers the forecast, in few steps', () => {
  const seen = new Set();
  for (let reach = 60; reach < 7200; reach += 10) {
    const s = timeSpan(reach);
    assert.ok(s >= reach && s <= Math.max(240, reach * 1.26));
    seen.add(s);
  }
  assert.ok(seen.size < 20);
});

test('stretches of one probe become one curve, the pot’s own first', () => {
  const got = curvesOf({ start: '2026-01-01T10:00:00Z', series: [
    { probe: 'r', role: 'room', t: [0], c: [20] }, { probe: 'p', role: 'pot', t: [0, 1], c: [50, 51] }, { probe: 'r', role: 'room', t: [0, 5], c: [20, 21] }] });
  assert.deepEqual(got.map((x) => [x.role, x.curve.t, x.curve.c]), [['pot', [0, 1], [50, 51]], ['room', [0, 5], [20, 21]]]);
});

test('a fetched curve grows in step', () => {
  const [{ curve }] = curvesOf({ start: '2026-01-01T10:00:00Z', series: [{ probe: 'p', role: 'pot', t: [0, 1], c: [50, 51] }] });
  append(curve, Date.parse('2026-01-01T10:00:02Z'), 52);
  for (const column of ['t', 'c', 'lo', 'hi']) assert.equal(curve[column].length, 3, column);
});

test('a night without readings is a gap, not a line', () => {
  const t = [0, 1, 2, 3, 4, 40000, 40001];
  const [{ curve }] = curvesOf({ start: '2026-01-01T10:00:00Z', series: [{ probe: 'p', role: 'pot', t, c: t.map(() => 20) }] });
  assert.equal(curve.t.length, t.length + 1);
  assert.equal(curve.c[5], null);
  const slow = [0, 60, 120, 180, 480, 540]; // four missed of a slow probe are no gap
  assert.equal(curvesOf({ start: '2026-01-01T10:00:00Z', series: [{ probe: 'p', role: 'pot', t: slow, c: slow }] })[0].curve.t.length, slow.length);
});

test('a closed batch is shown to a while after its last jar', () => {
  const start = Date.parse('2026-01-01T10:00:00Z');
  assert.equal(worthShowing(start, [{ kind: 'poured', wall: '2026-01-01T11:00:00Z' }]), 9000);
  assert.equal(worthShowing(start, []), Infinity);
});
