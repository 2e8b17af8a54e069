// A recipe as a form: the same document as the recipe file, quantities as text
// with their units. What is wrong is shown beside its field.
import { h, put, freshId, say } from '../dom.js';
import { t, has } from '../strings.js';
import { api } from '../api.js';
import { store } from '../store.js';
import { toast } from '../toasts.js';
import { dialog } from '../taps.js';

const BASIS = ['of wax', 'of total'];
const METHODS = ['closed cup', 'open cup', 'not stated'];

// Lists and groups of the document: which fields each has, with an example.
const lists = {
  wax: [['name', 'Rapeseed-coconut'], ['share', '100 %'], ['density', '0.88 g/ml'], ['max_load', '10 %'], ['max_load_basis', ['', ...BASIS]], ['lot', '']],
  oil: [['name', ''], ['share', '100 %'], ['flash', '93 °C'], ['method', ['', ...METHODS]], ['max_load', ''], ['max_load_basis', ['', ...BASIS]], ['lot', '']],
  extra: [['name', ''], ['amount', '0.1 %'], ['lot', '']],
  container: [['name', ''], ['wax', '180 g'], ['volume', '220 ml'], ['headspace', '15 ml'], ['wicks', '1'], ['fill_time', '20 s']],
  jug: [['name', ''], ['holds', '2 kg'], ['volume', ''], ['room', '20 %'], ['loss', '10 g']],
};
const groups = {
  pouring: [['fill_time', '20 s'], ['top_off', '5 %']],
  temperatures: [['scent_add', '75 °C'], ['pour_high', '60 °C'], ['pour', '57 °C'], ['pour_low', '52 °C'], ['congeal', ''], ['scorch', ''], ['flash_margin', '10 °C'], ['bath_ceiling', '']],
  timers: [['stir', '2 min'], ['warm_jars', '10 min'], ['cue_lead', '2 min'], ['trim', '3 h'], ['move', '24 h'], ['cure', '14 d']],
};

const blank = () => ({
  name: '', temperature: store.snapshot?.units || 'C', mass: store.snapshot?.mass || 'g', scale: '1 g',
  wax: [{ name: '', share: '100 %' }], fragrance: { load: '', basis: 'of wax', oil: [{ name: '', share: '100 %' }] },
  container: [{ name: '' }], jug: [], extra: [], temperatures: {}, timers: {},
});

export async function recipe(main, { id }) {
  const doc = id ? (await api.recipe(id)).recipe : blank();
  doc.fragrance ||= { load: '', basis: 'of wax', oil: [] };
  for (const k of ['wax', 'extra', 'container', 'jug']) doc[k] ||= [];
  for (const k of Object.keys(groups)) doc[k] ||= {};
  const box = h('form', { class: 'recipe', novalidate: true, onsubmit: (e) => { e.preventDefault(); save(); } });
  const errors = h('div', { class: 'errors', role: 'alert' });
  main.append(h('div', { class: 'view' }, h('h1', null, id ? doc.name : t('recipe.new')), h('p', { class: 'hint' }, t('recipe.units')), errors, box));
  const fields = new Map(); // path → {input, note}

  function input(obj, key, path, example, words) {
    const fid = freshId('f');
    const note = h('p', { class: 'err', id: `${fid}-e`, hidden: true });
    let el;
    const put = () => {
      const v = el.value.trim();
      if (v === '') delete obj[key];
      else if (key === 'wicks') obj[key] = /^\d+$/.test(v) ? Number(v) : v;
      else obj[key] = v;
    };
    const value = obj[key] === undefined || obj[key] === null ? '' : String(obj[key]);
    if (Array.isArray(example)) {
      el = h('select', { id: fid, onchange: put }, example.map((x) => h('option', { value: x, selected: x === value },
        has(`recipe.${key === 'method' ? 'method' : 'basis'}.${x}`) ? t(`recipe.${key === 'method' ? 'method' : 'basis'}.${x}`) : x || '–')));
    } else if (key === 'notes') {
      el = h('textarea', { id: fid, rows: 4, oninput: put, 'aria-describedby': `${fid}-e` });
      el.value = value;
    } else {
      el = h('input', { id: fid, value, placeholder: example, autocomplete: 'off', oninput: put, 'aria-describedby': `${fid}-e` });
    }
    fields.set(path, { input: el, note });
    return h('div', { class: 'field' }, h('label', { for: fid }, words), el, note);
  }

  function list(name, items, path, title, add) {
    return h('section', null, h('h2', null, title),
      items.map((item, i) => h('fieldset', { class: 'part' },
        h('legend', { class: 'quiet' }, `${title} ${i + 1}`),
        h('div', { class: 'fields' }, lists[name].map(([key, ex]) => input(item, key, `${path}[${i + 1}].${key}`, ex, t(`recipe.f.${key}`)))),
        h('button', { type: 'button', class: 'plain', onclick: () => { items.splice(i, 1); draw(); } }, t('recipe.remove', { name: item.name || `${title} ${i + 1}` })))),
      h('button', { type: 'button', class: 'tap', onclick: () => { items.push({ name: '' }); draw(); } }, add));
  }

  function draw() {
    fields.clear();
    put(box,
      h('section', null, h('div', { class: 'fields' },
        input(doc, 'name', 'name', '', t('recipe.name')),
        input(doc, 'notes', 'notes', '', t('recipe.notes')),
        input(doc, 'temperature', 'temperature', ['C', 'F'], t('recipe.temperature')),
        input(doc, 'mass', 'mass', ['g', 'oz'], t('recipe.mass')),
        input(doc, 'scale', 'scale', '1 g', t('recipe.scale')),
        input(doc, 'fine_scale', 'fine_scale', '0.1 g', t('recipe.fine_scale')))),
      list('wax', doc.wax, 'wax', t('recipe.wax'), t('recipe.add.wax')),
      h('section', null, h('h2', null, t('recipe.fragrance')), h('div', { class: 'fields' },
        input(doc.fragrance, 'load', 'fragrance.load', '6.25 %', t('recipe.f.load')),
        input(doc.fragrance, 'basis', 'fragrance.basis', BASIS, t('recipe.f.basis')))),
      list('oil', doc.fragrance.oil, 'fragrance.oil', t('recipe.oil'), t('recipe.add.oil')),
      list('extra', doc.extra, 'extra', t('recipe.extra'), t('recipe.add.extra')),
      list('container', doc.container, 'container', t('recipe.container'), t('recipe.add.container')),
      list('jug', doc.jug, 'jug', t('recipe.jug'), t('recipe.add.jug')),
      Object.entries(groups).map(([name, fs]) => h('section', null, h('h2', null, t(`recipe.${name}`)),
        h('div', { class: 'fields' }, fs.map(([key, ex]) => input(doc[name], key, `${name}.${key}`, ex, t(`recipe.f.${key}`)))))),
      h('div', { class: 'row sticky' },
        h('button', { type: 'submit', class: 'tap strong', disabled: !store.maker }, t('recipe.save')),
        h('a', { class: 'button tap', href: '#/sheet' }, t('form.cancel'))),
      id && store.maker ? h('p', null, h('button', { type: 'button', class: 'plain danger-word', onclick: remove }, t('recipe.delete'))) : null);
  }

  function form() {
    const out = structuredClone(doc);
    for (const k of ['extra', 'container', 'jug']) if (out[k].length === 0) delete out[k];
    for (const k of Object.keys(groups)) if (Object.keys(out[k]).length === 0) delete out[k];
    if (out.fragrance.oil.length === 0) delete out.fragrance;
    return out;
  }

  async function save() {
    for (const { input: el, note } of fields.values()) { el.removeAttribute('aria-invalid'); note.hidden = true; }
    errors.replaceChildren();
    const key = id || slug(doc.name);
    if (!key) return fail([{ field: 'name', text: t('recipe.name') }], '');
    try {
      await api.putRecipe(key, form());
      toast(t('recipe.saved'), { stay: 4000 });
      location.hash = `#/sheet?recipe=${encodeURIComponent(key)}`;
    } catch (err) {
      fail(err.fields || [], err.message);
    }
    return undefined;
  }

  function fail(list, message) {
    const rest = [];
    let first = null;
    for (const f of list) {
      // What concerns a whole part stands at its first field after the name.
      const at = fields.get(f.field) || [...fields].find(([path]) => path.startsWith(`${f.field}.`) && !path.endsWith('.name'))?.[1];
      if (!at) { rest.push(f); continue; }
      at.input.setAttribute('aria-invalid', 'true');
      at.note.textContent = inForm(f.text);
      at.note.hidden = false;
      first ||= at.input;
    }
    const n = list.length;
    errors.replaceChildren(h('div', { class: 'err-box' },
      h('p', { class: 'err' }, n ? t('recipe.errors', { n }) : t('failed', { why: message })),
      h('ul', { class: 'do' }, rest.map((f) => h('li', null, `${f.field} ${inForm(f.text)}`)))));
    (first || errors).scrollIntoView({ block: 'center' });
    first?.focus({ preventScroll: true });
    say(n ? t('recipe.errors', { n }) : message, true);
  }

  function remove() {
    dialog(t('recipe.delete'), [h('p', null, t('recipe.delete.ask', { name: doc.name }))], t('recipe.delete'), async () => {
      try {
        await api.deleteRecipe(id);
        toast(t('recipe.deleted'), { stay: 4000 });
        location.hash = '#/sheet';
        return true;
      } catch (err) {
        toast(t('failed', { why: err.message }), { kind: 'bad' });
        return false;
      }
    }, { danger: true });
  }

  draw();
  return { title: () => doc.name || t('recipe.new') };
}

/** What is wrong, without how it is mended in the file: here there is a field for it. */
const inForm = (text) => text.replace(/; (write|add|set) [^;]*(=|\[\[)[^;]*$/, '');

/** A recipe's key from its name: small letters, digits and dashes. */
export function slug(name) {
  return String(name || '').normalize('NFKD').replace(/[\u0300-\u036f]/g, '').toLowerCase()
    .replace(/[^a-z0-9]+/g, '-').replace(/^-+|-+$/g, '').slice(0, 60);
}
