// Alarms fill the screen until someone says they are on it; cues chime and are
// said. What to do comes from the station, with the cautions.
import { h, text, say, openDialog, rebuild, freshId } from './dom.js';
import { t, has } from './strings.js';
import { api } from './api.js';
import { store } from './store.js';
import { callingAlarms, unacknowledged } from './state.js';
import { toast } from './toasts.js';
import * as sound from './sound.js';
import * as format from './format.js';
import { units } from './prefs.js';
import { dialog, label } from './taps.js';

const REPEAT = 3000; // ms between two rounds of the alarm sound
const GUARD = 700; // ms in which a tap meant for what was there before does not count

let box = null; // the alarm dialog
let shownAt = 0;
let loop = 0;
let announced = new Set();
const hidden = new Set(); // pot + key + since, hidden on this device only

const idOf = ({ pot, notice }) => `${pot.id} ${notice.key} ${notice.since}`;

/** A notice's words in this device's units. */
const own = (words) => format.own(words, units());

/** The one line for the document's title while something stands, or "". */
export function headline() {
  const [first] = callingAlarms(store.snapshot);
  if (first) return t('alarm.title', { title: own(first.notice.title) });
  for (const pot of store.snapshot?.pots || []) {
    const cue = (pot.notices || []).find((n) => n.class === 'cue' && unacknowledged(n));
    if (cue) return t('cue.title', { title: own(cue.title) });
  }
  return '';
}

export function watch() {
  store.on('change', draw);
  store.on('happened', (m) => {
    if (m.type !== 'notice' || !m.notice) return;
    const n = m.notice;
    if (n.state !== 'unacked' || (n.class === 'alarm' && n.priority !== 'low')) return;
    if (!['raised', 'reminded'].includes(n.why)) return;
    sound.play('cue');
    sound.shake('cue');
    say(format.sentences(own(n.title), n.why === 'raised' ? own(n.body) : ''));
    sound.speak(own(n.title));
  });
}

function draw() {
  const calling = callingAlarms(store.snapshot);
  const now = new Set(calling.map(idOf));
  for (const id of hidden) if (!now.has(id)) hidden.delete(id);
  for (const c of calling) {
    const id = idOf(c);
    if (announced.has(id)) continue;
    const first = own((c.notice.do || [])[0] || '');
    say(`${t('alarm')}: ${format.sentences(own(c.notice.title), first)}`, true);
    sound.speak(format.sentences(t('alarm'), own(c.notice.title), first), true);
  }
  announced = now;
  const open = calling.filter((c) => !hidden.has(idOf(c)));
  if (open.length === 0) { close(); return; }
  show(open);
}

function close() {
  clearInterval(loop);
  loop = 0;
  if (box) { box.close(); box = null; }
  document.documentElement.classList.remove('alarmed');
}

function ring() {
  sound.play('alarm');
  sound.shake('alarm');
}

function show(calling) {
  let fresh = false;
  if (!box) {
    const title = freshId('alarm');
    const body = freshId('alarm');
    box = h('dialog', { class: 'alarm', role: 'alertdialog', 'aria-labelledby': title, 'aria-describedby': body },
      h('div', { class: 'alarm-in' },
        h('p', { class: 'alarm-word' }, t('alarm')),
        h('h2', { id: title, class: 'alarm-title' }),
        h('div', { id: body, class: 'alarm-body', tabindex: '0' }),
        h('div', { class: 'alarm-acts' })));
    box.addEventListener('cancel', (e) => e.preventDefault()); // Escape is not an acknowledgement
    fresh = true;
  }
  if (!loop) { ring(); loop = setInterval(ring, REPEAT); }
  const [first, ...others] = calling;
  const { pot, notice: n } = first;
  text(box.querySelector('.alarm-title'), own(n.title));
  const u = units();
  rebuild(box.querySelector('.alarm-body'), [n, others.map(idOf), pot.name, u], () => [
    h('p', { class: 'alarm-pot' }, pot.name, ' · ', format.clock(n.since, u.clock),
      n.state !== 'unacked' ? ` · ${t(`notice.state.${n.state}`)}` : '',
      others.length && n.first_out ? ` · ${t('alarm.first')}` : ''),
    n.body ? h('p', null, own(n.body)) : null,
    h('ul', { class: 'alarm-do' }, (n.do && n.do.length ? n.do : n.celsius !== null ? t('caution.default').split('\n') : []).map((line) => h('li', null, own(line)))),
    others.length ? h('ul', { class: 'alarm-others' }, others.map((o) => h('li', null, `${own(o.notice.title)} (${o.pot.name})`))) : null,
    n.do?.length ? null : h('p', { class: 'alarm-aid' }, t('alarm.aid')),
  ]);
  const canAck = store.maker && store.live;
  rebuild(box.querySelector('.alarm-acts'), [idOf(first), canAck, store.maker], () => [
    store.maker
      ? h('button', { type: 'button', class: 'ack', autofocus: true, disabled: !canAck, 'data-key': 'ack', onclick: (e) => { if (performance.now() - shownAt > GUARD) acknowledge(pot, n, e.currentTarget); } }, t('alarm.ack'))
      : h('p', null, t('alarm.viewer')),
    canAck ? null : h('button', { type: 'button', class: 'ack quietly', 'data-key': 'hide', onclick: () => { calling.forEach((c) => hidden.add(idOf(c))); draw(); } }, t('alarm.hide')),
    store.live ? null : h('p', null, t('tap.wait')),
  ]);
  if (fresh) {
    openDialog(box); // last, so that the focus finds the button
    shownAt = performance.now();
    document.documentElement.classList.add('alarmed');
  }
}

/** Acknowledges one alarm or cue. */
export async function acknowledge(pot, n, button) {
  if (button) button.disabled = true;
  try {
    await api.notice(pot.id, n.key, 'acknowledge');
  } catch (err) {
    toast(t('failed', { why: err.message }), { kind: 'bad' });
  }
  if (button) setTimeout(() => { button.disabled = false; }, 800);
}

async function act(pot, n, verb, body) {
  try {
    await api.notice(pot.id, n.key, verb, body);
    return true;
  } catch (err) {
    toast(t('failed', { why: err.message }), { kind: 'bad' });
    return false;
  }
}

/** In what state an alarm or cue stands, in words. */
export function stateWords(n) {
  if (n.state === 'shelved' && n.until) return t('notice.state.shelved', { clock: format.clock(n.until, units().clock) });
  const key = `notice.state.${n.state}`;
  return has(key) ? t(key) : n.state;
}

/** Everything about one alarm or cue, and what may be done with it. */
export function details(pot, n) {
  const id = freshId('d');
  const done = async (verb, body) => { if (await act(pot, n, verb, body)) d.close(); };
  const alarm = n.class === 'alarm';
  const button = (verb, words, body) => h('button', { type: 'button', class: 'tap', onclick: () => done(verb, body) }, words);
  const acts = !store.maker ? [] : [
    unacknowledged(n) ? button('acknowledge', t(alarm ? 'alarm.acks' : 'notice.ack')) : null,
    n.state === 'latched-ack' ? button('reset', t('notice.reset')) : null,
    n.state === 'shelved' ? button('unshelve', t('notice.unshelve')) : null,
    n.state === 'out-of-service' ? button('restore', t('notice.restore')) : null,
    ['unacked', 'acked'].includes(n.state) ? button('shelve', t('notice.shelve'), { seconds: 300 }) : null,
    n.state !== 'out-of-service' ? h('button', { type: 'button', class: 'tap', onclick: () => { d.close(); remove(pot, n); } }, t('notice.remove')) : null,
  ];
  const d = h('dialog', { class: 'ask sheetlike', 'aria-labelledby': id },
    h('h2', { id }, own(n.title)),
    h('p', { class: 'hint' }, `${t(alarm ? 'alarm' : 'cue')} · ${pot.name} · ${format.clock(n.since, units().clock)} · ${stateWords(n)}`),
    n.body ? h('p', null, own(n.body)) : null,
    n.do?.length ? h('ul', { class: 'do' }, n.do.map((x) => h('li', null, own(x)))) : null,
    h('div', { class: 'choices' }, acts),
    h('div', { class: 'row end' }, h('button', { type: 'button', class: 'plain', onclick: () => d.close() }, t('form.close'))));
  openDialog(d);
}

function remove(pot, n) {
  const field = h('textarea', { rows: 2, maxlength: 300, required: true, id: freshId('f') });
  dialog(t('notice.remove'), [h('p', null, own(n.title)), label(field, t('notice.why'))], t('form.save'),
    () => (field.value.trim() ? act(pot, n, 'remove', { reason: field.value.trim() }) : false));
}

/** Whether a notice is a cue of the shelf that was seen: a mark on the shelf's tab does for it. */
export const restsOnShelf = (n) => n.class === 'cue' && !!n.batch && n.state === 'acked';

/** Draws a pot's standing alarms and cues as strips, the first cue first-class. */
export function drawStrips(el, pot, skip) {
  const list = (pot.notices || []).filter((n) => n.key !== skip && !restsOnShelf(n));
  const u = units();
  rebuild(el, [pot.id, list.map((n) => [n.key, n.state, n.title, n.since, n.until]), store.maker, u], () => list.map((n) => h('div', { class: `strip ${n.class}` },
    h('button', { type: 'button', class: 'strip-title', 'data-key': `see ${n.key}`, onclick: () => details(pot, n) },
      h('span', { class: 'strip-word' }, n.class === 'alarm' ? t('alarm') : t('cue')), ' ', own(n.title),
      n.state !== 'unacked' ? h('span', { class: 'strip-state' }, stateWords(n)) : null),
    store.maker && unacknowledged(n)
      ? h('button', { type: 'button', class: 'plain', 'data-key': `ack ${n.key}`, onclick: (e) => acknowledge(pot, n, e.currentTarget) }, t('notice.ack'))
      : store.maker && n.state === 'latched-ack'
        ? h('button', { type: 'button', class: 'plain', 'data-key': `reset ${n.key}`, onclick: () => act(pot, n, 'reset') }, t('notice.reset'))
        : null)));
}
