import { test } from 'node:test';
import assert from 'node:assert/strict';
import { readdirSync, readFileSync } from 'node:fs';
import en from '../static/js/strings.en.js';
import pairing from '../static/pair/strings.en.js';
import { t } from '../static/js/strings.js';

const root = new URL('../static/js/', import.meta.url);
const files = [...readdirSync(root), ...readdirSync(new URL('views/', root)).map((n) => `views/${n}`)].filter((n) => n.endsWith('.js') && !n.startsWith('strings'));
const source = files.map((n) => readFileSync(new URL(n, root), 'utf8')).join('\n');

test('every key that the page asks for has words', () => {
  const missing = [...source.matchAll(/\bt\('([a-z][\w.-]*)'/g)].map((m) => m[1]).filter((k) => en[k] === undefined);
  assert.deepEqual([...new Set(missing)], []);
});

test('every string is asked for', () => {
  const unused = Object.keys(en).filter((k) => {
    if (source.includes(`'${k}'`)) return false;
    const stem = k.replace(/\.[^.]*$/, '.');
    return !source.includes(`\`${stem}\${`) && !source.includes(`\`${k.split('.')[0]}.\${`) && !source.includes(`\`${k.split('.').slice(0, 2).join('.')}.\${`);
  });
  assert.deepEqual(unused, []);
});

test('holes are filled, and plurals chosen', () => {
  assert.equal(t('dur.d', { n: 1 }), '1 day');
  assert.equal(t('dur.d', { n: 14 }), '14 days');
  assert.equal(t('no such key'), 'no such key');
});

test('the pairing page has its words from one file, all of them', () => {
  const html = readFileSync(new URL('../static/pair.html', import.meta.url), 'utf8');
  const js = readFileSync(new URL('../static/pair/pair.js', import.meta.url), 'utf8');
  const asked = new Set([...html.matchAll(/data-words="([^"]+)"/g), ...js.matchAll(/\bwords\.([a-z]+)/g)].map((m) => m[1]));
  for (const code of ['code-wrong', 'too-many']) asked.add(code); // codes of the station's answers
  assert.deepEqual([...asked].sort(), Object.keys(pairing).sort());
});
