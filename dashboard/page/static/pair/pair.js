// Pairing: the code comes after # from a QR code, or is typed.
const form = document.getElementById('form');
const code = document.getElementById('code');
const name = document.getElementById('name');
const answer = document.getElementById('answer');
const send = document.getElementById('send');

const kind = /iPad|Tablet/i.test(navigator.userAgent) ? 'Tablet' : /Mobi|Android|iPhone/i.test(navigator.userAgent) ? 'Phone' : 'Computer';
name.value = kind;

const words = {
  'code-wrong': 'That code does not fit, or its five minutes are over. Ask the station for a new one.',
  'too-many': 'Too many tries. Wait a minute, then ask the station for a new code.',
};

async function pair() {
  send.disabled = true;
  answer.textContent = '';
  try {
    const res = await fetch('/pair', {
      method: 'POST', credentials: 'same-origin', headers: { 'Content-Type': 'application/json' },
      body: JSON.stringify({ code: code.value.trim(), name: name.value.trim() || kind }),
    });
    if (res.ok) { location.replace('/'); return; }
    const problem = await res.json().catch(() => ({}));
    answer.textContent = words[problem.code] || [problem.detail || problem.title || 'That did not work.', problem.mend].filter(Boolean).join(' ');
    code.select();
  } catch {
    answer.textContent = 'The station can’t be reached. Is this device on the same network?';
  }
  send.disabled = false;
}

form.addEventListener('submit', (e) => { e.preventDefault(); pair(); });

let given = location.hash.slice(1);
try { given = decodeURIComponent(given); } catch { /* as it stands */ }
if (given) {
  history.replaceState(null, '', '/pair'); // the code should not stay in the history
  code.value = given;
  name.focus();
  name.select();
} else {
  code.focus();
}
