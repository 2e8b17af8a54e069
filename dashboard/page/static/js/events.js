// The list of what happened to a batch, each line with its time, and with the
// means to take it back or correct it.
import { h, rebuild, freshId } from './dom.js';
import { t, has } from './strings.js';
import { api } from './api.js';
import { store } from './store.js';
import { units } from './prefs.js';
import * as format from './format.js';
import { toast } from './toasts.js';
import { dialog, label, countJars } from './taps.js';

/** One event in words: "Scent in · 101 g". */
export function eventWords(e, u) {
  return [
    has(`event.${e.kind}`) ? t(`event.${e.kind}`) : e.kind,
    e.text || '',
    e.grams ? format.mass(e.grams, u.mass) : '',
    e.celsius ? format.temp(e.celsius, u.temp) : '',
    e.counts ? Object.entries(e.counts).map(([name, n]) => `${n} × ${name}`).join(', ') : '',
    e.detected ? t('asked.noticed') : '',
  ].filter(Boolean).join(' · ');
}

/** Draws a pot's events into `el`, the latest first. */
export function eventList(el, pot, events) {
  const u = units();
  rebuild(el, [events, u, store.maker, store.live], () => (events.length === 0 ? h('p', { class: 'hint' }, t('record.none'))
    : h('ol', { class: 'events' }, [...events].reverse().map((e) => h('li', null,
      h('time', { datetime: e.wall }, format.clock(e.wall, u.clock)),
      h('span', { class: 'event-words' }, eventWords(e, u)),
      store.maker && e.kind !== 'start'
        ? h('button', { type: 'button', class: 'plain', 'data-key': e.id, disabled: !store.live, 'aria-label': `${t('event.edit')}: ${t(`event.${e.kind}`)}`, onclick: () => edit(pot, e) }, t('event.edit')) : null)))));
}

function edit(pot, e) {
  const what = t(`event.${e.kind}`);
  const wall = new Date(e.wall);
  const pad = (n) => String(n).padStart(2, '0');
  const local = `${wall.getFullYear()}-${pad(wall.getMonth() + 1)}-${pad(wall.getDate())}T${pad(wall.getHours())}:${pad(wall.getMinutes())}:${pad(wall.getSeconds())}`;
  const when = h('input', { type: 'datetime-local', step: '1', value: local, required: true, id: freshId('f') });
  const words = e.kind === 'note' ? h('textarea', { rows: 3, value: e.text || '', id: freshId('f') }) : null;
  const d = dialog(t('event.edit.title', { what }), [
    label(when, t('event.when')),
    words ? label(words, t('form.note')) : null,
    h('div', { class: 'choices' },
      e.kind === 'poured' ? h('button', { type: 'button', class: 'tap', onclick: () => { d.close(); countJars(pot, e); } }, t('tap.count')) : null,
      h('button', { type: 'button', class: 'tap', onclick: async () => { if (await act(pot, e, 'withdraw')) d.close(); } }, t('event.take-back'))),
  ], t('form.save'), () => {
    const at = new Date(when.value);
    if (Number.isNaN(at.getTime())) return false;
    const body = { kind: e.kind, wall: at.toISOString() };
    for (const k of ['celsius', 'grams', 'counts', 'first', 'last']) if (e[k]) body[k] = e[k];
    if (words) body.text = words.value.trim(); else if (e.text) body.text = e.text;
    return act(pot, e, 'correct', body);
  });
}

async function act(pot, e, verb, body) {
  try {
    await api.event(pot.id, e.id, verb, body);
    toast(verb === 'withdraw' ? t('tap.undone', { what: t(`event.${e.kind}`) }) : t('form.saved'), { stay: 4000 });
    return true;
  } catch (err) {
    toast(t('failed', { why: err.message }), { kind: 'bad' });
    return false;
  }
}
