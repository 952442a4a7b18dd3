/** People and what they may do; tablets, browsers and programs, each cut off with one tap. */
import { ask, change, read, readAll } from './api.js';
import { button, byId, h, redraw, tableHead } from './dom.js';
import { fullDay, fullMoment, inDays, localDay } from './format.js';
import { askForm, carried, editRecord, retire } from './forms.js';
import { openLive } from './live.js';
import { empty, tell, trying } from './parts/page-frame.js';
import { fieldsOf } from './records.js';
import { T } from './texts.js';

/** @import { Item } from './types.js' */

const A = T.access;
/** @type {{me: any, people: Item[], devices: Item[], access: any, rights: any[], given: Map<string, Node>}} */
const page = { me: null, people: [], devices: [], access: null, rights: [], given: new Map() };

/** @param {string} right */
const may = (right) => Boolean(page.me?.rights.includes(right));

async function load() {
  await trying(async () => {
    const admits = may('people');
    const [people, devices, rights, access] = await Promise.all([readAll('/api/people'), readAll('/api/devices'), read('/api/rights'), admits ? read('/api/access') : null]);
    Object.assign(page, { people, devices, rights, access });
    draw();
  });
}

function draw() {
  drawMine();
  drawPeople();
  drawDevices('tablets', 'tablet');
  drawDevices('programs', 'program');
  drawDevices('browsers', 'browser');
  drawRights();
}

/** Shows once what is to be passed on: a link, a code, a token. @param {string} place @param {string} lead @param {string} text @param {string} help */
function give(place, lead, text, help) {
  page.given.set(place, h('div', { class: 'given', role: 'status' }, h('p', {}, lead), h('output', { class: text.length > 24 ? 'long' : '' }, text), h('p', { class: 'help' }, help),
    h('div', { class: 'actions' }, button(A.copy, async () => {
      await navigator.clipboard?.writeText(text);
      tell(A.copied);
    }), button(A.seen, () => {
      page.given.delete(place);
      draw();
    }, { kind: 'quiet' }))));
  draw();
}

function drawMine() {
  const { me } = page;
  if (me.acts_as_owner) {
    redraw(byId('mine'), h('p', { class: 'flag' }, A.actsAsOwner));
    return;
  }
  const tablet = me.device?.kind === 'tablet';
  redraw(byId('mine'), h('div', { class: 'head' }, h('p', {}, A.youAre(me.person.name, T.roles[/** @type {keyof typeof T.roles} */ (me.person.role)], inDays(me.device?.name ?? ''))), h('div', { class: 'actions' },
    tablet ? null : button(A.changePassword, () => own('password'), { 'data-key': 'own-password' }), tablet ? null : button(A.changePin, () => own('pin'), { 'data-key': 'own-pin' }))));
}

/** @param {'password'|'pin'} kind */
const own = (kind) => askForm({
  title: kind === 'pin' ? A.changePin : A.changePassword,
  fields: [{ name: 'old', label: kind === 'pin' ? A.oldPin : A.oldPassword, kind: 'secret', digits: kind === 'pin', autocomplete: kind === 'pin' ? 'off' : 'current-password' },
    { name: 'new', label: kind === 'pin' ? A.newPin : A.newPassword, kind: 'secret', digits: kind === 'pin', autocomplete: kind === 'pin' ? 'off' : 'new-password', help: kind === 'pin' ? A.pinHelp : A.passwordHelp }],
  save: async (values) => {
    await ask(`/api/own/${kind}`, values);
    tell(T.form.saved);
  },
});

function drawPeople() {
  const admits = may('people');
  const words = T.kinds.people;
  redraw(byId('people'), h('div', { class: 'head' }, h('h2', {}, words.many), admits ? button(words.add, () => editRecord({ kind: 'people', item: null, title: words.add, fields: fieldsOf('people', {}) }).then(load), { kind: 'main', 'data-key': 'add-person' }) : null),
    page.given.get('people'), page.people.length ? h('ul', { class: 'records' }, page.people.map((person) => personLine(person, admits))) : empty(words.none));
}

/** @param {Item} person @param {boolean} admits */
function personLine(person, admits) {
  const knows = page.access?.people.find((/** @type {any} */ each) => each.person === person.id);
  const has = knows ? [knows.password ? A.hasPassword : null, knows.pin ? A.hasPin : null].filter(Boolean).join(' · ') || A.hasNothing : '';
  return h('li', { class: person.retired ? 'retired' : '' },
    h('div', {}, h('b', {}, person.name), person.retired ? h('span', { class: 'flag' }, A.left) : null, h('p', {}, [T.roles[/** @type {keyof typeof T.roles} */ (person.role)], has].filter(Boolean).join(' · '))),
    admits ? h('div', { class: 'actions' }, person.retired ? null : [
      button(A.invite, () => invite(person), { 'data-key': `invite-${person.id}`, 'aria-label': `${A.invite}: ${person.name}` }),
      button(A.givePin, () => givePin(person), { 'data-key': `pin-${person.id}`, 'aria-label': `${A.givePin}: ${person.name}` }),
      button(T.form.edit, () => editRecord({ kind: 'people', item: person, title: person.name, fields: fieldsOf('people', {}) }).then(load), { 'data-key': `edit-${person.id}`, 'aria-label': `${T.form.edit}: ${person.name}` })],
    button(person.retired ? A.takeBack : A.sayLeft, () => trying(async () => {
      await retire('people', person);
      await load();
    }), { kind: 'quiet', 'data-key': `retire-${person.id}`, 'aria-label': `${person.retired ? A.takeBack : A.sayLeft}: ${person.name}` })) : null);
}

/** @param {Item} person */
const invite = (person) => trying(async () => {
  const { path } = await ask(`/api/people/${person.id}/invitations`, {});
  give('people', A.linkFor(person.name), `${location.origin}${path}`, A.linkHelp);
});

/** @param {Item} person */
const givePin = (person) => askForm({
  title: A.pinFor(person.name), fields: [{ name: 'new', label: A.newPin, kind: 'secret', digits: true, help: A.pinHelp }],
  save: async (values) => {
    await ask(`/api/people/${person.id}/pin`, values);
    tell(T.form.saved);
  },
}).then(load);

/** @param {'tablets'|'programs'|'browsers'} place @param {string} kind */
function drawDevices(place, kind) {
  const admits = may('people');
  const words = A[place];
  const devices = page.devices.filter((each) => each.kind === kind).sort((a, b) => Number(Boolean(a.retired)) - Number(Boolean(b.retired)));
  const add = place === 'tablets' ? pairTablet : place === 'programs' ? makeToken : null;
  redraw(byId(place), h('div', { class: 'head' }, h('h2', {}, words.many), admits && add ? button(words.add, add, { kind: 'main', 'data-key': `add-${place}` }) : null),
    page.given.get(place), devices.length ? h('ul', { class: 'records' }, devices.map((device) => deviceLine(device, admits))) : empty(words.none));
}

/** @param {Item} device @param {boolean} admits */
function deviceLine(device, admits) {
  const seen = page.access?.devices.find((/** @type {any} */ each) => each.device === device.id)?.seen_at;
  const lines = [
    device.kind === 'program' ? device.rights.map((/** @type {keyof typeof A.rights} */ right) => A.rights[right]).join(', ') : null,
    device.expires_at ? A.until(fullDay(localDay(device.expires_at))) : null,
    seen && !device.retired ? A.seenAt(fullMoment(seen)) : null,
  ];
  return h('li', { class: device.retired ? 'retired' : '' }, h('div', {}, h('b', {}, inDays(device.name)), device.retired ? h('span', { class: 'flag' }, A.cutOff) : null, h('p', {}, lines.filter(Boolean).join(' · '))),
    admits && !device.retired ? h('div', { class: 'actions' }, button(A.cutOffNow, () => trying(async () => {
      await change('devices', device.id, device.revision, { ...carried('devices', device), retired: true });
      tell(A.cutOffDone(device.name));
      await load();
    }), { kind: 'warn', 'data-key': `cut-${device.id}`, 'aria-label': `${A.cutOffNow}: ${device.name}` })) : null);
}

const pairTablet = () => askForm({
  title: A.tablets.add, fields: [{ name: 'name', label: T.records.name, kind: 'text', help: A.tabletNameHelp }], go: A.showCode,
  save: async (values) => {
    const { code } = await ask('/api/pairings', values);
    give('tablets', A.codeFor(values.name), code, A.codeForHelp(`${location.origin}/sign-in#pair`));
  },
});

const makeToken = () => askForm({
  title: A.programs.add,
  fields: [
    { name: 'name', label: T.records.name, kind: 'text', help: A.programNameHelp },
    { name: 'rights', label: A.programRights, kind: 'many', options: Object.entries(A.rights).filter(([right]) => page.rights.some((rule) => rule.right === right && rule.by_token)).map(([value, label]) => ({ value, label })), start: ['read'] },
    { name: 'days', label: A.programDays, kind: 'whole', start: 90 },
  ],
  save: async (values) => {
    const { token } = await ask('/api/tokens', values);
    give('programs', A.tokenFor(values.name), token, A.tokenHelp);
    await load();
  },
});

function drawRights() {
  const roles = /** @type {(keyof typeof T.roles)[]} */ (['owner', 'planner', 'operator', 'auditor']);
  const mark = (/** @type {boolean} */ yes) => h('td', {}, yes ? h('span', {}, '✓ ', h('span', { class: 'unseen' }, A.yes)) : h('span', { class: 'unseen' }, A.no));
  redraw(byId('rights'), h('h2', {}, A.whoMay), h('div', { class: 'scroll', tabindex: '0', role: 'region', 'aria-label': A.whoMay }, h('table', { class: 'rights' }, tableHead([A.what, ...roles.map((role) => T.roles[role]), A.byPin, A.byToken]),
    h('tbody', {}, page.rights.map((/** @type {any} */ rule) => h('tr', {}, h('th', { scope: 'row' }, A.rights[/** @type {keyof typeof A.rights} */ (rule.right)] ?? rule.right), roles.map((role) => mark(rule.roles.includes(role))), mark(rule.by_pin), mark(rule.by_token)))))),
  h('p', { class: 'help' }, A.byPinHelp));
}

page.me = await openLive(() => page.me && load());
if (page.me) await load();
