// Set-up: this device's preferences, thermometers, ways to reach the maker,
// pairing and paired devices.
import { h, rebuild, freshId, text } from '../dom.js';
import { t, has } from '../strings.js';
import { store } from '../store.js';
import { api } from '../api.js';
import * as prefs from '../prefs.js';
import * as sound from '../sound.js';
import * as format from '../format.js';
import { toast } from '../toasts.js';
import { dialog } from '../taps.js';
import { stateWords, details } from '../notices.js';
import { calibrate as guide, inForce } from './calibrate.js';

export async function setup(main, { id }) {
  const probes = h('div');
  const channels = h('div');
  const push = h('div');
  const pairing = h('div');
  const devices = h('div');
  const device = h('div', { class: 'fields' });
  const aside = h('div');
  const calibrate = h('p');
  const station = h('p', { class: 'hint' });
  const part = (key, ...body) => h('section', { id: `setup-${key}` }, h('h2', null, t(`setup.${key}`)), body);
  const asideSection = part('alarms', aside);
  const pairSection = part('pair', pairing);
  main.append(h('div', { class: 'view setup' },
    h('h1', null, t('setup.title')),
    h('div', { class: 'setup-grid' },
      part('device', device),
      part('probes', probes, h('h3', null, t('setup.calibrate')), calibrate),
      part('channels', channels, push),
      pairSection,
      part('devices', devices),
      asideSection,
      part('station', station))));

  let seen = { probes: null, devices: null, me: null, channels: null };
  let gone = false;
  let certificate = false; // the station made its own
  if (location.protocol === 'https:') fetch('/api/v1/certificate').then((r) => { certificate = r.ok; update(); }, () => {});
  const load = async () => {
    const quiet = (p) => p.catch((err) => ({ err }));
    const [p, d, me] = await Promise.all([quiet(api.probes()), store.maker ? quiet(api.devices()) : null, quiet(api.me())]);
    if (gone) return;
    seen = { ...seen, probes: p, devices: d, me };
    update();
  };

  function choice(name, key, values) {
    const group = freshId('g');
    const current = ['temp', 'mass', 'clock'].includes(name) ? prefs.units()[name] : prefs.get(name);
    return h('fieldset', { class: 'choice' }, h('legend', null, t(key)),
      h('div', { class: 'segments' }, values.map(([value, words]) => h('label', { class: 'segment' },
        h('input', { type: 'radio', name: group, checked: value === current, 'data-key': `${name} ${value}`, onchange: () => prefs.set(name, value) }), h('span', null, words)))));
  }

  function toggle(name, key, { disabled = false, hint = '' } = {}) {
    return h('div', null, h('label', { class: 'check' },
      h('input', {
        type: 'checkbox', checked: prefs.get(name) === true, disabled, 'data-key': name,
        onchange: async (e) => { prefs.set(name, e.target.checked); if (name === 'sound' && e.target.checked) { await sound.unlock(); sound.play('cue'); } },
      }), h('span', null, t(key))), hint ? h('p', { class: 'hint' }, hint) : null);
  }

  function update() {
    const snap = store.snapshot;
    if (!snap) return;
    const u = prefs.units();
    const now = store.now();
    rebuild(device, [u, prefs.get('theme'), prefs.get('sound'), prefs.get('speech'), prefs.get('vibrate'), prefs.get('awake')], () => [
      choice('temp', 'setup.units', [['C', '°C'], ['F', '°F']]),
      choice('mass', 'setup.mass', [['g', 'g'], ['oz', 'oz']]),
      choice('clock', 'setup.clock', [['24', '24 h'], ['12', '12 h']]),
      choice('theme', 'setup.theme', ['auto', 'light', 'dark'].map((x) => [x, t(`setup.theme.${x}`)])),
      h('fieldset', { class: 'choice' }, h('legend', null, t('setup.sound')),
        toggle('sound', 'setup.sound'), toggle('speech', 'setup.speech'), toggle('vibrate', 'setup.vibrate'),
        toggle('awake', 'setup.awake', navigator.wakeLock ? {} : { disabled: true, hint: t('setup.awake.no') }),
        h('button', {
          type: 'button', class: 'tap', 'data-key': 'try',
          onclick: async () => { prefs.set('sound', true); await sound.unlock(); sound.play('cue'); sound.shake('cue'); sound.speak(t('sound.on')); },
        }, t('setup.try'))),
    ]);

    drawProbes(u, now);
    const ceiling = snap.pots.map((p) => p.bands?.bath_ceiling).find((x) => x > 0);
    text(calibrate, ceiling ? t('setup.calibrate.how', { ice: format.temp(0, u.temp), boil: format.temp(ceiling, u.temp) }) : t('setup.calibrate.plain', { ice: format.temp(0, u.temp) }));

    const list = seen.channels || snap.channels || [];
    const tested = (c) => c.ok && (c.tried || c.kind === 'page'); // the page's own works while somebody looks
    rebuild(channels, [list, u.clock, store.maker, store.live], () => [
      list.length ? h('ul', { class: 'lines' }, list.map((c) => h('li', null,
        h('strong', null, c.name !== c.kind && c.name ? c.name : has(`channel.${c.kind}`) ? t(`channel.${c.kind}`) : c.kind),
        h('span', { class: c.reason && !c.ok ? 'err' : tested(c) ? 'fine' : 'hint' }, c.reason && !c.ok ? t('setup.channel.bad', { reason: c.reason }) : tested(c) ? t('setup.channel.ok') : t('setup.channel.never')),
        c.tried ? h('span', { class: 'hint' }, t('setup.channel.tried', { when: format.moment(c.tried, now, u.clock) })) : null))) : h('p', null, t('setup.channels.none')),
      store.maker ? h('button', {
        type: 'button', class: 'tap', 'data-key': 'test', disabled: !store.live,
        onclick: async (e) => {
          const b = e.currentTarget;
          b.disabled = true;
          b.textContent = t('setup.channels.testing');
          try { seen.channels = (await api.testChannels()).channels; channels.dataset.sig = ''; update(); } catch (err) { toast(t('failed', { why: err.message }), { kind: 'bad' }); channels.dataset.sig = ''; update(); }
        },
      }, t('setup.channels.test')) : null,
    ]);
    drawPush();

    pairSection.hidden = !store.maker;
    rebuild(pairing, [store.maker, store.live, certificate], () => (store.maker ? [
      certificate ? h('p', null, t('setup.certificate'), ' ', h('a', { href: '/api/v1/certificate', download: '' }, t('setup.certificate.get'))) : null,
      h('div', { class: 'row' }, ['maker', 'viewer'].map((role) => h('button', { type: 'button', class: 'tap', 'data-key': role, disabled: !store.live, onclick: () => pair(role) }, t(`setup.pair.${role}`)))),
    ] : []));
    drawDevices(now, u);

    const away = snap.pots.flatMap((p) => (p.notices || []).filter((n) => n.state === 'shelved' || n.state === 'out-of-service').map((n) => [p, n]));
    asideSection.hidden = away.length === 0;
    rebuild(aside, away.map(([p, n]) => [p.id, n.key, n.state, n.until]), () => h('ul', { class: 'lines' }, away.map(([p, n]) => h('li', null,
      h('button', { type: 'button', class: 'plain', onclick: () => details(p, n) }, format.own(n.title, u)), h('span', { class: 'hint' }, `${p.name} · ${stateWords(n)}`)))));
    text(station, `${snap.name} · ${t('setup.version', { v: snap.version })}`);
  }

  function drawProbes(u, now) {
    const p = seen.probes;
    if (!p) return;
    rebuild(probes, [p, u, store.maker, store.live], () => {
      if (p.err) return h('p', { class: 'err' }, t('failed.load', { why: p.err.message }));
      if (!p.probes.length) return h('div', null, h('p', null, h('strong', null, t('setup.probes.none'))), h('p', null, t('setup.probes.none.do')));
      return h('ul', { class: 'probes' }, p.probes.map((x) => {
        const last = x.last;
        const ok = last && last.quality === 'good';
        const pot = store.pot(x.pot);
        return h('li', null,
          h('div', { class: 'probe-temp' }, ok ? format.temp(last.celsius, u.temp) : '–'),
          h('div', null,
            h('strong', null, x.name || x.id),
            h('p', { class: 'hint' }, [x.kind, x.where, has(`role.${x.role}`) ? t(`role.${x.role}`) : x.role, pot?.name].filter(Boolean).join(' · ')),
            !x.attached ? h('p', { class: 'err' }, t('setup.probe.missing')) : !ok && last ? h('p', { class: 'err' }, has(`quality.${last.quality}`) ? t(`quality.${last.quality}`) : last.quality) : null,
            x.mend ? h('p', null, x.mend) : null,
            x.calibration ? h('p', { class: 'hint' }, `${t('setup.calibrate')}: ${inForce(x.calibration.points, u, now)}`) : null,
            Object.keys(x.errors || {}).length ? h('p', { class: 'hint' }, t('setup.probe.errors', { list: Object.entries(x.errors).map(([q, n]) => `${has(`quality.${q}`) ? t(`quality.${q}`) : q} ${n}×`).join(', ') })) : null,
            x.calibration && store.maker ? h('button', { type: 'button', class: 'tap', 'data-key': `cal ${x.id}`, disabled: !store.live, 'aria-label': `${t('cal.open')} ${x.name || x.id}`, onclick: () => guide(x, p.altitude, now, load) }, t('cal.open')) : null));
      }));
    });
  }

  function drawDevices(now, u) {
    const d = seen.devices;
    rebuild(devices, [d, seen.me, u.clock, store.live], () => {
      const mine = seen.me?.device;
      const leave = mine ? h('button', {
        type: 'button', class: 'tap', 'data-key': 'leave',
        onclick: () => dialog(t('setup.leave'), [h('p', null, t('setup.devices.revoke.ask', { name: mine.name }))], t('setup.leave'), async () => {
          try { await api.leave(); location.href = '/pair'; return true; } catch (err) { toast(t('failed', { why: err.message }), { kind: 'bad' }); return false; }
        }, { danger: true }),
      }, t('setup.leave')) : null;
      if (!d) return [h('p', { class: 'hint' }, t('pot.viewer')), leave];
      if (d.err) return h('p', { class: 'err' }, t('failed.load', { why: d.err.message }));
      return [d.devices.length === 0 ? h('p', null, t('setup.devices.none')) : h('ul', { class: 'lines devices' }, d.devices.map((x) => h('li', null,
        h('strong', null, x.name, x.this ? h('span', { class: 'fine' }, ` · ${t('setup.devices.this')}`) : null),
        h('span', { class: 'hint' }, [t(`setup.device.${x.role}`), x.seen ? t('setup.devices.seen', { when: format.moment(x.seen, now, u.clock) }) : ''].filter(Boolean).join(' · ')),
        h('button', {
          type: 'button', class: 'plain', 'data-key': x.id, disabled: !store.live, 'aria-label': `${t('setup.devices.revoke')}: ${x.name}`,
          onclick: () => dialog(t('setup.devices.revoke'), [h('p', null, t('setup.devices.revoke.ask', { name: x.name }))], t('setup.devices.revoke'), async () => {
            try { await api.removeDevice(x.id); await load(); return true; } catch (err) { toast(t('failed', { why: err.message }), { kind: 'bad' }); return false; }
          }, { danger: true }),
        }, t('setup.devices.revoke'))))), leave];
    });
  }

  async function pair(role) {
    try {
      const c = await api.pairingCode(role);
      const d = dialog(t('setup.pair'), [
        h('p', null, t('setup.pair.how')),
        h('p', { class: 'qr' }, h('img', { src: c.qr, alt: t('setup.pair.qr', { url: c.url }), width: 260, height: 260 })),
        h('p', { class: 'code' }, c.code),
        h('p', { class: 'hint pair-url' }, c.url.split('#')[0]),
        onlyHere(c.url) ? h('p', { class: 'pair-here' }, t(store.snapshot?.demo ? 'setup.pair.here.demo' : 'setup.pair.here')) : null,
        h('p', { class: 'hint' }, t('setup.pair.expires', { clock: format.clock(c.expires, prefs.units().clock) }))],
      t('form.close'), () => true, { cancel: '' });
      d.addEventListener('close', load);
    } catch (err) {
      toast(t('failed', { why: err.message }), { kind: 'bad' });
    }
  }

  // ---- push messages

  let subscription = null;
  async function lookPush() {
    if (!canPush()) return;
    const reg = await navigator.serviceWorker.getRegistration();
    subscription = reg ? await reg.pushManager.getSubscription() : null;
    push.dataset.sig = '';
    update();
  }
  const canPush = () => window.isSecureContext && 'serviceWorker' in navigator && 'PushManager' in window && 'Notification' in window;

  function drawPush() {
    rebuild(push, [canPush(), !!subscription, store.live, store.maker, asking], () => (!store.maker ? [] : [
      h('h3', null, t('setup.push')),
      !canPush() ? h('p', { class: 'hint' }, t('setup.push.no'))
        : h('button', { type: 'button', class: 'tap', 'data-key': 'push', disabled: !store.live || asking, onclick: () => (subscription ? pushOff() : pushOn()) }, t(asking ? 'setup.push.asking' : subscription ? 'setup.push.off' : 'setup.push.on')),
    ]));
  }

  // A browser whose service for messages can't be reached may never answer.
  const PATIENCE = 20000; // ms
  let asking = false;
  const inTime = (p) => Promise.race([p, new Promise((_, no) => setTimeout(() => no(new Error(t('setup.push.slow'))), PATIENCE))]);

  async function pushOn() {
    asking = true;
    drawPush();
    try {
      if (await Notification.requestPermission() !== 'granted') toast(t('setup.push.denied'), { kind: 'bad' });
      else {
        const { key } = await api.pushKey();
        const reg = await inTime(navigator.serviceWorker.ready);
        const raw = atob(key.replace(/-/g, '+').replace(/_/g, '/'));
        const got = await inTime(reg.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: Uint8Array.from(raw, (ch) => ch.charCodeAt(0)) }));
        await api.subscribe(got.toJSON());
        subscription = got;
      }
    } catch (err) {
      toast(t('failed', { why: err.message }), { kind: 'bad' });
    }
    asking = false;
    update();
  }

  async function pushOff() {
    try {
      await api.unsubscribe({ endpoint: subscription.endpoint });
      await subscription.unsubscribe();
      subscription = null;
    } catch (err) {
      toast(t('failed', { why: err.message }), { kind: 'bad' });
    }
    push.dataset.sig = '';
    update();
  }

  update();
  load();
  lookPush().catch(() => { /* push is an extra */ });
  const timer = setInterval(load, 5000);
  const off = store.on('happened', (m) => { if (m.type === 'channels') seen.channels = null; if (m.type === 'snapshot') load(); });
  if (id) requestAnimationFrame(() => document.getElementById(`setup-${id}`)?.scrollIntoView());
  return { update, destroy() { gone = true; clearInterval(timer); off(); }, title: () => t('setup.title') };
}

/** Whether an address leads to this machine alone: a phone that scans it finds nothing. */
function onlyHere(url) {
  const host = new URL(url, location.href).hostname;
  return host === 'localhost' || host === '[::1]' || /^127\./.test(host);
}
