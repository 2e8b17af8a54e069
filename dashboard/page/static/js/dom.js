// Small tools to build and mend the document. No inline style attributes: the
// content security policy forbids them (element.style from script is allowed).

const SVG = 'http://www.w3.org/2000/svg';

/** Builds an element: h('button', {class: 'x', onclick: f, disabled: true}, 'text', child). */
export function h(tag, attrs, ...children) {
  return fill(document.createElement(tag), attrs, children);
}

/** Builds an SVG element. */
export function s(tag, attrs, ...children) {
  return fill(document.createElementNS(SVG, tag), attrs, children);
}

function fill(el, attrs, children) {
  for (const [name, value] of Object.entries(attrs || {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith('on')) el.addEventListener(name.slice(2), value);
    else if (name === 'value' || name === 'checked' || name === 'selected') el[name] = value;
    else el.setAttribute(name, value === true ? '' : value);
  }
  el.append(...children.flat(Infinity).filter((c) => c !== null && c !== undefined && c !== false).map((c) => (c instanceof Node ? c : String(c))));
  return el;
}

/** Sets an element's text only when it differs, so that nothing flickers or is read twice. */
export function text(el, words) {
  if (el.textContent !== words) el.textContent = words;
}

/** Sets or takes away an attribute only when it differs. */
export function attr(el, name, value) {
  if (value === null || value === undefined || value === false) {
    if (el.hasAttribute(name)) el.removeAttribute(name);
  } else {
    const v = value === true ? '' : String(value);
    if (el.getAttribute(name) !== v) el.setAttribute(name, v);
  }
}

/** Shows or hides. */
export function show(el, visible) {
  if (el.hidden === visible) el.hidden = !visible;
}

/**
 * Rebuilds an element's children only when `signature` changes; the focus stays
 * on the child with the same data-key.
 */
export function rebuild(el, signature, make) {
  const sig = JSON.stringify(signature);
  if (el.dataset.sig === sig) return false;
  const focused = el.contains(document.activeElement) ? document.activeElement.closest('[data-key]')?.dataset.key : null;
  el.dataset.sig = sig;
  el.replaceChildren(...[make()].flat(Infinity).filter(Boolean));
  if (focused) [...el.querySelectorAll('[data-key]')].find((x) => x.dataset.key === focused)?.focus();
  return true;
}

/** Replaces an element's children; nothing and nested lists are allowed. */
export function put(el, ...children) {
  el.replaceChildren(...children.flat(Infinity).filter((c) => c !== null && c !== undefined && c !== false));
}

/** Says something through the polite or the assertive live region. */
export function say(words, assertive = false) {
  const region = document.getElementById(assertive ? 'shout' : 'say');
  region.replaceChildren();
  // A change after the region was emptied is read even when the words are the same.
  requestAnimationFrame(() => { region.textContent = words; });
}

/** Opens a dialog; it goes from the document when it closes. Gives the dialog. */
export function openDialog(dialog) {
  const before = document.activeElement;
  dialog.addEventListener('close', () => {
    dialog.remove();
    if (before && before.isConnected) before.focus();
  });
  document.body.append(dialog);
  dialog.showModal();
  return dialog;
}

let serial = 0;
/** A fresh id for aria-labelledby and label/for. */
export const freshId = (prefix) => `${prefix}-${++serial}`;
