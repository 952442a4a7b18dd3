//! Batches roasted before this book began: taken over from a roastery's own table as the start of what is learned.
//!
//! They are no stock movements: the green was never in this book. Each part of a table is a journal entry that holds its rows, so what is
//! learned from them follows from the log alone. An import can be taken back as a whole.

mod import;
mod table;
mod taken;

pub use import::{PastImport, PastTaken, PastWithdrawal, PastWithdrawn};
pub use table::{CoffeeSeen, OddRow, PastDryRun, PastText, dry_run};
pub use taken::{PastImportView, imports};

use std::collections::HashMap;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::history::{self, Beside};
use crate::book::leaf::{Act, Leaf};
use crate::day::{Day, Instant};
use crate::fraction::Fraction;
use crate::ids::{LotId, RoasterId, SiteId, StyleId};
use crate::loss::{self, Fact, Happening, Weights};
use crate::mass::Mass;
use crate::store::{Read, StoreError};
use crate::text::Name;

/// The kind of thing that the journal's entries of imports are about.
pub const KIND: &str = "past_import";

/// A batch roasted before this book began.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PastBatch {
    /// Its id: what tells it from others, however often its table is taken.
    pub id: Uuid,
    /// The site's wall-clock minute since 1970 at which it was weighed out.
    #[schema(minimum = 0)]
    pub minute: i64,
    /// The coffee as its table names it. One that is no lot of this book counts as a lot and delivery of its own.
    pub coffee: Name,
    /// The lot of this book that it was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lot: Option<LotId>,
    /// The style.
    pub style: StyleId,
    /// The roaster.
    pub roaster: RoasterId,
    /// Green weighed in.
    pub green_g: Mass,
    /// Roasted weighed out.
    pub roasted_g: Mass,
    /// Division of the scale for green.
    pub green_division_g: Mass,
    /// Division of the scale for roasted coffee.
    pub roasted_division_g: Mass,
    /// When the green came, if known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub received: Option<Day>,
    /// Moisture of the green, if measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub moisture: Option<Fraction>,
}

/// The rows of one journal entry.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Part {
    name: Name,
    rows: Vec<PastBatch>,
}

/// An import as the book has it, all its parts together.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Import {
    id: Uuid,
    name: Name,
    at: Instant,
    rows: Vec<PastBatch>,
}

impl Import {
    /// What the journal says of imports, in the order in which they began; those taken back are gone.
    async fn all(tx: &mut dyn Read, site: SiteId) -> Result<Vec<Self>, StoreError> {
        let mut imports: Vec<Self> = Vec::new();
        for leaf in tx.entries(site, &[Act::Import, Act::Withdraw]).await? {
            let Leaf::Entry(entry) = serde_json::from_str(&leaf).map_err(crate::book::damaged)?
            else {
                continue;
            };
            if entry.kind != KIND {
                continue;
            }
            if entry.act == Act::Withdraw {
                imports.retain(|import| import.id != entry.subject);
                continue;
            }
            let part: Part = serde_json::from_value(entry.after).map_err(crate::book::damaged)?;
            match imports.iter_mut().find(|import| import.id == entry.subject) {
                Some(import) => import.rows.extend(part.rows),
                None => imports.push(Self {
                    id: entry.subject,
                    name: part.name,
                    rows: part.rows,
                    at: Instant::from_ms(entry.head.recorded_at),
                }),
            }
        }
        Ok(imports)
    }
}

/// All batches taken over, in the order in which they were.
pub(super) async fn batches(tx: &mut dyn Read, site: SiteId) -> Result<Vec<PastBatch>, StoreError> {
    let imports = Import::all(tx, site).await?;
    Ok(imports.into_iter().flat_map(|import| import.rows).collect())
}

/// The facts that the learner learns from them.
pub(super) fn facts(past: &[PastBatch], beside: &Beside) -> Vec<Fact> {
    let mut strangers: HashMap<String, Stranger> = HashMap::new();
    for batch in past.iter().filter(|batch| batch.lot.is_none()) {
        let id = stranger_id(&batch.coffee);
        strangers.entry(id).or_default().see(batch);
    }
    let mut facts: Vec<Fact> = past
        .iter()
        .filter_map(|batch| fact(batch, beside, &strangers))
        .collect();
    facts.extend(
        strangers
            .iter()
            .flat_map(|(id, stranger)| stranger.events(id)),
    );
    facts
}

/// A coffee that is no lot of this book.
#[derive(Debug, Default)]
struct Stranger {
    received: Option<i64>,
    last: i64,
    /// Readings of its moisture, with the batches that they came with.
    moisture: Vec<(i64, Uuid, Fraction)>,
}

impl Stranger {
    fn see(&mut self, batch: &PastBatch) {
        let day = batch
            .received
            .map_or(batch.minute.div_euclid(1_440), history::day_number);
        self.received = Some(self.received.map_or(day, |known| known.min(day)));
        self.last = self.last.max(batch.minute);
        self.moisture.extend(
            batch
                .moisture
                .map(|reading| (batch.minute, batch.id, reading)),
        );
    }

    /// Its moisture where it changes, and its leaving after its last batch.
    fn events(&self, id: &str) -> Vec<Fact> {
        let mut readings = self.moisture.clone();
        readings.sort_unstable();
        readings.dedup_by_key(|(_, _, reading)| *reading);
        let received = self.received.unwrap_or_default().saturating_mul(1_440);
        let mut events: Vec<Fact> = readings
            .iter()
            .enumerate()
            .map(|(n, (minute, batch, reading))| Fact::Event {
                id: format!("moisture of past {batch}"),
                minute: if n == 0 {
                    received.min(*minute)
                } else {
                    *minute
                },
                millisecond: 0,
                what: Happening::Moisture {
                    lot: id.to_owned(),
                    reading: reading.value(),
                    sd: history::METER_SD,
                },
            })
            .collect();
        events.push(Fact::Event {
            id: format!("left {id}"),
            minute: self.last,
            millisecond: 0,
            what: Happening::LotLeft {
                lot: id.to_owned(),
                with_delivery: true,
            },
        });
        events
    }
}

fn stranger_id(coffee: &Name) -> String {
    format!("past {}", coffee.as_str().to_lowercase())
}

fn fact(batch: &PastBatch, beside: &Beside, strangers: &HashMap<String, Stranger>) -> Option<Fact> {
    let lot = if let Some(lot) = batch.lot {
        history::lot(beside.lots.get(&lot)?, beside.received.get(&lot).copied())
    } else {
        let id = stranger_id(&batch.coffee);
        loss::Lot {
            delivery: id.clone(),
            grade: String::new(),
            received_day: strangers.get(&id)?.received?,
            id,
        }
    };
    Some(Fact::Batch(loss::Batch {
        id: batch.id.to_string(),
        minute: batch.minute,
        millisecond: 0,
        lot: lot.into(),
        style: history::style(beside.styles.get(&batch.style)?).into(),
        roaster: batch.roaster.to_string().into(),
        weights: Weights {
            charges_g: vec![batch.green_g.grams()],
            roasted_g: batch.roasted_g.grams(),
            division_in_g: batch.green_division_g.grams(),
            division_out_g: batch.roasted_division_g.grams(),
        },
        teaches: !beside.roasters.get(&batch.roaster)?.fields.sample_roaster,
        review: loss::Review::None,
    }))
}
