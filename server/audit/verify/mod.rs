//! Checks a whole book: the log recomputes to its head, every table says what the log says, and every lot sums to nothing.
//!
//! It reads the leaves in order, a page at a time, folds them into what each table must hold, and compares column by column what is
//! stored, as it is stored: nothing is read into the program's own types first, so a value that cannot be one is a place that does not
//! hold and no failure. The first place that does not hold is named first.

mod batches;
mod commands;
pub(super) mod expected;
pub(super) mod records;
mod rows;
pub(super) mod sound;
mod tables;
pub(super) mod ways;

use std::collections::HashMap;

use serde::Serialize;
use serde_json::Value;
use uuid::Uuid;

use crate::audit::seal::Watch;
use crate::book::canonical;
use crate::book::leaf::Leaf;
use crate::book::merkle::{Frontier, leaf_hash};
use crate::ids::SiteId;
use crate::store::{LogRow, Read, StoreError};
use expected::Expected;
use sound::Sound;

/// A place that does not hold.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Fault {
    /// Where: a leaf, an account, a record.
    pub r#where: String,
    /// What is wrong there.
    pub what: String,
}

/// What the check found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Report {
    /// Whether everything holds.
    pub ok: bool,
    /// Leaves in the log.
    pub size: i64,
    /// The root they recompute to, hex.
    pub root: String,
    /// How many lots moved, each of which sums to nothing if all holds.
    pub lots: usize,
    /// The first places that do not hold, in log order.
    pub places: Vec<Fault>,
}

impl std::fmt::Display for Report {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.ok {
            writeln!(
                f,
                "The book holds: {} leaves, {} lots that each sum to nothing.\nRoot {}",
                self.size, self.lots, self.root
            )?;
        } else {
            writeln!(f, "The book does NOT hold. The first places:")?;
        }
        self.places
            .iter()
            .try_for_each(|fault| writeln!(f, "  {}: {}", fault.r#where, fault.what))
    }
}

const PAGE: i64 = 2_000;
const MOST_FAULTS: usize = 20;

/// Collects what does not hold.
#[derive(Default)]
pub(super) struct Faults(pub Vec<Fault>);

impl Faults {
    pub fn add(&mut self, place: impl Into<String>, what: impl Into<String>) {
        if self.0.len() < MOST_FAULTS {
            self.0.push(Fault {
                r#where: place.into(),
                what: what.into(),
            });
        }
    }

    pub fn add_all(&mut self, place: impl Into<String>, what: Vec<String>) {
        let place = place.into();
        for what in what {
            self.add(&place, what);
        }
    }

    /// Takes what was read, or says that it cannot be; only a database that fails ends the check.
    fn readable<T: Default>(
        &mut self,
        place: &str,
        read: Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        match read {
            Err(StoreError::Damaged(why)) => {
                self.add(place, format!("it cannot be read: {why}"));
                Ok(T::default())
            }
            other => other,
        }
    }

    /// Compares the columns of a row with what the log says.
    fn compare(&mut self, place: &str, wanted: &Value, found: &Value) {
        let (Some(wanted), Some(found)) = (wanted.as_object(), found.as_object()) else {
            return;
        };
        for (column, value) in wanted {
            let stored = found.get(column).unwrap_or(&Value::Null);
            if stored != value {
                self.add(
                    format!("{place}.{column}"),
                    format!("{stored} in the table, {value} by the log"),
                );
            }
        }
    }
}

/// Checks a site's whole book as one snapshot sees it.
///
/// # Errors
/// [`StoreError`] only when the database cannot be read; what does not hold is in the report.
pub async fn verify(tx: &mut dyn Read, site: SiteId) -> Result<Report, StoreError> {
    let mut faults = Faults::default();
    let mut expected = Expected::default();
    let mut sound = Sound::default();
    let mut watch = Watch::default();
    let mut frontier = Frontier::default();
    let numbers = rows::account_numbers(tx, site).await?;
    let mut position = 0;
    loop {
        let page = tx.leaves(site, position, PAGE).await;
        let page = faults.readable("log", page)?;
        let Some(last) = page.last() else { break };
        let end = last.position + 1;
        let leaves = read_page(
            &page,
            position,
            (&mut frontier, &mut watch),
            &mut expected,
            &mut faults,
        );
        for leaf in &leaves {
            faults.add_all(format!("leaf {}", leaf.head().position), sound.add(leaf));
        }
        let stored = tx.stored(site, position, end).await;
        let stored = faults.readable(&format!("rows of leaves {position} to {end}"), stored)?;
        rows::compare(stored, &leaves, &numbers, &mut faults);
        position = end;
    }
    check_head(tx, site, &frontier, &expected, &mut faults).await?;
    tables::accounts(tx, site, &expected, &mut faults).await?;
    tables::flows(tx, site, &expected, &mut faults).await?;
    tables::counts(tx, site, &expected, &mut faults).await?;
    records::check(tx, site, &expected, &mut faults).await?;
    tables::closings(tx, site, &expected, &mut faults).await?;
    batches::check(tx, site, &expected, &mut faults).await?;
    commands::check(tx, site, &expected, &mut faults).await?;
    ways::check(tx, site, &mut faults).await?;
    for (table, rows) in tx.strays().await? {
        faults.add(
            format!("the {table} table"),
            format!("{rows} rows are of a site that has no log"),
        );
    }
    Ok(Report {
        ok: faults.0.is_empty(),
        size: position,
        root: hex::encode(frontier.root()),
        lots: expected.lots(),
        places: faults.0,
    })
}

/// Hashes and reads a page of leaves, and adds what they say to what is expected.
fn read_page(
    page: &[LogRow],
    from: i64,
    (frontier, watch): (&mut Frontier, &mut Watch),
    expected: &mut Expected,
    faults: &mut Faults,
) -> Vec<Leaf> {
    let mut leaves = Vec::with_capacity(page.len());
    let mut wanted = from;
    for row in page {
        if row.position != wanted {
            faults.add(
                format!("leaf {wanted}"),
                format!("missing: the next one is {}", row.position),
            );
        }
        wanted = row.position + 1;
        let place = format!("leaf {}", row.position);
        let hash = leaf_hash(row.leaf.as_bytes());
        frontier.push(hash);
        if hash.as_slice() != row.hash {
            faults.add(&place, "its text does not give its hash");
        }
        let Ok(leaf) = serde_json::from_str::<Leaf>(&row.leaf) else {
            faults.add(&place, "its text is no leaf");
            continue;
        };
        if canonical::text(&leaf) != row.leaf {
            faults.add(&place, "its text is not canonical");
        }
        let head = leaf.head();
        if head.position != row.position
            || head.recorded_at != row.recorded_at.ms()
            || head.recorded_at < expected.recorded_at
        {
            faults.add(&place, "its place or recording time is out of order");
        }
        if let Some(fault) = watch.leaf(&leaf, hash, frontier) {
            faults.add(&place, fault);
        }
        expected.add(&leaf);
        leaves.push(leaf);
    }
    leaves
}

async fn check_head(
    tx: &mut dyn Read,
    site: SiteId,
    frontier: &Frontier,
    expected: &Expected,
    faults: &mut Faults,
) -> Result<(), StoreError> {
    let Some(head) = tx.head(site).await? else {
        faults.add("log head", "missing");
        return Ok(());
    };
    if u64::try_from(head.size) != Ok(frontier.size()) {
        let says = format!("says {} leaves, the log has {}", head.size, frontier.size());
        if u64::try_from(head.size).is_ok_and(|size| size > frontier.size()) {
            faults.add(
                format!("leaf {}", frontier.size()),
                "missing: the log head says there are more",
            );
        }
        faults.add("log head", says);
    }
    if head.root != frontier.root() || head.frontier != frontier.bytes() {
        faults.add("log head", "its root is not that of the leaves");
    }
    if head.recorded_at.ms() != expected.recorded_at {
        faults.add("log head", "its recording time is not the last leaf's");
    }
    Ok(())
}

/// What is stored in a table, by id.
fn by_id(rows: Vec<Value>) -> HashMap<Uuid, Value> {
    let id = |row: &Value| serde_json::from_value(row["id"].clone()).unwrap_or_default();
    rows.into_iter().map(|row| (id(&row), row)).collect()
}

/// Compares a table whose rows have ids with what the log says, row by row.
fn compare_table(
    table: &str,
    wanted: impl IntoIterator<Item = Value>,
    found: Vec<Value>,
    faults: &mut Faults,
) {
    let mut found = by_id(found);
    for row in by_id(wanted.into_iter().collect()) {
        let (id, wanted) = row;
        match found.remove(&id) {
            None => faults.add(
                format!("{table} {id}"),
                "the log says it, and it is missing",
            ),
            Some(stored) => faults.compare(&format!("{table} {id}"), &wanted, &stored),
        }
    }
    for id in found.into_keys() {
        faults.add(format!("{table} {id}"), "no leaf says it");
    }
}
