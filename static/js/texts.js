/** Every word on the pages. Another language is another file of this shape. */

/** @param {number} n @param {string} one @param {string} many */
const n = (n, one, many) => `${n} ${n === 1 ? one : many}`;

/** @param {number} minutes */
const howLong = (minutes) => (minutes < 120 ? n(minutes, 'minute', 'minutes') : minutes < 2880 ? n(Math.round(minutes / 60), 'hour', 'hours') : n(Math.round(minutes / 1440), 'day', 'days'));

/** @type {Record<string, string>} */
const places = { supplier: 'supplier', store: 'store', batch: 'in a batch', roasted: 'roasted', packed: 'packed', shipped: 'shipped', sample: 'samples', waste: 'waste', air: 'roasting and drying loss', blended: 'blends', transit: 'on the way', variance: 'count difference' };

/** @type {Record<string, string>} */
const postings = {
  receive: 'Received', return: 'Returned to the supplier', transfer: 'Moved', dispatch: 'Sent to another site', arrive: 'Arrived from another site', weigh_in: 'Weighed in', weigh_out: 'Weighed out', scrap: 'Scrapped', sample: 'Sample drawn', waste: 'Waste',
  dry: 'Dried', count: 'Counted', use_up: 'Used up', blend: 'Blended', pack: 'Packed', ship: 'Shipped', take_back: 'Taken back', reverse: 'Undone', correct: 'Corrected',
};

export const T = {
  lang: 'en',
  pages: { floor: 'Floor', week: 'Week', green: 'Green', loss: 'Loss', shipping: 'Shipping', audit: 'Audit', setup: 'Set-up' },
  frame: { pages: 'Pages', skip: 'Skip to the page' },
  weekdays: ['Monday', 'Tuesday', 'Wednesday', 'Thursday', 'Friday', 'Saturday', 'Sunday'],
  words: { lot: 'Lot', style: 'Style', roaster: 'Roaster', reason: 'Reason', weight: 'Weight', mass: 'Mass', green: 'Weighed in', roasted: 'Weighed out', purpose: 'What for', reckoned: 'Reckoned', onHold: 'On hold' },
  roles: { owner: 'Owner', planner: 'Planner', operator: 'Operator', auditor: 'Auditor' },
  packings: { jute: 'Jute sacks', liner: 'Sacks with a liner', vacuum: 'Vacuum packs', bulk: 'Bulk' },
  places,
  postings,
  form: {
    save: 'Save', cancel: 'Cancel', saved: 'Saved.', edit: 'Edit', retire: 'Take out of use', restore: 'Put back in use', takenOut: 'Taken out of the choice lists. Nothing is deleted.', putBack: 'Back in the choice lists.',
    optional: 'optional', choose: 'Choose …', noneYet: 'There is nothing to choose from yet: add it first.', needed: 'Please fill this in.', noNumber: 'This is not a number. Write it like 12.5 or 12,5.', noWhole: 'A whole number is needed here.', open: 'open', from: 'From', to: 'To', addRow: 'Add', removeRow: 'Remove',
    allTheSame: 'Book it all the same', noAnswer: 'The service does not answer. What you typed is still here; try again.',
    changedSince: 'Somebody changed this in the meantime. Close, look at it again, and make your change anew.',
  },
  weight: {
    basis: 'How the mass is known', ways: { weighed: 'Weighed', nominal: 'By sacks', reckoned: 'Reckoned' }, scale: 'Scale', container: 'Container', noContainer: 'no container', another: '+ another reading', sacks: 'Sacks', sackMass: 'each', loose: 'loose', mass: 'Mass',
    gross: (/** @type {string} */ unit) => `On the scale, in ${unit}`, sum: (/** @type {string} */ mass) => `= ${mass}`, missing: 'A weight is needed.',
    wrong: {
      empty: () => 'Type what the scale shows.', number: () => 'This cannot be read as a weight. Type what the scale shows.', moving: () => 'The scale had not come to rest. Wait, and weigh again.',
      unit: (/** @type {string} */ unit) => `This scale is set up in ${unit}, but another unit came. Read the scale again, or choose the other scale.`, negative: () => 'The scale shows less than nothing. Set it to zero and weigh again.',
    },
  },
  pad: {
    name: 'Digits', back: 'Take the last digit back', point: 'Decimal point', another: '+ another crate', noCrate: 'No crate', drop: 'Remove', dropNth: (/** @type {number} */ i) => `Remove reading ${i}`,
    label: (/** @type {string} */ unit) => `The scale shows, in ${unit}`, reading: (/** @type {number} */ i, /** @type {string} */ unit) => `Crate ${i}, in ${unit}`,
    net: (/** @type {string} */ net, /** @type {string} */ unit, /** @type {boolean} */ tared) => (tared ? `Coffee alone: ${net} ${unit}` : `${net} ${unit} of coffee`),
    taken: (/** @type {string} */ gross, /** @type {string} */ unit, /** @type {string|null} */ crate, /** @type {string} */ net) => (crate ? `${gross} ${unit} in ${crate}: ${net} ${unit}` : `${gross} ${unit}`),
    firstRead: 'Type this crate first, then add the next one.', nothing: 'Nothing is left once the crate is taken off. Check the crate.',
    was: (/** @type {string} */ text, /** @type {string} */ unit) => `It is ${text} ${unit}`, keep: (/** @type {string} */ text, /** @type {string} */ unit) => `Keep ${text} ${unit}`,
    doubt: {
      digits: (/** @type {string} */ gross, /** @type {{name: string}} */ scale) => `${scale.name} shows more digits than ${gross}. What was the last one?`,
      between: (/** @type {string} */ gross, /** @type {{name: string, division_g: number}} */ scale) => `${scale.name} counts in steps of ${scale.division_g} g and cannot show ${gross}.`,
      large: (/** @type {string} */ gross, /** @type {{name: string}} */ scale) => `${gross} is more than ${scale.name} can carry.`,
    },
  },
  verdict: {
    sentence: (/** @type {string} */ loss, /** @type {string} */ lo, /** @type {string} */ hi, /** @type {'ok'|'more'|'less'|'impossible'} */ judgement) => `Loss ${loss}. Expected ${lo} to ${hi}. ${{ ok: 'As expected.', more: 'More loss than expected.', less: 'Less loss than expected.', impossible: 'This cannot be right.' }[judgement]}`,
    picture: (/** @type {string} */ lo, /** @type {string} */ hi, /** @type {string} */ loss) => `Expected loss from ${lo} to ${hi}; this batch ${loss}`,
    short: { ok: '', more: '▶ more', less: '◀ less', impossible: '✕ impossible' },
  },
  floor: {
    next: 'Next card', later: 'Then', drums: 'In the drums', line: 'Weighed in, waiting', done: 'Weighed out today', tools: 'Besides', settle: 'To settle',
    weighIn: 'Weigh in', weighOut: 'Weigh out', intoDrum: 'Into the drum', weighingIn: 'Weigh in', weighingOut: 'Weigh out', saveIn: 'Save', saveOut: 'Save', back: 'Back', undo: 'Undo', undone: 'Undone.', undoLast: 'Undo the last step', goOn: 'Go on',
    more: 'More', hold: 'Put on hold', pass: 'Pass', scrap: 'Scrap', sample: 'Take a sample', waste: 'Waste', sampleLot: 'Sample of a lot', wasteLot: 'Waste of a lot', usedUp: 'Lot used up',
    usedUpLead: 'The bag is empty: what the book still has becomes a count difference.', usedUpSaid: (/** @type {string} */ mass) => `Used up. Difference to the book: ${mass}.`,
    adHoc: 'Batch without a card', adHocLead: 'For a batch that no plan asked for.', toScale: 'To the scale', otherLot: 'Other lot …', notPlanned: (/** @type {string} */ lot) => `The card says ${lot}`,
    reckoned: 'Missed the weight', reckonedIn: 'Weigh in, reckoned', reckonedOut: 'Weigh out, reckoned', reckonedLead: 'Fill in your best estimate. It is booked and marked as reckoned; nothing is learned from it.',
    aim: (/** @type {string} */ mass, /** @type {string} */ unit) => `The card asks for ${mass} ${unit}`, wentIn: (/** @type {string} */ mass, /** @type {number} */ batches) => (batches > 1 ? `${mass} went in, ${batches} batches` : `${mass} went in`),
    alsoCovers: (/** @type {string} */ at, /** @type {string} */ mass) => `also the batch of ${at} (${mass})`,
    weighedIn: (/** @type {string} */ mass, /** @type {string} */ lot) => `${mass} of ${lot} weighed in.`, weighedOut: (/** @type {string} */ mass) => `${mass} weighed out.`,
    isKept: 'Kept on this tablet. It is sent by itself when the network is back.', keptHere: 'kept on this tablet', noVerdict: 'No range is known for this batch yet.',
    kept: (/** @type {number} */ count) => `${n(count, 'weight', 'weights')} kept on this tablet.`, toSettle: (/** @type {number} */ count) => `${n(count, 'weight', 'weights')} to settle.`, noNetwork: 'No network: work on, weights are kept here.',
    notDurable: 'This browser may clear kept weights when the disk is full.', clock: (/** @type {number} */ minutes) => `The clock of this tablet is ${howLong(Math.abs(minutes))} ${minutes > 0 ? 'fast' : 'slow'}.`, allCards: (/** @type {number} */ count) => `Show all ${count}`, fewCards: 'Show fewer',
    noSite: 'This roastery is not set up yet. Start with its name, then scales, roasters and coffees.', noCards: 'No card is waiting. Release a plan on the Week page, or roast a batch without a card.', toWeek: 'To the week',
    noDrum: 'The drums are empty.', noScale: 'No scale is set up for this roaster.', further: 'One further tap',
    explains: 'What would explain it:', readAgainWhy: 'Outside the range: read the scale again.', readAgain: 'Read the scale again', keep: (/** @type {string} */ mass) => `It is ${mass}: keep it`, takeOut: (/** @type {string} */ mass) => `Take ${mass}`, takeIn: (/** @type {string} */ mass) => `Take ${mass} weighed in`,
    sendAgain: 'Send again', putAside: 'Settled another way',
    commands: /** @type {Record<string, string>} */ ({ 'weigh-ins': 'Weigh-in', 'weigh-outs': 'Weigh-out', starts: 'Into the drum', scraps: 'Scrap', holds: 'Hold', passes: 'Pass', samples: 'Sample', wastes: 'Waste', reversals: 'Undo', 'used-ups': 'Lot used up', corrections: 'Correction' }),
    cardStates: { planned: 'planned', weighed_in: 'weighed in', in_drum: 'in the drum', weighed_out: 'weighed out', scrapped: 'scrapped', withdrawn: 'withdrawn' },
  },
  week: {
    from: 'From', days: 'Days', freely: 'Plan freely', freelyHelp: 'Do not keep to the cards that are released', undo: 'Undo', release: 'Release to the floor',
    nothing: 'Nothing to roast in these days. Add an order for a ship day, or look at the set-up.', allShips: 'Everything ships.', short: (/** @type {number} */ lines) => `${n(lines, 'order line', 'order lines')} short.`,
    sum: (/** @type {number} */ batches, /** @type {string} */ green, /** @type {string} */ time, /** @type {string} */ surplus) => `${n(batches, 'batch', 'batches')}, ${green} of green, ${time} h on the roasters, ${surplus} more than ordered.`,
    dropped: (/** @type {number} */ pins) => `${n(pins, 'pinned batch', 'pinned batches')} could not stay where it was pinned.`, bags: (/** @type {number} */ bags, /** @type {string} */ product) => `${n(bags, 'bag', 'bags')} of ${product}`,
    reasons: { green: 'Not enough green.', minutes: 'No roaster time.', window: 'Too late to roast for it.', no_lot: 'No lot fits.' },
    planning: 'Planning …', shut: 'closed', used: (/** @type {string} */ used, /** @type {string} */ available) => `${used} of ${available} h`, pinned: 'pinned', onCard: 'on a card',
    comesOut: (/** @type {string} */ expected, /** @type {string} */ lo, /** @type {string} */ hi) => `Comes out at ${expected} (${lo} to ${hi}).`, feedsNone: 'For the shelf: no order line needs it.',
    move: 'Move this batch', earlier: 'A day earlier', later: 'A day later', otherRoaster: 'On the other roaster', change: 'Change …', pin: 'Pin here', unpin: 'Unpin', charge: 'Charge', edge: 'This is outside the days that are planned.',
    movedTo: (/** @type {string} */ lot, /** @type {string} */ day, /** @type {string} */ roaster) => `${lot} pinned to ${day}, ${roaster}. The rest is planned around it.`,
    released: (/** @type {number} */ cards, /** @type {number} */ gone) => `${n(cards, 'card', 'cards')} released${gone ? `, ${gone} withdrawn` : ''}.`, cards: (/** @type {number} */ count, /** @type {string} */ mass) => `${n(count, 'card', 'cards')} on the floor, ${mass} reserved`,
    printPull: 'Print the pull list', printCards: 'Print the cards', withdraw: 'Withdraw the ticked cards', all: 'Tick all', pickFirst: 'Tick the cards to withdraw first.', withdrawn: (/** @type {number} */ cards) => `${n(cards, 'card', 'cards')} withdrawn. Their green is free again.`,
    pullList: 'Pull list', forBatches: 'For', blanks: 'Weighed in ________   Weighed out ________   By ________',
  },
  green: {
    inStore: 'In store', reserved: 'Reserved', free: 'Free', received: 'Received', usedUp: 'Used up', close: 'Close', roasted: 'Roasted, not yet bagged', noRoasted: 'No roasted coffee is waiting for bags.', deliveryFirst: 'A lot belongs to a delivery. Add the delivery first.',
    hideUsed: 'Hide what is used up', showUsed: (/** @type {number} */ count) => `Show ${count} used up or out of use`, receive: 'Receive', receiveLead: 'Say what really came, lot by lot. Leave a lot empty that did not come.', expects: (/** @type {string} */ mass) => `${mass} expected`, invoiced: (/** @type {string} */ mass) => `${mass} invoiced`,
    addMoisture: 'Moisture reading', noMoisture: 'no reading yet', count: 'Count', countLead: 'Weigh what is really there; the difference is booked.', counted: (/** @type {string} */ book, /** @type {string} */ counted, /** @type {string} */ difference) => `Book ${book}, counted ${counted}, difference ${difference}.`,
    sample: 'Sample', waste: 'Waste', drying: 'Drying', dryingLead: 'What the green lost to the air in the store.', transfer: 'Move', giveBack: 'Return', giveBackLead: 'Goes back to the supplier.', blend: 'Blend green', blendLead: 'Green of several lots becomes a lot of its own. Make the blend lot first.', blendLot: 'Blend lot',
    states: { expected: 'Expected', received: 'Received', on_hold: 'On hold', returned: 'Returned' }, siblings: 'Of the same delivery:', lossPicture: (/** @type {string} */ lot) => `Loss of ${lot}, batch by batch, with the expected range`, drawdown: (/** @type {string} */ lot) => `Green of ${lot} in store, day by day`, movements: 'Movements', noMovements: 'Nothing has moved yet.', statement: 'Statement of this lot',
  },
  loss: {
    earlier: (/** @type {number} */ count) => `${n(count, 'earlier notice', 'earlier notices')}, closed`, notices: 'Drift notices', noNotices: 'Nothing drifts.', outside: 'Batches outside their range', noOutside: 'No batch stands out. Whatever leaves its range shows up here to be looked at.', expected: 'Expected loss', nothingYet: 'Nothing is expected yet. It starts with the first lot in stock.', noBatches: 'No batch of this lot is weighed out yet.',
    review: 'Review', finding: 'What was it?', findingHelp: 'Only what was so is learned from.', findings: { was_so: 'The weights are right: it was so', set_aside: 'Set aside: do not learn from it', carried_over: 'Carried over from the neighbouring batch' }, correct: 'Correct', correctLead: 'The first booking stays visible; the correction is booked beside it.', sameLot: 'the lot stays',
    mean: 'Mean', range: 'Expected', batches: 'Batches', loss: 'Loss', notice: 'drifts', asTable: 'Batch by batch, to review and correct',
  },
  shipping: {
    packOn: (/** @type {string} */ day, /** @type {string} */ at) => `packed on ${day}, carrier at ${at}`, line: (/** @type {number} */ bags, /** @type {string} */ name) => `${bags} × ${name}`, packedOf: (/** @type {number} */ packed, /** @type {number} */ bags) => `${packed} of ${bags} packed`, pack: 'Pack', ship: 'Ship', cancel: 'Cancel this order',
    packed: (/** @type {number} */ batches) => `Packed from ${n(batches, 'batch', 'batches')}.`, shipped: (/** @type {string} */ number) => `${number} shipped.`, cancelled: (/** @type {string} */ number) => `${number} cancelled.`, fromBatches: 'From these batches', fromBatchesHelp: 'Tick none, and the oldest are taken first.',
    states: { open: 'Open', packed: 'Packed', shipped: 'Shipped', cancelled: 'Cancelled' }, hideDone: 'Hide what is shipped', showDone: (/** @type {number} */ count) => `Show ${count} shipped or cancelled`, productFirst: 'An order asks for bags of a product. Set up a product first.', shipDayFirst: 'An order leaves on a ship day. Add a ship day first, then the order.',
    read: 'Orders from a spreadsheet', readHelp: 'Save the spreadsheet as CSV. One line per product of an order; the first line names the columns. Nothing is taken in until you say so. Reading the same order number again changes that order.', sample: 'order,customer,ship_day,transit_days,priority,product,bags',
    file: 'CSV file', shipDefault: 'Ship day of lines that name none', none: 'none', paste: 'or paste the lines here', dryRun: 'Look at it first', nothingToRead: 'Choose a file or paste the lines first.', bad: (/** @type {number} */ lines) => `${n(lines, 'thing is', 'things are')} wrong. Nothing was taken in.`, badLines: 'What is wrong', lineNumber: 'Line', column: 'Column', value: 'Value', problem: 'What would be right',
    wouldTake: (/** @type {number} */ added, /** @type {number} */ changed, /** @type {number} */ gone, /** @type {number} */ same) => `${added} new, ${changed} changed, ${gone} cancelled, ${same} as before.`, new: 'New', changed: 'Changed', gone: 'Cancelled', take: 'Take these orders in', allSame: 'Everything is in the book already.', taken: (/** @type {number} */ added, /** @type {number} */ changed, /** @type {number} */ gone) => `Taken in: ${added} new, ${changed} changed, ${gone} cancelled.`,
  },
  audit: {
    statement: 'Statement of a lot', noLots: 'There is no lot yet. It starts with a delivery on the Green page.', chooseLot: 'Choose a lot and a period.', known: 'As known', knownNow: 'now', knownThen: (/** @type {string} */ day) => `when the period to ${day} was closed`, thisMonth: 'This month', lastMonth: 'Last month', thisYear: 'This year',
    what: 'What', change: 'Change', balance: 'Balance', opening: 'Opening balance', closing: 'Closing balance', csv: 'Take it away as CSV', print: 'Print', bound: (/** @type {number} */ size) => `From the first ${n(size, 'entry', 'entries')} of the log. The same period and number give the same statement at any time.`, late: 'late', lateHelp: 'It happened on an earlier day that was already closed',
    whereNow: 'Where this lot stands at the end', zero: 'All places together', sums: 'In the period', sumNames: /** @type {Record<string, string>} */ ({ received_g: 'Received', returned_g: 'Returned', blended_in_g: 'Blended into it', blended_out_g: 'Gone into blends', difference_g: 'Count difference', charged_g: 'Weighed in', sampled_g: 'Samples of green', wasted_g: 'Waste of green', dried_g: 'Drying', sent_g: 'Sent to other sites', roasted_g: 'Weighed out', roasting_loss_g: 'Roasting loss', batch_sampled_g: 'Samples of roasted', batch_wasted_g: 'Waste of roasted', packed_g: 'Packed', shipped_g: 'Shipped', roasted_difference_g: 'Difference of roasted' }),
    holds: 'Does the book hold?', holdsHelp: 'Computes every entry of the log anew, and that every lot sums to zero.', verify: 'Verify', verifying: 'Verifying …', ok: (/** @type {number} */ leaves) => `It holds: ${n(leaves, 'entry', 'entries')} checked.`, notOk: 'It does not hold. First places:', root: 'Root of the log',
    closings: 'Closed periods', close: 'Close a period', closeLead: 'What is learned later about these days is booked in the open period and marked as late.', toDay: 'Closed up to and including', noClosings: 'No period is closed yet.', reopened: 'reopened', closedAt: (/** @type {string} */ at, /** @type {number} */ size) => `closed ${at}, ${n(size, 'entry', 'entries')} in the log`, reopen: 'Reopen',
    journal: 'Journal of changes', noJournal: 'Nothing was changed yet.', more: 'Show older', entry: (/** @type {string} */ kind, /** @type {string} */ name, /** @type {string} */ act) => [kind, name, act].filter(Boolean).join(' '),
    kinds: /** @type {Record<string, string>} */ ({ site: 'Roastery', person: 'Person', coffee: 'Coffee', style: 'Style', scale: 'Scale', storeroom: 'Storeroom', roaster: 'Roaster', delivery: 'Delivery', lot: 'Lot', product: 'Product', ship_day: 'Ship day', order: 'Order', sample_request: 'Sample request', batch: 'Batch', card: 'Card', plan: 'Plan', notice: 'Drift notice' }),
    acts: /** @type {Record<string, string>} */ ({ added: 'added', changed: 'changed', start: 'into the drum', unstart: 'out of the drum again', hold: 'put on hold', pass: 'passed', review: 'reviewed', agree: 'agreed', scale_adjusted: 'adjusted', profile_changed: 'profile changed', notice_closed: 'closed', settle: 'settled' }),
    asSent: 'As it was sent', unsettled: 'Kept weights that wait to be settled', unsettledHelp: 'A tablet kept these without a network, and they could not be booked when they came. Book what really happened; nothing here is lost.',
  },
  setup: {
    way: 'The way to a first plan', done: 'done', kinds: 'Kinds of records', retired: 'out of use', ownUnit: 'Masses on this device in', unitOfSite: 'the unit of the roastery',
    scale: (/** @type {string} */ unit, /** @type {string} */ division, /** @type {string} */ max, /** @type {number} */ containers) => `reads ${unit} in steps of ${division}, up to ${max}, ${n(containers, 'container', 'containers')}`, style: (/** @type {string} */ loss, /** @type {number} */ rest, /** @type {number} */ fresh) => `loses about ${loss}, rests ${n(rest, 'day', 'days')}, fresh for ${n(fresh, 'day', 'days')}`,
    roaster: (/** @type {string} */ least, /** @type {string} */ most, /** @type {number} */ minutes) => `${least} to ${most}, ${minutes} min a batch`, shipDay: (/** @type {string} */ day, /** @type {string} */ at) => `packed on ${day}, carrier at ${at}`,
    why: {
      sites: 'Its name, clock, money and unit.', storerooms: 'Where green stands.', scales: 'What they show and which crates stand on them.', styles: 'How dark, how long it rests and stays fresh.', roasters: 'What they take, how long it takes, when they run.', coffees: 'What you buy and sell under one name.', products: 'The bags you sell.', 'ship-days': 'When parcels leave.',
      deliveries: 'What comes or came from a supplier.', lots: 'Each lot of it; then receive it.', orders: 'What is to leave on a ship day.',
    },
  },
  kinds: /** @type {const} */ ({
    sites: { one: 'Roastery', many: 'Roastery', add: 'Name the roastery', none: 'Not named yet. Everything else starts here.' }, people: { one: 'Person', many: 'People', add: 'Add a person', none: 'Nobody is named yet. Add who works here, so that the journal can say who did what.' }, coffees: { one: 'Coffee', many: 'Coffees', add: 'Add a coffee', none: 'No coffee yet. A coffee is what you buy under one name, lot after lot.' },
    styles: { one: 'Style', many: 'Roast styles', add: 'Add a style', none: 'No style yet. Filter and espresso would be two.' }, scales: { one: 'Scale', many: 'Scales', add: 'Add a scale', none: 'No scale yet. Add the one for green and the one for roasted.' }, storerooms: { one: 'Storeroom', many: 'Storerooms', add: 'Add a storeroom', none: 'No storeroom yet. One is enough.' },
    roasters: { one: 'Roaster', many: 'Roasters', add: 'Add a roaster', none: 'No roaster yet. It needs scales and hours.' }, deliveries: { one: 'Delivery', many: 'Deliveries', add: 'Add a delivery', none: 'No delivery yet. Add what is on the way or already here, then its lots.' }, lots: { one: 'Lot', many: 'Lots', add: 'Add a lot', none: 'No lot in stock. Add the lots of a delivery and receive it.' },
    products: { one: 'Product', many: 'Products', add: 'Add a product', none: 'No product yet. A product is a bag of one coffee or a blend, in one style.' }, 'ship-days': { one: 'Ship day', many: 'Ship days', add: 'Add a ship day', none: 'No ship day yet. Add the next day the carrier comes.' }, orders: { one: 'Order', many: 'Orders', add: 'Add an order', none: 'No open order. Add one, or read a spreadsheet below.' },
    'sample-requests': { one: 'Sample request', many: 'Sample requests', add: 'Add a sample request', none: 'No sample is asked for.' },
  }),
  records: {
    name: 'Name', zone: 'Time zone', zoneHelp: 'Like Europe/Lisbon. Fixed once something is booked.', currency: 'Currency', currencyHelp: 'Three letters, like EUR.', massUnit: 'Unit of mass', kg: 'kilograms', lb: 'pounds', serviceLevel: 'Planning certainty', serviceLevelHelp: 'How sure a plan must be that the bags can be filled.',
    falseFlags: 'False flags', falseFlagsHelp: 'Of sound batches, how many may be pointed out. 0.27 % is one in 370.', overfill: 'Overfill per bag', overfillHelp: 'Mean of what a bag gets too much.', crew: 'Minutes for roasting a day', crewHelp: 'Of the people, over all roasters together: one person at two drums has one person’s minutes. Empty: the roasters’ hours are the only limit.', role: 'Role', coffeeHelp: 'Lots of it may follow one another.', note: 'Note',
    styleHelp: 'Filter, espresso, a customer’s own.', nominalLoss: 'Usual loss', nominalLossHelp: 'A guess is enough: every batch makes it better. Light 11 to 14 %, dark 16 to 20 % (common practice).', restDays: 'Rest', restHelp: 'Days between roasting and shipping.', freshDays: 'Fresh for', freshHelp: 'Oldest age on arrival, in days.', shade: 'Shade', shadeHelp: '1 for the lightest. Lighter ones are roasted first on a day.',
    unit: 'Shows', unitHelp: 'The unit on its display.', division: 'Step', divisionHelp: 'The smallest step of its display.', max: 'Carries up to', maxHelp: 'With the container.', containers: 'Containers', addContainer: 'Add a container', containersHelp: 'Crates and buckets whose own mass is taken off.', tare: 'Own mass', storeroomHelp: 'Where green stands.',
    minCharge: 'Smallest charge', maxCharge: 'Largest charge', step: 'Charge in steps of', stepHelp: 'As fine as you like to weigh.', cycle: 'Minutes per batch', cycleHelp: 'From charge to charge.', changeover: 'Change-over minutes', changeoverHelp: 'Between two lots or styles.', startup: 'Start-up minutes', startupHelp: 'Until the cold drum is ready.', greenScale: 'Scale for green', roastedScale: 'Scale for roasted',
    weighs: 'Roasted is weighed', beforeDestoner: 'before the destoner', afterDestoner: 'after the destoner', hours: 'Hours', exceptions: 'Other days', addException: 'Add a day', exceptionsHelp: 'Holidays, service, an extra Saturday.', day: 'Day', open: 'Open', styles: 'Styles', stylesHelp: 'Tick none if it roasts all.', limits: 'Other limits', addLimit: 'Add a limit', limitsHelp: 'For a lot or a size grade that needs another charge.', anyLot: 'any lot', grade: 'Size grade',
    sampleRoaster: 'It is a sample roaster', sampleRoasterHelp: 'Its own style teaches nothing about the others.', supplier: 'Supplier', reference: 'Reference', referenceHelp: 'Contract or shipping mark.', expectedDay: 'Expected on', invoice: 'Invoiced', invoiceHelp: 'The mass on the invoice.', hold: 'On hold because', holdHelp: 'Green of a delivery on hold is not planned.',
    lotName: 'Lot', lotNameHelp: 'What is chalked on the sacks.', delivery: 'Delivery', coffee: 'Coffee', gradeHelp: 'AA, AB, PB (peaberry), 17/18. Sorts are never mixed in one drum.', screen: 'Screen', screenHelp: 'Sieves by number (ISO 4150): 17/18, 16, 15+, PB.', process: 'Process', cropYear: 'Crop', storeroom: 'Storeroom', expected: 'Expected mass', expectedHelp: 'Until it is received.',
    packing: 'Packing', packingKind: 'Kind', sacks: 'Sacks', sackMass: 'Each', loose: 'Loose', moisture: 'Moisture', addMoisture: 'Add a reading', moistureShare: 'Moisture', moistureSd: 'Meter’s sd', moistureSdHelp: '0.3 % if you do not know.', landedCost: 'Landed cost', landedCostHelp: 'What all of this lot cost, brought to the door.', claims: 'Claims', addClaim: 'Add a claim', claim: 'Claim', certificate: 'Certificate', validTo: 'Valid to',
    useRank: 'Use order', useRankHelp: 'Smaller is used first.', reserve: 'Keep at least', reserveHelp: 'The planner leaves this much.', parts: 'Made of', addPart: 'Add a part', partsHelp: 'One part for a single coffee; the shares of a blend make 100 %.', share: 'Share', style: 'Style', bag: 'Bag', onlyLots: 'Only these lots', onlyLotsHelp: 'Tick none if any lot of the coffee will do.',
    shipDay: 'Ship day', packingDay: 'Packed on', packingDayHelp: 'The roast must have rested by then.', carrierAt: 'Carrier comes at', orderNumber: 'Number', customer: 'Customer', transit: 'Days on the way', priority: 'Weight', priorityHelp: '1 is ordinary; 2 counts twice when something must fall short.', lines: 'Lines', addLine: 'Add a line', product: 'Product', bags: 'Bags', done: 'Done',
  },
};
