// The one place that holds what the station said. Messages go in by receive();
// views listen. Times: the page's own clock is performance.now(), in ms.
import { reduce, empty, deadFor } from './state.js';

const listeners = { change: new Set(), happened: new Set(), link: new Set() };

export const store = {
  state: empty,
  link: { status: 'calling', since: null, heardAt: null, attempt: 0, reason: '' }, // calling, live, lost, refused
  anchor: { now: 0, at: 0 }, // the station's time (ms since 1970) and when we heard it
  potAt: new Map(), // pot id → when its view came
  readingAt: new Map(), // pot id → {at, age (real s), pace (real s)}

  get snapshot() { return this.state.snapshot; },
  get lapse() { return this.state.snapshot?.lapse || 1; },
  get maker() { return this.state.snapshot?.role !== 'viewer'; },
  get live() { return this.link.status === 'live'; },

  pot(id) { return this.state.snapshot?.pots.find((p) => p.id === id) || null; },

  /** The station's time now, as a Date. */
  now() {
    if (!this.anchor.at) return new Date();
    return new Date(this.anchor.now + (performance.now() - this.anchor.at) * this.lapse);
  },

  /** Station seconds since a pot's view came. */
  elapsed(id) {
    const at = this.potAt.get(id);
    return at === undefined ? 0 : ((performance.now() - at) / 1000) * this.lapse;
  },

  /** The dead man's line of a pot: real seconds without a reading, or null. */
  dead(id) {
    const r = this.readingAt.get(id);
    if (!r) return null;
    return deadFor(r.age, (performance.now() - r.at) / 1000, r.pace);
  },

  /** Takes one message in; gives true when a new snapshot is needed. */
  receive(message) {
    const { state, gap, happened } = reduce(this.state, message);
    this.state = state;
    const at = performance.now();
    this.link.heardAt = at;
    this.link.heardWall = Date.now();
    if (message.now && !gap) this.anchor = { now: Date.parse(message.now), at };
    if (happened?.type === 'snapshot') {
      for (const p of state.snapshot.pots) {
        this.potAt.set(p.id, at);
        this.heardReading(p.id, p.reading, at);
      }
    } else if (happened?.type === 'pot' && message.pot) {
      this.potAt.set(message.pot.id, at);
    } else if (happened?.type === 'reading' && message.reading?.role === 'pot') {
      this.heardReading(message.pot_id, message.reading, at);
    }
    if (happened) for (const fn of listeners.happened) fn(happened);
    this.changed();
    return gap;
  },

  /** Takes a pot's view that came with a refusal, so that the page shows what the station sees. */
  receivePot(pot) {
    if (!this.state.snapshot) return;
    const pots = this.state.snapshot.pots.map((p) => (p.id === pot.id ? pot : p));
    this.state = { ...this.state, snapshot: { ...this.state.snapshot, pots } };
    this.potAt.set(pot.id, performance.now());
    this.changed();
  },

  heardReading(id, reading, at) {
    if (!reading) { this.readingAt.delete(id); return; }
    const before = this.readingAt.get(id);
    const step = before ? (at - before.at) / 1000 : 1;
    const pace = before ? before.pace * 0.8 + Math.min(step, 10) * 0.2 : 1;
    this.readingAt.set(id, { at, age: Math.max(0, reading.age || 0) / this.lapse, pace });
  },

  setLink(change) {
    const before = this.link.status;
    Object.assign(this.link, change);
    if (this.link.status !== before || change.reason !== undefined) for (const fn of listeners.link) fn(this.link, before);
    this.changed();
  },

  changed() {
    if (this.queued) return;
    this.queued = true;
    // Several messages within a frame are one redraw; a hidden page still needs its alarms.
    const run = () => { this.queued = false; for (const fn of listeners.change) fn(); };
    if (document.hidden) queueMicrotask(run); else requestAnimationFrame(run);
  },

  on(kind, fn) {
    listeners[kind].add(fn);
    return () => listeners[kind].delete(fn);
  },
};
