//! Commands: what was answered is what stands there, everything that was booked has its command, and what was kept waits unchanged.

use std::collections::HashSet;

use serde_json::Value;
use uuid::Uuid;

use super::expected::Expected;
use super::{Faults, PAGE, compare_table};
use crate::book::answer_hash;
use crate::ids::SiteId;
use crate::store::{Read, StoreError, StoredCommand};

/// Compares both tables.
pub(super) async fn check(
    tx: &mut dyn Read,
    site: SiteId,
    expected: &Expected,
    faults: &mut Faults,
) -> Result<(), StoreError> {
    let mut ids = HashSet::new();
    let mut digests = HashSet::new();
    let mut after: Option<Uuid> = None;
    loop {
        let page = tx.stored_commands(site, after, PAGE).await;
        let page = faults.readable("commands", page)?;
        let Some(last) = page.last() else { break };
        after = Some(last.id);
        for command in page {
            check_one(&command, expected, faults);
            ids.insert(command.id);
            digests.insert(hex::encode(command.digest));
        }
    }
    // Without its command, sending it again would book it again.
    let lost = expected.postings.keys().filter(|id| !ids.contains(id));
    for id in lost {
        faults.add(
            format!("command {id}"),
            "the log has its posting, and it is missing",
        );
    }
    for digest in expected.digests.difference(&digests) {
        faults.add(
            "commands",
            format!("the log has one with digest {digest}, and it is missing"),
        );
    }
    let unsettled = tx.stored_unsettled(site).await;
    let unsettled: Vec<Value> = faults.readable("unsettled", unsettled)?;
    let wanted = expected.unsettled.iter().cloned();
    compare_table("unsettled", wanted, unsettled, faults);
    Ok(())
}

fn check_one(command: &StoredCommand, expected: &Expected, faults: &mut Faults) {
    let place = format!("command {}", command.id);
    let hash = answer_hash(command.id, &command.digest, &command.answer);
    if hash.as_slice() != command.answer_hash {
        faults.add(
            &place,
            "its digest and answer are not those that were answered",
        );
    }
    let booked = expected.postings.get(&command.id);
    if booked.is_some_and(|digest| *digest != hex::encode(&command.digest)) {
        faults.add(&place, "its digest is not that of its posting");
    }
}
