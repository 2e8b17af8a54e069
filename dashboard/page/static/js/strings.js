// Words by key, with {holes}; a second language is a second file like
// strings.en.js and one line in `languages`.
import en from './strings.en.js';

const languages = { en };
let words = en;
let plurals = new Intl.PluralRules('en');

/** Chooses the language; an unknown one leaves English. */
export function useLanguage(code) {
  words = languages[code] || en;
  plurals = new Intl.PluralRules(languages[code] ? code : 'en');
}

/**
 * The words for a key. With `n` among the values, a key that has the forms
 * "one" and "other" takes the right one.
 */
export function t(key, values) {
  let text = words[key] ?? en[key];
  if (text === undefined) return key;
  if (typeof text === 'object') text = text[plurals.select(values.n)] ?? text.other;
  if (!values) return text;
  return text.replace(/\{(\w+)\}/g, (hole, name) => (values[name] === undefined ? hole : String(values[name])));
}

/** Whether there are words for a key. */
export function has(key) {
  return (words[key] ?? en[key]) !== undefined;
}
