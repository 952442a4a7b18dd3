//! The statement of many lots together: of a delivery, a coffee, a storeroom, or of all green; of one lot too, where it is to be exported.
//!
//! Opening, sums and closing are read by months, lot by lot, so that five years take no longer than one; the lines come a page at a time,
//! each with the balance that it leaves.

use std::collections::{BTreeMap, HashMap};

use serde::Serialize;
use uuid::Uuid;

use super::batches::{corrected, known_now, known_then, view};
use super::words::{ORDER, Words};
use super::{Line, Sums, beyond, ordered_days, words};
use crate::audit::as_known;
use crate::book::leaf::Kind;
use crate::book::place::Place;
use crate::day::Day;
use crate::floor::view::Named;
use crate::ids::{BatchId, CoffeeId, DeliveryId, LotId, SiteId, StoreroomId};
use crate::mass::Mass;
use crate::refusal::Outcome;
use crate::setup::{Coffee, Delivery, Kept, Lot, Storeroom};
use crate::store::{LotFlow, Mark, Read, RoomLine, StoreError, Within};
use crate::text::Name;

/// Which green a statement is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// All of it.
    All,
    /// One lot.
    Lot(LotId),
    /// The lots of a delivery.
    Delivery(DeliveryId),
    /// The lots of a coffee.
    Coffee(CoffeeId),
    /// What stands in one storeroom.
    Storeroom(StoreroomId),
}

/// Which statement is wanted.
#[derive(Debug, Clone, Copy)]
pub struct AskedMany {
    /// Which green.
    pub scope: Scope,
    /// The first day; the beginning unless said.
    pub from: Option<Day>,
    /// The last day.
    pub to: Day,
    /// The log's size up to which the book is believed; all of it unless said.
    pub known: Option<i64>,
    /// Where the page of lines begins; the first unless said.
    pub after: Option<Mark>,
    /// At most so many lines.
    pub limit: i64,
}

/// What one lot has in a statement of many.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct LotPart {
    /// The lot.
    pub lot: Named,
    /// Its size grade.
    pub grade: Name,
    /// What stood in store before the first day.
    pub opening_g: Mass,
    /// What the period did.
    pub sums: Sums,
    /// What stood in store after the last day.
    pub closing_g: Mass,
}

/// A line of a statement of many lots.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ManyLine {
    /// The lot.
    pub lot: Named,
    /// The line; its balance is that of all lots together.
    #[serde(flatten)]
    pub line: Line,
}

/// What stands at one kind of place, of all lots together.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PlaceTotal {
    /// The place's word.
    pub place: String,
    /// How much; negative where the outside, the air or a count stands against the lots.
    pub mass_g: Mass,
}

/// The statement of many lots for a period.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ManyStatement {
    /// What it is about: all, lot, delivery, coffee or storeroom.
    pub scope: String,
    /// Which one; null for all.
    pub id: Option<Uuid>,
    /// Its name.
    pub name: String,
    /// The first day; null for the beginning.
    pub from: Option<Day>,
    /// The last day.
    pub to: Day,
    /// The log's size up to which the book is believed.
    pub known: i64,
    /// What stood in store before the first day.
    pub opening_g: Mass,
    /// What the period did, all lots together.
    pub sums: Sums,
    /// What stood in store after the last day.
    pub closing_g: Mass,
    /// Lot by lot; they sum to what stands above.
    pub lots: Vec<LotPart>,
    /// Where all of the lots are after the last day, which sums to nothing; left out for one storeroom.
    pub totals: Vec<PlaceTotal>,
    /// What stood in store before the first line of this page.
    pub carried_g: Mass,
    /// What came into the storerooms, left them or went between them: a page of it.
    pub lines: Vec<ManyLine>,
    /// Where the next page begins, to be sent as `after`; null on the last.
    pub next: Option<String>,
}

/// Draws up a statement of many lots.
///
/// # Errors
/// [`crate::refusal::Refusal::NotFound`] for a thing that is not there, [`crate::refusal::Refusal::Invalid`] for a period that ends
/// before it begins, [`StoreError::Damaged`] when it would not add up.
pub async fn many(tx: &mut dyn Read, site: SiteId, asked: AskedMany) -> Outcome<ManyStatement> {
    ordered_days(asked.from, asked.to)?;
    let size = tx.head(site).await?.map_or(0, |head| head.size);
    // The whole book is the quick case: its monthly figures hold.
    let then = asked.known.filter(|known| *known < size);
    let about = About::read(tx, site, asked.scope, then).await?;
    let before = match asked.from {
        Some(from) => flows(tx, site, from.plus(-1), then).await?,
        None => Vec::new(),
    };
    let after = flows(tx, site, asked.to, then).await?;
    let lots = about.parts(&before, &after)?;
    let totals = about.totals(&after)?;
    let mut sums = Sums::default();
    for part in &lots {
        sums.add_sums(&part.sums)?;
    }
    let total = |of: fn(&LotPart) -> Mass| Mass::sum(lots.iter().map(of)).map_err(beyond);
    let (opening_g, closing_g) = (total(|p| p.opening_g)?, total(|p| p.closing_g)?);
    let page = Page::read(tx, site, &asked, &about, then).await?;
    let carried_g = opening_g.plus(page.passed).map_err(beyond)?;
    let lines = page.lines(tx, site, &about, (carried_g, then)).await?;
    let statement = ManyStatement {
        scope: about.scope.to_owned(),
        id: about.id,
        name: about.name.clone(),
        from: asked.from,
        to: asked.to,
        known: then.unwrap_or(size),
        opening_g,
        sums,
        closing_g,
        lots,
        totals,
        carried_g,
        lines,
        next: page.next,
    };
    Ok(adding_up(statement)?)
}

/// What went from place to place up to a day, as the first `known` leaves say.
async fn flows(
    tx: &mut dyn Read,
    site: SiteId,
    day: Day,
    known: Option<i64>,
) -> Result<Vec<LotFlow>, StoreError> {
    let until = as_known::until(tx, site, day, known).await?;
    tx.flows_on(site, until, known).await
}

/// What a statement is about, and its lots.
struct About {
    scope: &'static str,
    id: Option<Uuid>,
    name: String,
    lots: Vec<Kept<Lot>>,
    /// Named one by one; none where all are meant.
    ids: Option<Vec<LotId>>,
    room: Option<StoreroomId>,
}

impl About {
    async fn read(
        tx: &mut dyn Read,
        site: SiteId,
        scope: Scope,
        known: Option<i64>,
    ) -> Outcome<Self> {
        let mut about = Self {
            scope: "all",
            id: None,
            name: "All green".to_owned(),
            lots: as_known::all::<Lot>(tx, site, known).await?,
            ids: None,
            room: None,
        };
        match scope {
            Scope::All => {}
            Scope::Lot(id) => {
                let lot = as_known::need::<Lot>(tx, site, id, known).await?;
                about.narrow("lot", id.0, lot.fields.name.to_string(), |lot| {
                    lot.id == id.0
                });
            }
            Scope::Delivery(id) => {
                let of = as_known::need::<Delivery>(tx, site, id, known)
                    .await?
                    .fields;
                let name = format!("{} {}", of.supplier, of.reference);
                about.narrow("delivery", id.0, name, |lot| lot.fields.delivery == id);
            }
            Scope::Coffee(id) => {
                let of = as_known::need::<Coffee>(tx, site, id, known).await?.fields;
                about.narrow("coffee", id.0, of.name.to_string(), |lot| {
                    lot.fields.coffee == id
                });
            }
            Scope::Storeroom(id) => {
                let of = as_known::need::<Storeroom>(tx, site, id, known)
                    .await?
                    .fields;
                about.scope = "storeroom";
                about.id = Some(id.0);
                about.name = of.name.to_string();
                about.room = Some(id);
            }
        }
        Ok(about)
    }

    fn narrow(
        &mut self,
        scope: &'static str,
        id: Uuid,
        name: String,
        of: impl Fn(&Kept<Lot>) -> bool,
    ) {
        self.scope = scope;
        self.id = Some(id);
        self.name = name;
        self.lots.retain(of);
        self.ids = Some(self.lots.iter().map(|lot| lot.id.into()).collect());
    }

    /// The lots that had anything to do with the period.
    fn parts(&self, before: &[LotFlow], after: &[LotFlow]) -> Result<Vec<LotPart>, StoreError> {
        let mut by_lot: HashMap<LotId, (Sums, Sums)> = HashMap::new();
        for flow in before {
            let (opening, _) = by_lot.entry(flow.lot).or_default();
            opening.add_lot_flow(self.room, flow, flow.mass)?;
        }
        for (flows, sign) in [(before, -1), (after, 1)] {
            for flow in flows {
                let mass = flow.mass.times(sign).map_err(beyond)?;
                let (_, period) = by_lot.entry(flow.lot).or_default();
                period.add_lot_flow(self.room, flow, mass)?;
            }
        }
        let mut parts = Vec::new();
        for lot in &self.lots {
            let Some((opening, sums)) = by_lot.remove(&LotId(lot.id)) else {
                continue;
            };
            let opening_g = opening.in_store().map_err(beyond)?;
            let change = sums.in_store().map_err(beyond)?;
            let closing_g = opening_g.plus(change).map_err(beyond)?;
            if opening_g == Mass::ZERO && sums == Sums::default() {
                continue;
            }
            parts.push(LotPart {
                lot: Named {
                    id: lot.id,
                    name: lot.fields.name.clone(),
                },
                grade: lot.fields.grade.clone(),
                opening_g,
                sums,
                closing_g,
            });
        }
        parts.sort_by(|a, b| (&a.lot.name, a.lot.id).cmp(&(&b.lot.name, b.lot.id)));
        Ok(parts)
    }

    /// Where all of the lots are, in the order in which coffee passes the places.
    fn totals(&self, after: &[LotFlow]) -> Result<Vec<PlaceTotal>, StoreError> {
        if self.room.is_some() {
            return Ok(Vec::new());
        }
        let mut masses: BTreeMap<&str, Mass> = BTreeMap::new();
        let ours = |lot: LotId| self.ids.as_ref().is_none_or(|ids| ids.contains(&lot));
        for flow in after.iter().filter(|flow| ours(flow.lot)) {
            let from = masses.entry(&flow.from).or_default();
            *from = from.minus(flow.mass).map_err(beyond)?;
            let to = masses.entry(&flow.to).or_default();
            *to = to.plus(flow.mass).map_err(beyond)?;
        }
        let total = |place: &&str| {
            let mass_g = masses.get(place).copied()?;
            (mass_g != Mass::ZERO).then(|| PlaceTotal {
                place: (*place).to_owned(),
                mass_g,
            })
        };
        Ok(ORDER.iter().filter_map(total).collect())
    }

    fn named(&self, lot: LotId) -> Result<Named, StoreError> {
        let kept = self.lots.iter().find(|kept| kept.id == lot.0);
        kept.map(|kept| Named {
            id: kept.id,
            name: kept.fields.name.clone(),
        })
        .ok_or_else(|| StoreError::Damaged(format!("a line of a lot that is not there: {lot}")))
    }
}

/// A page of lines.
struct Page {
    rows: Vec<RoomLine>,
    /// What the lines before it did since the first day.
    passed: Mass,
    next: Option<String>,
}

impl Page {
    async fn read(
        tx: &mut dyn Read,
        site: SiteId,
        asked: &AskedMany,
        about: &About,
        known: Option<i64>,
    ) -> Result<Self, StoreError> {
        let within = Within {
            lots: about.ids.as_deref(),
            room: about.room,
            from: asked.from,
            to: asked.to,
            known,
        };
        let mut rows = tx
            .room_lines(site, &within, asked.after, asked.limit.saturating_add(1))
            .await?;
        let limit = usize::try_from(asked.limit).unwrap_or(usize::MAX);
        let more = rows.len() > limit;
        rows.truncate(limit);
        let last = rows.last().filter(|_| more);
        let next = last.map(|row| format!("{}_{}_{}", row.line.day, row.position, row.line.line));
        let passed = match asked.after {
            None => Mass::ZERO,
            Some(mark) => passed(tx, site, about, within, mark).await?,
        };
        Ok(Self { rows, passed, next })
    }

    async fn lines(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        about: &About,
        (carried, then): (Mass, Option<i64>),
    ) -> Result<Vec<ManyLine>, StoreError> {
        let words = Words::of_all(tx, site, then).await?;
        let mut balance_g = carried;
        let mut lines = Vec::with_capacity(self.rows.len());
        for row in &self.rows {
            let change_g = change(row, about.room)?;
            balance_g = balance_g.plus(change_g).map_err(beyond)?;
            lines.push(ManyLine {
                lot: about.named(row.lot)?,
                line: Line {
                    posting: row.line.posting,
                    line: row.line.line,
                    day: row.line.day,
                    happened_at: row.line.happened_at,
                    recorded_at: row.line.recorded_at,
                    late: row.line.late,
                    undone: row.line.undone,
                    kind: words::kind(&row.line.kind)?,
                    text: words.text(&row.line, row.from, row.to)?,
                    change_g,
                    balance_g,
                    batch: None,
                },
            });
        }
        self.attach(tx, site, then, &words, &mut lines).await?;
        Ok(lines)
    }

    /// Puts each batch on the last line of its charge.
    async fn attach(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        then: Option<i64>,
        words: &Words,
        lines: &mut [ManyLine],
    ) -> Result<(), StoreError> {
        let mut last: HashMap<BatchId, usize> = HashMap::new();
        for (i, row) in self.rows.iter().enumerate() {
            if row.line.undone || !matches!(row.from, Place::Store(_)) {
                continue;
            }
            if let Place::Batch(batch) = row.to {
                last.insert(batch, i);
            } else if row.line.kind == Kind::Correct.word() {
                let batches = corrected(tx, site, row.line.posting).await?;
                last.extend(batches.into_iter().map(|batch| (batch, i)));
            }
        }
        let ids: Vec<BatchId> = last.keys().copied().collect();
        let batches = match then {
            Some(known) => known_then(tx, site, &ids, known).await?,
            None => known_now(tx, site, &ids).await?,
        };
        for batch in batches {
            let at = last.get(&batch.id).copied();
            let of = at.filter(|i| batch.lot() == self.rows.get(*i).map(|row| row.lot));
            if let Some(line) = of.and_then(|i| lines.get_mut(i)) {
                line.line.batch = view(&batch, words)?;
            }
        }
        Ok(())
    }
}

/// What all lines up to and with a mark did since the first day: whole days before it by months, then the lines of its day.
async fn passed(
    tx: &mut dyn Read,
    site: SiteId,
    about: &About,
    within: Within<'_>,
    mark: Mark,
) -> Result<Mass, StoreError> {
    let opening = match within.from {
        Some(from) => flows(tx, site, from.plus(-1), within.known).await?,
        None => Vec::new(),
    };
    let eve = flows(tx, site, mark.0.plus(-1), within.known).await?;
    let in_store = |parts: Vec<LotPart>| Mass::sum(parts.iter().map(|part| part.closing_g));
    let before = in_store(about.parts(&[], &opening)?).map_err(beyond)?;
    let on_eve = in_store(about.parts(&[], &eve)?).map_err(beyond)?;
    let mut passed = on_eve.minus(before).map_err(beyond)?;
    let day = Within {
        from: Some(mark.0),
        to: mark.0,
        ..within
    };
    for row in tx.room_lines(site, &day, None, i64::MAX).await? {
        if (row.line.day, row.position, row.line.line) <= mark {
            passed = passed.plus(change(&row, about.room)?).map_err(beyond)?;
        }
    }
    Ok(passed)
}

/// What a line did to the green in the storerooms that are looked at.
fn change(row: &RoomLine, room: Option<StoreroomId>) -> Result<Mass, StoreError> {
    let inside = |place: Place| match place {
        Place::Store(at) => room.is_none_or(|room| room == at),
        _ => false,
    };
    match (inside(row.from), inside(row.to)) {
        (true, false) => Mass::ZERO.minus(row.line.mass).map_err(beyond),
        (false, true) => Ok(row.line.mass),
        _ => Ok(Mass::ZERO),
    }
}

/// Hands a statement out if it adds up: the sums to the closing, all places to nothing, and the lines to the closing where all are there.
fn adding_up(statement: ManyStatement) -> Result<ManyStatement, StoreError> {
    let by_sums = statement
        .opening_g
        .plus(statement.sums.in_store().map_err(beyond)?);
    let everywhere = Mass::sum(statement.totals.iter().map(|total| total.mass_g));
    let last = statement.lines.last().map(|line| line.line.balance_g);
    let ends =
        statement.next.is_some() || last.unwrap_or(statement.carried_g) == statement.closing_g;
    if by_sums == Ok(statement.closing_g) && everywhere == Ok(Mass::ZERO) && ends {
        Ok(statement)
    } else {
        Err(StoreError::Damaged(format!(
            "the statement of {} does not add up: verify the book",
            statement.name
        )))
    }
}
