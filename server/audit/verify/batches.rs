//! Batches: their steps are those of the log, and the columns beside them follow from the steps.

use serde_json::{Value, json};
use uuid::Uuid;

use super::expected::Expected;
use super::{Faults, PAGE, compare_table};
use crate::floor::batch::{Batch, Step};
use crate::ids::SiteId;
use crate::store::{BatchRow, Read, StoreError};

/// The row of a batch with these steps; `before` is the row it had before something of it was undone.
pub(super) fn row_of(id: Uuid, steps: &[Value], before: Option<&BatchRow>) -> Option<BatchRow> {
    let steps = steps.iter().cloned().map(serde_json::from_value::<Step>);
    let batch = Batch {
        id: id.into(),
        steps: steps.collect::<Result<_, _>>().ok()?,
    };
    batch.row(before)
}

/// Compares the table.
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
        let page = tx.stored_batches(site, after, PAGE).await;
        let page = faults.readable("batches", page)?;
        if page.is_empty() {
            break;
        }
        stored.extend(page);
    }
    let wanted = expected.steps.iter().map(|(id, steps)| {
        let row = row_of(*id, steps, expected.undone.get(id));
        row.map_or_else(
            || json!({"id": id, "steps": "none that can be read"}),
            |row| value(&row),
        )
    });
    compare_table("batch", wanted, stored, faults);
    Ok(())
}

fn value(row: &BatchRow) -> Value {
    json!({
        "id": row.id, "lot": row.lot, "style": row.style, "roaster": row.roaster, "card": row.card, "state": row.state,
        "held": i32::from(row.held), "day": row.day, "out_minute": row.out_minute, "steps": row.steps,
    })
}
