// The websocket to the station: snapshot, then updates. It calls again by
// itself, with backoff and jitter, and takes a silent line for dead.
import { store } from './store.js';
import { api } from './api.js';
import { backoff } from './state.js';

const SILENT = 15000; // ms; the station says something at least every 5 s

let socket = null;
let timer = 0;
let stopped = false;

export function connect() {
  clearTimeout(timer);
  stopped = false;
  if (socket) { socket.onclose = null; socket.close(); }
  const url = new URL('/api/v1/live', location.href);
  url.protocol = location.protocol === 'https:' ? 'wss:' : 'ws:';
  const ws = new WebSocket(url);
  socket = ws;
  let opened = 0;
  ws.onopen = () => { opened = performance.now(); };
  ws.onmessage = (event) => {
    let message;
    try { message = JSON.parse(event.data); } catch { return; }
    if (message.type === 'bye' && message.reason === 'device removed') { refused(); return; }
    if (message.type === 'bye') { store.setLink({ reason: message.reason || 'bye' }); ws.close(); return; }
    const gap = store.receive(message);
    if (message.type === 'snapshot') store.setLink({ status: 'live', attempt: 0, reason: '' });
    if (gap) send({ type: 'snapshot' });
  };
  ws.onclose = (event) => {
    if (socket !== ws) return;
    socket = null;
    if (event.code === 1008 && event.reason === 'device removed') { refused(); return; }
    // A browser does not say why a line was not opened: a request tells one that may not from a station that is away.
    if (!opened) api.me().catch(() => {});
    else if (performance.now() - opened > 30000) store.setLink({ attempt: 0 });
    lost();
  };
}

// The station knows this device no more: calling again is of no use.
function refused() {
  stopped = true;
  clearTimeout(timer);
  if (socket) { socket.onclose = null; socket.close(); socket = null; }
  store.setLink({ status: 'refused' });
}
document.addEventListener('meltstation:unpaired', refused);

function lost() {
  const attempt = store.link.attempt + 1;
  store.setLink({
    status: store.snapshot ? 'lost' : 'calling',
    since: store.link.heardWall || null,
    attempt,
  });
  timer = setTimeout(connect, backoff(attempt - 1, Math.random()));
}

function send(message) {
  if (socket?.readyState === WebSocket.OPEN) socket.send(JSON.stringify(message));
}

/** Looks at the line: called each second, and when the page comes back to the front. */
export function check() {
  if (stopped || !socket) return;
  const quiet = performance.now() - (store.link.heardAt || 0);
  if (store.link.status === 'live' && quiet > SILENT) {
    const ws = socket;
    socket = null;
    ws.onclose = null;
    ws.close();
    lost();
  }
}

/** Calls at once instead of waiting for the backoff. */
export function tryNow() {
  if (stopped || store.live) return;
  connect();
}
