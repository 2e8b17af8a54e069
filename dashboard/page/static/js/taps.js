// What the maker tells the station. Every tap carries an id of its own and the
// stamp of what was on screen; the station answers before anything is said to
// be kept; it can be taken back. Nothing is queued while the line is down.
import { h, openDialog, rebuild, text, say, freshId as elementId } from './dom.js';
import { t, has } from './strings.js';
import { api, freshId } from './api.js';
import { store } from './store.js';
import { toast } from './toasts.js';
import { units } from './prefs.js';
import * as format from './format.js';
import { play } from './sound.js';

const GUARD = 700; // ms after the buttons changed in which a tap is taken for the second half of a double tap
const RETRY = 60000; // ms in which the same tap after a broken line keeps its id

const busy = new Set(); // pot ids with a tap under way
const changedAt = new Map(); // pot id → when its buttons last changed
const tappedAt = new Map(); // pot id → when it was last tapped
const unanswered = new Map(); // pot + kind → {id, at}

const remarks = new Map(); // pot id → words beside its buttons, for a moment

function remark(pot, words) {
  remarks.set(pot, words);
  say(words);
  setTimeout(() => { if (remarks.get(pot) === words) { remarks.delete(pot); store.changed(); } }, 5000);
  store.changed();
}

/** Whether a pot's tap is waiting for the station's answer. */
export const isBusy = (pot) => busy.has(pot);

/**
 * Tells the station that something was done. Gives true when it was kept.
 * `extra` is merged into the tap (text, grams, counts…).
 */
export async function tap(pot, kind, extra = {}, { guarded = true } = {}) {
  if (busy.has(pot.id)) return false;
  const now = performance.now();
  if (guarded && now - (changedAt.get(pot.id) ?? -GUARD) < GUARD) {
    // Either the second half of a double tap, or one meant for buttons that changed by themselves: said, beside the buttons.
    remark(pot.id, t(now - (tappedAt.get(pot.id) ?? -GUARD) > GUARD ? 'tap.changed' : 'tap.twice'));
    return false;
  }
  tappedAt.set(pot.id, now);
  if (!store.live) { toast(t('tap.offline'), { kind: 'bad' }); return false; }
  const key = `${pot.id} ${kind}`;
  const old = unanswered.get(key);
  const id = old && performance.now() - old.at < RETRY ? old.id : freshId();
  busy.add(pot.id);
  store.changed();
  try {
    const got = await api.tap(pot.id, { id, kind, stamp: pot.stamp, batch: pot.batch?.id || '', ...extra });
    unanswered.delete(key);
    play('tap');
    kept(pot, kind, got?.event || { id, wall: store.now().toISOString() });
    return true;
  } catch (err) {
    if (err.code === 'stale' || err.code === 'not-now' || err.code === 'busy') {
      unanswered.delete(key);
      if (err.pot) store.receivePot(err.pot);
      toast(err.code === 'stale' ? t('tap.stale') : t('tap.failed', { why: err.message }), { kind: 'bad' });
    } else {
      if (err.status === 0) unanswered.set(key, { id, at: performance.now() });
      toast(err.status === 0 ? t('tap.offline') : t('tap.failed', { why: err.message }), { kind: 'bad' });
    }
    return false;
  } finally {
    busy.delete(pot.id);
    changedAt.set(pot.id, performance.now());
    store.changed();
  }
}

function kept(pot, kind, event) {
  const what = t(`event.${kind}`);
  const actions = [{ label: t('tap.undo'), run: () => undo(pot, event, what) }];
  if (kind === 'poured') actions.push({ label: t('tap.count'), run: () => countJars(pot.batch?.sheet?.containers || [], event, (body) => mend(pot, event, body)) });
  if (kind === 'scent-added' && pot.batch?.sheet?.fragrance?.length) actions.push({ label: t('tap.weigh'), run: () => weighScent(pot, event) });
  toast(t('tap.done', { what, clock: format.clock(event.wall, units().clock) }), { actions });
}

async function undo(pot, event, what) {
  try {
    await api.event(pot.id, event.id, 'withdraw');
    toast(t('tap.undone', { what }), { stay: 4000 });
  } catch (err) {
    toast(t('tap.undo.failed', { why: err.message }), { kind: 'bad' });
  }
}

const withForm = new Set(['note', 'left-over', 'abandoned']);

/** Begins a tap: those that need words or a number ask for them first. */
export function begin(pot, kind) {
  if (!store.live) { toast(t('tap.offline'), { kind: 'bad' }); return; }
  if (kind === 'start') { location.hash = `#/sheet?pot=${encodeURIComponent(pot.id)}`; return; }
  if (withForm.has(kind)) ask(pot, kind); else tap(pot, kind);
}

function ask(pot, kind) {
  if (kind === 'abandoned') {
    return dialog(t('tap.abandon.ask'), [h('p', null, t('tap.abandon.body'))], t('tap.abandon.yes'),
      () => tap(pot, kind, {}, { guarded: false }), { cancel: t('tap.keep'), danger: true });
  }
  if (kind === 'note') {
    const field = h('textarea', { rows: 3, maxlength: 2000, required: true, id: elementId('f') });
    return dialog(t('event.note'), [label(field, t('form.note'))], t('form.save'),
      () => (field.value.trim() ? tap(pot, kind, { text: field.value.trim() }, { guarded: false }) : false));
  }
  const u = units();
  const field = h('input', { inputmode: 'decimal', autocomplete: 'off', required: true, id: elementId('f') });
  return dialog(t('event.left-over'), [label(field, `${t('form.leftover')} (${u.mass})`)], t('form.save'), () => {
    const n = format.typed(field.value);
    if (!(n >= 0)) return invalid(field);
    return tap(pot, kind, { grams: format.massFromShown(n, u.mass) }, { guarded: false });
  });
}

/** Counts of the jars filled, and how hot the first and last were: a correction of the tap "poured". */
export function countJars(kinds, event, save) {
  const u = units();
  const counts = kinds.map((c) => ({ name: c.name, field: h('input', { inputmode: 'numeric', autocomplete: 'off', value: String(event.counts?.[c.name] ?? c.count), id: elementId('f') }) }));
  const shown = (c) => (c ? format.fixed(format.toShown(c, u.temp), 1) : '');
  const first = h('input', { inputmode: 'decimal', autocomplete: 'off', value: shown(event.first), id: elementId('f') });
  const last = h('input', { inputmode: 'decimal', autocomplete: 'off', value: shown(event.last), id: elementId('f') });
  return dialog(t('tap.count'), [
    counts.length ? h('p', null, t('form.count')) : null,
    counts.map((c) => label(c.field, c.name)),
    label(first, `${t('form.first')} (°${u.temp})`),
    label(last, `${t('form.last')} (°${u.temp})`),
  ], t('form.save'), async () => {
    const body = { ...asItStands(event), counts: {} };
    for (const c of counts) {
      const n = format.typed(c.field.value || '0');
      if (!Number.isInteger(n) || n < 0) return invalid(c.field);
      body.counts[c.name] = n;
    }
    for (const [name, field, was] of [['first', first, shown(event.first)], ['last', last, shown(event.last)]]) {
      if (field.value === was) continue; // stays to the last digit
      if (!field.value.trim()) { delete body[name]; continue; }
      const n = format.typed(field.value);
      if (Number.isNaN(n)) return invalid(field);
      body[name] = format.fromShown(n, u.temp);
    }
    return save(body);
  });
}

/** The scent as it was weighed in: a correction of the tap "scent is in". */
function weighScent(pot, event) {
  const u = units();
  const field = h('input', { inputmode: 'decimal', autocomplete: 'off', required: true, id: elementId('f') });
  const asked = (pot.batch?.sheet?.fragrance || []).reduce((n, p) => n + p.grams, 0);
  return dialog(t('tap.weigh'), [label(field, `${t('form.scent')} (${u.mass})`, asked ? t('form.scent.asked', { mass: format.mass(asked, u.mass) }) : '')], t('form.save'), async () => {
    const n = format.typed(field.value);
    if (!(n > 0)) return invalid(field);
    return mend(pot, event, { ...asItStands(event), grams: format.massFromShown(n, u.mass) });
  });
}

async function mend(pot, event, body) {
  try {
    await api.event(pot.id, event.id, 'correct', body);
    toast(t('form.saved'), { stay: 4000 });
    return true;
  } catch (err) {
    toast(t('failed', { why: err.message }), { kind: 'bad' });
    return false;
  }
}

/** What a correction may say of an event, as the event says it now. */
export function asItStands(event) {
  const body = { kind: event.kind };
  for (const k of ['celsius', 'grams', 'counts', 'first', 'last', 'text']) if (event[k]) body[k] = event[k];
  return body;
}

export function invalid(field) {
  field.setCustomValidity(t('form.number'));
  field.reportValidity();
  field.addEventListener('input', () => field.setCustomValidity(''), { once: true });
  return false;
}

export const label = (field, words, hint) => h('div', { class: 'field' },
  h('label', { for: field.id }, words), field, hint ? h('p', { class: 'hint' }, hint) : null);

/** A dialog with a form; `run` gives true (or a promise of it) to close. */
export function dialog(title, body, yes, run, { cancel = t('form.cancel'), danger = false } = {}) {
  const id = elementId('d');
  const send = h('button', { type: 'submit', class: danger ? 'strong danger' : 'strong' }, yes);
  const d = h('dialog', { class: 'ask', 'aria-labelledby': id },
    h('form', {
      method: 'dialog',
      onsubmit: async (e) => {
        e.preventDefault();
        if (send.disabled) return;
        send.disabled = true;
        const done = await run();
        send.disabled = false;
        if (done !== false) d.close();
      },
    },
    h('h2', { id }, title),
    body,
    h('div', { class: 'row end' },
      cancel ? h('button', { type: 'button', class: 'plain', onclick: () => d.close() }, cancel) : null, send)));
  return openDialog(d);
}

// The tap that a stage is waiting for; only that one stands out.
const ripe = {
  scent: ['scent-added'], stirring: ['stirred'], cooling: ['heat-off', 'jug-out'], window: ['pour-start'],
  cold: ['heat-on'], pouring: ['poured'], trim: ['trimmed'], done: ['start'],
};

const tapWords = (kind) => (kind === 'start' ? t('pot.start') : has(`tap.${kind}`) ? t(`tap.${kind}`) : kind);

/** Draws the tap buttons of a pot into `el`. */
export function drawTaps(el, pot) {
  const off = !store.live;
  const viewer = !store.maker;
  const poured = ['setting', 'trim', 'curing', 'done'].includes(pot.stage);
  let taps = pot.batch ? pot.taps || [] : ['start'];
  if (poured && !taps.includes('start')) taps = [...taps, 'start']; // the next batch may go in while this one sets
  const sig = [pot.id, pot.stage, taps, off, viewer, busy.has(pot.id), pot.stamp];
  if (!el.firstChild) el.append(h('div', { class: 'tap-set' }), h('p', { class: 'hint tap-word' }));
  const [set, word] = el.children;
  const before = set.dataset.sig;
  const waiting = busy.has(pot.id);
  text(word, viewer ? '' : off ? t('tap.wait') : waiting ? t('tap.sending') : remarks.get(pot.id) || '');
  const made = rebuild(set, sig, () => {
    if (viewer) return h('p', { class: 'hint' }, t('pot.viewer'));
    const plain = taps.filter((k) => k !== 'note' && k !== 'abandoned' && k !== 'touched');
    const first = plain[0];
    const second = plain.slice(1, 3);
    const rest = taps.filter((k) => k !== first && !second.includes(k));
    const disabled = off || waiting;
    const button = (kind, cls) => h('button', {
      type: 'button', class: cls, 'data-key': kind, 'data-tap': kind, disabled, onclick: () => begin(store.pot(pot.id) || pot, kind),
    }, tapWords(kind));
    return [
      first ? h('div', { class: 'tap-first' }, button(first, ripe[pot.stage]?.includes(first) || !pot.batch ? 'tap strong' : 'tap')) : null,
      h('div', { class: 'tap-rest' },
        second.map((k) => button(k, 'tap')),
        rest.length ? h('button', { type: 'button', class: 'tap', 'data-key': 'more', disabled, onclick: () => more(pot, rest, second) }, t('tap.more')) : null),
    ];
  });
  if (made && before !== undefined) changedAt.set(pot.id, performance.now());
}

function more(pot, rest) {
  const id = elementId('d');
  const d = h('dialog', { class: 'ask sheetlike', 'aria-labelledby': id },
    h('h2', { id }, t('tap.more.title')),
    h('ul', { class: 'choices' }, rest.map((kind) => h('li', null, h('button', {
      type: 'button', class: 'tap', 'data-tap': kind, onclick: () => { d.close(); begin(store.pot(pot.id) || pot, kind); },
    }, tapWords(kind))))),
    h('div', { class: 'row end' }, h('button', { type: 'button', class: 'plain', onclick: () => d.close() }, t('form.cancel'))));
  openDialog(d);
}

/** Answers "is that right?" about an event that the station noticed. */
export async function answer(pot, id, yes) {
  if (busy.has(pot.id)) return;
  if (!store.live) { toast(t('tap.offline'), { kind: 'bad' }); return; }
  busy.add(pot.id);
  try {
    await api.event(pot.id, id, yes ? 'confirm' : 'deny');
  } catch (err) {
    toast(t('tap.failed', { why: err.message }), { kind: 'bad' });
  } finally {
    busy.delete(pot.id);
    store.changed();
  }
}
