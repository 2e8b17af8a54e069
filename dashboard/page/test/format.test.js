import { test } from 'node:test';
import assert from 'node:assert/strict';
import * as f from '../static/js/format.js';

const plain = (s) => s.replace(/\u00a0/g, ' ');

// Exact conversions: NIST SP 811, appendix B (°F = 1.8 °C + 32; 1 oz = 28.349523125 g).
test('temperatures: 185 °F is 85 °C exactly', () => {
  assert.equal(f.fromShown(185, 'F'), 85);
  assert.equal(f.toShown(85, 'F'), 185);
  assert.equal(f.toShown(-40, 'F'), -40);
  assert.equal(plain(f.temp(57.2, 'F', 0)), '135 °F');
  assert.equal(plain(f.temp(-3.14159, 'C')), '−3.1 °C');
  assert.equal(plain(f.temp(-0.04, 'C')), '0.0 °C', 'no minus nought');
  assert.equal(f.temp(null, 'C'), '–');
  assert.deepEqual(f.tempParts(84.95, 'F'), { whole: '184', tenth: '9', unit: '°F', known: true });
  assert.equal(f.tempParts(undefined, 'C').known, false);
});

test('rounding of the big numeral carries over', () => {
  assert.deepEqual(f.tempParts(99.96, 'C'), { whole: '100', tenth: '0', unit: '°C', known: true });
});

test('masses: a pound is 453.59237 g', () => {
  assert.equal(plain(f.mass(453.59237, 'oz')), '1 lb');
  assert.equal(plain(f.mass(28.349523125, 'oz')), '1.00 oz');
  assert.equal(plain(f.mass(2 * 453.59237 + 28.349523125 * 3.25, 'oz')), '2 lb 3.3 oz');
  assert.equal(plain(f.mass(2 * 453.59237 - 0.1, 'oz')), '2 lb', 'no "1 lb 16 oz"');
  assert.equal(plain(f.mass(1440, 'g')), '1440 g');
  assert.equal(plain(f.mass(25.5, 'g')), '25.5 g', 'half grams of oil are not rounded away');
  assert.equal(plain(f.mass(52.53, 'g', 0.01)), '52.53 g');
  assert.equal(plain(f.mass(52.53, 'g', 1)), '53 g');
  assert.equal(plain(f.mass(52.53, 'g', 0.5)), '52.5 g');
  assert.ok(Math.abs(f.massFromShown(f.massToShown(123.4, 'oz'), 'oz') - 123.4) < 1e-9);
});

test('a weight is shown as the scale that weighs it shows it', () => {
  const oz = 28.349523125;
  assert.equal(plain(f.weighed(75.2, 0.1, 'oz')), '75.2 g', 'a fine scale in grams');
  assert.equal(plain(f.weighed(117.1 * oz, 0.1 * oz, 'g')), '7 lb 5.1 oz');
  assert.equal(plain(f.weighed(32 * oz, 0.1 * oz, 'oz')), '2 lb');
  assert.equal(plain(f.weighed(15.96 * oz, 0.1 * oz, 'oz')), '1 lb');
  assert.equal(plain(f.weighed(12.25 * oz, 0.25 * oz, 'oz')), '12.25 oz');
  assert.equal(plain(f.weighed(1174, 1, 'oz')), '1174 g');
  assert.equal(plain(f.weighed(1174, 0, 'g')), '1174 g', 'no scale is known');
  assert.equal(plain(f.weighed(0.03, 0.1, 'g')), '0.03 g', 'less than it shows');
});

test('spans are said as a person says them', () => {
  const cases = [[0, '0 s'], [7.4, '7 s'], [43, '45 s'], [88, '90 s'], [91, '2 min'], [372, '6 min'], [5969, '99 min'],
    [6000, '1 h 40 min'], [9600, '2 h 40 min'], [10800, '3 h'], [86400, '24 h'], [14 * 86400, '14 days'], [-5, '0 s']];
  for (const [s, want] of cases) assert.equal(f.span(s), want, `${s} s`);
});

test('an interval is widened outward and says its unit once', () => {
  assert.equal(f.range(305, 470), '5 to 8 min');
  assert.equal(f.range(300, 480), '5 to 8 min');
  assert.equal(f.range(40, 200), '40 s to 4 min');
  assert.equal(f.range(61, 62), '60 to 65 s');
  assert.equal(f.range(300, null), '5 min or more');
  assert.equal(f.range(300, Infinity), '5 min or more');
  assert.equal(f.range(360, 360), '6 min');
});

test('an interval never leaves out what it must cover', () => {
  const seconds = (text, last) => {
    const [n, unit] = text.includes(' ') ? text.split(' ') : [text, last];
    return Number(n) * { s: 1, min: 60 }[unit];
  };
  for (let lo = 0; lo < 5000; lo += 7) {
    const hi = lo * 1.3 + 11;
    if (hi >= 99.5 * 60) break;
    const [a, b] = f.range(lo, hi).split(' to ');
    if (b === undefined) continue;
    const unit = b.split(' ')[1];
    assert.ok(seconds(a, unit) <= lo + 1e-9 && seconds(b) >= hi - 1e-9, `${lo} to ${hi} s became ${a} to ${b}`);
  }
});

test('timers count down to nought', () => {
  assert.equal(f.timer(105), '1:45');
  assert.equal(f.timer(0.2), '0:01');
  assert.equal(f.timer(-3), '0:00');
  assert.equal(f.timer(10930), '3:02:10');
});

test('trend', () => {
  assert.equal(f.trend(1.84, 'C'), 'rising 1.8° a minute');
  assert.equal(f.trend(-1, 'F'), 'falling 1.8° a minute');
  assert.equal(f.trend(0.02, 'C'), 'steady');
  assert.equal(f.trend(null, 'C'), '');
});

test('clock in both forms', () => {
  const d = new Date('2026-11-03T22:05:09Z');
  assert.equal(f.clock(d, '24', { zone: 'UTC' }), '22:05');
  assert.equal(plain(f.clock(d, '12', { zone: 'UTC' })).replace(/\u202f/g, ' '), '10:05 pm');
  assert.equal(f.clock(d, '24', { zone: 'UTC', seconds: true }), '22:05:09');
  assert.equal(f.clock('no time', '24'), '–');
});

test('days by name', () => {
  const now = new Date('2026-11-03T10:00:00Z');
  assert.equal(f.day('2026-11-03T01:00:00Z', now, 'UTC'), 'today');
  assert.equal(f.day('2026-11-02T23:59:00Z', now, 'UTC'), 'yesterday');
  assert.equal(f.day('2026-10-20T12:00:00Z', now, 'UTC'), '20 Oct');
  assert.match(f.day('2025-10-20T12:00:00Z', now, 'UTC'), /2025/);
});

test('numbers typed by hand', () => {
  assert.equal(f.typed(' 1,5 '), 1.5);
  assert.equal(f.typed('1 250'), 1250);
  assert.equal(f.typed('−3'), -3);
  assert.equal(f.typed('.5'), 0.5);
  assert.ok(Number.isNaN(f.typed('12 oz')));
  assert.ok(Number.isNaN(f.typed('')));
});

test('the station’s words in the units of this device', () => {
  const own = (words, temp, mass) => plain(f.own(words, { temp, mass }));
  assert.equal(own('TOO HOT: 85.0 °C. Heat off now', 'F', 'g'), 'TOO HOT: 185 °F. Heat off now');
  assert.equal(own('TOO HOT: 185 °F (limit 199 °F)', 'C', 'g'), 'TOO HOT: 85.0 °C (limit 92.8 °C)');
  assert.equal(own('−10 °C', 'F', 'g'), '14 °F');
  assert.equal(own('Add 75 g of fragrance now', 'C', 'oz'), 'Add 2.65 oz of fragrance now');
  assert.equal(own('Add 2.65 oz now', 'C', 'g'), 'Add 75.1 g now');
  assert.equal(own('Add 1 lb 2.5 oz now', 'C', 'g'), 'Add 1 lb 2.5 oz now', 'pounds are left alone');
  assert.equal(own('in about 9 min at 60.0 °C', 'C', 'g'), 'in about 9 min at 60.0 °C');
  assert.equal(own(undefined, 'C', 'g'), '');
});

test('no full stop after a question', () => {
  assert.equal(f.sentences('Is anyone with the wax?', 'Go and look at the wax now.'), 'Is anyone with the wax? Go and look at the wax now.');
  assert.equal(f.sentences('Pour now', '', 'The wax is at 57 °C.'), 'Pour now. The wax is at 57 °C.');
});
