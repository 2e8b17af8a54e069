// Short confirmations at the foot of the page, with at most two buttons each.
import { h, say } from './dom.js';
import { t } from './strings.js';

const STAY = 10000; // ms

/** Shows words for a few seconds; it stays while touched or focused. Gives a function that closes it. */
export function toast(words, { actions = [], kind = 'ok', stay = STAY } = {}) {
  const box = document.getElementById('toasts');
  let timer = 0;
  const close = () => { clearTimeout(timer); el.remove(); };
  const el = h('div', { class: `toast ${kind}` },
    h('p', null, words),
    actions.map((a) => h('button', { type: 'button', class: 'plain', onclick: () => { close(); a.run(); } }, a.label)),
    h('button', { type: 'button', class: 'plain close', 'aria-label': t('form.close'), onclick: close }, '×'));
  const arm = () => { clearTimeout(timer); timer = setTimeout(close, stay); };
  el.addEventListener('pointerenter', () => clearTimeout(timer));
  el.addEventListener('focusin', () => clearTimeout(timer));
  el.addEventListener('pointerleave', arm);
  el.addEventListener('focusout', arm);
  while (box.children.length > 1) box.firstElementChild.remove();
  box.append(el);
  arm();
  say(words);
  return close;
}
