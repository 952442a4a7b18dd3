//! Production is cupped: a table of cups for chosen batches under random codes, the samples for it, and what the cupper says of each cup.
//!
//! The table is a record; the samples are one posting. A cup that says hold puts its batch on hold, so that it is not bagged; a batch whose
//! cups all say pass is passed, if it was on hold.

use std::collections::BTreeSet;

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use super::batch::{State, Step};
use super::view::{BatchView, of_row};
use super::{Taken, fact, movement, say};
use crate::app::App;
use crate::book::leaf::{Act, Kind, words};
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::day::Day;
use crate::fraction::Fraction;
use crate::green::PostingView;
use crate::ids::{BatchId, SiteId};
use crate::mass::Mass;
use crate::refusal::{FieldError, Outcome, Refusal};
use crate::setup::{self, Expected, Kept, Record};
use crate::store::{Read, StoreError};
use crate::text::Note;

/// The most cups of one table.
const MOST_CUPS: usize = 200;
/// Codes have three digits, the first no nought.
const CODES: (u64, u64) = (100, 900);

words! {
    /// What a cup says of its batch.
    CupVerdict {
        /// It may be sold.
        Pass = "pass",
        /// It must not be bagged.
        Hold = "hold",
    }
}

/// One cup of a table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cup {
    /// Its code.
    pub code: u16,
    /// What is in it.
    pub batch: BatchId,
    /// What the cupper says of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<Note>,
    /// Whether it passes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdict: Option<CupVerdict>,
}

/// A table of cups.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cupping {
    /// When it was laid.
    pub day: Day,
    /// Water in a cup.
    pub water_g: Mass,
    /// Coffee in a cup.
    pub dose_g: Mass,
    /// Its cups, in order of their codes.
    pub cups: Vec<Cup>,
}

impl Record for Cupping {
    const KIND: &'static str = "cupping";

    fn label(&self) -> Option<String> {
        None
    }

    fn day(&self) -> Option<Day> {
        Some(self.day)
    }

    fn faults(&self) -> Vec<FieldError> {
        Vec::new()
    }
}

command! {
    /// A table of cups was laid, and the samples for it drawn.
    CuppingTable {
        /// The batches; they must have been weighed out.
        #[schema(min_items = 1, max_items = 200)]
        batches: Vec<BatchId>,
        /// Cups of each; 1 unless said.
        #[serde(default = "one")]
        #[schema(minimum = 1, maximum = 20)]
        cups_each: u8,
        /// Water in a cup.
        water_g: Mass,
        /// Coffee for the mass of the water: 0.055 is 5.5 g for 100 g.
        ratio: Fraction,
    }
}

command! {
    /// A cupper said what cups are like.
    CupVerdicts {
        /// The table.
        cupping: Uuid,
        /// The cups, any number of the table's.
        #[schema(min_items = 1, max_items = 200)]
        cups: Vec<Said>,
    }
}

const fn one() -> u8 {
    1
}

/// What a cupper says of one cup.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Said {
    /// Its code.
    #[schema(minimum = 100, maximum = 999)]
    pub code: u16,
    /// Whether it passes.
    pub verdict: CupVerdict,
    /// What it is like, in the cupper's own words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<Note>,
}

/// A cup as it is answered.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct CupView {
    /// Its code.
    pub code: u16,
    /// What is in it; null until the cup has its verdict, unless asked for.
    pub batch: Option<BatchView>,
    /// What the cupper says of it.
    pub notes: Option<Note>,
    /// Whether it passes; null until that is said.
    pub verdict: Option<CupVerdict>,
}

/// A table as it is answered.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct CuppingView {
    /// Its id.
    pub id: Uuid,
    /// How often it has been written.
    pub revision: i64,
    /// When it was laid.
    pub day: Day,
    /// Water in a cup.
    pub water_g: Mass,
    /// Coffee in a cup.
    pub dose_g: Mass,
    /// Its cups, in order of their codes.
    pub cups: Vec<CupView>,
}

/// The answer when a table was laid.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct TableLaid {
    /// The posting of the samples.
    pub posting: PostingView,
    /// The table, without what is in the cups.
    pub cupping: CuppingView,
}

/// The answer when cups were judged.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct CupsJudged {
    /// The table.
    pub cupping: CuppingView,
    /// Batches that are on hold now and were not.
    pub held: Vec<BatchId>,
    /// Batches that were on hold and are passed now.
    pub passed: Vec<BatchId>,
}

/// The coffee for a cup, to the nearest 0.01 g.
#[must_use]
pub fn dose(water: Mass, ratio: Fraction) -> Mass {
    let exact = i128::from(water.mg()) * i128::from(ratio.ppm());
    let mg = (exact + 5_000_000) / 10_000_000 * 10;
    i64::try_from(mg)
        .ok()
        .and_then(|mg| Mass::from_mg(mg).ok())
        .unwrap_or(Mass::MAX)
}

/// So many different codes, as a seed deals them.
fn codes(seed: Uuid, count: usize) -> Vec<u16> {
    let mut codes: Vec<u16> = Vec::with_capacity(count);
    let mut n = 0_u64;
    while codes.len() < count {
        let mut hash = Sha256::new();
        hash.update(seed.as_bytes());
        hash.update(n.to_be_bytes());
        let mut first = [0; 8];
        first.copy_from_slice(&hash.finalize()[..8]);
        let code = CODES.0 + u64::from_be_bytes(first) % CODES.1;
        let code = u16::try_from(code).unwrap_or_default();
        if !codes.contains(&code) {
            codes.push(code);
        }
        n += 1;
    }
    codes
}

#[async_trait]
impl Command for CuppingTable {
    const NAME: &'static str = "cuppings";
    type Answer = TableLaid;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, id: Uuid) -> Outcome<TableLaid> {
        self.check()?;
        let site = book.site();
        let dose_g = dose(self.water_g, self.ratio);
        let sample = dose_g.times(i64::from(self.cups_each))?;
        let mut drawn = Vec::with_capacity(self.batches.len());
        for (i, batch) in self.batches.iter().enumerate() {
            drawn.push(self.draw(book, id, (i, *batch), sample).await?);
        }
        let table = app.clock.new_id();
        let facts: Vec<Value> = drawn
            .iter()
            .map(|(taken, step, _)| fact(taken.batch.id, step))
            .collect();
        let draft = Draft {
            id: id.into(),
            kind: Kind::Sample,
            happened_at: self.happened_at,
            reason: self.common().why(),
            card: None,
            reverses: None,
            facts: json!({ "steps": facts, "purpose": "cupping", "cupping": table }),
            movements: drawn.iter().map(|(.., movement)| *movement).collect(),
            weighings: Vec::new(),
        };
        let posting = book.post(draft).await?;
        for (mut taken, step, _) in drawn {
            taken.step(book, step).await?;
        }
        let cupping = self.table(posting.day, dose_g, app.clock.new_id());
        let entry = app.clock.new_id();
        let (kept, _) = setup::put(book, table, Expected::Nothing, cupping, entry).await?;
        Ok(TableLaid {
            posting: (&posting).into(),
            cupping: view(book.tx(), site, kept, false).await?,
        })
    }
}

impl CuppingTable {
    fn check(&self) -> Outcome<()> {
        let cups = self.batches.len() * usize::from(self.cups_each);
        if self.batches.is_empty() || cups > MOST_CUPS {
            return Err(Refusal::field(
                "/batches",
                format!("lay 1 to {MOST_CUPS} cups at a time"),
            ));
        }
        if !(1..=20).contains(&self.cups_each) {
            return Err(Refusal::field("/cups_each", "1 to 20 cups of each batch"));
        }
        if self.water_g < Mass::GRAM || self.water_g.whole_grams() > 2_000 {
            return Err(Refusal::field(
                "/water_g",
                "a cup holds between 1 g and 2 kg of water",
            ));
        }
        if !(10_000..=200_000).contains(&self.ratio.ppm()) {
            return Err(Refusal::field(
                "/ratio",
                "between 0.01 and 0.2; 0.055 is 5.5 g of coffee for 100 g of water",
            ));
        }
        if let Some(i) =
            (1..self.batches.len()).find(|i| self.batches[..*i].contains(&self.batches[*i]))
        {
            return Err(Refusal::field(
                &format!("/batches/{i}"),
                "name each batch once",
            ));
        }
        Ok(())
    }

    /// The sample of one batch, out of what lies roasted of it.
    async fn draw(
        &self,
        book: &mut Book,
        id: Uuid,
        (i, batch): (usize, BatchId),
        mass_g: Mass,
    ) -> Outcome<(Taken, Step, crate::book::leaf::Movement)> {
        let site = book.site();
        let at = format!("/batches/{i}");
        let taken = Taken::new(book, batch).await?;
        let Some(lot) = taken
            .batch
            .lot()
            .filter(|_| taken.batch.state() == State::WeighedOut)
        else {
            return Err(Refusal::field(
                &at,
                "name a batch that has been weighed out and was not scrapped",
            ));
        };
        let place = Place::Roasted(batch);
        let left = book.tx().balance(site, lot, place).await?;
        if left < mass_g {
            return Err(Refusal::field(
                &at,
                format!("{left} of this batch lies roasted, and its cups need {mass_g}"),
            ));
        }
        let step = Step::Sampled {
            by: id.into(),
            mass_g,
            before: false,
        };
        let movement = movement(lot, place, Place::Sample, mass_g);
        let movement =
            movement.ok_or_else(|| Refusal::field("/ratio", "a cup with no coffee in it"))?;
        Ok((taken, step, movement))
    }

    fn table(&self, day: Day, dose_g: Mass, seed: Uuid) -> Cupping {
        let each = usize::from(self.cups_each);
        let codes = codes(seed, self.batches.len() * each);
        let batches = self.batches.iter().flat_map(|batch| vec![*batch; each]);
        let mut cups: Vec<Cup> = codes
            .into_iter()
            .zip(batches)
            .map(|(code, batch)| Cup {
                code,
                batch,
                notes: None,
                verdict: None,
            })
            .collect();
        cups.sort_by_key(|cup| cup.code);
        Cupping {
            day,
            water_g: self.water_g,
            dose_g,
            cups,
        }
    }
}

#[async_trait]
impl Command for CupVerdicts {
    const NAME: &'static str = "cup-verdicts";
    type Answer = CupsJudged;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, _id: Uuid) -> Outcome<CupsJudged> {
        let site = book.site();
        let before = setup::named::<Cupping>(book.tx(), site, "/cupping", self.cupping).await?;
        let mut fields = before.fields.clone();
        let touched = self.write_down(&mut fields)?;
        let expected = Expected::Revision(before.revision);
        let entry = app.clock.new_id();
        let (kept, _) = setup::put(book, before.id, expected, fields, entry).await?;
        let (mut held, mut passed) = (Vec::new(), Vec::new());
        for (batch, verdict, reason) in touched {
            let mut taken = Taken::up(book, batch).await?;
            if taken.batch.state() != State::WeighedOut {
                continue;
            }
            let entry = app.clock.new_id();
            match (verdict, taken.batch.hold().is_some()) {
                (CupVerdict::Hold, false) => {
                    say::hold(book, entry, &mut taken, self.happened_at, reason).await?;
                    held.push(batch);
                }
                (CupVerdict::Pass, true) => {
                    let step = Step::Passed { by: entry, reason };
                    say::say(book, entry, &mut taken, Act::Pass, self.happened_at, step).await?;
                    passed.push(batch);
                }
                _ => {}
            }
        }
        Ok(CupsJudged {
            cupping: view(book.tx(), site, kept, false).await?,
            held,
            passed,
        })
    }
}

impl CupVerdicts {
    /// Writes verdicts and notes to their cups; answers what follows for each batch that was judged: it is held by any of its cups, and
    /// passes when all of them do.
    fn write_down(&self, table: &mut Cupping) -> Outcome<Vec<(BatchId, CupVerdict, String)>> {
        let mut touched: BTreeSet<BatchId> = BTreeSet::new();
        for (i, said) in self.cups.iter().enumerate() {
            let cup = table.cups.iter_mut().find(|cup| cup.code == said.code);
            let cup = cup.ok_or_else(|| {
                Refusal::field(
                    &format!("/cups/{i}/code"),
                    "there is no cup with this code on the table",
                )
            })?;
            cup.verdict = Some(said.verdict);
            cup.notes.clone_from(&said.notes);
            touched.insert(cup.batch);
        }
        if touched.is_empty() {
            return Err(Refusal::field("/cups", "say something of at least one cup"));
        }
        Ok(touched
            .into_iter()
            .filter_map(|batch| table.verdict(batch))
            .collect())
    }
}

impl Cupping {
    /// What its cups say of a batch, with the words for it; none while they say nothing for certain.
    fn verdict(&self, batch: BatchId) -> Option<(BatchId, CupVerdict, String)> {
        let cups = || self.cups.iter().filter(|cup| cup.batch == batch);
        let held = cups().any(|cup| cup.verdict == Some(CupVerdict::Hold));
        let passed = cups().all(|cup| cup.verdict == Some(CupVerdict::Pass));
        let verdict = match (held, passed) {
            (true, _) => CupVerdict::Hold,
            (false, true) => CupVerdict::Pass,
            (false, false) => return None,
        };
        let said: Vec<String> = cups()
            .filter(|cup| cup.verdict == Some(verdict))
            .map(|cup| {
                let notes = cup.notes.as_ref().map_or("", Note::as_str);
                format!("cup {} {notes}", cup.code).trim().to_owned()
            })
            .collect();
        let said: String = format!("cupped: {}", said.join("; "))
            .chars()
            .take(1_000)
            .collect();
        Some((batch, verdict, said))
    }
}

/// A table as it is answered; what is in a cup is told when it has its verdict, or when all is to be told.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn view(
    tx: &mut dyn Read,
    site: SiteId,
    kept: Kept<Cupping>,
    tell: bool,
) -> Result<CuppingView, StoreError> {
    let mut cups = Vec::with_capacity(kept.fields.cups.len());
    for cup in kept.fields.cups {
        let batch = if tell || cup.verdict.is_some() {
            of_row(tx, site, cup.batch).await?
        } else {
            None
        };
        cups.push(CupView {
            code: cup.code,
            batch,
            notes: cup.notes,
            verdict: cup.verdict,
        });
    }
    Ok(CuppingView {
        id: kept.id,
        revision: kept.revision,
        day: kept.fields.day,
        water_g: kept.fields.water_g,
        dose_g: kept.fields.dose_g,
        cups,
    })
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::*;

    fn grams(text: &str) -> Mass {
        serde_json::from_str(text).unwrap()
    }

    /// 8.25 g for 150 ml: a specialty association's protocol; 7 g for 100 ml: ISO 6668:2008, from memory; 10 g at 55 g/l: an open cupping
    /// protocol. The rows and where they were read stand in the file.
    #[test]
    fn doses_are_the_published_ones() {
        let text = include_str!("../../tests/demand/data/cupping-ratios.csv");
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let mut checked = 0;
        for row in reader.records().map(Result::unwrap) {
            let (Ok(dose_g), Ok(water), Ok(per_litre)) = (
                row[1].parse::<f64>(),
                row[2].parse::<i64>(),
                row[3].parse::<f64>(),
            ) else {
                continue;
            };
            let water = Mass::from_grams(water).unwrap();
            let found = dose(water, Fraction::nearest(per_litre / 1_000.0));
            assert!(
                (found.grams() - dose_g).abs() < 1e-9,
                "{}: {found}",
                &row[0]
            );
            checked += 1;
        }
        assert_eq!(checked, 2);
        // Common practice, without source: 5.5 to 6 g for 100 g of water, so 9.9 to 10.8 g in a cup of 180 g; 11 g is 6.1 g for 100.
        assert_eq!(dose(grams("180"), Fraction::from_ppm(55_000)), grams("9.9"));
        assert_eq!(dose(grams("180"), Fraction::from_ppm(61_111)), grams("11"));
    }

    proptest! {
        /// Codes have three digits and no two are alike.
        #[test]
        fn codes_differ(seed in any::<u128>(), count in 1usize..=MOST_CUPS) {
            let mut found = codes(Uuid::from_u128(seed), count);
            prop_assert!(found.iter().all(|code| (100..=999).contains(code)));
            found.sort_unstable();
            found.dedup();
            prop_assert_eq!(found.len(), count);
        }
    }

    /// Each code is as likely as any other: of 100,000 drawn, a code is expected 111 times, with a standard deviation of 10.5 (binomial).
    #[test]
    fn codes_are_dealt_evenly() {
        let mut counts = BTreeMap::new();
        for n in 0..20_000_u128 {
            for code in codes(Uuid::from_u128(n), 5) {
                *counts.entry(code).or_insert(0) += 1;
            }
        }
        assert_eq!(counts.len(), 900);
        assert!(
            counts.values().all(|n| (50..=172).contains(n)),
            "{counts:?}"
        );
    }
}
