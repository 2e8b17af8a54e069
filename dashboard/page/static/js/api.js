// The station's HTTP interface. Every failure becomes a Failure with words that
// can be shown; 401 sends an unpaired device to the pairing page.
import { t } from './strings.js';

export class Failure extends Error {
  constructor(status, problem, words) {
    super(words);
    this.status = status; // 0 when the station could not be reached
    this.code = problem?.code || (status === 0 ? 'network' : '');
    this.pot = problem?.pot || null;
    this.fields = problem?.fields || []; // of a form: [{field, text}]
  }
}

async function call(method, path, body, { timeout = 10000, text = false } = {}) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), timeout);
  let res;
  try {
    res = await fetch(`/api/v1${path}`, {
      method,
      credentials: 'same-origin',
      cache: 'no-store',
      signal: stop.signal,
      headers: body === undefined ? {} : { 'Content-Type': body instanceof Blob ? body.type : 'application/json' },
      body: body === undefined || body instanceof Blob ? body : JSON.stringify(body),
    });
    if (res.ok) {
      if (res.status === 204) return null;
      return text ? await res.text() : await res.json();
    }
  } catch {
    throw new Failure(0, null, t('failed.network'));
  } finally {
    clearTimeout(timer);
  }
  let problem = null;
  try { problem = await res.json(); } catch { /* not every proxy speaks JSON */ }
  if (res.status === 401 || problem?.code === 'unpaired') document.dispatchEvent(new CustomEvent('meltstation:unpaired'));
  const words = [problem?.detail || problem?.title || `HTTP ${res.status}`, problem?.mend].filter(Boolean).join(' ');
  throw new Failure(res.status, problem, words);
}

const e = encodeURIComponent;
const query = (o) => {
  const p = new URLSearchParams(Object.entries(o).filter(([, v]) => v !== '' && v !== undefined && v !== null)).toString();
  return p ? `?${p}` : '';
};

export const api = {
  snapshot: () => call('GET', '/snapshot'),
  start: (pot, body) => call('POST', `/pots/${e(pot)}/start`, body),
  tap: (pot, body) => call('POST', `/pots/${e(pot)}/taps`, body),
  event: (pot, id, verb, body) => call('POST', `/pots/${e(pot)}/events/${e(id)}/${verb}`, body),
  notice: (pot, key, verb, body) => call('POST', `/pots/${e(pot)}/notices/${e(key)}/${verb}`, body),
  potCurve: (pot, points) => call('GET', `/pots/${e(pot)}/curve?points=${points}`, undefined, { timeout: 30000 }),
  batches: (q) => call('GET', `/batches${query(q)}`),
  batch: (id) => call('GET', `/batches/${e(id)}`),
  batchCurve: (id, points) => call('GET', `/batches/${e(id)}/curve?points=${points}`, undefined, { timeout: 30000 }),
  putNotes: (id, notes) => call('PUT', `/batches/${e(id)}/notes`, notes),
  batchTap: (id, body) => call('POST', `/batches/${e(id)}/taps`, body),
  batchEvent: (id, event, verb, body) => call('POST', `/batches/${e(id)}/events/${e(event)}/${verb}`, body),
  addPhoto: (id, blob) => call('POST', `/batches/${e(id)}/photos`, blob, { timeout: 60000 }),
  recipes: () => call('GET', '/recipes'),
  recipe: (key) => call('GET', `/recipes/${e(key)}`),
  putRecipe: (key, form) => call('PUT', `/recipes/${e(key)}`, form),
  deleteRecipe: (key) => call('DELETE', `/recipes/${e(key)}`),
  sheet: (body) => call('POST', '/sheet', body),
  shelf: () => call('GET', '/shelf'),
  lesson: (recipe, u) => call('GET', `/lesson${query({ recipe, temperature: u.temp, mass: u.mass })}`),
  probes: () => call('GET', '/probes'),
  calibrate: (id, body) => call('POST', `/probes/${e(id)}/calibration`, body),
  keepCalibration: (id) => call('POST', `/probes/${e(id)}/calibration/keep`),
  giveUpCalibration: (id) => call('DELETE', `/probes/${e(id)}/calibration`),
  channels: () => call('GET', '/channels'),
  testChannels: () => call('POST', '/channels/test', undefined, { timeout: 60000 }),
  pushKey: () => call('GET', '/push/key'),
  subscribe: (body) => call('POST', '/push/subscription', body),
  unsubscribe: (body) => call('DELETE', '/push/subscription', body),
  preferences: () => call('GET', '/preferences'),
  putPreferences: (body) => call('PUT', '/preferences', body),
  pairingCode: (role) => call('POST', '/pairing-codes', { role }),
  devices: () => call('GET', '/devices'),
  removeDevice: (id) => call('DELETE', `/devices/${e(id)}`),
  me: () => call('GET', '/me'),
  leave: () => call('DELETE', '/me'),
};

/** Where a batch's record lies as a file. */
export const recordFile = (id, kind) => `/api/v1/batches/${e(id)}/record.${kind}`;

/** Where one of a batch's photos lies. */
export const photoFile = (id, name) => `/api/v1/batches/${e(id)}/photos/${e(name)}`;

/** Where a batch's labels lie, ready to print. */
export const labels = (id, n) => `/api/v1/batches/${e(id)}/labels.html?n=${n}`;

/** A fresh id for one thing done. crypto.randomUUID needs a secure context; getRandomValues does not. */
export function freshId() {
  if (globalThis.crypto?.randomUUID) return crypto.randomUUID();
  const b = crypto.getRandomValues(new Uint8Array(16));
  b[6] = (b[6] & 0x0f) | 0x40;
  b[8] = (b[8] & 0x3f) | 0x80;
  const x = [...b].map((v) => v.toString(16).padStart(2, '0')).join('');
  return `${x.slice(0, 8)}-${x.slice(8, 12)}-${x.slice(12, 16)}-${x.slice(16, 20)}-${x.slice(20)}`;
}
