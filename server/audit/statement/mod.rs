//! The statement of a lot: what stood in store, everything that came and went, what is left, and where all of the lot is then.
//!
//! It adds up to the milligram or it is not handed out: the lines lead from the opening to the closing, the closing is what the accounts
//! say, the sums lead there too, and all places together hold nothing. `known` is the log's size up to which the book is believed: a
//! statement of the same days at the same size is the same for ever.

mod batches;
mod columns;
mod csv;
mod export;
mod many;
mod sums;
mod table;
mod words;
mod xlsx;

pub use batches::StatementBatch;
pub use csv::csv;
pub(in crate::audit) use csv::{damaged, exact, harmless};
pub use export::{csv_of_many, json_lines};
pub use many::{AskedMany, LotPart, ManyLine, ManyStatement, Scope, many};
pub use sums::Sums;
pub use table::table;
pub(in crate::audit) use xlsx::heads;
pub use xlsx::workbook;

use std::collections::HashMap;

use serde::Serialize;

use crate::audit::as_known;
use crate::book::leaf::Kind;
use crate::book::place::Place;
use crate::day::{Day, Instant};
use crate::floor::view::Named;
use crate::ids::{LotId, PostingId, SiteId};
use crate::mass::{Mass, MassRange};
use crate::refusal::{Outcome, Refusal};
use crate::setup::Lot;
use crate::store::{Period, Read, Standing, StoreError, StoreLine};
use crate::text::Name;
use words::Words;

/// Which statement is wanted.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// The lot.
    pub lot: LotId,
    /// The first day; the beginning unless said.
    pub from: Option<Day>,
    /// The last day.
    pub to: Day,
    /// The log's size up to which the book is believed; all of it unless said.
    pub known: Option<i64>,
}

/// The statement of a lot for a period.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Statement {
    /// The lot.
    pub lot: LotId,
    /// Its name.
    pub name: Name,
    /// Its size grade.
    pub grade: Name,
    /// The first day.
    pub from: Day,
    /// The last day.
    pub to: Day,
    /// The log's size up to which the book is believed.
    pub known: i64,
    /// What stood in store before the first day.
    pub opening_g: Mass,
    /// What came into the storerooms, left them or went between them.
    pub lines: Vec<Line>,
    /// What stood in store after the last day.
    pub closing_g: Mass,
    /// Where all of the lot is after the last day; the masses sum to nothing.
    pub totals: Vec<Total>,
    /// What the period did, by what was done.
    pub sums: Sums,
}

/// A line of a statement.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Line {
    /// The posting.
    pub posting: PostingId,
    /// Its movement, from 0.
    pub line: i64,
    /// The day it counts.
    pub day: Day,
    /// When it happened.
    pub happened_at: Instant,
    /// When the book learned it.
    pub recorded_at: Instant,
    /// Whether it came after its day was closed.
    pub late: bool,
    /// Whether it was undone later.
    pub undone: bool,
    /// What was done.
    pub kind: Kind,
    /// In words.
    pub text: String,
    /// What it did to the green in store; nothing between two storerooms.
    pub change_g: Mass,
    /// The green in store afterwards.
    pub balance_g: Mass,
    /// What became of the batch it was weighed in for: on the last line of its charge.
    pub batch: Option<StatementBatch>,
}

/// What stands at one place, or owes.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Total {
    /// The place's word.
    pub place: String,
    /// Which one, in words; empty where all of them are one line.
    pub key_text: String,
    /// How much; negative where the outside, the air or a count stands against the lot.
    pub mass_g: Mass,
}

/// Draws up a statement.
///
/// # Errors
/// [`Refusal::NotFound`] for a lot that is not there, [`Refusal::Invalid`] for a period that ends before it begins,
/// [`StoreError::Damaged`] when it would not add up.
pub async fn statement(tx: &mut dyn Read, site: SiteId, asked: Asked) -> Outcome<Statement> {
    ordered_days(asked.from, asked.to)?;
    let size = tx.head(site).await?.map_or(0, |head| head.size);
    // The whole book is the quick case: its monthly figures hold.
    let then = asked.known.filter(|known| *known < size);
    let lot = as_known::need::<Lot>(tx, site, asked.lot, then)
        .await?
        .fields;
    let period = Period {
        lot: asked.lot,
        from: asked.from,
        to: asked.to,
        known: then.unwrap_or(size),
    };
    let words = Words::read(tx, site, asked.lot, then).await?;
    let opening_g = match asked.from {
        Some(from) => {
            let before = as_known::until(tx, site, from.plus(-1), then).await?;
            let store = tx.standing_on(site, asked.lot, Some("store"), before, then);
            in_store(&store.await?)?
        }
        None => Mass::ZERO,
    };
    let rows = tx.store_lines(site, &period).await?;
    let mut sums = Sums::default();
    let mut lines = lines(&rows, &words, opening_g, &mut sums)?;
    sums.add_flows(&tx.flows(site, &period).await?)?;
    batches::attach(tx, site, &period, then.is_some(), &rows, &words, &mut lines).await?;
    let until = as_known::until(tx, site, asked.to, then).await?;
    let standing = tx.standing_on(site, asked.lot, None, until, then).await?;
    let statement = Statement {
        lot: asked.lot,
        name: lot.name,
        grade: lot.grade,
        from: asked
            .from
            .or_else(|| lines.first().map(|line| line.day))
            .unwrap_or(asked.to),
        to: asked.to,
        known: period.known,
        opening_g,
        closing_g: in_store(&standing)?,
        totals: words.totals(&standing)?,
        lines,
        sums,
    };
    Ok(adding_up(statement)?)
}

/// Refuses a period that ends before it begins.
///
/// # Errors
/// [`Refusal::Invalid`] then.
pub fn ordered_days(from: Option<Day>, to: Day) -> Outcome<()> {
    if from.is_some_and(|from| from > to) {
        return Err(Refusal::field("/from", "the first day is after the last"));
    }
    Ok(())
}

fn lines(
    rows: &[StoreLine],
    words: &Words,
    opening: Mass,
    sums: &mut Sums,
) -> Result<Vec<Line>, StoreError> {
    let mut balance_g = opening;
    let mut lines = Vec::with_capacity(rows.len());
    for row in rows {
        let (from, to) = (words.place(row.from)?, words.place(row.to)?);
        let change_g = match (from, to) {
            (Place::Store(_), Place::Store(_)) => Mass::ZERO,
            (Place::Store(_), _) => Mass::ZERO.minus(row.mass).map_err(beyond)?,
            _ => row.mass,
        };
        balance_g = balance_g.plus(change_g).map_err(beyond)?;
        let other = if matches!(from, Place::Store(_)) {
            to
        } else {
            from
        };
        sums.add_line(words.lot(), Words::done(row)?, other, change_g)?;
        lines.push(Line {
            posting: row.posting,
            line: row.line,
            day: row.day,
            happened_at: row.happened_at,
            recorded_at: row.recorded_at,
            late: row.late,
            undone: row.undone,
            kind: words::kind(&row.kind)?,
            text: words.text(row, from, to)?,
            change_g,
            balance_g,
            batch: None,
        });
    }
    Ok(lines)
}

/// What of it stands in storerooms.
fn in_store(standing: &[Standing]) -> Result<Mass, StoreError> {
    let store = standing
        .iter()
        .filter(|s| matches!(s.place, Place::Store(_)));
    Mass::sum(store.map(|s| s.mass)).map_err(beyond)
}

/// Hands a statement out if it adds up.
fn adding_up(statement: Statement) -> Result<Statement, StoreError> {
    let last = statement
        .lines
        .last()
        .map_or(statement.opening_g, |line| line.balance_g);
    let by_sums = statement
        .opening_g
        .plus(statement.sums.in_store().map_err(beyond)?);
    let everywhere = Mass::sum(statement.totals.iter().map(|total| total.mass_g));
    let adds = last == statement.closing_g
        && by_sums == Ok(statement.closing_g)
        && everywhere == Ok(Mass::ZERO);
    if adds {
        Ok(statement)
    } else {
        Err(StoreError::Damaged(format!(
            "the statement of lot {} does not add up: verify the book",
            statement.lot
        )))
    }
}

fn beyond(error: MassRange) -> StoreError {
    StoreError::Damaged(error.to_string())
}

/// Names by id.
type Names = HashMap<uuid::Uuid, Name>;

fn named(names: &Names, id: uuid::Uuid) -> Result<Named, StoreError> {
    let name = names.get(&id).cloned();
    name.map(|name| Named { id, name })
        .ok_or_else(|| StoreError::Damaged(format!("a statement names what is not there: {id}")))
}
