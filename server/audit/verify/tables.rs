//! Accounts with their balances and months, flows, counts and closings.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use serde_json::json;
use uuid::Uuid;

use super::expected::Expected;
use super::{Faults, compare_table};
use crate::counting::session::Session;
use crate::ids::SiteId;
use crate::store::{Read, StoreError};

/// Balances and monthly figures are those of the movements, and every lot sums to nothing.
pub(super) async fn accounts(
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
        let balance: i64 = wanted.values().sum();
        if account.balance_mg != balance {
            faults.add(
                &name,
                format!(
                    "its balance is {} mg, by the movements {balance} mg",
                    account.balance_mg
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

/// Closings are those of the log, and opened again where it says so.
pub(super) async fn closings(
    tx: &mut dyn Read,
    site: SiteId,
    expected: &Expected,
    faults: &mut Faults,
) -> Result<(), StoreError> {
    let stored = tx.stored_closings(site).await;
    let stored = faults.readable("closings", stored)?;
    compare_table("closing", expected.closings.iter().cloned(), stored, faults);
    Ok(())
}

/// Monthly flows are those of the movements.
pub(super) async fn flows(
    tx: &mut dyn Read,
    site: SiteId,
    expected: &Expected,
    faults: &mut Faults,
) -> Result<(), StoreError> {
    let stored = tx.stored_flows(site).await;
    let stored: BTreeMap<_, _> = faults.readable("flows", stored)?.into_iter().collect();
    let keys = stored.keys().chain(expected.flows.keys());
    for flow in keys.collect::<BTreeSet<_>>() {
        if stored.get(flow) != expected.flows.get(flow) {
            let (lot, kind, from, _, to, _, month) = flow;
            faults.add(
                format!("flow of lot {lot} by {kind} from {from} to {to} in {month}"),
                "it is not that of the movements",
            );
        }
    }
    Ok(())
}

/// Counts have the steps of the log, and the columns beside them follow from those.
pub(super) async fn counts(
    tx: &mut dyn Read,
    site: SiteId,
    expected: &Expected,
    faults: &mut Faults,
) -> Result<(), StoreError> {
    let stored = tx.stored_counts(site).await;
    let stored = faults.readable("counts", stored)?;
    let wanted = expected.counts.iter().map(|(id, steps)| {
        let row = Session::of_steps(*id, steps).and_then(|session| session.row());
        row.map_or_else(
            || json!({"id": id, "steps": "none that can be read"}),
            |row| json!({"id": row.id, "state": row.state, "frozen_at": row.frozen_at.ms(), "steps": row.steps}),
        )
    });
    compare_table("count", wanted, stored, faults);
    Ok(())
}
