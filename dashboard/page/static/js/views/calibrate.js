// A thermometer is calibrated: in melting ice, in boiling water, or beside one
// that is trusted. The station watches until the reading holds still; the maker
// says whether it is kept.
import { h, openDialog, put, freshId, say } from '../dom.js';
import { t, has } from '../strings.js';
import { api } from '../api.js';
import { units } from '../prefs.js';
import * as format from '../format.js';
import { toast } from '../toasts.js';
import { label, invalid } from '../taps.js';

const FEET = 0.3048; // m, exact
const LOOK = 1000; // ms between two looks at how far it is

const kelvin = (k, u, decimals = 2) => `${k > 0 ? '+' : ''}${format.fixed(format.spanShown(k, u.temp), decimals)}\u00a0°${u.temp}`;

/** What is in force for a probe, in words. */
export function inForce(points, u, now) {
  if (!points?.length) return t('cal.none');
  return points.map((p) => t('cal.point', {
    by: kelvin(p.true - p.raw, u), at: format.temp(p.true, u.temp), kind: has(`cal.in.${p.kind}`) ? t(`cal.in.${p.kind}`) : p.kind,
    when: format.day(p.at, now), who: p.by,
  })).join('; ');
}

/** Opens the dialog for one probe of GET /probes; `done` is called when it closes. */
export function calibrate(probe, altitude, now, done) {
  const u = units();
  const imperial = u.temp === 'F';
  const title = freshId('d');
  const body = h('div');
  const acts = h('div', { class: 'row end' });
  const d = h('dialog', { class: 'ask', 'aria-labelledby': title }, h('h2', { id: title }, t('cal.title', { name: probe.name || probe.id })), body, acts);
  let timer = 0;
  let open = true;
  d.addEventListener('close', () => {
    open = false;
    clearTimeout(timer);
    if (watching) api.giveUpCalibration(probe.id).catch(() => { /* it is forgotten by itself after a while */ });
    done();
  });
  let watching = false;
  const shut = h('button', { type: 'button', class: 'plain', onclick: () => d.close() }, t('form.cancel'));

  function choose() {
    const group = freshId('g');
    const number = (value = '') => h('input', { inputmode: 'decimal', autocomplete: 'off', id: freshId('f'), value });
    const reference = number();
    const height = number(altitude === null || altitude === undefined ? '' : format.fixed(imperial ? altitude / FEET : altitude, 0));
    const pressure = number();
    const more = h('div');
    let kind = 'ice';
    const how = () => put(more,
      h('p', null, t(`cal.how.${kind}`)),
      kind === 'reference' ? label(reference, `${t('cal.reference')} (°${u.temp})`) : null,
      kind === 'boiling' ? [label(height, `${t('cal.altitude')} (${imperial ? 'ft' : 'm'})`), label(pressure, t('cal.pressure'), t('cal.pressure.hint'))] : null);
    const kinds = ['ice', 'boiling', 'reference', ...(probe.calibration.points.length ? ['none'] : [])];
    const go = h('button', { type: 'button', class: 'strong', onclick: start }, t('cal.go'));
    put(body, h('p', { class: 'hint' }, inForce(probe.calibration.points, u, now)),
      h('fieldset', null, h('legend', { class: 'quiet' }, t('setup.calibrate')), kinds.map((k) => h('label', { class: 'check' },
        h('input', { type: 'radio', name: group, checked: k === kind, onchange: () => { kind = k; how(); } }), h('span', null, t(`cal.kind.${k}`))))),
      more);
    how();
    put(acts, shut, go);

    async function start() {
      const ask = { kind };
      const value = (field, name, back) => {
        if (!field.value.trim()) return true;
        const n = format.typed(field.value);
        if (Number.isNaN(n)) { invalid(field); return false; }
        ask[name] = back(n);
        return true;
      };
      if (kind === 'reference' && (!reference.value.trim() || !value(reference, 'celsius', (n) => format.fromShown(n, u.temp)))) { invalid(reference); return; }
      if (kind === 'boiling' && !(value(height, 'metres', (n) => (imperial ? n * FEET : n)) && value(pressure, 'pressure', (n) => n))) return;
      go.disabled = true;
      try {
        await api.calibrate(probe.id, ask);
        if (kind === 'none') { toast(t('form.saved'), { stay: 4000 }); d.close(); return; }
        watching = true;
        follow();
      } catch (err) {
        toast(t('failed', { why: err.message }), { kind: 'bad' });
        go.disabled = false;
      }
    }
  }

  function follow() {
    const words = h('p', { class: 'cal-now', role: 'status' });
    const bar = h('progress', { max: 1, value: 0, 'aria-label': t('cal.progress') });
    const keep = h('button', { type: 'button', class: 'strong', disabled: true, onclick: kept }, t('cal.keep'));
    let steady = null;
    put(body, words, bar, h('p', { class: 'hint' }, t('cal.stay')));
    put(acts, shut, keep);

    async function look() {
      if (!open) return;
      try {
        const now = (await api.probes()).probes.find((p) => p.id === probe.id)?.calibration?.taking;
        if (!open) return;
        if (!now) { watching = false; put(words, t('cal.over')); put(acts, shut); return; }
        const right = format.temp(now.true, u.temp, 2);
        put(words, now.steady
          ? t('cal.steady', { mean: format.temp(now.mean, u.temp, 2), right, by: kelvin(now.true - now.mean, u) })
          : now.raw === null ? t('cal.waiting')
            : !now.near ? t('cal.far', { raw: format.temp(now.raw, u.temp, 2), right })
              : t('cal.settling', { raw: format.temp(now.raw, u.temp, 2), right, range: kelvin(now.range, u).replace('+', ''), span: format.age(now.span), drift: kelvin(now.drift, u) }));
        bar.value = now.near ? Math.min(1, now.span / now.hold) : 0;
        keep.disabled = !now.steady;
        if (now.steady !== steady) { steady = now.steady; if (steady) { say(words.textContent); keep.focus(); } }
      } catch (err) {
        put(words, t('failed', { why: err.message }));
      }
      timer = setTimeout(look, LOOK);
    }
    look();

    async function kept() {
      keep.disabled = true;
      try {
        const now = await api.keepCalibration(probe.id);
        watching = false;
        toast(t('cal.kept', { what: inForce(now.points, u, new Date()) }));
        d.close();
      } catch (err) {
        toast(t('failed', { why: err.message }), { kind: 'bad' });
      }
    }
  }

  choose();
  openDialog(d);
  return d;
}
