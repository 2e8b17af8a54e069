import { test } from 'node:test';
import assert from 'node:assert/strict';
import { reduce, empty, sortNotices, callingAlarms, backoff, deadFor } from '../static/js/state.js';

const snapshot = () => ({ type: 'snapshot', seq: 7, now: 'T', pots: [{ id: 'a', name: 'A', notices: [], events: [], probes: [{ probe: 'p', celsius: 1 }] }, { id: 'b', name: 'B', notices: [] }] });
const start = () => reduce(empty, snapshot()).state;

test('nothing before the snapshot', () => {
  assert.equal(reduce(empty, { type: 'pot', seq: 1 }).gap, true);
});

test('updates in order are taken in, and the old state is left alone', () => {
  const s = start();
  const r = reduce(s, { type: 'pot', seq: 8, now: 'U', pot: { id: 'a', name: 'A2' } });
  assert.equal(r.gap, false);
  assert.equal(r.state.snapshot.pots[0].name, 'A2');
  assert.equal(s.snapshot.pots[0].name, 'A');
  assert.equal(r.state.seq, 8);
});

test('a missing number is a gap, an old one is no news', () => {
  const s = start();
  assert.equal(reduce(s, { type: 'pot', seq: 9, pot: { id: 'a' } }).gap, true);
  const old = reduce(s, { type: 'pot', seq: 7, pot: { id: 'a', name: 'old' } });
  assert.equal(old.gap, false);
  assert.equal(old.state.snapshot.pots[0].name, 'A');
  assert.equal(reduce(s, { type: 'alive', seq: 8, now: 'U' }).gap, true);
  assert.equal(reduce(s, { type: 'alive', seq: 7, now: 'U' }).gap, false);
});

test('a suspect reading never becomes the last good one', () => {
  let s = start();
  s = reduce(s, { type: 'reading', seq: 8, pot_id: 'a', reading: { probe: 'p', role: 'pot', quality: 'good', celsius: 60 } }).state;
  s = reduce(s, { type: 'reading', seq: 9, pot_id: 'a', reading: { probe: 'p', role: 'pot', quality: 'crc', celsius: null } }).state;
  assert.equal(s.snapshot.pots[0].reading.quality, 'crc');
  assert.equal(s.snapshot.pots[0].last_good.celsius, 60);
});

test('a probe of another role does not move the numeral', () => {
  const s = reduce(start(), { type: 'reading', seq: 8, pot_id: 'a', reading: { probe: 'q', role: 'bath', quality: 'good', celsius: 95 } }).state;
  assert.equal(s.snapshot.pots[0].reading, undefined);
});

test('the same event twice is one', () => {
  let s = start();
  for (const seq of [8, 9]) s = reduce(s, { type: 'event', seq, pot_id: 'a', event: { id: 'e' } }).state;
  assert.equal(s.snapshot.pots[0].events.length, 1);
});

test('what a later version sends is counted and otherwise let be', () => {
  const r = reduce(start(), { type: 'something new', seq: 8, now: 'U' });
  assert.equal(r.gap, false);
  assert.equal(r.state.seq, 8);
});

const n = (key, x) => ({ key, class: 'alarm', priority: 'high', state: 'unacked', since: '2026', ...x });

test('notices come and go', () => {
  let s = start();
  s = reduce(s, { type: 'notice', seq: 8, pot_id: 'a', notice: n('x') }).state;
  assert.equal(callingAlarms(s.snapshot).length, 1);
  s = reduce(s, { type: 'notice', seq: 9, pot_id: 'a', notice: n('x', { state: 'acked' }) }).state;
  assert.equal(callingAlarms(s.snapshot).length, 0);
  assert.equal(s.snapshot.pots[0].notices.length, 1);
  s = reduce(s, { type: 'notice', seq: 10, pot_id: 'a', notice: n('x', { state: 'normal' }) }).state;
  assert.equal(s.snapshot.pots[0].notices.length, 0);
});

test('a latched alarm calls though it is over; one that does not latch stands as a strip', () => {
  for (const [state, calling] of [['unacked', 1], ['latched-unack', 1], ['returned-unack', 0], ['acked', 0], ['latched-ack', 0]]) {
    const s = reduce(start(), { type: 'notice', seq: 8, pot_id: 'a', notice: n('x', { state }) }).state;
    assert.equal(callingAlarms(s.snapshot).length, calling, state);
    assert.equal(s.snapshot.pots[0].notices.length, 1, state);
  }
  const low = reduce(start(), { type: 'notice', seq: 8, pot_id: 'a', notice: n('x', { priority: 'low' }) }).state;
  assert.equal(callingAlarms(low.snapshot).length, 0);
});

test('order: alarms first, the urgent before the rest, what can burn and then the first-out first', () => {
  const order = sortNotices([n('cue', { class: 'cue', priority: 'urgent' }), n('low', { priority: 'low' }), n('acked', { priority: 'urgent', state: 'acked' }), n('second', { priority: 'urgent' }), n('first', { priority: 'urgent', first_out: true }), n('flash-margin', { priority: 'urgent' })]).map((x) => x.key);
  assert.deepEqual(order, ['flash-margin', 'first', 'second', 'low', 'acked', 'cue']);
});

test('backoff doubles, is jittered, and stays within 15 s', () => {
  assert.equal(backoff(0, 0), 250);
  assert.equal(backoff(0, 0.999), 500);
  for (let i = 0; i < 40; i++) for (const r of [0, 0.5, 0.999]) assert.ok(backoff(i, r) <= 15000 && backoff(i, r) >= 250);
  assert.ok(backoff(6, 0) > backoff(2, 0.999));
});

test('the dead man’s line', () => {
  assert.equal(deadFor(0.5, 9, 1), null);
  assert.equal(deadFor(0.5, 11.5, 1), 12);
  assert.equal(deadFor(20, 0, 1), 20, 'an old reading just come is old all the same');
  assert.equal(deadFor(0, 12, 5), null, 'a slow probe is given its time');
});
