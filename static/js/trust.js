/** Installing the authority of the roastery on a tablet, once. */
import { read } from './api.js';
import { byId, h } from './dom.js';
import { T } from './texts.js';

const A = T.access;
const box = byId('trust');
byId('title').textContent = A.trustTitle;
document.title = `${A.trustTitle} · Outturn`;
try {
  const { fingerprint, names } = await read('/api/authority');
  if (!fingerprint) box.replaceChildren(h('p', {}, A.trustNone), h('p', {}, h('a', { class: 'button main', href: '/' }, A.goOn)));
  else {
    const host = names[0] ?? location.hostname;
    const secure = `https://${host}${location.port ? `:${location.port}` : ''}/`;
    box.replaceChildren(h('p', {}, A.trustWhy), h('ol', {}, A.trustSteps.map((step) => h('li', {}, step))), h('p', {}, h('a', { class: 'button main', href: '/authority.crt' }, A.trustGet)),
      h('p', {}, A.trustCompare), h('p', { class: 'fingerprint' }, fingerprint), h('p', {}, h('a', { class: 'button', href: secure }, A.trustThen(secure))));
  }
} catch {
  byId('said').textContent = T.form.noAnswer;
}
