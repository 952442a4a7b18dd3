//! Records: body, revision, and what follows from the body: label, day and links.

use std::collections::{BTreeSet, HashMap};

use serde_json::{Value, json};
use uuid::Uuid;

use super::expected::{Expected, Written};
use super::{Faults, PAGE, compare_table};
use crate::day::Day;
use crate::floor::Cupping;
use crate::ids::SiteId;
use crate::setup::{
    Coffee, CostLine, Delivery, Destination, Device, Dispatch, ListPart, Lot, Order, Person,
    Product, Record, Replacement, Roaster, SampleRequest, Scale, ShelfLevel, ShipDay, Site,
    StandingOrder, Storeroom, Style, Subscriber, Subscription, TableHeadings, Tariff, WriteDown,
};
use crate::store::{Read, StoreError};
use crate::week::{Card, ReleasedPlan};

/// What follows from a record's body.
pub(in crate::audit) struct Derived {
    /// Its name among its kind.
    pub label: Option<String>,
    /// The day it is about.
    pub day: Option<Day>,
    /// What it names.
    pub names: BTreeSet<Uuid>,
}

fn derived<R: Record>(body: &str) -> Option<Derived> {
    let record: R = serde_json::from_str(body).ok()?;
    Some(Derived {
        label: record.label(),
        day: record.day(),
        names: record.links().into_iter().map(|link| link.id).collect(),
    })
}

macro_rules! kinds {
    ($($record:ty),* $(,)?) => {
        /// What follows from a body of a kind; none where it is no such record.
        pub(in crate::audit) fn follows(kind: &str, body: &str) -> Option<Derived> {
            $(if kind == <$record>::KIND { return derived::<$record>(body); })*
            None
        }
    };
}

kinds! {
    Site, Person, Coffee, Style, Scale, Storeroom, Roaster, Delivery, Lot, SampleRequest, Product, ShelfLevel, ShipDay,
    Order, Cupping, ReleasedPlan, Card, CostLine, TableHeadings, Tariff, WriteDown, Destination, Subscription, Subscriber, Dispatch,
    ListPart, Replacement, StandingOrder, Device,
}

/// Compares both tables.
pub(super) async fn check(
    tx: &mut dyn Read,
    site: SiteId,
    expected: &Expected,
    faults: &mut Faults,
) -> Result<(), StoreError> {
    let mut stored = Vec::new();
    loop {
        let after = stored.last().map(|row: &Value| row["id"].clone());
        let after = after.and_then(|id| serde_json::from_value(id).ok());
        let page = tx.stored_records(site, after, PAGE).await;
        let page = faults.readable("records", page)?;
        if page.is_empty() {
            break;
        }
        stored.extend(page);
    }
    let mut wanted = Vec::new();
    let mut names: HashMap<Uuid, BTreeSet<Uuid>> = HashMap::new();
    for (id, written) in &expected.records {
        match follows(&written.kind, &written.body) {
            Some(derived) => {
                wanted.push(row(*id, written, &derived));
                names.insert(*id, derived.names);
            }
            None => faults.add(
                format!("record {id}"),
                format!("the log has a {} that is none", written.kind),
            ),
        }
    }
    compare_table("record", wanted, stored, faults);
    check_links(tx, site, names, faults).await
}

fn row(id: Uuid, written: &Written, derived: &Derived) -> Value {
    json!({
        "id": id, "kind": written.kind, "revision": written.revision, "body": written.body, "label": derived.label, "day": derived.day,
    })
}

async fn check_links(
    tx: &mut dyn Read,
    site: SiteId,
    wanted: HashMap<Uuid, BTreeSet<Uuid>>,
    faults: &mut Faults,
) -> Result<(), StoreError> {
    let mut found: HashMap<Uuid, BTreeSet<Uuid>> = HashMap::new();
    for (record, names) in tx.stored_links(site).await? {
        found.entry(record).or_default().insert(names);
    }
    for (id, names) in wanted {
        if found.remove(&id).unwrap_or_default() != names {
            faults.add(
                format!("record {id}, record_link"),
                "its links are not what its body names",
            );
        }
    }
    for id in found.into_keys() {
        faults.add(format!("record {id}, record_link"), "links of no record");
    }
    Ok(())
}
