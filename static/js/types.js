/**
 * The shapes that travel between the service and the pages. Types only; nothing runs here.
 * Masses end in `_g` (grams), fractions run from 0 to 1, days are "2026-11-25", instants RFC 3339.
 */

/** @typedef {{id: string, name: string}} Named */
/** @typedef {{minor: number, currency: string}} Money */
/** @typedef {{id: string, name: string, role: string}} Person */
/** @typedef {{id: string, name: string, zone: string, currency: string, mass_unit: 'kg'|'lb'}} Site */
/** @typedef {{person: Person, site: Site, today: string, now: string, clock_set: boolean, rights: string[], acts_as_owner: boolean, several_sites: boolean}} Me */

/** @typedef {{gross: string, container: string|null}} Reading */
/**
 * How a mass is known.
 * @typedef {{basis: 'weighed', scale: string, source: 'typed'|'scale', readings: Reading[]}
 *   | {basis: 'nominal', sacks: number, sack_g: number, loose_g: number}
 *   | {basis: 'reckoned', mass_g: number}} Weight
 */

/** @typedef {'ok'|'more'|'less'|'impossible'} Judgement */
/**
 * @typedef {object} Verdict
 * @property {Judgement} judgement
 * @property {number} loss
 * @property {number} mean
 * @property {number} [sd]
 * @property {number} lo
 * @property {number} hi
 * @property {number} [alpha]
 * @property {string} [state_key]
 * @property {string} [sentence]
 */

/**
 * Everything a tablet needs to judge a batch of one lot on one card without the service.
 * @typedef {object} RangeCard
 * @property {string} lot
 * @property {string} lot_name
 * @property {number} mean_log_yield
 * @property {number} variance
 * @property {number} quantile
 * @property {number} spread
 * @property {number} green_division_g
 * @property {number} roasted_division_g
 * @property {number} repeatability
 * @property {number} alpha
 * @property {{mean: number, lo: number, hi: number}} expected
 * @property {string} state_key
 */

/**
 * @typedef {object} BatchView
 * @property {string} id
 * @property {'weighed_in'|'in_drum'|'weighed_out'|'scrapped'|'undone'} state
 * @property {string|null} card
 * @property {Named} lot
 * @property {Named} coffee
 * @property {string} grade
 * @property {Named} style
 * @property {Named} roaster
 * @property {number} weighed_in_g
 * @property {number|null} weighed_out_g
 * @property {number} sample_g
 * @property {number|null} loss
 * @property {string} weighed_in_at
 * @property {string|null} started_at
 * @property {string|null} weighed_out_at
 * @property {string} day
 * @property {Verdict|null} verdict
 * @property {{reason: string}|null} hold
 * @property {{finding: string, reason: string}|null} review
 * @property {boolean} reckoned
 * @property {boolean} [corrected]
 * @property {number} roasted_left_g
 * @property {string|null} undo
 * @property {boolean} [kept] set by the page: part of it still waits on this tablet
 */

/**
 * @typedef {object} CardView
 * @property {string} id
 * @property {string} plan
 * @property {string} day
 * @property {string} start
 * @property {Named} roaster
 * @property {Named} lot
 * @property {Named} coffee
 * @property {string} grade
 * @property {Named} style
 * @property {Named} storeroom
 * @property {number} charge_g
 * @property {'planned'|'weighed_in'|'in_drum'|'weighed_out'|'scrapped'|'withdrawn'} state
 * @property {string|null} batch
 * @property {Feed[]} feeds
 * @property {string} pull
 * @property {string|Named} green_scale
 * @property {string|Named} roasted_scale
 * @property {RangeCard[]} ranges
 */

/** @typedef {{order: string, line?: number, product: string|Named, mass_g: number}} Feed */

/** @typedef {{name: string, tare_g: number}} Container */
/** @typedef {{id: string, revision: number, name: string, unit: 'g'|'kg'|'lb', division_g: number, max_g: number, containers: Container[], retired?: boolean}} Scale */

/**
 * @typedef {object} Lot
 * @property {string} id
 * @property {number} revision
 * @property {string} name
 * @property {string} delivery
 * @property {string} coffee
 * @property {string} grade
 * @property {string} [screen]
 * @property {number | null} [screen_mm]
 * @property {string} [process]
 * @property {string} [crop_year]
 * @property {string} storeroom
 * @property {number} expected_g
 * @property {{kind: string, sacks: number, sack_g: number, loose_g: number}} packing
 * @property {{day: string, fraction: number, sd?: number}[]} moisture
 * @property {string} [owned_by]
 * @property {Money} [landed_cost]
 * @property {{claim: string, certificate: string, valid_to: string}[]} claims
 * @property {number} use_rank
 * @property {number} [reserve_g]
 * @property {boolean} [retired]
 * @property {string} [state]
 * @property {string|null} [received_day]
 * @property {string|null} [ages_from]
 * @property {number} [received_g]
 * @property {number} [store_g]
 * @property {number} [reserved_g]
 * @property {number} [free_g]
 * @property {boolean} [used_up]
 * @property {{week_g: number, weeks: number, day: string, earliest: string, latest: string}|null} [lasts]
 */

/**
 * @typedef {object} PlanBatch
 * @property {string|null} card
 * @property {boolean} pinned
 * @property {Named} roaster
 * @property {string} day
 * @property {string} start
 * @property {number} minutes
 * @property {Named} lot
 * @property {Named} coffee
 * @property {string} grade
 * @property {Named} style
 * @property {number} charge_g
 * @property {number} expected_g
 * @property {number} lo_g
 * @property {number} hi_g
 * @property {Feed[]} feeds
 * @property {{saved_min: number, short: {order: string, customer: string, line: number, product: string, bags: number, mass_g: number}[]}} without
 */
/** What one plan has more than another. @typedef {{bags: number, roaster_min: number, green_g: number, batches: number}} PlanDifference */
/** @typedef {{kind: string, sentence: string, left_bags: number, effect: PlanDifference}} WayOut */
/** @typedef {{lines: {order: string, line: number, ways: WayOut[]}[], freely: PlanDifference|null}} Advice */
/** @typedef {{order: string, customer: string, line: number, product: string|Named, bags: number, mass_g: number, reason: string, sentence: string}} Short */
/** @typedef {{id: string, name: string, days: {day: string, opens: string|null, available_min: number, used_min: number}[]}} PlanRoaster */
/**
 * @typedef {object} PlanView
 * @property {number} log_size
 * @property {string} from_day
 * @property {number} days
 * @property {PlanRoaster[]} roasters
 * @property {PlanBatch[]} batches
 * @property {{id: string, number: string, customer: string, ship_day: string}[]} orders
 * @property {Short[]} short
 * @property {number} surplus_g
 * @property {{day: string, available_min: number, used_min: number}[]|null} crew
 * @property {(Pin & {sentence: string})[]} dropped_pins
 * @property {{day: string, lot: Named, storeroom: Named, mass_g: number}[]} pull
 * @property {Record<string, number|null>} levels
 * @property {Record<string, number|null>} bounds
 * @property {boolean[]} proved
 */
/** @typedef {{card?: string, roaster: string, day: string, lot: string, style: string, charge_g: number}} Pin */

/**
 * @typedef {object} StatementLine
 * @property {string} posting
 * @property {number} line
 * @property {string} day
 * @property {string} happened_at
 * @property {string} recorded_at
 * @property {boolean} late
 * @property {string} kind
 * @property {string} text
 * @property {number} change_g
 * @property {number} balance_g
 * @property {{id: string, roaster: Named, style: Named, charge_g: number, roasted_g: number|null, sample_g: number, loss: number|null, mean: number|null, lo: number|null, hi: number|null, judgement: Judgement|null}|null} batch
 */
/**
 * @typedef {object} Statement
 * @property {string|Named} lot
 * @property {string} from
 * @property {string} to
 * @property {number} known
 * @property {number} opening_g
 * @property {StatementLine[]} lines
 * @property {number} closing_g
 * @property {{place: string, key_text: string, mass_g: number}[]} totals
 * @property {Record<string, number>} sums
 */

/** @typedef {{lot: Named, grade: string, opening_g: number, sums: Record<string, number>, closing_g: number}} LotPart */
/**
 * @typedef {object} ManyStatement
 * @property {string} scope
 * @property {string|null} id
 * @property {string} name
 * @property {string|null} from
 * @property {string} to
 * @property {number} known
 * @property {number} opening_g
 * @property {Record<string, number>} sums
 * @property {number} closing_g
 * @property {LotPart[]} lots
 * @property {{place: string, mass_g: number}[]} totals
 * @property {number} carried_g
 * @property {(StatementLine & {lot: Named})[]} lines
 * @property {string|null} next
 */
/** @typedef {{total_g: number, drying_g: number, weighing_g: number, unexplained_g: number, u_g: number}} CountDifference */
/**
 * @typedef {object} SheetLine
 * @property {'store'|'roasted'|'packed'} place
 * @property {string} key
 * @property {string} name
 * @property {Named} lot
 * @property {number} sack_g
 * @property {number|null} book_g
 * @property {number|null} book_bags
 * @property {number|null} counted_g
 * @property {number|null} counted_bags
 * @property {Named|null} counted_by
 * @property {CountDifference|null} difference
 * @property {string|null} sentence
 */
/** @typedef {{id: string, state: 'open'|'handed_in'|'booked'|'dropped', frozen_at: string, blind: boolean, second_person: boolean, lines: SheetLine[], postings: string[], recounted: boolean}} CountSheet */
/** @typedef {{id: string, kind: string, day: string, evidence: {what: string, id: string}, lot: Named|null, mass_g: number|null, person: Named|null, sentence: string, closed: {person: Named, at: string, reason: string}|null}} FindingView */
/** @typedef {{store: number, written_down: number, batch: number, roasted: number, packed: number, coming: number}} Worth */
/** @typedef {{lot: Named, coffee: Named, owned_by: string|null, cost: number, per_kg: number|null, store_g: number, opening: Worth, added: number, used: {sold: number, samples: number, waste: number, differences: number, blended: number, sent: number, written_down: number, written_down_used: number}, closing: Worth}} LotValue */
/** @typedef {{from: string|null, to: string, known: number, currency: string, lots: LotValue[], coffees: {coffee: Named, store_g: number, by_lot: number, weighted_average: number, first_in_first_out: number}[], unreadable: string[], notice: string}} ValueView */

/** @typedef {{id: string, for: {order: string, number: string, customer: string}, cancelled: boolean, product: Named, grind: string|null, bags: number, packings: {packing: string, code: string, bags: number}[], taken_at: string, standing: boolean}} Allotment */
/** @typedef {{id: string, from: Named, to: Named, lot: Named, grade: string, mass_g: number, sent_at: string, day: string, taken_in: Named|null, arrival: string|null}} SendingView */
/** @typedef {{sites: Named[], on_the_way: SendingView[], arrived: SendingView[]}} Ways */
/** @typedef {Record<'received_g'|'returned_g'|'blended_in_g'|'blended_out_g'|'moved_g'|'difference_g'|'charged_g'|'sampled_g'|'wasted_g'|'dried_g'|'sent_g', number>} GreenSums what a period did to green in store */
/** @typedef {{site: Named, opening_g: number, sums: GreenSums, closing_g: number, worth: Money}} SiteFigures */
/** @typedef {{from: string|null, to: string, sites: SiteFigures[], opening_g: number, sums: GreenSums, closing_g: number, worth: Money[], on_the_way: SendingView[], on_the_way_g: number, on_the_way_worth: Money[]}} SitesReport */

/** @typedef {{id: string, revision: number, [field: string]: any}} Item any record, before its kind is looked at */

export {};
