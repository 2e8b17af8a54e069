// What the station last said, and how a message changes it. Pure: a state and a
// message in, a new state out.

export const empty = Object.freeze({ snapshot: null, seq: 0 });

/**
 * Applies one websocket message. Gives {state, gap, happened}: `gap` is true
 * when a message was missed and a new snapshot is needed; `happened` is the
 * message when it tells of something to sound or say, else null.
 */
export function reduce(state, message) {
  if (message.type === 'snapshot') {
    return { state: { snapshot: message, seq: message.seq }, gap: false, happened: message };
  }
  if (!state.snapshot) return { state, gap: true, happened: null };
  if (message.type === 'alive') {
    return { state: { ...state, snapshot: { ...state.snapshot, now: message.now } }, gap: message.seq > state.seq, happened: null };
  }
  if (message.seq <= state.seq) return { state, gap: false, happened: null }; // already in the snapshot
  if (message.seq !== state.seq + 1) return { state, gap: true, happened: null };

  const s = { ...state.snapshot, now: message.now };
  const pot = (id, change) => {
    s.pots = s.pots.map((p) => (p.id === id ? { ...p, ...change(p) } : p));
  };
  switch (message.type) {
    case 'pot':
      if (message.pot) {
        const known = s.pots.some((p) => p.id === message.pot.id);
        s.pots = known ? s.pots.map((p) => (p.id === message.pot.id ? message.pot : p)) : [...s.pots, message.pot];
      }
      break;
    case 'reading':
      if (message.reading) {
        const r = message.reading;
        pot(message.pot_id, (p) => ({
          probes: (p.probes || []).map((x) => (x.probe === r.probe ? r : x)),
          ...(r.role === 'pot' ? { reading: r, ...(r.quality === 'good' ? { last_good: r } : {}) } : {}),
        }));
      }
      break;
    case 'notice':
      if (message.notice) pot(message.pot_id, (p) => ({ notices: withNotice(p.notices || [], message.notice) }));
      break;
    case 'event':
      if (message.event) {
        const add = (list) => (list.some((e) => e.id === message.event.id) ? list : [...list, message.event]);
        pot(message.pot_id, (p) => ({ events: add(p.events || []), ...(p.history ? { history: add(p.history) } : {}) }));
      }
      break;
    case 'room':
      s.room = message.reading || null;
      break;
    case 'channels':
      s.channels = message.channels || [];
      break;
    case 'troubles':
      s.troubles = message.troubles || [];
      break;
    default: // "batches", "bye" and what is yet to come change nothing here
  }
  return { state: { snapshot: s, seq: message.seq }, gap: false, happened: message };
}

const rank = { urgent: 0, high: 1, low: 2 };
const needsAck = new Set(['unacked', 'returned-unack', 'latched-unack']);
const stands = new Set(['unacked', 'acked', 'returned-unack', 'latched-unack', 'latched-ack', 'shelved', 'out-of-service']);

function withNotice(list, n) {
  const rest = list.filter((x) => x.key !== n.key);
  return stands.has(n.state) ? sortNotices([...rest, n]) : rest;
}

// What can burn comes before whatever was raised first.
const danger = (n) => ['boiled-dry', 'flash-margin'].indexOf(n.key);

/** Alarms before cues; those not acknowledged before the rest; the most urgent first, and of those what can burn; then the first-out. */
export function sortNotices(list) {
  return [...list].sort((a, b) => (a.class !== b.class ? (a.class === 'alarm' ? -1 : 1) : 0)
    || Number(!needsAck.has(a.state)) - Number(!needsAck.has(b.state))
    || (rank[a.priority] ?? 3) - (rank[b.priority] ?? 3)
    || danger(b) - danger(a)
    || Number(!!b.first_out) - Number(!!a.first_out)
    || (a.since < b.since ? -1 : 1));
}

/** Whether someone still has to say "seen". */
export const unacknowledged = (n) => needsAck.has(n.state);

/** Whether an alarm is to fill the screen and ring: it is on, or latched, and nobody is on it. */
const calls = (n) => n.class === 'alarm' && n.priority !== 'low' && (n.state === 'unacked' || n.state === 'latched-unack');

/**
 * Alarms of all pots that fill the screen, the most urgent first: [{pot,
 * notice}]. One of low priority, or one that is over by itself, stands as a
 * strip that still asks to be acknowledged.
 */
export function callingAlarms(snapshot) {
  const all = [];
  for (const pot of snapshot?.pots || []) {
    for (const notice of pot.notices || []) {
      if (calls(notice)) all.push({ pot, notice });
    }
  }
  const order = sortNotices(all.map((x) => x.notice));
  return all.sort((a, b) => order.indexOf(a.notice) - order.indexOf(b.notice));
}

/**
 * How long to wait before calling the station again, in ms: doubling from half
 * a second to 15 s, each with full jitter over its upper half so that ten
 * phones don't all call at once. `random` is in [0, 1).
 */
export function backoff(attempt, random) {
  const ceiling = Math.min(15000, 500 * 2 ** Math.min(attempt, 10));
  return Math.round(ceiling / 2 + random * (ceiling / 2));
}

/**
 * The dead man's line: seconds without a reading, once that is too long, else
 * null. All in real seconds on the page's own clock. `ageAtReceipt` is how old
 * the reading was when it came, `since` how long ago it came, `usual` the
 * pace of readings seen so far.
 */
export function deadFor(ageAtReceipt, since, usual = 1) {
  const quiet = ageAtReceipt + since;
  return quiet > Math.max(10, usual * 5) ? quiet : null;
}
