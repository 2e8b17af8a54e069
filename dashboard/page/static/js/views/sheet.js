// The sheet: a recipe and how many of each, and it says what to weigh, how hot
// and how long; from here a batch is started.
import { h, put, rebuild, freshId, say } from '../dom.js';
import { t, has } from '../strings.js';
import { store } from '../store.js';
import { api, freshId as newId } from '../api.js';
import { units } from '../prefs.js';
import * as format from '../format.js';
import { toast } from '../toasts.js';
import { label } from '../taps.js';

const poured = ['setting', 'trim', 'curing', 'done', 'idle'];

export async function sheet(main, { query }) {
  const from = query.get('from') || ''; // an earlier batch to make again
  const [got, latest, was] = await Promise.all([api.recipes(), api.batches({ limit: 1 }).catch(() => null), from ? api.sheet({ from }).catch((err) => {
    toast(t('failed', { why: err.message }), { kind: 'bad' });
    return null;
  }) : null]);
  // The batch to make again stands as one more recipe, as it was then, with its counts.
  const again = was && { key: '', name: t('sheet.again', { code: from }), plan: was.sheet.source || {}, counts: was.sheet.containers || [] };
  const recipes = [...(again ? [again] : []), ...(got.recipes || [])];
  const faults = (got.faults || []).map((f) => h('p', { class: 'err' }, t('sheet.recipe.broken', { why: f })));
  const head = h('div', { class: 'head-row' }, h('h1', null, t('sheet.title')), h('a', { class: 'button', href: '#/recipe' }, t('sheet.recipe.new')));
  if (recipes.length === 0) {
    main.append(h('div', { class: 'view' }, head, faults,
      h('div', { class: 'empty' }, h('h2', null, t('sheet.recipe.none')), h('p', null, t('sheet.recipe.none.do')))));
    return { title: () => t('sheet.title') };
  }

  let chosen = again || recipes.find((r) => r.key === query.get('recipe'))
    || recipes.find((r) => r.name === latest?.batches?.[0]?.recipe) || recipes[0]; // the one used last
  const counts = new Map();
  const recall = () => { counts.clear(); for (const c of chosen === again ? again.counts : []) counts.set(c.name, c.count); };
  recall();
  let wax = '';
  let jug = '';
  // A sheet of several melts is started one at a time: the next one is offered.
  let rest = again ? null : kept();
  const left = rest && recipes.find((r) => r.key && r.key === rest.ask.recipe);
  if (left) {
    chosen = left;
    for (const c of rest.ask.counts || []) counts.set(c.container, c.n);
    if (rest.ask.options?.wax) wax = format.fixed(format.massToShown(rest.ask.options.wax, units().mass), units().mass === 'oz' ? 2 : 0);
    jug = rest.ask.options?.jug || '';
  } else rest = null;
  let answer = null; // {sheet, text}
  let why = null;
  let asked = 0;
  let timer = 0;
  let startId = newId();

  const pick = h('div', { class: 'pick' });
  const form = h('div', { class: 'counts' });
  const out = h('div', { class: 'sheet-out', 'aria-live': 'off' });
  const start = h('div', { class: 'sheet-start no-print' });
  const next = rest ? h('div', { class: 'warnings' }, h('p', null, h('strong', null, t('sheet.melt.next', { n: rest.next, of: rest.of, name: rest.name })), ' ',
    h('button', { type: 'button', class: 'plain', onclick: () => { remember(null); rest = null; next.remove(); choose(chosen); } }, t('sheet.melt.drop')))) : null;
  main.append(h('div', { class: 'view sheet-view' },
    h('div', { class: 'sheet-in no-print' }, head, h('p', { class: 'hint' }, t('sheet.lead')), next, faults, pick, form),
    h('div', { class: 'sheet-paper' }, out, start)));

  function choose(r) {
    chosen = r;
    recall();
    wax = '';
    jug = '';
    answer = null;
    why = null;
    history.replaceState(null, '', `#/sheet?${r === again ? `from=${encodeURIComponent(from)}` : `recipe=${encodeURIComponent(r.key)}`}${query.get('pot') ? `&pot=${encodeURIComponent(query.get('pot'))}` : ''}`);
    drawForm();
    work();
  }

  function drawPick() {
    const name = freshId('recipe');
    put(pick, h('fieldset', null, h('legend', null, t('sheet.recipes')),
      recipes.map((r) => h('div', { class: 'pick-row' },
        h('label', { class: 'check' }, h('input', { type: 'radio', name, checked: r === chosen, onchange: () => choose(r) }), h('span', null, r.name)),
        r === again ? null : h('a', { class: 'pick-edit', href: `#/recipe/${encodeURIComponent(r.key)}`, 'aria-label': `${t('sheet.recipe.edit')}: ${r.name}` }, t('sheet.recipe.change'))))));
  }

  function drawForm() {
    const u = units();
    const kinds = chosen.plan?.containers || [];
    const jugs = chosen.plan?.jugs || [];
    const waxField = h('input', {
      inputmode: 'decimal', autocomplete: 'off', id: freshId('f'), value: wax,
      oninput: (e) => { wax = e.target.value; soon(); },
    });
    put(form,
      h('fieldset', null, h('legend', null, t('sheet.count')), kinds.map((c) => {
        const field = h('input', {
          inputmode: 'numeric', autocomplete: 'off', id: freshId('f'), value: String(counts.get(c.name) ?? 0),
          oninput: () => { const n = format.typed(field.value); counts.set(c.name, Number.isInteger(n) && n > 0 ? n : 0); soon(); },
        });
        const step = (d) => () => { const n = Math.max(0, (counts.get(c.name) ?? 0) + d); counts.set(c.name, n); field.value = String(n); soon(); };
        return h('div', { class: 'stepper' }, h('label', { for: field.id }, c.name),
          h('button', { type: 'button', class: 'tap', 'aria-label': t('sheet.less', { name: c.name }), onclick: step(-1) }, '−'),
          field,
          h('button', { type: 'button', class: 'tap', 'aria-label': t('sheet.more', { name: c.name }), onclick: step(1) }, '+'));
      })),
      kinds.length ? h('div', { class: 'row' }, [['sheet.half', 0.5], ['sheet.double', 2]].map(([words, by]) => h('button', {
        type: 'button', class: 'tap', 'data-key': words, onclick: () => {
          for (const [name, n] of counts) counts.set(name, Math.round(n * by));
          const n = format.typed(wax);
          if (n > 0) wax = String(Math.round(n * by * 100) / 100);
          drawForm();
          form.querySelector(`[data-key="${words}"]`).focus();
          work();
        },
      }, t(words)))) : null,
      label(waxField, `${t('sheet.by-wax')} (${u.mass})`),
      jugs.length > 1 ? label(h('select', { id: freshId('f'), onchange: (e) => { jug = e.target.value; work(); } },
        h('option', { value: '' }, t('sheet.jug.auto')), jugs.map((j) => h('option', { value: j.name, selected: j.name === jug }, j.name))), t('sheet.jug')) : null);
  }

  /** What the form asks of the station. */
  function question() {
    const list = [...counts].filter(([, n]) => n > 0).map(([container, n]) => ({ container, n }));
    const grams = wax.trim() ? format.massFromShown(format.typed(wax), units().mass) : 0;
    const u = units();
    const options = { show: { temperature: u.temp, mass: u.mass } }; // its words in this device's units
    if (grams > 0) options.wax = grams;
    if (jug) options.jug = jug;
    return { ...(chosen === again ? { from } : { recipe: chosen.key }), counts: list, options };
  }

  function soon() { clearTimeout(timer); timer = setTimeout(work, 350); }

  async function work() {
    const list = [...counts].filter(([, n]) => n > 0).map(([container, n]) => ({ container, n }));
    const grams = wax.trim() ? format.massFromShown(format.typed(wax), units().mass) : 0;
    const turn = ++asked;
    why = null;
    if (Number.isNaN(grams)) { answer = null; why = { message: t('form.number'), fields: [] }; drawOut(); return; }
    if (list.length === 0 && !(grams > 0)) { answer = null; drawOut(); return; }
    try {
      const made = await api.sheet(question());
      if (turn !== asked) return;
      answer = made;
      startId = newId();
      say(t('sheet.title'));
    } catch (err) {
      if (turn !== asked) return;
      answer = null;
      why = err;
    }
    drawOut();
  }

  function drawOut() {
    const u = units();
    if (!answer) {
      put(out, why
        ? h('div', { class: 'err', role: 'alert' }, h('p', null, why.message), h('ul', { class: 'do' }, (why.fields || []).map((f) => h('li', null, `${f.field} ${f.text}`))))
        : h('p', { class: 'sheet-wait' }, t('sheet.zero')));
    } else {
      put(out, paper(answer.sheet, u, true));
    }
    drawStart();
  }

  function drawStart() {
    const pots = (store.snapshot?.pots || []).filter((p) => !p.batch || poured.includes(p.stage));
    const stops = (answer?.sheet.warnings || []).filter((w) => w.level === 'stop');
    const sig = [answer ? startId : '', pots.map((p) => [p.id, p.name]), store.live, store.maker, stops.length];
    rebuild(start, sig, () => {
      if (!answer) return [];
      const print = h('button', { type: 'button', class: 'tap', 'data-key': 'print', onclick: () => window.print() }, t('sheet.print'));
      if (!store.maker) return [h('p', { class: 'hint' }, t('sheet.viewer')), print];
      const pot = h('select', { id: freshId('f') }, pots.map((p) => h('option', { value: p.id, selected: p.id === query.get('pot') }, p.name)));
      const melts = answer.sheet.melts?.length || 1;
      const which = melts > 1 ? h('select', { id: freshId('f') }, answer.sheet.melts.map((m, i) => h('option', { value: String(i + 1), selected: i + 1 === (rest?.of === melts ? rest.next : 1) }, t('sheet.melt.of', { n: i + 1, of: melts })))) : null;
      const name = h('input', { id: freshId('f'), value: answer.sheet.name || '', maxlength: 200, autocomplete: 'off' });
      const go = h('button', {
        type: 'button', class: 'tap strong start-go', 'data-key': 'go', disabled: !store.live || pots.length === 0 || stops.length > 0,
        onclick: async () => {
          go.disabled = true;
          try {
            const n = melts > 1 ? Number(which.value) : 0;
            const s = n ? (await api.sheet({ ...question(), melt: n })).sheet : structuredClone(answer.sheet);
            const lots = [];
            const lotOf = {};
            for (const f of out.querySelectorAll('input[data-lot]')) {
              const lot = f.value.trim();
              const [kind, i] = f.dataset.lot.split(' ');
              if (lot && kind === 'wicks') lotOf.wicks = lot;
              else if (lot) { s[kind][Number(i)].lot = lot; lots.push(lot); }
            }
            const title = name.value.trim() && name.value.trim() !== answer.sheet.name ? `${name.value.trim()}${n ? `, ${t('sheet.melt.of', { n, of: melts })}` : ''}` : s.name;
            await api.start(pot.value, { id: startId, sheet: s, name: title, lots, lot_of: lotOf });
            remember(n && n < melts ? { ask: question(), name: answer.sheet.name, next: n + 1, of: melts } : null);
            toast(t('sheet.started', { name: title }));
            location.hash = store.snapshot.pots.length > 1 ? `#/pot/${encodeURIComponent(pot.value)}` : '#/';
          } catch (err) {
            toast(t('failed', { why: err.message }), { kind: 'bad' });
            go.disabled = false;
          }
        },
      }, t('sheet.start'));
      return [
        stops.length ? h('p', { class: 'err' }, t('sheet.stop')) : null,
        pots.length === 0 ? h('p', { class: 'hint' }, t('sheet.no-pot')) : null,
        !store.live ? h('p', { class: 'hint' }, t('tap.wait')) : null,
        which ? label(which, t('sheet.melt.which'), t('sheet.melt.why')) : null,
        label(name, t('sheet.name')),
        pots.length > 1 ? label(pot, t('sheet.pot')) : h('div', { hidden: true }, pot),
        h('div', { class: 'row' }, go, print)];
    });
  }

  drawPick();
  drawForm();
  drawOut();
  if (again || rest) work();
  let spoken = JSON.stringify(units());
  return {
    update() {
      const now = JSON.stringify(units());
      if (now !== spoken && answer) { spoken = now; work(); } // asked anew, in the units chosen now
      drawStart();
    },
    destroy() { clearTimeout(timer); },
    title: () => t('sheet.title'),
  };
}

const KEPT = 'meltstation.melts';

/** What is left of a sheet of several melts: {ask, name, next, of}, or null. On this device only. */
function kept() {
  try { return JSON.parse(localStorage.getItem(KEPT)); } catch { return null; }
}

function remember(rest) {
  try { if (rest) localStorage.setItem(KEPT, JSON.stringify(rest)); else localStorage.removeItem(KEPT); } catch { /* the counts are typed again, then */ }
}

/** A sheet as it is laid beside the scale. With `lots`, each part has a field for its lot. */
export function paper(s, u, lots = false) {
  const th = s.thresholds;
  const tm = s.timers;
  const T = (c) => format.temp(c, u.temp);
  const flash = th.flash ? t('sheet.flash.text', { temp: T(th.flash.celsius), method: th.flash.method, oil: th.flash.oil, limit: T(th.flash.celsius - th.flash_margin) }) : '';
  const warnings = [...(s.warnings || [])].sort((a, b) => rank(a) - rank(b));
  return h('article', { class: 'paper' },
    h('h2', { class: 'paper-title' }, s.name),
    warnings.length ? h('div', { class: 'warnings' }, h('h3', null, t('sheet.warnings')), h('ul', null, warnings.map((w) => h('li', { class: `level-${w.level || 'note'}` },
      h('strong', null, has(`sheet.level.${w.level}`) ? t(`sheet.level.${w.level}`) : t('sheet.level.note')), ' ', format.firm(w.text))))) : null,
    s.melts && s.melts.length > 1
      ? s.melts.map((m, i) => h('div', { class: 'melt' }, h('h3', null, [t('sheet.melt', { n: i + 1 }), m.jug].filter(Boolean).join(' · ')), weigh(m, s, u, false)))
      : weigh({ wax: s.wax, fragrance: s.fragrance, extras: s.extras, total_grams: s.total_grams, wicks: s.wicks }, s, u, lots),
    s.melts && s.melts.length > 1 && lots ? h('details', { class: 'no-print' }, h('summary', null, t('sheet.together')), weigh({ wax: s.wax, fragrance: s.fragrance, extras: s.extras, total_grams: s.total_grams, wicks: s.wicks }, s, u, true)) : null,
    h('div', { class: 'two' },
      h('div', null, h('h3', null, t('sheet.temps')), pairs([
        [t('sheet.scent-add'), T(th.scent_add)],
        [t('sheet.pour'), t('sheet.pour.range', { hi: T(th.pour_high), lo: T(th.pour_low), at: T(th.pour) })],
        th.scorch ? [t('sheet.scorch'), T(th.scorch)] : null,
        th.congeal ? [t('sheet.congeal'), T(th.congeal)] : null,
        flash ? [t('sheet.flash'), flash] : null])),
      h('div', null, h('h3', null, t('sheet.times')), pairs([
        [t('sheet.stir'), format.wait(tm.stir)], [t('sheet.warm'), format.wait(tm.warm_jars)],
        [t('sheet.trim'), format.wait(tm.trim)], [t('sheet.move'), format.wait(tm.move)], [t('sheet.cure'), format.wait(tm.cure)]]))),
    s.containers?.length ? h('div', null, h('h3', null, t('sheet.into')), h('ul', null, s.containers.map((c) => h('li', null,
      t('sheet.fill', { count: c.count, name: c.name, mass: format.weighed(c.grams, s.scale_step, u.mass) }), c.wicks ? ` · ${t(c.wicks === 3 ? 'sheet.wicks.three' : 'record.wicks', { n: c.wicks })}` : ''))),
      s.wicks ? h('p', null, t('sheet.wicks.all', { n: s.wicks })) : null) : null,
    s.pour_order?.length > 1 ? h('div', null, h('h3', null, t('sheet.order')), h('ol', { class: 'order' }, order(s).map((o) => h('li', null,
      [s.melts?.length > 1 ? t('sheet.melt', { n: o.melt }) : '', o.top_off ? t('sheet.order.top') : `${o.count}\u00a0× ${o.container}`, o.top_off ? '' : format.weighed(o.grams, s.scale_step, u.mass)].filter(Boolean).join(' · '))))) : null,
    s.pour?.text && !warnings.some((w) => w.key === 'pour-window') ? h('p', null, format.firm(s.pour.text)) : null,
    s.source?.notes ? h('div', null, h('h3', null, t('record.recipe-notes')), h('p', { class: 'as-written' }, s.source.notes)) : null,
    h('p', { class: 'hint' }, t('sheet.caution')));
}

/** What to pour when; the top-off of one melt is one line. */
const order = (s) => s.pour_order.filter((o, i, all) => !o.top_off || !all[i - 1]?.top_off);

const rank = (w) => ({ stop: 0, caution: 1, note: 2 }[w.level] ?? 2);

const pairs = (list) => h('dl', { class: 'pairs' }, list.filter(Boolean).map(([k, v]) => h('div', null, h('dt', null, k), h('dd', null, v))));

function weigh(m, s, u, lots) {
  const row = (kind, words) => (m[kind] || []).map((p, i) => h('tr', null,
    h('th', { scope: 'row' }, p.name, h('span', { class: 'kind' }, words(p)),
      lots ? h('input', { class: 'lot no-print', 'data-lot': `${kind} ${i}`, value: p.lot || '', placeholder: t('sheet.lot'), 'aria-label': `${t('sheet.lot')}: ${p.name}`, autocomplete: 'off', maxlength: 80 }) : null,
      p.lot ? h('span', { class: lots ? 'print-only' : 'kind' }, `${t('sheet.lot')} ${p.lot}`) : null),
    h('td', { class: 'grams' }, format.weighed(p.grams, kind === 'wax' ? s.scale_step : s.fine_step || s.scale_step, u.mass))));
  // The load is that of the whole blend; each oil has its share of the blend.
  const oils = m.fragrance || [];
  const scent = oils.reduce((a, p) => a + p.grams, 0);
  const load = s.load_of_wax ? t('sheet.load', { p: format.fixed(s.load_of_wax, 2), q: format.fixed(s.load_of_total, 2) }) : '';
  const total = m.total_grams || ['wax', 'fragrance', 'extras'].flatMap((k) => m[k] || []).reduce((a, p) => a + p.grams, 0);
  const wicks = lots && s.wicks ? h('input', { class: 'lot no-print', 'data-lot': 'wicks', placeholder: t('sheet.lot'), 'aria-label': `${t('sheet.lot')}: ${t('record.wicks.lot')}`, autocomplete: 'off', maxlength: 80 }) : null;
  return h('table', { class: 'weigh' },
    h('caption', null, t('sheet.weigh')),
    h('tbody', null,
      row('wax', () => t('sheet.wax')),
      row('fragrance', (p) => (oils.length > 1 ? `${t('sheet.scent')} · ${t('sheet.share', { p: format.fixed(scent > 0 ? (100 * p.grams) / scent : 0, 0) })}` : [t('sheet.scent'), load].filter(Boolean).join(' · '))),
      oils.length > 1 ? h('tr', null, h('th', { scope: 'row' }, t('sheet.scent.all'), h('span', { class: 'kind' }, load)), h('td', { class: 'grams' }, format.weighed(scent, s.fine_step || s.scale_step, u.mass))) : null,
      row('extras', () => t('sheet.extras')),
      m.wicks ? h('tr', null, h('th', { scope: 'row' }, t('record.wicks.lot'), wicks), h('td', { class: 'grams' }, String(m.wicks))) : null,
      h('tr', { class: 'total' }, h('th', { scope: 'row' }, t('sheet.total')), h('td', { class: 'grams' }, format.weighed(total, s.scale_step, u.mass)))));
}
