// The list of what happened to a batch, each line with its time, and with the
// means to take it back or correct it.
import { h, rebuild, freshId } from './dom.js';
import { t, has } from './strings.js';
import { api } from './api.js';
import { store } from './store.js';
import { units } from './prefs.js';
import * as format from './format.js';
import { toast } from './toasts.js';
import { history } from './curve-data.js';
import { dialog, label, countJars, asItStands, invalid } from './taps.js';

/** One event in words: "Scent in · 101 g"; without its name, what it says. */
export function eventWords(e, u, named = true) {
  return [
    !named ? '' : has(`event.${e.kind}`) ? t(`event.${e.kind}`) : e.kind,
    e.text || '',
    e.grams ? format.mass(e.grams, u.mass) : '',
    e.celsius && !(e.first && e.last) ? format.temp(e.celsius, u.temp) : '',
    e.counts ? Object.entries(e.counts).map(([name, n]) => `${n}\u00a0× ${name}`).join(', ') : '',
    firstLast(e, u),
    Object.entries(e.lots || {}).map(([name, lot]) => `${name === 'wicks' ? t('record.wicks.lot') : name}: ${lot}`).join(', '),
    e.detected ? t('asked.noticed') : '',
  ].filter(Boolean).join(' · ');
}

/** How hot the jug was at the first and the last jar. */
export const firstLast = (e, u) => (e.first && e.last ? t('event.first-last', { first: format.temp(e.first, u.temp), last: format.temp(e.last, u.temp) }) : '');

/** Draws a pot's events into `el`, the latest first, each with what it said before. */
export function eventList(el, pot, events) {
  const u = units();
  const list = history(events).filter((x) => x.event.kind !== 'touched').reverse();
  rebuild(el, [list, u, store.maker, store.live], () => (list.length === 0 ? h('p', { class: 'hint' }, t('record.none'))
    : h('ol', { class: 'events' }, list.map(({ event: e, before, taken }) => h('li', { class: taken ? 'taken' : null },
      h('time', { datetime: e.wall }, format.clock(e.wall, u.clock)),
      h('span', { class: 'event-words' }, eventWords(e, u), taken ? ` · ${t('record.taken')}` : '',
        before.map((x) => h('span', { class: 'kind' }, t('event.before', {
          text: `${[format.clock(x.wall, u.clock, { seconds: true }), eventWords(x, u, false)].filter(Boolean).join(' · ')}`, clock: format.clock(x.until, u.clock), who: x.by ? ` · ${x.by}` : '',
        })))),
      store.maker && !taken && e.kind !== 'start'
        ? h('button', { type: 'button', class: 'plain', 'data-key': e.id, disabled: !store.live, 'aria-label': `${t('event.edit')}: ${t(`event.${e.kind}`)}`, onclick: () => edit(e, (verb, body) => api.event(pot.id, e.id, verb, body), pot.batch?.sheet?.containers) }, t('event.edit')) : null)))));
}

/**
 * Asks how an event is to be mended. `send(verb, body)` carries it to the station
 * ("correct" or "withdraw"); `kinds` are the containers of the batch, [{name, count}].
 * `done` is called when it was kept.
 */
export function edit(e, send, kinds = [], done = () => {}) {
  const what = t(`event.${e.kind}`);
  const u = units();
  const wall = new Date(e.wall);
  const pad = (n) => String(n).padStart(2, '0');
  const local = `${wall.getFullYear()}-${pad(wall.getMonth() + 1)}-${pad(wall.getDate())}T${pad(wall.getHours())}:${pad(wall.getMinutes())}:${pad(wall.getSeconds())}`;
  const when = h('input', { type: 'datetime-local', step: '1', value: local, required: true, id: freshId('f') });
  const words = e.kind === 'note' ? h('textarea', { rows: 3, value: e.text || '', id: freshId('f') }) : null;
  const number = (value) => h('input', { inputmode: 'decimal', autocomplete: 'off', value, id: freshId('f') });
  const grams = e.kind === 'scent-added' || e.kind === 'left-over' ? number(e.grams ? format.fixed(format.massToShown(e.grams, u.mass), u.mass === 'oz' ? 2 : 1) : '') : null;
  const celsius = e.kind === 'scent-added' ? number(e.celsius ? format.fixed(format.toShown(e.celsius, u.temp), 1) : '') : null;
  const [gramsWas, celsiusWas] = [grams?.value, celsius?.value];
  const d = dialog(t('event.edit.title', { what }), [
    label(when, t('event.when')),
    grams ? label(grams, `${t(e.kind === 'left-over' ? 'form.leftover' : 'form.scent')} (${u.mass})`) : null,
    celsius ? label(celsius, `${t('curve.temp')} (°${u.temp})`) : null,
    words ? label(words, t('form.note')) : null,
    h('div', { class: 'choices' },
      e.kind === 'poured' ? h('button', { type: 'button', class: 'tap', onclick: () => { d.close(); countJars(kinds, e, (body) => act('correct', body)); } }, t('tap.count')) : null,
      h('button', { type: 'button', class: 'tap', onclick: async () => { if (await act('withdraw')) d.close(); } }, t('event.take-back')))],
  t('form.save'), () => {
    const body = asItStands(e);
    if (when.value !== local) { // to the second: an unchanged field keeps the moment as it was
      const at = new Date(when.value);
      if (Number.isNaN(at.getTime())) return false;
      body.wall = at.toISOString();
    }
    // What was not touched stays to the last digit.
    for (const [field, was, name, back] of [[grams, gramsWas, 'grams', (n) => format.massFromShown(n, u.mass)], [celsius, celsiusWas, 'celsius', (n) => format.fromShown(n, u.temp)]]) {
      if (!field || field.value === was) continue;
      const n = field.value.trim() ? format.typed(field.value) : 0;
      if (Number.isNaN(n) || (name === 'grams' && n < 0)) return invalid(field);
      body[name] = n === 0 ? 0 : back(n);
    }
    if (words) body.text = words.value.trim();
    return act('correct', body);
  });

  async function act(verb, body) {
    try {
      await send(verb, body);
      toast(verb === 'withdraw' ? t('tap.undone', { what }) : t('form.saved'), { stay: 4000 });
      done();
      return true;
    } catch (err) {
      toast(t('failed', { why: err.message }), { kind: 'bad' });
      return false;
    }
  }
}
