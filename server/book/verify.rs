//! Checks a whole book: the log recomputes to its head, every table says what the log says, and every lot sums to nothing.
//!
//! It reads the leaves in order, a page at a time, and keeps only what balances need; the first place that does not hold is named first.

use std::collections::{BTreeMap, HashMap};

use serde::Serialize;
use serde_json::{Value, json};
use uuid::Uuid;

use super::canonical;
use super::leaf::{Act, Closing, Entry, Leaf, Posting};
use super::merkle::{Frontier, leaf_hash};
use crate::ids::SiteId;
use crate::store::{LogRow, Read, StoreError};

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

/// What the leaves so far say the tables must hold.
#[derive(Default)]
struct Expected {
    /// Milligrams by account (lot, place, key) and month.
    months: BTreeMap<(Uuid, String, Uuid), BTreeMap<String, i64>>,
    /// Body and revision by record.
    records: HashMap<Uuid, (String, i64)>,
    /// Closings and whether they are opened again.
    closings: Vec<(Uuid, bool)>,
    /// Steps by batch, as the floor's entries and postings give them.
    steps: HashMap<Uuid, Vec<Value>>,
    recorded_at: i64,
}

/// Collects what does not hold.
#[derive(Default)]
struct Faults(Vec<Fault>);

impl Faults {
    fn add(&mut self, place: impl Into<String>, what: impl Into<String>) {
        if self.0.len() < MOST_FAULTS {
            self.0.push(Fault {
                r#where: place.into(),
                what: what.into(),
            });
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
    let mut frontier = Frontier::default();
    let numbers = account_numbers(tx, site).await?;
    let mut position = 0;
    loop {
        let page = tx.leaves(site, position, PAGE).await?;
        let Some(last) = page.last() else { break };
        let end = last.position + 1;
        let leaves = read_page(&page, position, &mut frontier, &mut expected, &mut faults);
        compare_rows(
            tx.stored(site, position, end).await?,
            &leaves,
            &numbers,
            &mut faults,
        );
        position = end;
    }
    check_head(tx, site, &frontier, &expected, &mut faults).await?;
    check_accounts(tx, site, &expected, &mut faults).await?;
    check_records(tx, site, &mut expected, &mut faults).await?;
    check_closings(tx, site, &expected, &mut faults).await?;
    check_batches(tx, site, &expected, &mut faults).await?;
    let lots = expected
        .months
        .keys()
        .map(|(lot, ..)| lot)
        .collect::<std::collections::BTreeSet<_>>()
        .len();
    Ok(Report {
        ok: faults.0.is_empty(),
        size: position,
        root: hex::encode(frontier.root()),
        lots,
        places: faults.0,
    })
}

type Numbers = HashMap<i64, (Uuid, String, Uuid)>;

async fn account_numbers(tx: &mut dyn Read, site: SiteId) -> Result<Numbers, StoreError> {
    Ok(tx
        .accounts(site)
        .await?
        .into_iter()
        .map(|a| (a.id, (a.lot.0, a.place.0, a.place.1)))
        .collect())
}

/// Hashes and reads a page of leaves, and adds what they say to what is expected.
fn read_page(
    page: &[LogRow],
    from: i64,
    frontier: &mut Frontier,
    expected: &mut Expected,
    faults: &mut Faults,
) -> Vec<Leaf> {
    let mut leaves = Vec::with_capacity(page.len());
    for (row, position) in page.iter().zip(from..) {
        let place = format!("leaf {position}");
        let hash = leaf_hash(row.leaf.as_bytes());
        frontier.push(hash);
        if row.position != position {
            faults.add(&place, format!("missing: the next one is {}", row.position));
        }
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
        expected.recorded_at = head.recorded_at;
        expected.add(&leaf);
        leaves.push(leaf);
    }
    leaves
}

impl Expected {
    fn add(&mut self, leaf: &Leaf) {
        match leaf {
            Leaf::Posting(posting) => self.add_posting(posting),
            Leaf::Entry(entry) => self.add_entry(entry),
            Leaf::Closing(closing) => self.add_closing(closing),
        }
    }

    fn add_posting(&mut self, posting: &Posting) {
        let month = posting.day.month();
        for movement in &posting.movements {
            for (place, change) in [
                (movement.from, -movement.mass_mg),
                (movement.to, movement.mass_mg),
            ] {
                let account = (movement.lot.0, place.word().to_owned(), place.key());
                *self
                    .months
                    .entry(account)
                    .or_default()
                    .entry(month.clone())
                    .or_default() += change;
            }
        }
        crate::floor::batch::follow(&mut self.steps, &Leaf::Posting(posting.clone()));
    }

    fn add_entry(&mut self, entry: &Entry) {
        if entry.act == Act::Put {
            let revision = self
                .records
                .get(&entry.subject)
                .map_or(0, |(_, revision)| *revision)
                + 1;
            self.records
                .insert(entry.subject, (canonical::text(&entry.after), revision));
        }
        crate::floor::batch::follow(&mut self.steps, &Leaf::Entry(entry.clone()));
    }

    fn add_closing(&mut self, closing: &Closing) {
        match closing.reopens {
            None => self.closings.push((closing.id, false)),
            Some(reopened) => self
                .closings
                .iter_mut()
                .filter(|(id, _)| *id == reopened)
                .for_each(|(_, open)| *open = true),
        }
    }
}

/// The rows that a leaf must have in the tables.
fn rows_of(leaf: &Leaf) -> Vec<Value> {
    match leaf {
        Leaf::Posting(p) => {
            let mut rows = vec![json!({
                "table": "posting", "id": p.id, "v": p.head.v, "kind": p.kind, "person": p.head.person, "device": p.head.device,
                "happened_at": p.happened_at, "effective_at": p.effective_at, "day": p.day, "recorded_at": p.head.recorded_at, "late": p.late,
                "reason": p.reason, "card": p.card, "reverses": p.reverses, "facts": p.facts, "digest": p.digest,
            })];
            rows.extend(p.movements.iter().enumerate().map(|(line, m)| {
                json!({
                    "table": "movement", "posting": p.id, "line": line, "day": p.day, "mass_mg": m.mass_mg,
                    "from": [m.lot.0, m.from.word(), m.from.key()], "to": [m.lot.0, m.to.word(), m.to.key()],
                })
            }));
            rows.extend(p.weighings.iter().enumerate().map(|(line, w)| {
                json!({
                    "table": "weighing", "posting": p.id, "line": line, "movement": w.movement, "basis": w.basis, "source": w.source,
                    "scale": w.scale, "unit": w.unit, "division_mg": w.division_mg, "net_mg": w.net_mg, "readings": w.readings,
                })
            }));
            let bags = p.facts["bags"].as_array().into_iter().flatten();
            rows.extend(bags.enumerate().map(|(line, b)| {
                json!({
                    "table": "bags", "posting": p.id, "line": line, "order": b["order"], "product": b["product"], "bags": b["bags"],
                })
            }));
            rows
        }
        Leaf::Entry(e) => vec![json!({
            "table": "journal", "id": e.id, "v": e.head.v, "kind": e.kind, "subject": e.subject, "act": e.act, "person": e.head.person,
            "device": e.head.device, "happened_at": e.happened_at, "recorded_at": e.head.recorded_at, "reason": e.reason,
        })],
        Leaf::Closing(_) => Vec::new(),
    }
}

fn compare_rows(
    stored: Vec<(i64, Value)>,
    leaves: &[Leaf],
    numbers: &Numbers,
    faults: &mut Faults,
) {
    let mut by_position: HashMap<i64, Vec<Value>> = HashMap::new();
    for (position, mut row) in stored {
        for side in ["from", "to"] {
            if let Some(account) = row
                .get(side)
                .and_then(Value::as_i64)
                .and_then(|number| numbers.get(&number))
            {
                row[side] = json!(account);
            }
        }
        by_position.entry(position).or_default().push(row);
    }
    for leaf in leaves {
        let position = leaf.head().position;
        let found = by_position.remove(&position).unwrap_or_default();
        compare_leaf(position, &rows_of(leaf), &found, faults);
    }
    for (position, rows) in by_position {
        let table = rows
            .first()
            .and_then(|row| row["table"].as_str())
            .unwrap_or_default();
        faults.add(
            format!("leaf {position}"),
            format!("the {table} table has a row that no leaf says"),
        );
    }
}

fn compare_leaf(position: i64, wanted: &[Value], found: &[Value], faults: &mut Faults) {
    if wanted.len() != found.len() {
        faults.add(
            format!("leaf {position}"),
            format!(
                "{} rows in the tables, {} by the leaf",
                found.len(),
                wanted.len()
            ),
        );
    }
    for (wanted, found) in wanted.iter().zip(found) {
        let (Some(wanted), Some(found)) = (wanted.as_object(), found.as_object()) else {
            continue;
        };
        for (column, value) in wanted {
            if found.get(column) != Some(value) {
                let table = wanted["table"].as_str().unwrap_or_default();
                faults.add(
                    format!("leaf {position}, {table}.{column}"),
                    format!(
                        "{} in the table, {value} by the leaf",
                        found.get(column).unwrap_or(&Value::Null)
                    ),
                );
            }
        }
    }
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
        faults.add(
            "log head",
            format!("says {} leaves, the log has {}", head.size, frontier.size()),
        );
    }
    if head.root != frontier.root() || head.frontier != frontier.bytes() {
        faults.add("log head", "its root is not that of the leaves");
    }
    if frontier.size() > 0 && head.recorded_at.ms() < expected.recorded_at {
        faults.add("log head", "its recording time is before the last leaf's");
    }
    Ok(())
}

async fn check_accounts(
    tx: &mut dyn Read,
    site: SiteId,
    expected: &Expected,
    faults: &mut Faults,
) -> Result<(), StoreError> {
    let accounts = tx.accounts(site).await?;
    let mut stored: HashMap<i64, BTreeMap<String, i64>> = HashMap::new();
    for (account, month, net) in tx.months(site).await? {
        stored.entry(account).or_default().insert(month, net);
    }
    let mut sums: BTreeMap<Uuid, i128> = BTreeMap::new();
    let nothing = BTreeMap::new();
    for account in &accounts {
        let name = format!("account {} of lot {}", account.place.0, account.lot);
        let key = (account.lot.0, account.place.0.clone(), account.place.1);
        let wanted = expected.months.get(&key).unwrap_or(&nothing);
        if stored.get(&account.id).unwrap_or(&nothing) != wanted {
            faults.add(&name, "its monthly figures are not those of the movements");
        }
        if account.balance_mg != wanted.values().sum::<i64>() {
            faults.add(
                &name,
                format!(
                    "its balance is {} mg, by the movements {} mg",
                    account.balance_mg,
                    wanted.values().sum::<i64>()
                ),
            );
        }
        *sums.entry(account.lot.0).or_default() += i128::from(account.balance_mg);
    }
    if accounts.len() != expected.months.len() {
        faults.add(
            "accounts",
            format!(
                "{} in the table, {} by the movements",
                accounts.len(),
                expected.months.len()
            ),
        );
    }
    for (lot, sum) in sums.into_iter().filter(|(_, sum)| *sum != 0) {
        faults.add(
            format!("lot {lot}"),
            format!("its accounts sum to {sum} mg, not to nothing"),
        );
    }
    Ok(())
}

async fn check_records(
    tx: &mut dyn Read,
    site: SiteId,
    expected: &mut Expected,
    faults: &mut Faults,
) -> Result<(), StoreError> {
    let mut after = None;
    loop {
        let page = tx.all_records(site, after, PAGE).await?;
        let Some(last) = page.last() else { break };
        after = Some(last.id);
        for row in page {
            let name = format!("record {} {}", row.kind, row.id);
            match expected.records.remove(&row.id) {
                None => faults.add(name, "no leaf says it"),
                Some((body, revision)) if body != row.body || revision != row.revision => {
                    faults.add(name, "it is not what the last leaf about it says");
                }
                Some(_) => {}
            }
        }
    }
    for id in expected.records.keys() {
        faults.add(format!("record {id}"), "a leaf says it, and it is missing");
    }
    Ok(())
}

async fn check_closings(
    tx: &mut dyn Read,
    site: SiteId,
    expected: &Expected,
    faults: &mut Faults,
) -> Result<(), StoreError> {
    let stored: Vec<(Uuid, bool)> = tx
        .closings(site)
        .await?
        .into_iter()
        .map(|row| (row.id, row.reopened))
        .collect();
    if stored != expected.closings {
        faults.add("closings", "they are not what the log says");
    }
    Ok(())
}

async fn check_batches(
    tx: &mut dyn Read,
    site: SiteId,
    expected: &Expected,
    faults: &mut Faults,
) -> Result<(), StoreError> {
    for (id, steps) in &expected.steps {
        let stored = tx.batch((*id).into()).await?;
        let wanted = canonical::text(steps);
        if stored.is_none_or(|row| row.steps != wanted) {
            faults.add(
                format!("batch {id}"),
                format!("its steps are not what the log says (site {site})"),
            );
        }
    }
    Ok(())
}
