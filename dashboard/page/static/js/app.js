// Starts the page: the line to the station, the views by their address, the
// bar, and the strips that say what is wrong.
import { h, text, rebuild, say } from './dom.js';
import { t, has } from './strings.js';
import { store } from './store.js';
import * as prefs from './prefs.js';
import * as live from './live.js';
import * as sound from './sound.js';
import * as format from './format.js';
import { watch, headline, restsOnShelf } from './notices.js';
import { glance } from './views/glance.js';

// The style of forms and lists, and of dialogs: not needed for the first glance.
let forms = null;
function formStyle() {
  forms ||= new Promise((done) => {
    document.head.append(h('link', { rel: 'stylesheet', href: '/css/forms.css', onload: done, onerror: done }));
  });
  return forms;
}

// Views other than the glance come when first asked for: first paint stays light.
const views = {
  '': (main, params) => glance(main, params),
  pot: (main, params) => glance(main, params),
  curve: async (main, params) => (await import('./views/curve.js')).curve(main, params),
  sheet: async (main, params) => (await import('./views/sheet.js')).sheet(main, params),
  recipe: async (main, params) => (await import('./views/recipe.js')).recipe(main, params),
  shelf: async (main, params) => (await import('./views/shelf.js')).shelf(main, params),
  records: async (main, params) => (await import('./views/records.js')).records(main, params),
  compare: async (main, params) => (await import('./views/compare.js')).compare(main, params),
  setup: async (main, params) => (await import('./views/setup.js')).setup(main, params),
};

const tabs = [['', 'nav.glance'], ['curve', 'nav.curve'], ['sheet', 'nav.sheet'], ['shelf', 'nav.shelf'], ['records', 'nav.records'], ['setup', 'nav.setup']];

const main = document.getElementById('main');
let view = null;
let route = null;
let moves = 0;

function parse() {
  const raw = location.hash.replace(/^#\/?/, '');
  const [path, search = ''] = raw.split('?');
  const [name = '', ...rest] = path.split('/').map((p) => { try { return decodeURIComponent(p); } catch { return p; } });
  return { name, id: rest[0] || '', query: new URLSearchParams(search), hash: location.hash };
}

async function go() {
  const next = parse();
  const first = route === null;
  route = next;
  const move = ++moves;
  view?.destroy?.();
  view = null;
  main.replaceChildren();
  main.dataset.view = next.name || 'glance';
  drawBar();
  const mount = views[next.name];
  if (!mount) {
    main.append(h('div', { class: 'empty' }, h('h1', null, t('not-found')), h('p', null, h('a', { href: '#/' }, t('not-found.go')))));
  } else {
    try {
      if (next.name !== '' && next.name !== 'pot') await formStyle();
      const made = await mount(main, next);
      if (move !== moves) { made?.destroy?.(); return; } // the maker went on meanwhile
      view = made;
    } catch (err) {
      if (move !== moves) return;
      main.replaceChildren(h('div', { class: 'empty' }, h('h1', null, t('failed.load', { why: err.message })),
        h('button', { type: 'button', class: 'tap', onclick: go }, t('failed.again'))));
    }
  }
  update();
  if (!first) {
    window.scrollTo(0, 0);
    main.focus({ preventScroll: true });
    say(document.title);
  }
}

// ---- the bar

const bar = {
  name: h('a', { class: 'bar-name', href: '#/' }),
  demo: h('span', { class: 'bar-demo' }),
  room: h('span', { class: 'bar-room' }),
  link: h('span', { class: 'bar-link' }),
  clock: h('span', { class: 'bar-clock' }),
  nav: h('nav', { 'aria-label': t('nav') }),
};

function buildBar() {
  document.getElementById('bar').append(
    h('div', { class: 'bar-line' }, bar.name, bar.demo, h('span', { class: 'bar-room-wrap' }, bar.room), bar.link, bar.clock),
    bar.nav);
}

function drawBar() {
  const here = route.name === 'pot' ? '' : route.name === 'recipe' ? 'sheet' : route.name === 'compare' ? 'records' : route.name;
  const many = (store.snapshot?.pots.length || 0) > 1;
  const pot = ['pot', 'curve'].includes(route.name) ? route.id : '';
  const waits = (store.snapshot?.pots || []).some((p) => (p.notices || []).some(restsOnShelf));
  rebuild(bar.nav, [here, many, pot, waits], () => tabs.map(([name, key]) => h('a', {
    href: name === 'curve' && pot ? `#/curve/${encodeURIComponent(pot)}` : `#/${name}`,
    'data-key': key,
    'aria-current': here === name ? 'page' : null,
  }, t(key === 'nav.glance' && !many ? 'nav.glance.one' : key),
  name === 'shelf' && waits ? [h('span', { class: 'tab-mark', 'aria-hidden': 'true' }), h('span', { class: 'quiet' }, ` (${t('nav.shelf.waits')})`)] : null)));
}

function updateBar() {
  const snap = store.snapshot;
  const u = prefs.units();
  text(bar.name, snap?.name || 'meltstation');
  text(bar.demo, snap?.demo ? t('demo.short', { n: format.fixed(snap.lapse, 0) }) : '');
  text(bar.room, snap?.room?.celsius !== null && snap?.room ? t('room', { temp: format.temp(snap.room.celsius, u.temp, 0) }) : '');
  text(bar.link, store.live ? t('link.live') : snap ? t('link.away') : '…');
  bar.link.dataset.status = store.link.status;
  text(bar.clock, snap ? format.clock(store.now(), u.clock) : '');
}

// ---- strips under the bar: sound, link, troubles, channels

const strips = document.getElementById('strips');
let lostSaid = false;

function updateStrips() {
  const snap = store.snapshot;
  const u = prefs.units();
  const list = [];
  const link = store.link;
  if (link.status === 'refused') {
    list.push({ key: 'link', kind: 'bad', words: t('link.refused'), act: [t('link.paired-again'), () => { location.href = '/pair'; }] });
  } else if (link.status === 'lost') {
    const age = format.age((performance.now() - link.heardAt) / 1000);
    list.push({ key: 'link', kind: 'bad', words: t('link.lost', { clock: format.clock(new Date(link.heardWall), u.clock), age }), act: [t('link.try'), live.tryNow] });
  } else if (link.status === 'calling' && link.attempt > 1) {
    list.push({ key: 'link', kind: 'bad', words: t('link.never'), act: [t('link.try'), live.tryNow] });
  }
  if (prefs.get('sound') === null) {
    list.push({
      key: 'sound', kind: 'note', words: t('sound.ask'),
      act: [t('sound.on'), async () => { prefs.set('sound', true); await sound.unlock(); sound.play('cue'); update(); }],
      act2: [t('sound.no'), () => { prefs.set('sound', false); update(); }],
    });
  } else if (sound.waiting()) {
    list.push({ key: 'sound', kind: 'note', words: t('sound.again') });
  }
  for (const x of snap?.troubles || []) list.push({ key: `trouble ${x.key}`, kind: 'bad', words: t('trouble', { text: x.text }) });
  for (const c of snap?.channels || []) {
    if (!c.ok && c.reason && c.kind !== 'page') list.push({ key: `channel ${c.name}`, kind: 'note', words: t('channel.failed', { name: c.name, reason: c.reason }), link: ['#/setup', t('nav.setup')] });
  }
  rebuild(strips, list.map((x) => [x.key, x.kind, x.key === 'link' ? x.act[0] : x.words]), () => list.map((x) => h('div', { class: `notice-strip ${x.kind}${x.act2 ? ' two' : ''}`, 'data-strip': x.key },
    h('p', null, x.words),
    x.act ? h('button', { type: 'button', class: 'strong', 'data-key': `a ${x.key}`, onclick: x.act[1] }, x.act[0]) : null,
    x.act2 ? h('button', { type: 'button', class: 'plain', 'data-key': `b ${x.key}`, onclick: x.act2[1] }, x.act2[0]) : null,
    x.link ? h('a', { href: x.link[0] }, x.link[1]) : null)));
  const l = list.find((x) => x.key === 'link');
  if (l) text(strips.querySelector('[data-strip="link"] p'), l.words);
}

// ---- what is said aloud to a screen reader

const stages = new Map();

store.on('happened', (m) => {
  if (m.type === 'snapshot') for (const p of m.pots) stages.set(p.id, p.stage);
  if (m.type === 'pot' && m.pot && stages.get(m.pot.id) !== m.pot.stage) {
    stages.set(m.pot.id, m.pot.stage);
    if (has(`stage.${m.pot.stage}`)) say(t('say.stage', { pot: m.pot.name, stage: t(`stage.${m.pot.stage}`) }));
  }
});

store.on('link', (link, before) => {
  if (link.status === 'live' && lostSaid) { say(t('link.back')); lostSaid = false; }
  if (link.status === 'lost' && before === 'live') {
    lostSaid = true;
    say(t('link.lost', { clock: format.clock(new Date(), prefs.units().clock), age: format.age(0) }), true);
  }
});

// ---- the screen stays on while a batch is under way, where the browser can

let lock = null;
let locking = false;

async function keepAwake() {
  const want = prefs.get('awake') && !document.hidden && (store.snapshot?.pots || []).some((p) => p.batch && !['curing', 'done', 'trim', 'idle'].includes(p.stage));
  if (!navigator.wakeLock || locking) return;
  if (want && !lock) {
    locking = true;
    try {
      lock = await navigator.wakeLock.request('screen');
      lock.addEventListener('release', () => { lock = null; });
    } catch { /* low battery or not allowed: the page works all the same */ }
    locking = false;
  } else if (!want && lock) {
    lock.release();
  }
}

// ---- all together

function update() {
  if (!route) return;
  drawBar();
  updateBar();
  updateStrips();
  view?.update?.();
  const line = headline();
  const title = [line, view?.title?.() || '', store.snapshot?.name || ''].filter(Boolean).join(' · ') || t('title.default');
  if (document.title !== title) document.title = title;
  document.documentElement.dataset.link = store.link.status;
}

buildBar();
prefs.apply();
sound.arm();
watch();
store.on('change', update);
prefs.onChange(update);
document.addEventListener('meltstation:audio', update);
window.addEventListener('hashchange', go);
window.addEventListener('online', live.tryNow);
document.addEventListener('visibilitychange', () => { if (!document.hidden) { live.check(); live.tryNow(); keepAwake(); update(); } });
document.querySelector('.skip').textContent = t('skip');
strips.setAttribute('aria-label', t('strips'));
document.getElementById('toasts').setAttribute('aria-label', t('toasts'));
document.querySelector('.skip').addEventListener('click', (e) => { e.preventDefault(); main.focus(); });
live.connect();
go();
setTimeout(() => { if (store.link.status !== 'refused') formStyle(); }, 1500);
prefs.load();
setInterval(() => { live.check(); if (!document.hidden) update(); keepAwake(); }, 1000);

if ('serviceWorker' in navigator && window.isSecureContext) {
  navigator.serviceWorker.register('/sw.js').catch(() => { /* an extra: the page works without */ });
  // What this visit loaded came before the worker: it is told, to keep it too.
  navigator.serviceWorker.ready.then((reg) => setTimeout(() => {
    const files = performance.getEntriesByType('resource').map((r) => new URL(r.name)).filter((u) => u.origin === location.origin).map((u) => u.pathname);
    reg.active.postMessage({ keep: ['/', ...new Set(files)] });
  }, 2500));
}
