// The shelf: poured batches, what may be done with them now, and when the rest.
import { h, rebuild } from '../dom.js';
import { t, has } from '../strings.js';
import { store } from '../store.js';
import { api, freshId } from '../api.js';
import { units } from '../prefs.js';
import * as format from '../format.js';
import { toast } from '../toasts.js';

const taps = { trim: 'trimmed', move: 'moved', cure: 'cured' };

export async function shelf(main) {
  let board = await api.shelf();
  const list = h('div', { class: 'shelf' });
  main.append(h('div', { class: 'view' },
    h('div', { class: 'head-row' }, h('h1', null, t('shelf.title')), h('a', { class: 'button', href: '/api/v1/shelf.ics', download: 'shelf.ics' }, t('shelf.calendar'))),
    list));
  let stale = false;
  const off = store.on('happened', (m) => {
    if (m.type === 'batches' || m.type === 'snapshot' || (m.type === 'event' && ['poured', 'trimmed', 'moved', 'cured', 'withdrawal', 'correction', 'start'].includes(m.event?.kind))) refresh();
  });

  async function refresh() {
    if (stale) return;
    stale = true;
    try { board = await api.shelf(); } catch { /* what is shown stays, the bar tells */ }
    stale = false;
    update();
  }

  async function done(item) {
    if (!store.live) { toast(t('tap.offline'), { kind: 'bad' }); return; }
    const id = freshId();
    try {
      const got = await api.batchTap(item.code, { id, kind: taps[item.step] });
      const what = t(`event.${taps[item.step]}`);
      toast(`${item.name}: ${what}`, {
        actions: [{
          label: t('tap.undo'),
          run: async () => {
            try { await api.batchEvent(item.code, got?.event?.id || id, 'withdraw'); toast(t('tap.undone', { what }), { stay: 4000 }); refresh(); } catch (err) { toast(t('tap.undo.failed', { why: err.message }), { kind: 'bad' }); }
          },
        }],
      });
      refresh();
    } catch (err) {
      toast(t('tap.failed', { why: err.message }), { kind: 'bad' });
    }
  }

  function update() {
    const u = units();
    const now = store.now();
    const minute = Math.floor(now / 60000);
    const rows = board.rows || [];
    rebuild(list, [rows, minute, u, store.maker, store.live], () => {
      if (rows.length === 0) return h('div', { class: 'empty' }, h('h2', null, t('shelf.empty')), h('p', null, t('shelf.empty.do')));
      return rows.map((r) => h('section', { class: 'shelf-row' },
        h('div', { class: 'shelf-head' },
          h('h2', null, h('a', { href: `#/records/${encodeURIComponent(r.code)}` }, r.name)),
          h('p', null, [r.code, t('shelf.jars', { n: r.jars }), t('shelf.poured', { when: format.moment(r.poured, now, u.clock) })].join(' · ')),
          h('p', { class: 'shelf-status' }, has(`shelf.status.${r.status}`) ? t(`shelf.status.${r.status}`) : r.status)),
        h('div', { class: 'shelf-bar', role: 'img', 'aria-label': t('shelf.share', { p: Math.round(r.share * 100) }) }, bar(r.share)),
        h('ol', { class: 'shelf-steps' }, (r.items || []).map((it) => {
          const left = (Date.parse(it.due) - now) / 1000;
          const state = it.state === 'waiting' && left <= 0 ? 'due' : it.state;
          const words = state === 'waiting' ? t('shelf.state.waiting', { x: format.span(left) })
            : state === 'done' ? t('shelf.state.done', { when: format.moment(it.done, now, u.clock) })
              : t(it.step === 'cure' ? 'shelf.state.due.cure' : 'shelf.state.due');
          return h('li', { class: `step ${state}` },
            h('span', { class: 'step-name' }, it.title || t(`shelf.step.${it.step}`)),
            h('span', { class: 'step-when' }, words),
            state === 'due' && store.maker ? h('button', { type: 'button', class: 'tap', 'data-key': `${it.code} ${it.step}`, disabled: !store.live, onclick: () => done(it) }, t(`shelf.tap.${it.step}`)) : null);
        }))));
    });
  }

  update();
  return { update, destroy: off, title: () => t('shelf.title') };
}

function bar(share) {
  const fill = h('span', { class: 'shelf-fill' });
  fill.style.width = `${Math.round(Math.max(0, Math.min(1, share)) * 1000) / 10}%`;
  return fill;
}
