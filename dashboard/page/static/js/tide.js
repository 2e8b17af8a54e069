// The picture behind a pot: the wax as a tide against a painted staff. The
// filled shape up to the middle is what was, its height at the middle is now,
// and past it lies the forecast with its 90 % interval. Marks on the staff are
// the batch's own temperatures. It is decoration with meaning: everything in
// it is said in words beside it, so screen readers skip it.
import { s } from './dom.js';
import { t } from './strings.js';
import { staffSpan, staffTicks, flashLimit, yOf, timeSpan } from './scale.js';
import { thin } from './curve-data.js';
import { degrees } from './format.js';

const BLOCK = 14; // px, width of the painted blocks
const MARK = 52; // px from the left where pennants begin to stand out

export class Tide {
  constructor() {
    this.area = s('path', { class: 'wax' });
    this.edge = s('path', { class: 'wax-edge' });
    this.under = s('path', { class: 'fan-under' });
    this.fan = s('path', { class: 'fan' });
    this.mid = s('path', { class: 'fan-mid' });
    this.band = s('g');
    this.now = s('g', { class: 'now' });
    this.staff = s('g', { class: 'staff' });
    this.marks = s('g', { class: 'marks' });
    this.el = s('svg', { class: 'tide', 'aria-hidden': 'true', focusable: 'false' },
      s('defs', null, this.pattern(), this.fading()),
      this.under, this.fan, this.area, this.band, this.edge, this.mid, this.now, this.staff, this.marks);
    this.size = { w: 0, h: 0 };
    this.resize = new ResizeObserver(([entry]) => {
      const { width, height } = entry.contentRect;
      this.size = { w: Math.round(width), h: Math.round(height) };
      this.sig = '';
      if (this.last) this.draw(this.last);
    });
    this.resize.observe(this.el);
  }

  pattern() {
    this.patternId = `hatch-${Math.random().toString(36).slice(2, 8)}`;
    return s('pattern', { id: this.patternId, width: 7, height: 7, patternUnits: 'userSpaceOnUse', patternTransform: 'rotate(-45)' },
      s('line', { x1: 0, y1: 0, x2: 0, y2: 7, class: 'hatch' }));
  }

  // What lies ahead fades toward the end of the forecast.
  fading() {
    this.fadeId = this.patternId.replace('hatch', 'fade');
    const ramp = s('linearGradient', { id: `${this.fadeId}-ramp` },
      s('stop', { offset: '0.35', 'stop-color': '#fff' }), s('stop', { offset: '1', 'stop-color': '#fff', 'stop-opacity': '0' }));
    this.fadeRect = s('rect', { fill: `url(#${this.fadeId}-ramp)` });
    this.under.setAttribute('mask', `url(#${this.fadeId})`);
    this.fan.setAttribute('mask', `url(#${this.fadeId})`);
    return [ramp, s('mask', { id: this.fadeId, maskUnits: 'userSpaceOnUse' }, this.fadeRect)];
  }

  destroy() { this.resize.disconnect(); }

  /**
   * in: {celsius, bands, fan, elapsed, curve, nowS, unit, nowAt}; nowS is the moment of now on the curve's own line, in s; nowAt the
   * part of the width where now stands.
   */
  draw(input) {
    this.last = input;
    const { w, h } = this.size;
    if (!w || !h) return;
    const span = staffSpan(input.bands, input.celsius, input.unit);
    const y = (c) => Math.round(yOf(c, span, h, 10, 10) * 10) / 10;
    this.drawStaff(input, span, y, w, h);

    const nowX = Math.round(w * (input.nowAt || 0.5));
    const reach = input.fan?.length ? input.fan[input.fan.length - 1].ahead - (input.elapsed || 0) : 0;
    const per = timeSpan(reach) / (w - nowX); // s per px
    const known = Number.isFinite(input.celsius);
    const level = known ? y(input.celsius) : h;

    // what was
    let d = '';
    const points = [];
    if (input.curve && input.curve.t.length > 1 && Number.isFinite(input.nowS)) {
      const from = input.nowS - nowX * per;
      const got = thin(input.curve, from, input.nowS, Math.max(40, Math.round(nowX / 2)));
      for (let i = 0; i < got.t.length; i++) {
        if (got.c[i] === null) continue; // the wax was there all the same
        const x = nowX - (input.nowS - got.t[i]) / per;
        points.push([Math.max(0, x), y(got.c[i])]);
      }
    }
    if (known) {
      if (points.length === 0) points.push([0, level]);
      points.push([nowX, level]);
      const line = points.map(([px, py]) => `${px.toFixed(1)} ${py}`).join('L');
      d = `M${points[0][0].toFixed(1)} ${h}L${line}L${nowX} ${h}Z`;
      this.edge.setAttribute('d', `M${line}`);
    } else {
      this.edge.setAttribute('d', '');
    }
    this.area.setAttribute('d', d);

    // what will be
    const mask = this.fadeRect.parentNode;
    for (const el of [mask, this.fadeRect]) {
      el.setAttribute('x', nowX);
      el.setAttribute('y', 0);
      el.setAttribute('width', Math.max(1, reach > 0 ? reach / per : w - nowX));
      el.setAttribute('height', h);
    }
    const fan = (input.fan || []).map((p) => ({ ...p, x: nowX + (p.ahead - (input.elapsed || 0)) / per })).filter((p) => p.x >= nowX - 1);
    if (known && fan.length > 1) {
      const up = fan.map((p) => `${p.x.toFixed(1)} ${y(p.hi)}`);
      const down = fan.map((p) => `${p.x.toFixed(1)} ${y(p.lo)}`);
      const last = fan[fan.length - 1].x.toFixed(1);
      this.fan.setAttribute('d', `M${nowX} ${level}L${up.join('L')}L${[...down].reverse().join('L')}Z`);
      this.under.setAttribute('d', `M${nowX} ${level}L${down.join('L')}L${last} ${h}L${nowX} ${h}Z`);
      this.mid.setAttribute('d', `M${nowX} ${level}L${fan.map((p) => `${p.x.toFixed(1)} ${y(p.mid)}`).join('L')}`);
    } else {
      this.fan.setAttribute('d', '');
      this.mid.setAttribute('d', '');
      this.under.setAttribute('d', known ? `M${nowX} ${level}H${w}V${h}H${nowX}Z` : '');
    }

    // now
    this.now.replaceChildren(...(known ? [
      s('line', { x1: 0, x2: nowX, y1: level, y2: level, class: 'now-line' }),
      s('path', { d: `M${BLOCK + 1} ${level}l12 -7v14z`, class: 'now-point' }),
      s('circle', { cx: nowX, cy: level, r: 4.5, class: 'now-dot' }),
    ] : []));
  }

  drawStaff(input, span, y, w, h) {
    const { bands, unit } = input;
    const sig = JSON.stringify([span, bands, unit, w, h]);
    if (sig === this.sig) return;
    this.sig = sig;
    const ticks = staffTicks(span, unit);
    const parts = [];
    for (let i = 0; i + 1 < ticks.length; i++) {
      const a = y(ticks[i + 1].c);
      const b = y(ticks[i].c);
      parts.push(s('rect', { x: 0, y: a, width: BLOCK, height: b - a, class: i % 2 ? 'block odd' : 'block' }));
    }
    const marks = this.marksOf(bands).filter((m) => m.c >= span.lo && m.c <= span.hi).map((m) => ({ ...m, y: y(m.c), at: y(m.c) }));
    // labels keep clear of one another
    marks.sort((a, b) => a.y - b.y);
    for (let i = 1; i < marks.length; i++) if (marks[i].at - marks[i - 1].at < 34) marks[i].at = marks[i - 1].at + 34;
    for (const tick of ticks) {
      if (!tick.tall) continue;
      const ty = y(tick.c);
      if (ty < 14 || ty > h - 14 || marks.some((m) => Math.abs(m.at - ty) < 24)) continue;
      parts.push(s('text', { x: BLOCK + 16, y: ty + 4, class: 'tick' }, String(tick.shown)));
    }
    this.staff.replaceChildren(...parts);
    this.band.replaceChildren(...(bands ? [
      s('rect', { x: 0, y: y(bands.pour_high), width: w, height: Math.max(2, y(bands.pour_low) - y(bands.pour_high)), fill: `url(#${this.patternId})`, class: 'window' }),
      s('line', { x1: 0, x2: w, y1: y(bands.pour_high), y2: y(bands.pour_high), class: 'window-edge' }),
      s('line', { x1: 0, x2: w, y1: y(bands.pour_low), y2: y(bands.pour_low), class: 'window-edge' }),
      s('line', { x1: 0, x2: w, y1: y(bands.scent_add), y2: y(bands.scent_add), class: 'scent-edge' }),
    ] : []));
    this.marks.replaceChildren(...marks.map((m) => s('g', { class: `mark ${m.kind}` },
      s('path', { d: `M${BLOCK} ${m.y}L${BLOCK + 9} ${m.at - 15}H${MARK + 14}V${m.at + 15}H${BLOCK + 9}Z` }),
      s('text', { x: BLOCK + 15, y: m.at - 2, class: 'mark-name' }, m.name),
      s('text', { x: BLOCK + 15, y: m.at + 11, class: 'mark-deg' }, degrees(m.c, unit)))));
  }

  marksOf(bands) {
    if (!bands) return [];
    const flash = flashLimit(bands);
    return [
      flash !== null ? { c: flash, name: t('mark.flash'), kind: 'flash' } : null,
      { c: bands.scent_add, name: t('mark.scent'), kind: 'scent' },
      { c: bands.pour, name: t('mark.pour'), kind: 'pour' },
    ].filter(Boolean);
  }
}
