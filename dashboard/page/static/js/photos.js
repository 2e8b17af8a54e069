// Photos of the candles: scaled down on this device before they are sent, so that
// a phone's picture takes no more of the station's card than it must.
import { h } from './dom.js';
import { t } from './strings.js';
import { api, photoFile } from './api.js';

export const MOST = 6; // with one note
const SIDE = 1280; // pixels of the longer side

/** A picture as a JPEG no larger than SIDE. What the camera wrote into it stays here. */
async function small(file) {
  const picture = await createImageBitmap(file, { imageOrientation: 'from-image' });
  const by = Math.min(1, SIDE / Math.max(picture.width, picture.height));
  const canvas = h('canvas', { width: Math.max(1, Math.round(picture.width * by)), height: Math.max(1, Math.round(picture.height * by)) });
  const pen = canvas.getContext('2d');
  pen.fillStyle = '#fff'; // under what is see-through
  pen.fillRect(0, 0, canvas.width, canvas.height);
  pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
  picture.close();
  const blob = await new Promise((done) => { canvas.toBlob(done, 'image/jpeg', 0.82); });
  if (!blob) throw new Error('no JPEG');
  return blob;
}

/** A field for photos: {el, send(batch) → names, clear()}. `fail` is told what can't be used. */
export function photoField(id, fail) {
  let all = []; // {blob, url, name}
  const list = h('div', { class: 'photos' });
  const input = h('input', {
    id, type: 'file', accept: 'image/*', multiple: true,
    onchange: async () => {
      fail('');
      for (const file of input.files) {
        if (all.length >= MOST) { fail(t('photo.most', { n: MOST })); break; }
        try {
          const blob = await small(file);
          all.push({ blob, url: URL.createObjectURL(blob), name: '' });
        } catch { fail(t('photo.unreadable', { name: file.name })); }
      }
      input.value = '';
      draw();
    },
  });

  function draw() {
    list.replaceChildren(...all.map((p, i) => h('div', { class: 'photo' },
      h('img', { src: p.url, alt: t('photo.alt', { n: i + 1 }) }),
      h('button', { type: 'button', class: 'plain', 'aria-label': `${t('photo.remove')} ${i + 1}`, onclick: () => { URL.revokeObjectURL(p.url); all.splice(i, 1); draw(); } }, t('photo.remove')))));
  }

  return {
    el: h('div', { class: 'field' }, h('label', { for: id }, t('photo.add')), input, list),
    any: () => all.length > 0,
    async send(batch) {
      for (const p of all) p.name ||= (await api.addPhoto(batch, p.blob)).name; // one that was sent is not sent again
      return all.map((p) => p.name);
    },
    clear() {
      for (const p of all) URL.revokeObjectURL(p.url);
      all = [];
      draw();
    },
  };
}

/** The photos of a finding, each opening in full. */
export const photoList = (batch, names) => (names?.length ? h('span', { class: 'photos' }, names.map((name, i) => h('a', {
  href: photoFile(batch, name), target: '_blank', rel: 'noopener',
}, h('img', { src: photoFile(batch, name), loading: 'lazy', alt: t('photo.alt', { n: i + 1 }) })))) : null);
