//! Taking past batches over, part by part, and taking an import back.

use std::collections::{HashMap, HashSet};

use async_trait::async_trait;
use serde::Serialize;
use serde_json::{Value, json};
use uuid::Uuid;

use super::{Import, KIND, Part, PastBatch};
use crate::app::App;
use crate::book::leaf::Act;
use crate::book::{Book, Remark};
use crate::command::{Command, Common, command};
use crate::mass::Mass;
use crate::refusal::{FieldError, Outcome, Refusal};
use crate::setup::{self, Lot, Roaster, Style, TableKind};
use crate::sheet::Headings;
use crate::store::StoreError;
use crate::text::Name;

/// A part holds at most so many rows: a page shows how far it has come, and may stop, between parts.
const MOST_ROWS: usize = 2_000;

command! {
    /// Batches roasted before this book began were taken over from a table, or a part of them.
    PastImport {
        /// The import they belong to: the parts of one table have one.
        import: Uuid,
        /// What the table is called.
        name: Name,
        /// The rows. Those taken over before, by their ids, are left aside.
        #[schema(min_items = 1, max_items = 2000)]
        rows: Vec<PastBatch>,
        /// The headings that the table was read with, remembered for the next time.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        headings: Option<Headings>,
    }
}

command! {
    /// An import of past batches was taken back: nothing is learned from it any more.
    PastWithdrawal {
        /// The import.
        import: Uuid,
    }
}

/// What a part of an import did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct PastTaken {
    /// The import.
    pub import: Uuid,
    /// Batches taken over.
    pub added: usize,
    /// Batches that had been taken over before.
    pub same: usize,
}

/// What taking an import back did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct PastWithdrawn {
    /// The import.
    pub import: Uuid,
    /// Batches that nothing is learned from any more.
    pub batches: usize,
}

#[async_trait]
impl Command for PastImport {
    const NAME: &'static str = "past-imports";
    type Answer = PastTaken;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, id: Uuid) -> Outcome<PastTaken> {
        let mut faults = self.faults(book);
        faults.extend(self.unknown(book).await?);
        if !faults.is_empty() {
            return Err(Refusal::Invalid(faults));
        }
        let site = book.site();
        let known = super::batches(book.tx(), site).await?;
        let mut known: HashSet<Uuid> = known.into_iter().map(|batch| batch.id).collect();
        let rows: Vec<PastBatch> = self
            .rows
            .iter()
            .filter(|row| known.insert(row.id))
            .cloned()
            .collect();
        let added = rows.len();
        setup::remember_headings(
            book,
            &app.clock,
            TableKind::PastBatches,
            self.headings.as_ref(),
        )
        .await?;
        if added > 0 {
            let part = Part {
                name: self.name.clone(),
                rows,
            };
            remark(
                book,
                id,
                self.common(),
                self.import,
                Act::Import,
                json!(part),
            )
            .await?;
        }
        Ok(PastTaken {
            import: self.import,
            added,
            same: self.rows.len() - added,
        })
    }
}

impl PastImport {
    /// What is wrong with the rows by themselves.
    fn faults(&self, book: &Book) -> Vec<FieldError> {
        let now = book.zone().local_minute(book.now());
        if self.rows.is_empty() || self.rows.len() > MOST_ROWS {
            return vec![fault(
                "/rows".to_owned(),
                &format!("1 to {MOST_ROWS} rows at once"),
            )];
        }
        let mut faults = Vec::new();
        for (n, row) in self.rows.iter().enumerate() {
            let mut say = |field: &str, wrong: bool, detail: &str| {
                faults.extend(wrong.then(|| fault(format!("/rows/{n}/{field}"), detail)));
            };
            say("minute", row.minute < 0, "not before 1970");
            say("minute", row.minute > now, "this is still to come");
            say(
                "green_g",
                !row.green_g.is_positive(),
                "a mass above nothing",
            );
            say(
                "roasted_g",
                !row.roasted_g.is_positive(),
                "a mass above nothing",
            );
            for (field, division) in [
                ("green_division_g", row.green_division_g),
                ("roasted_division_g", row.roasted_division_g),
            ] {
                say(field, division < Mass::ZERO, "a mass of nothing or more");
            }
            let moist = row.moisture.map_or(0.1, crate::fraction::Fraction::value);
            say(
                "moisture",
                moist <= 0.0 || moist >= 0.5,
                "a fraction above 0 and below 0.5 such as 0.112",
            );
        }
        faults
    }

    /// Names of what is not there.
    async fn unknown(&self, book: &mut Book) -> Result<Vec<FieldError>, StoreError> {
        let site = book.site();
        let mut there: HashMap<(&str, Uuid), bool> = HashMap::new();
        let mut faults = Vec::new();
        for (n, row) in self.rows.iter().enumerate() {
            let names = [
                ("style", <Style as setup::Record>::KIND, Some(row.style.0)),
                (
                    "roaster",
                    <Roaster as setup::Record>::KIND,
                    Some(row.roaster.0),
                ),
                (
                    "lot",
                    <Lot as setup::Record>::KIND,
                    row.lot.map(|lot| lot.0),
                ),
            ];
            for (field, kind, id) in names {
                let Some(id) = id else { continue };
                let known = match there.get(&(kind, id)) {
                    Some(known) => *known,
                    None => book
                        .tx()
                        .record(site, id)
                        .await?
                        .is_some_and(|record| record.kind == kind),
                };
                there.insert((kind, id), known);
                if !known {
                    faults.push(fault(
                        format!("/rows/{n}/{field}"),
                        &format!("there is no such {kind}"),
                    ));
                }
            }
        }
        Ok(faults)
    }
}

#[async_trait]
impl Command for PastWithdrawal {
    const NAME: &'static str = "past-withdrawals";
    type Answer = PastWithdrawn;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<PastWithdrawn> {
        let site = book.site();
        let imports = Import::all(book.tx(), site).await?;
        let Some(import) = imports.iter().find(|import| import.id == self.import) else {
            return Err(Refusal::field(
                "/import",
                "there is no such import, or it has been taken back",
            ));
        };
        remark(
            book,
            id,
            self.common(),
            self.import,
            Act::Withdraw,
            Value::Null,
        )
        .await?;
        Ok(PastWithdrawn {
            import: self.import,
            batches: import.rows.len(),
        })
    }
}

fn fault(pointer: String, detail: &str) -> FieldError {
    FieldError {
        pointer,
        detail: detail.to_owned(),
    }
}

async fn remark(
    book: &mut Book,
    id: Uuid,
    common: Common<'_>,
    subject: Uuid,
    act: Act,
    after: Value,
) -> Outcome<()> {
    let remark = Remark {
        id,
        kind: KIND,
        subject,
        act,
        happened_at: common.happened_at,
        reason: common.why(),
        before: Value::Null,
        after,
    };
    book.remark(remark).await?;
    Ok(())
}
