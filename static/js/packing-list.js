/** The packing list of a ship day, on paper: order by order, with a box to tick for each line. */
import { read } from './api.js';
import { button, byId, h, redraw, tableHead } from './dom.js';
import { day, fullDay } from './format.js';
import { empty, openPage, trying } from './parts/page-frame.js';
import { T } from './texts.js';

const P = T.packing;
const place = byId('paper');

async function load() {
  const asked = new URLSearchParams(location.search).get('day');
  const list = await read(`/api/packing-list${asked ? `?day=${asked}` : ''}`);
  const sums = new Map();
  for (const line of list.orders.flatMap((/** @type {any} */ order) => order.lines)) {
    const name = line.grind ? `${line.product_name}, ${P.ground(line.grind)}` : line.product_name;
    sums.set(name, (sums.get(name) ?? 0) + line.bags);
  }
  redraw(place, h('div', { class: 'head' }, h('h2', {}, `${P.list}: ${fullDay(list.ship_day)}`), button(P.print, () => print(), { kind: 'main', id: 'print' })),
    list.packing_day ? h('p', {}, T.shipping.packOn(fullDay(list.packing_day), list.carrier_at)) : null,
    list.orders.length === 0 ? empty(P.noOrders) : [
      h('table', { class: 'all-bags' }, tableHead([T.records.product, [T.records.bags]]), h('tbody', {}, [...sums].map(([name, bags]) => h('tr', {}, h('th', { scope: 'row' }, name), h('td', { class: 'num' }, String(bags)))))),
      list.orders.map((/** @type {any} */ order) => h('section', { class: 'paper-order' }, h('h3', {}, `${order.number} · ${order.customer}`, h('small', {}, ` ${P.transit(order.transit_days)}`)), order.note ? h('p', {}, order.note) : null,
        h('table', {}, tableHead([P.tick, [T.records.bags], T.records.product, P.window, P.packedCodes]), h('tbody', {}, order.lines.map((/** @type {any} */ line) => h('tr', {}, h('td', { class: 'tick-box' }, line.packed_bags >= line.bags ? '☒' : '☐'), h('td', { class: 'num' }, String(line.bags)), h('td', {}, line.grind ? `${line.product_name}, ${P.ground(line.grind)}` : line.product_name),
          h('td', {}, line.roast_from ? P.roastedBetween(day(line.roast_from), day(line.roast_to)) : ''), h('td', {}, line.codes.join(' ')))))))),
    ]);
  document.body.dataset.ready = 'list';
}

await trying(openPage);
await trying(load);
