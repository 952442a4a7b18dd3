//! The rows that follow from one leaf: postings with movements, weighings and bags, and journal entries.

use std::collections::HashMap;

use serde_json::{Value, json};

use super::Faults;
use super::expected::Account;
use crate::book::canonical;
use crate::book::leaf::{Leaf, Posting};
use crate::ids::SiteId;
use crate::store::{Read, StoreError};

/// Accounts by their numbers.
pub(super) type Numbers = HashMap<i64, Account>;

pub(super) async fn account_numbers(
    tx: &mut dyn Read,
    site: SiteId,
) -> Result<Numbers, StoreError> {
    Ok(tx
        .accounts(site)
        .await?
        .into_iter()
        .map(|a| (a.id, (a.lot.0, a.place.0, a.place.1)))
        .collect())
}

/// The rows that a leaf must have in the tables.
fn rows_of(leaf: &Leaf) -> Vec<Value> {
    match leaf {
        Leaf::Posting(posting) => rows_of_posting(posting),
        Leaf::Entry(e) => vec![json!({
            "table": "journal", "id": e.id, "v": e.head.v, "kind": e.kind, "subject": e.subject, "act": e.act, "person": e.head.person,
            "device": e.head.device, "happened_at": e.happened_at, "recorded_at": e.head.recorded_at, "reason": e.reason,
        })],
        Leaf::Closing(_) => Vec::new(),
    }
}

fn rows_of_posting(p: &Posting) -> Vec<Value> {
    let mut rows = vec![json!({
        "table": "posting", "id": p.id, "v": p.head.v, "kind": p.kind, "person": p.head.person, "device": p.head.device,
        "happened_at": p.happened_at, "effective_at": p.effective_at, "day": p.day, "recorded_at": p.head.recorded_at,
        "late": i32::from(p.late), "reason": p.reason, "card": p.card, "reverses": p.reverses, "facts": canonical::text(&p.facts),
        "digest": p.digest,
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
            "scale": w.scale, "unit": w.unit, "division_mg": w.division_mg, "net_mg": w.net_mg,
            "readings": canonical::text(&w.readings),
        })
    }));
    let bags = p.facts["bags"].as_array().into_iter().flatten();
    rows.extend(bags.enumerate().map(|(line, b)| {
        json!({
            "table": "bags", "posting": p.id, "line": line, "order": b["order"], "product": b["product"], "bags": b["bags"],
            "grind": b["grind"], "packing": b["packing"],
        })
    }));
    rows
}

/// Compares the rows stored for some leaves with what the leaves say.
pub(super) fn compare(
    stored: Vec<(i64, Value)>,
    leaves: &[Leaf],
    numbers: &Numbers,
    faults: &mut Faults,
) {
    let mut by_position: HashMap<i64, Vec<Value>> = HashMap::new();
    for (position, mut row) in stored {
        for side in ["from", "to"] {
            let number = row.get(side).and_then(Value::as_i64);
            if let Some(account) = number.and_then(|number| numbers.get(&number)) {
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
        let table = rows.first().and_then(|row| row["table"].as_str());
        faults.add(
            format!("leaf {position}"),
            format!(
                "the {} table has a row that no leaf says",
                table.unwrap_or_default()
            ),
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
        let table = wanted["table"].as_str().unwrap_or_default();
        faults.compare(&format!("leaf {position}, {table}"), wanted, found);
    }
}
