import { test } from 'node:test';
import assert from 'node:assert/strict';
import { outlook, sentence } from '../static/js/outlook.js';

const now = new Date(2026, 10, 3, 10, 42);
const units = { temp: 'C', mass: 'g', clock: '24' };
const next = (x) => ({ key: 'scent-add', celsius: 74, status: 'ok', reason: '', eta: 372, lo: 305, hi: 470, p_reach: 0.99, grams: 101.5, open_for: null, ...x });
const plain = (s) => s.replace(/\u00a0/g, ' ');

test('a forecast in words', () => {
  const o = outlook(next(), 0, now, units);
  assert.equal(sentence(o), 'Scent-add in about 6 min (5 to 8 min)');
  assert.equal(o.big, '6 min');
  assert.equal(o.range, '5 to 8 min · near 10:48');
  assert.equal(plain(o.note), 'at 74.0 °C · 102 g of scent');
});

test('it counts down between two messages', () => {
  assert.equal(outlook(next(), 120, now, units).big, '4 min');
  assert.equal(outlook(next(), 371, now, units).when, 'any moment');
  assert.equal(outlook(next(), 5000, now, units).when, 'any moment', 'never a time in the past');
});

test('what can’t be known is said, not guessed', () => {
  const none = { eta: null, lo: null, hi: null };
  assert.equal(outlook(next({ status: 'too-early', ...none }), 0, now, units).when, 'too early to say');
  assert.equal(outlook(next({ status: 'unreachable', ...none }), 0, now, units).when, 'won’t get there at this heat');
  assert.equal(outlook(next({ key: 'pour', status: 'unreachable', ...none }), 0, now, units).when, 'won’t cool that far here');
  assert.equal(outlook(next({ status: 'disturbed', ...none }), 0, now, units).when, 'wait, the probe was disturbed');
  assert.equal(outlook(next({ status: 'a status of tomorrow', ...none }), 0, now, units).when, 'no forecast');
  for (const status of ['too-early', 'unreachable', 'disturbed', 'plateau']) {
    const o = outlook(next({ status, ...none }), 0, now, units);
    assert.ok(!/\d+ (min|s)\b/.test(o.when), `${status} promises no time: ${o.when}`);
  }
});

test('filling that takes longer than the window stays open is said', () => {
  const window = (need) => outlook(next({ key: 'window-open', grams: 0, open_for: 600, need }), 0, now, units).note;
  assert.match(window(700), /filling takes about 12 min: too long/);
  assert.match(window(550), /filling takes about 9 min$/);
  assert.doesNotMatch(window(300), /filling/);
});

test('an open end', () => {
  const o = outlook(next({ hi: null, p_reach: 0.6 }), 0, now, units);
  assert.match(o.range, /^5 min or more/);
  assert.match(o.note, /6 in 10 chances/);
});

test('timers are exact', () => {
  const stir = next({ key: 'stir-end', status: 'timer', eta: 98, lo: null, hi: null, celsius: null, grams: 0 });
  assert.equal(sentence(outlook(stir, 0, now, units)), 'Stop stirring in 1:38');
  assert.equal(outlook(stir, 98, now, units).when, 'now');
  assert.equal(outlook(stir, 98 + 300, now, units).when, 'due since 5 min');
});

test('reached, and nothing to wait for', () => {
  assert.equal(outlook(next({ status: 'reached', eta: 0 }), 0, now, units).when, 'now');
  assert.equal(outlook(null, 0, now, units).what, 'Nothing to wait for');
});

test('°F and ounces', () => {
  const o = outlook(next(), 0, now, { temp: 'F', mass: 'oz', clock: '12' });
  assert.equal(plain(o.note), 'at 165.2 °F · 3.58 oz of scent');
});
