// A temperature curve on uPlot: bands behind, an earlier curve faint, the trace,
// the forecast's fan ahead, event marks above. Zoom by pinch, drag, wheel or
// keys. What a finger does is kept and drawn once a frame, from a curve thinned
// to the screen's columns and to the points that can be told apart on it.
import { h, text } from './dom.js';
import { t } from './strings.js';
import * as format from './format.js';
import { thin, straighten, nearest, fanAt } from './curve-data.js';
import { flashLimit } from './scale.js';

let loading = null;

/** Loads the vendored chart library when a curve is first shown. */
export function library() {
  if (window.uPlot) return Promise.resolve(window.uPlot);
  loading ||= new Promise((resolve, reject) => {
    document.head.append(h('link', { rel: 'stylesheet', href: '/vendor/uPlot.min.css' }));
    document.head.append(h('script', {
      src: '/vendor/uPlot.iife.min.js',
      onload: () => resolve(window.uPlot),
      onerror: () => { loading = null; reject(new Error(t('failed.network'))); },
    }));
  });
  return loading;
}

const SEEN = 0.4; // px: nearer than this a line is not told from the one it stands for
const COLUMN = 2; // px: of a noisy curve, the least and the greatest within as much

const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

/**
 * A chart in `el`. set() gives it data; the maker moves it. Options: `unit()`
 * and `clock()` give the units now, `onRead(words)` hears what is under the
 * finger.
 */
export class Chart {
  constructor(uPlot, el, { unit, clock, relative = false, onRead = () => {} }) {
    this.uPlot = uPlot;
    this.el = el;
    this.unit = unit;
    this.clock = clock;
    this.relative = relative;
    this.onRead = onRead;
    this.data = null;
    this.window = null; // [from, to] s chosen by the maker, or null: all of it
    this.frame = 0; // asked for, when not 0
    this.stale = false; // what is drawn is no longer so
    this.moved = null; // what a gesture is about to do, once a frame
    this.box = null; // of the plot on the screen, while that holds
    this.patterns = new Map();
    this.widths = new Map();
    this.make();
    this.observer = new ResizeObserver(() => this.fit());
    this.observer.observe(el);
    this.schemes = [matchMedia('(prefers-color-scheme: dark)'), matchMedia('print')];
    this.recolour = () => { this.colours(); this.plot.redraw(false); };
    for (const m of this.schemes) m.addEventListener('change', this.recolour);
    this.forget = () => { this.box = null; };
    window.addEventListener('scroll', this.forget, { passive: true, capture: true });
  }

  destroy() {
    cancelAnimationFrame(this.frame);
    window.removeEventListener('scroll', this.forget, { capture: true });
    this.observer.disconnect();
    for (const m of this.schemes) m.removeEventListener('change', this.recolour);
    this.plot.destroy();
  }

  colours() {
    this.c = Object.fromEntries(['ink', 'soft', 'line', 'edge', 'wax', 'fan', 'sea', 'lead', 'paper', 'figures'].map((n) => [n, css(`--${n}`)]));
  }

  size() {
    return { width: Math.max(200, this.el.clientWidth), height: Math.max(180, this.el.clientHeight) };
  }

  fit() {
    const s = this.size();
    this.box = null;
    if (s.width !== this.plot.width || s.height !== this.plot.height) { this.plot.setSize(s); this.render(); }
  }

  make() {
    this.colours();
    const small = this.el.clientWidth < 560;
    const font = `13px ${this.c.figures}`;
    const line = (stroke, width, extra = {}) => ({ scale: 'y', width, stroke: () => this.c[stroke], points: { show: false }, spanGaps: false, ...extra });
    const axis = { font, stroke: () => this.c.soft, grid: { stroke: () => this.c.line, width: 0.5 }, ticks: { show: false } };
    this.plot = new this.uPlot({
      ...this.size(),
      legend: { show: false },
      padding: [22, 26, 0, 0],
      scales: { x: { time: false, range: () => this.span() }, y: { range: () => this.ySpan() } },
      cursor: { drag: { x: false, y: false }, y: false, points: { show: false }, x: true },
      series: [
        {},
        line('soft', 1.25, { dash: [2, 3] }), // earlier
        line('sea', 1.25), // room, bath, jar
        line('sea', 1.25, { dash: [6, 3] }),
        line('edge', 2.5), // the wax
        line('edge', 2, { dash: [2, 5] }), // expected
      ],
      axes: [
        { ...axis, space: small ? 70 : 90, size: 34, incrs: [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400], splits: (u, i, min, max, incr) => this.timeSplits(min, max, incr), values: (_, vs) => vs.map((v) => this.timeLabel(v)) },
        { ...axis, size: small ? 44 : 56, values: (_, vs) => vs.map((v) => `${format.fixed(v, 0)}°`), incrs: [1, 2, 5, 10, 20, 50] },
      ],
      hooks: {
        drawClear: [() => this.drawBands()],
        draw: [() => this.drawMarks()],
      },
    }, this.columns(), this.el);
    this.plot.over.classList.add('over');
    this.gestures(this.plot.over);
  }

  // Marks on whole minutes and hours of the wall clock, not of the batch.
  timeSplits(min, max, incr) {
    let offset = 0;
    if (!this.relative && this.data) {
      const d = new Date(this.data.start);
      offset = (d.getTime() / 1000 - d.getTimezoneOffset() * 60) % incr;
    }
    const out = [];
    for (let v = Math.ceil((min + offset) / incr) * incr - offset; v <= max; v += incr) out.push(v);
    return out;
  }

  timeLabel(v) {
    if (this.relative) return format.timer(Math.abs(v)).replace(/^/, v < 0 ? '−' : '');
    const from = this.span();
    return format.clock(new Date(this.data.start + v * 1000), this.clock(), { seconds: from[1] - from[0] < 240 });
  }

  /** The whole of it: from the first reading to the end of the fan. */
  extent() {
    const d = this.data;
    if (!d || !d.lines.some((l) => l.curve.t.length)) return [0, 600];
    let from = Infinity;
    let to = -Infinity;
    for (const l of d.lines) {
      const ts = l.curve.t;
      if (!ts.length || l.faint) continue;
      from = Math.min(from, ts[0] - (l.shift || 0));
      to = Math.max(to, ts[ts.length - 1] - (l.shift || 0));
    }
    if (d.fan?.length) to = Math.max(to, d.nowS + d.fan[d.fan.length - 1].ahead);
    if (!(to - from > 60)) to = from + 60;
    return [from, to + (to - from) * 0.01];
  }

  span() { return this.window || this.extent(); }

  ySpan() {
    const [from, to] = this.span();
    const unit = this.unit();
    let lo = Infinity;
    let hi = -Infinity;
    const see = (v) => { if (Number.isFinite(v)) { lo = Math.min(lo, v); hi = Math.max(hi, v); } };
    const d = this.data;
    if (d) {
      for (const l of d.lines) for (const v of (l.drawn?.c || [])) if (v !== null) see(v);
      for (const p of d.fan || []) if (d.nowS + p.ahead >= from && d.nowS + p.ahead <= to) { see(p.lo); see(p.hi); }
      if (!this.window && d.bands) {
        see(d.bands.scent_add);
        see(d.bands.pour_low);
        const limit = flashLimit(d.bands);
        if (limit !== null && limit < d.bands.scent_add + 25) see(limit);
      }
    }
    if (!Number.isFinite(lo)) { lo = 20; hi = 90; }
    const pad = Math.max(0.6, (hi - lo) * 0.07);
    return [format.toShown(lo - pad, unit), format.toShown(hi + pad, unit)];
  }

  /**
   * Gives the chart what to show: {start (ms), nowS, lines: [{curve, kind:
   * "pot"|"other"|"earlier", shift}], fan, bands, events: [{s, words}]}.
   */
  set(data) {
    this.data = data;
    this.render();
  }

  render() {
    this.stale = true;
    this.ask();
  }

  ask() {
    this.frame ||= requestAnimationFrame(() => this.draw());
  }

  // All that was asked for, at once.
  draw() {
    cancelAnimationFrame(this.frame);
    this.settle();
    if (this.stale) {
      this.stale = false;
      this.plot.setData(this.columns(), true);
    }
    if (this.reading) {
      this.reading = false;
      this.showRead();
    }
    this.frame = 0;
  }

  // What the gesture has come to since the last frame.
  settle() {
    const move = this.moved;
    this.moved = null;
    move?.();
  }

  // uPlot wants one x for all columns; lines of different times are joined.
  columns() {
    const d = this.data;
    if (!d) return [[0], [null], [null], [null], [null], [null]];
    const [from, to] = this.span();
    const unit = this.unit();
    const columns = Math.max(100, ((this.plot?.width || this.el.clientWidth) - 50) / COLUMN);
    const slots = [[], [], [], [], []];
    // How many °C can't be seen, by the scale as it stands: it changes little from frame to frame.
    const { min, max } = this.plot?.scales.y || {};
    const near = Number.isFinite(max) ? SEEN * Math.abs(format.fromShown(max, unit) - format.fromShown(min, unit)) / Math.max(100, this.plot.height - 60) : 0;
    for (const l of d.lines) l.drawn = straighten(thin(l.curve, from + (l.shift || 0), to + (l.shift || 0), columns, 2 * near), near);
    let other = 1;
    for (const l of d.lines) {
      const shift = l.shift || 0;
      const slot = l.kind === 'pot' ? 3 : l.kind === 'earlier' ? 0 : Math.min(2, other++);
      slots[slot] = [l.drawn.t.map((x) => x - shift), l.drawn.c.map((v) => (v === null ? null : format.toShown(v, unit)))];
    }
    if (d.fan?.length) slots[4] = [d.fan.map((p) => d.nowS + p.ahead), d.fan.map((p) => format.toShown(p.mid, unit))];
    return this.uPlot.join(slots.map((s) => (s.length ? s : [[], []]))
      .map((s) => [Float64Array.from(s[0]), s[1]]), slots.map(() => [2]));
  }

  // The width of words in the font that is set, measured once.
  wide(ctx, words) {
    const key = `${ctx.font} ${words}`;
    if (!this.widths.has(key)) this.widths.set(key, ctx.measureText(words).width);
    return this.widths.get(key);
  }

  // Slanted lines as a tile, made once.
  hatch(colour, step, width, angle) {
    const key = [colour, step, width, angle].join();
    if (!this.patterns.has(key)) {
      const tile = document.createElement('canvas');
      tile.width = tile.height = step;
      const c = tile.getContext('2d');
      c.strokeStyle = colour;
      c.lineWidth = width;
      for (const x of [-step, 0, step]) { // and what reaches in from the tiles beside it
        c.moveTo(x - 1, angle > 0 ? step + 1 : -1);
        c.lineTo(x + step + 1, angle > 0 ? -1 : step + 1);
      }
      c.stroke();
      this.patterns.set(key, this.plot.ctx.createPattern(tile, 'repeat'));
    }
    return this.patterns.get(key);
  }

  drawBands() {
    const d = this.data;
    if (!d) return;
    const { ctx, bbox } = this.plot;
    const unit = this.unit();
    const y = (c) => this.plot.valToPos(format.toShown(c, unit), 'y', true);
    const dpr = devicePixelRatio || 1;
    ctx.lineJoin = 'bevel'; // round joins of a thousand short strokes take long, and show no difference
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    const hatch = (top, bottom, colour, step, angle) => {
      ctx.globalAlpha = 0.5;
      ctx.fillStyle = this.hatch(colour, Math.round(step * dpr), dpr, angle);
      ctx.fillRect(bbox.left, top, bbox.width, bottom - top);
      ctx.globalAlpha = 1;
    };
    const name = (words, at, colour) => {
      ctx.font = `600 ${12 * dpr}px ${this.c.figures}`;
      ctx.textAlign = 'left';
      ctx.textBaseline = 'bottom';
      const w = this.wide(ctx, words);
      ctx.fillStyle = this.c.paper;
      ctx.globalAlpha = 0.85;
      ctx.fillRect(bbox.left + 4 * dpr, at - 16 * dpr, w + 6 * dpr, 15 * dpr);
      ctx.globalAlpha = 1;
      ctx.fillStyle = colour;
      ctx.fillText(words, bbox.left + 7 * dpr, at - 3 * dpr);
    };
    const b = d.bands;
    if (b) {
      ctx.strokeStyle = this.c.edge;
      ctx.lineWidth = dpr;
      ctx.setLineDash([8 * dpr, 5 * dpr]);
      ctx.beginPath();
      ctx.moveTo(bbox.left, y(b.scent_add));
      ctx.lineTo(bbox.left + bbox.width, y(b.scent_add));
      ctx.stroke();
      ctx.setLineDash([]);
      const limit = flashLimit(b);
      if (limit !== null) {
        hatch(Math.max(bbox.top, y(b.flash.celsius + 40)), y(limit), this.c.lead, 5, -1);
        ctx.strokeStyle = this.c.lead;
        ctx.lineWidth = 1.5 * dpr;
        ctx.beginPath();
        ctx.moveTo(bbox.left, y(limit));
        ctx.lineTo(bbox.left + bbox.width, y(limit));
        ctx.stroke();
      }
    }
    if (d.fan?.length > 1) {
      const x = (s) => this.plot.valToPos(s, 'x', true);
      ctx.fillStyle = this.c.edge;
      ctx.globalAlpha = 0.28;
      ctx.beginPath();
      d.fan.forEach((p, i) => ctx[i ? 'lineTo' : 'moveTo'](x(d.nowS + p.ahead), y(p.hi)));
      for (const p of [...d.fan].reverse()) ctx.lineTo(x(d.nowS + p.ahead), y(p.lo));
      ctx.fill();
      ctx.globalAlpha = 1;
    }
    // wax under its curve
    const pot = d.lines.find((l) => l.kind === 'pot');
    if (pot?.drawn?.t.length > 1) {
      const x = (s) => this.plot.valToPos(s, 'x', true);
      ctx.fillStyle = this.c.wax;
      ctx.globalAlpha = 0.6;
      let run = [];
      const close = () => {
        if (run.length > 1) {
          ctx.beginPath();
          ctx.moveTo(run[0][0], bbox.top + bbox.height);
          for (const [px, py] of run) ctx.lineTo(px, py);
          ctx.lineTo(run[run.length - 1][0], bbox.top + bbox.height);
          ctx.fill();
        }
        run = [];
      };
      pot.drawn.t.forEach((s, i) => { if (pot.drawn.c[i] === null) close(); else run.push([x(s - (pot.shift || 0)), y(pot.drawn.c[i])]); });
      close();
      ctx.globalAlpha = 1;
    }
    if (b) {
      hatch(y(b.pour_high), y(b.pour_low), this.c.edge, 9, 1);
      if (y(b.scent_add) > bbox.top) name(`${t('curve.band.scent')} ${format.degrees(b.scent_add, unit)}`, y(b.scent_add), this.c.ink);
      name(`${t('curve.band.pour')} ${format.degrees(b.pour_high, unit)}–${format.degrees(b.pour_low, unit)}`, y(b.pour_high), this.c.ink);
      const limit = flashLimit(b);
      if (limit !== null && y(limit) > bbox.top + 16 * dpr) name(`${t('curve.band.flash')} ${format.degrees(limit, unit)}`, y(limit), this.c.lead);
    }
    ctx.restore();
  }

  drawMarks() {
    const d = this.data;
    if (!d?.events) return;
    const { ctx, bbox } = this.plot;
    const dpr = devicePixelRatio || 1;
    const x = (s) => this.plot.valToPos(s, 'x', true);
    ctx.save();
    ctx.font = `600 ${12 * dpr}px ${this.c.figures}`;
    ctx.textBaseline = 'top';
    ctx.fillStyle = this.c.ink;
    ctx.strokeStyle = this.c.ink;
    ctx.lineWidth = dpr;
    let free = -Infinity;
    for (const e of d.events) {
      const at = x(e.s);
      if (at < bbox.left - 1 || at > bbox.left + bbox.width + 1) continue;
      ctx.globalAlpha = 0.45;
      ctx.beginPath();
      ctx.moveTo(at, bbox.top);
      ctx.lineTo(at, bbox.top + bbox.height);
      ctx.stroke();
      ctx.globalAlpha = 1;
      const w = this.wide(ctx, e.words);
      const left = Math.min(Math.max(bbox.left, at - w / 2), bbox.left + bbox.width - w);
      ctx.beginPath();
      ctx.moveTo(at, bbox.top);
      ctx.lineTo(at - 4 * dpr, bbox.top - 6 * dpr);
      ctx.lineTo(at + 4 * dpr, bbox.top - 6 * dpr);
      ctx.fill();
      if (left < free) continue; // no room for its name: the list below has it
      ctx.fillText(e.words, left, bbox.top - 20 * dpr);
      free = left + w + 8 * dpr;
    }
    if (Number.isFinite(d.nowS) && !this.relative) {
      const at = x(d.nowS);
      if (at > bbox.left && at < bbox.left + bbox.width) {
        ctx.setLineDash([dpr, 4 * dpr]);
        ctx.globalAlpha = 0.8;
        ctx.beginPath();
        ctx.moveTo(at, bbox.top);
        ctx.lineTo(at, bbox.top + bbox.height);
        ctx.stroke();
      }
    }
    ctx.restore();
  }

  // ---- looking closer

  zoom(factor, at) {
    const [from, to] = this.span();
    this.look(at - (at - from) * factor, (to - from) * factor);
  }

  // Shows so many seconds from there on; as much as there is, when that is less.
  look(from, width) {
    const [a, b] = this.extent();
    if (width >= (b - a) * 0.999) { this.window = null; this.render(); return; }
    const w = Math.max(width, 20);
    this.place(from + (width - w) / 2, w);
  }

  pan(seconds) {
    if (!this.window) return;
    const [from, to] = this.window;
    this.place(from + seconds, to - from);
  }

  place(from, width) {
    const [a, b] = this.extent();
    const f = Math.max(a, Math.min(from, b - width));
    this.window = [f, f + width];
    this.render();
  }

  /** Shows the last so many seconds (and the fan), or all with null. */
  last(seconds) {
    if (seconds === null || !this.data) this.window = null;
    else {
      const [a, b] = this.extent();
      const now = Number.isFinite(this.data.nowS) ? this.data.nowS : b;
      const from = Math.max(a, now - seconds);
      this.window = [from, Math.min(b, now + Math.max(60, seconds * 0.25))];
    }
    this.render();
  }

  /** Shows from the beginning to so many seconds, when there is more than that. */
  until(s) {
    const [a, b] = this.extent();
    this.window = s < b - 60 && s > a + 60 ? [a, s] : null;
    this.render();
  }

  /** Shows from a little before now to the end of the fan. */
  ahead() {
    const d = this.data;
    if (!d?.fan?.length) return this.last(600);
    const far = d.fan[d.fan.length - 1].ahead;
    const [a] = this.extent();
    this.window = [Math.max(a, d.nowS - far * 0.35), d.nowS + far];
    this.render();
  }

  // The part of the plot's width that a place on the screen is at, from 0 to 1.
  share(clientX) {
    this.box ||= this.plot.over.getBoundingClientRect();
    return (clientX - this.box.left) / this.box.width;
  }

  secondsAt(clientX) {
    const [from, to] = this.span();
    return from + this.share(clientX) * (to - from);
  }

  gestures(over) {
    const fingers = new Map(); // id → {x, was}: where on the screen, and where it came down
    let held = null; // {at, gap, width}: the second under the fingers, and how far apart they were at what width
    let lastTap = 0;
    let moved = false;
    const soon = (move) => { this.moved = move; this.ask(); };
    const middle = () => { const xs = [...fingers.values()]; return xs.reduce((sum, f) => sum + f.x, 0) / xs.length; };
    const gap = () => { const [p, q] = [...fingers.values()]; return Math.max(24, Math.abs(p.x - q.x)); };
    const hold = () => {
      const [from, to] = this.span();
      held = fingers.size === 1 || fingers.size === 2 ? { at: this.secondsAt(middle()), gap: fingers.size === 2 ? gap() : 0, width: to - from } : null;
    };
    over.addEventListener('pointerdown', (e) => {
      over.setPointerCapture(e.pointerId);
      this.settle();
      this.box = null;
      fingers.set(e.pointerId, { x: e.clientX, was: e.clientX });
      moved = fingers.size > 1;
      hold();
      if (fingers.size === 1) this.readAt(held.at);
    });
    over.addEventListener('pointermove', (e) => {
      if (fingers.size === 0) {
        if (e.pointerType === 'mouse') soon(() => this.readAt(this.secondsAt(e.clientX)));
        return;
      }
      const finger = fingers.get(e.pointerId);
      if (!finger || !held) return;
      finger.x = e.clientX;
      if (Math.abs(finger.x - finger.was) > 3) moved = true;
      // A finger reads the curve off, two look closer and move it; a mouse drags what it looked at closer.
      if (fingers.size === 2) soon(() => { const w = held.width * (held.gap / gap()); this.look(held.at - this.share(middle()) * w, w); });
      else if (e.pointerType === 'mouse' && this.window) soon(() => moved && this.place(held.at - this.share(finger.x) * held.width, held.width));
      else soon(() => this.readAt(this.secondsAt(finger.x)));
    });
    const up = (e) => {
      if (!fingers.has(e.pointerId)) return;
      this.settle();
      fingers.delete(e.pointerId);
      hold();
      if (e.type === 'pointerup' && !moved && fingers.size === 0) {
        if (e.timeStamp - lastTap < 350) { this.window = null; this.render(); }
        lastTap = e.timeStamp;
      }
    };
    over.addEventListener('pointerup', up);
    over.addEventListener('pointercancel', up);
    over.addEventListener('wheel', (e) => {
      e.preventDefault();
      if (Math.abs(e.deltaX) > Math.abs(e.deltaY)) { const [from, to] = this.span(); this.pan(e.deltaX * (to - from) / this.plot.over.clientWidth); }
      else this.zoom(e.deltaY > 0 ? 1.2 : 1 / 1.2, this.secondsAt(e.clientX));
    }, { passive: false });
  }

  /** Moves the reading line by keys. Gives true when the key was one of them. */
  key(name) {
    const [from, to] = this.span();
    const step = (to - from) / 60;
    const at = this.readS ?? this.data?.nowS ?? to;
    const keys = {
      ArrowLeft: () => this.readAt(at - step),
      ArrowRight: () => this.readAt(at + step),
      Home: () => this.readAt(from),
      End: () => this.readAt(to),
      '+': () => this.zoom(1 / 1.4, at),
      '=': () => this.zoom(1 / 1.4, at),
      '-': () => this.zoom(1.4, at),
      0: () => { this.window = null; this.render(); },
    };
    if (!keys[name]) return false;
    keys[name]();
    this.draw();
    return true;
  }

  /** Reads the curve off at so many seconds. */
  readAt(s) {
    if (!this.data) return;
    const [from, to] = this.span();
    this.readS = Math.max(from, Math.min(to, s));
    this.reading = true;
    this.ask();
  }

  showRead() {
    const d = this.data;
    const at = this.readS;
    const [from, to] = this.span();
    const unit = this.unit();
    const when = (x) => (this.relative ? this.timeLabel(Math.round(x)) : format.clock(new Date(d.start + x * 1000), this.clock(), { seconds: true }));
    const pot = d.lines.find((l) => l.kind === 'pot');
    let words = '';
    const ahead = at - d.nowS;
    const p = ahead > 0 ? fanAt(d.fan, ahead) : null;
    if (p) {
      words = t('curve.read.ahead', { clock: when(at), temp: format.temp(p.mid, unit), lo: format.degrees(p.lo, unit, 1), hi: format.degrees(p.hi, unit, 1) });
    } else {
      const near = pot && nearest(pot.curve, at + (pot.shift || 0), (to - from) / 20);
      if (near) words = t('curve.read', { clock: when(near.t - (pot.shift || 0)), temp: format.temp(near.c, unit) });
      const rest = d.lines.filter((l) => l !== pot).map((l) => {
        const n = nearest(l.curve, at + (l.shift || 0), (to - from) / 20);
        return n ? `${l.brief || l.words}\u00a0${format.temp(n.c, unit)}` : '';
      }).filter(Boolean);
      words = [words || when(at), ...rest].join(' · ');
    }
    this.plot.setCursor({ left: this.plot.valToPos(at, 'x'), top: 10 }, false);
    this.onRead(words);
  }
}

/** A frame for a chart with its read-off line: {el, box, read}. */
export function frame(label) {
  const read = h('p', { class: 'read resting' }, t('curve.read.hint'));
  const box = h('div', { class: 'chart', tabindex: '0', role: 'application', 'aria-label': label, 'aria-describedby': 'curve-keys' });
  const el = h('div', { class: 'chart-frame' }, read, box, h('p', { id: 'curve-keys', class: 'quiet' }, t('curve.keys')));
  return { el, box, read, say: (words) => { read.classList.remove('resting'); text(read, words); } };
}
