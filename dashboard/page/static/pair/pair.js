// Pairing: the code comes after # from a QR code, or is typed.
import words from './strings.en.js';

for (const el of document.querySelectorAll('[data-words]')) el.textContent = words[el.dataset.words];
document.title = `${words.title} · meltstation`;

const form = document.getElementById('form');
const code = document.getElementById('code');
const name = document.getElementById('name');
const answer = document.getElementById('answer');
const send = document.getElementById('send');

const kind = /iPad|Tablet/i.test(navigator.userAgent) ? words.tablet : /Mobi|Android|iPhone/i.test(navigator.userAgent) ? words.phone : words.computer;
name.value = kind;

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
    answer.textContent = (problem.code && words[problem.code]) || [problem.detail || problem.title || words.failed, problem.mend].filter(Boolean).join(' ');
    code.select();
  } catch {
    answer.textContent = words.away;
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
