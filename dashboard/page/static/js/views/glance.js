// The glance: how hot, what next, how long. One pot fills the screen; several
// share it.
import { h, text, attr, show, rebuild } from '../dom.js';
import { t, has } from '../strings.js';
import { store } from '../store.js';
import { units } from '../prefs.js';
import * as format from '../format.js';
import { outlook } from '../outlook.js';
import { unacknowledged } from '../state.js';
import { standing } from '../curve-data.js';
import { Tide } from '../tide.js';
import { curveOf } from '../curves.js';
import { drawTaps, answer } from '../taps.js';
import { drawStrips, acknowledge, details } from '../notices.js';

/** Mounts the glance of one pot (`id`) or of all. Gives {update, destroy, title}. */
export function glance(main, { id }) {
  const panels = new Map();
  const box = h('div', { class: 'pots' });
  main.append(box);
  let sig = '';

  function update() {
    const snap = store.snapshot;
    if (!snap) {
      if (!box.firstChild) box.append(h('p', { class: 'loading' }, t('link.calling')));
      return;
    }
    const pots = id ? snap.pots.filter((p) => p.id === id) : snap.pots;
    const want = JSON.stringify([pots.map((p) => p.id)]);
    if (want !== sig) {
      sig = want;
      for (const p of panels.values()) p.destroy();
      panels.clear();
      box.dataset.count = String(pots.length);
      if (pots.length === 0) {
        box.replaceChildren(id
          ? h('div', { class: 'empty' }, h('h1', null, t('not-found.pot', { id })), h('p', null, h('a', { href: '#/' }, t('not-found.go'))))
          : h('div', { class: 'empty' }, h('h1', null, t('pots.none')), h('p', null, t('pots.none.do')), h('p', null, h('a', { href: '#/setup' }, t('nav.setup')))));
      } else {
        box.replaceChildren(...(pots.length > 1 ? [h('h1', { class: 'quiet' }, t('nav.glance'))] : []), ...pots.map((p) => {
          const panel = new Panel(p.id, pots.length);
          panels.set(p.id, panel);
          return panel.el;
        }));
      }
    }
    for (const p of pots) panels.get(p.id)?.update(p);
  }

  update();
  return {
    update,
    destroy() { for (const p of panels.values()) p.destroy(); },
    title() {
      const snap = store.snapshot;
      const pot = snap && (id ? store.pot(id) : snap.pots.length === 1 ? snap.pots[0] : null);
      if (!pot) return t('nav.glance');
      const c = pot.reading?.quality === 'good' ? pot.reading.celsius : null;
      return [c !== null ? format.temp(c, units().temp, 0) : '', t(`stage.${pot.stage}`), pot.name].filter(Boolean).join(' · ');
    },
  };
}

class Panel {
  constructor(id, count) {
    this.id = id;
    this.tide = new Tide();
    this.alone = count === 1;
    const head = this.alone ? 'h1' : 'h2';
    this.name = h('span', { class: 'pot-name' });
    this.batch = h('span', { class: 'pot-batch' });
    this.stage = h('p', { class: 'stage' });
    this.whole = h('span', { class: 'whole' });
    this.tenth = h('span', { class: 'tenth' });
    this.unit = h('span', { class: 'unit' });
    this.temp = h('p', { class: 'temp' }, this.whole, h('span', { class: 'side' }, this.unit, this.tenth));
    this.trend = h('p', { class: 'trend' });
    this.dead = h('p', { class: 'dead', hidden: true });
    this.what = h('p', { class: 'next-what' });
    this.when = h('p', { class: 'next-when' });
    this.range = h('p', { class: 'next-range' });
    this.note = h('p', { class: 'next-note' });
    this.ack = h('div', { class: 'next-act' });
    this.next = h('div', { class: 'next' }, this.what, this.when, this.range, this.note, this.ack);
    this.strips = h('div', { class: 'strips' });
    this.asked = h('div', { class: 'asked' });
    this.taps = h('div', { class: 'taps' });
    this.links = h('p', { class: 'pot-links' });
    this.el = h('section', { class: 'pot', 'aria-label': id },
      this.tide.el,
      h('div', { class: 'pot-body' },
        h(head, { class: 'pot-head' }, this.name, this.batch),
        h('div', { class: 'pot-now' }, this.stage, this.temp, this.trend, this.dead),
        this.next, this.strips, this.asked, this.taps, this.alone ? null : this.links));
  }

  destroy() { this.tide.destroy(); }

  update(pot) {
    const u = units();
    const now = store.now();
    const dead = store.dead(pot.id);
    const r = pot.reading;
    const good = r && r.quality === 'good' && r.celsius !== null;
    const stale = dead !== null || !store.live;
    attr(this.el, 'aria-label', pot.name);
    attr(this.el, 'data-stage', pot.stage);
    attr(this.el, 'data-stale', stale);

    text(this.name, pot.name);
    text(this.batch, pot.batch ? pot.batch.name : '');
    text(this.stage, has(`stage.${pot.stage}`) ? t(`stage.${pot.stage}`) : t('stage.unknown'));

    // A suspect reading never stands in the big numeral: the last good one does, marked as such.
    const shown = good ? r : pot.last_good;
    const parts = format.tempParts(shown ? shown.celsius : null, u.temp);
    text(this.whole, parts.whole);
    text(this.tenth, parts.tenth ? `.${parts.tenth}` : '');
    text(this.unit, parts.unit);
    attr(this.temp, 'data-digits', parts.whole.length);
    attr(this.temp, 'data-old', !good || stale);
    const heat = pot.batch && pot.stage !== 'setting' && pot.stage !== 'curing' && pot.stage !== 'done' && pot.stage !== 'trim'
      ? t(pot.heat_on ? 'heat.on' : 'heat.off') : '';
    const going = [good && !stale ? format.trend(pot.trend, u.temp) : '', heat].filter(Boolean);
    rebuild(this.trend, going, () => going.map((w, i) => h('span', null, i ? h('span', { class: 'dot' }, ' · ') : null, w)));
    this.drawDead(pot, r, good, dead, u);

    const cue = (pot.notices || []).find((n) => n.class === 'cue' && unacknowledged(n));
    this.drawNext(pot, cue, now, u);
    drawStrips(this.strips, pot, cue?.key);
    this.drawAsked(pot, u);
    drawTaps(this.taps, pot);
    if (!this.alone) {
      rebuild(this.links, [pot.id, pot.name], () => [
        h('a', { href: `#/pot/${encodeURIComponent(pot.id)}` }, t('pot.open', { name: pot.name })),
        h('a', { href: `#/curve/${encodeURIComponent(pot.id)}`, 'aria-label': `${t('pot.curve')}: ${pot.name}` }, t('pot.curve'))]);
    }

    const curve = pot.batch ? curveOf(pot.id) : null;
    const at = shown ? Date.parse(shown.at) : NaN;
    this.tide.draw({
      celsius: shown ? shown.celsius : NaN,
      bands: pot.bands,
      unit: u.temp,
      fan: good && !stale ? pot.fan : [],
      elapsed: store.elapsed(pot.id),
      curve: curve?.pot,
      nowS: curve && curve.pot.start !== null ? (at - curve.pot.start) / 1000 : NaN,
      nowAt: this.el.clientWidth > 700 ? 0.72 : 0.5,
    });
  }

  drawDead(pot, r, good, dead, u) {
    let words = '';
    if (!r) words = t('dead.never');
    else if (dead !== null && store.live) words = t('dead.line', { age: format.age(dead) });
    else if (!good) {
      const why = has(`quality.${r.quality}`) ? t(`quality.${r.quality}`) : r.quality;
      const last = pot.last_good ? t('reading.last', { temp: format.temp(pot.last_good.celsius, u.temp), age: format.age((store.now() - Date.parse(pot.last_good.at)) / 1000) }) : '';
      words = `${t('reading.bad', { why })} ${last}`;
    }
    text(this.dead, words);
    show(this.dead, words !== '');
  }

  drawNext(pot, cue, now, u) {
    const o = pot.batch ? outlook(pot.next, store.elapsed(pot.id), now, u)
      : { what: t('pot.no-batch'), when: '', big: '', range: '', note: t('next.start'), kind: 'words' };
    attr(this.next, 'data-kind', cue ? 'cue' : o.kind);
    attr(this.el, 'data-calling', !!cue);
    if (cue) {
      text(this.what, format.own(cue.title, u));
      rebuild(this.when, [], () => []);
      text(this.range, format.own(cue.body, u));
      text(this.note, '');
      rebuild(this.ack, [cue.key, cue.since, store.maker], () => [
        store.maker ? h('button', { type: 'button', class: 'strong cue-ack', 'data-key': 'ack', onclick: (e) => acknowledge(pot, cue, e.currentTarget) }, t('notice.ack')) : null,
        h('button', { type: 'button', class: 'plain', 'data-key': 'see', onclick: () => details(pot, cue) }, t('tap.more')),
      ]);
      return;
    }
    rebuild(this.ack, [], () => []);
    text(this.what, o.what);
    // "in about 6 min": the words small, the number large
    rebuild(this.when, [o.when, o.big], () => {
      if (!o.big || o.big === o.when) return h('span', { class: o.big ? 'big' : '' }, o.when);
      const i = o.when.indexOf(o.big);
      return [o.when.slice(0, i) ? h('span', { class: 'lead' }, o.when.slice(0, i)) : null, h('span', { class: 'big' }, o.big), o.when.slice(i + o.big.length)];
    });
    text(this.range, o.range);
    text(this.note, o.note);
  }

  drawAsked(pot, u) {
    const ids = new Set(pot.asked || []);
    const events = standing(pot.events).filter((e) => ids.has(e.id));
    rebuild(this.asked, [events.map((e) => [e.id, e.wall]), store.maker, store.live, u.clock], () => (store.maker ? events.map((e) => {
      const words = t('asked', { what: t(`event.${e.kind}`), clock: format.clock(e.wall, u.clock) });
      return h('div', { class: 'ask-strip', role: 'group', 'aria-label': words },
        h('p', null, words),
        h('button', { type: 'button', class: 'strong', 'data-key': `y${e.id}`, disabled: !store.live, onclick: () => answer(pot, e.id, true) }, t('asked.yes')),
        h('button', { type: 'button', class: 'tap', 'data-key': `n${e.id}`, disabled: !store.live, onclick: () => answer(pot, e.id, false) }, t('asked.no')));
    }) : []));
  }
}
