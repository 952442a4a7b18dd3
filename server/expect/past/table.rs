//! Reading a roastery's own table of past batches, and looking at it before anything is taken over.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use uuid::{Builder, Uuid};

use super::{PastBatch, facts};
use crate::book::canonical;
use crate::day::{Day, Instant, TimeOfDay};
use crate::expect::history::{self, Beside};
use crate::expect::{Expect, Explanation, judgement_of, sentence};
use crate::floor::batch::Judgement;
use crate::fraction::Fraction;
use crate::ids::{LotId, RoasterId, ScaleId, SiteId, StyleId};
use crate::loss::{self, Fact, Learner};
use crate::mass::{Mass, Unit};
use crate::refusal::{LineError, Outcome};
use crate::setup::{self, Roaster, Scale, Style, TableKind};
use crate::sheet::{Cells, Columns, Field, Headings, Sheet, wrong};
use crate::store::{Read, StoreError};
use crate::text::Name;

/// The columns, and whether a table must have them.
const FIELDS: [Field; 10] = [
    field("date", true),
    field("time", false),
    field("coffee", true),
    field("lot", false),
    field("style", false),
    field("roaster", false),
    field("green", true),
    field("roasted", true),
    field("received", false),
    field("moisture", false),
];
/// The time of a batch whose table names none; those of one day follow each other by a minute.
const NOON: i64 = 12 * 60;
/// How many like names are offered for one that is not known.
const NEAREST: usize = 3;

const fn field(name: &'static str, must: bool) -> Field {
    Field { name, must }
}

/// A table of past batches.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PastText {
    /// The table as text: columns `date`, `time`, `coffee`, `lot`, `style`, `roaster`, `green`, `roasted`, `received`, `moisture`; separated
    /// by commas, semicolons or tabs.
    pub csv: String,
    /// The headings of columns that are not headed by these names; those used last where nothing is said.
    #[serde(default)]
    pub headings: Option<Headings>,
    /// The unit of masses that name none.
    pub unit: Unit,
    /// The style of rows that name none.
    #[serde(default)]
    pub style: Option<StyleId>,
    /// The roaster of rows that name none.
    #[serde(default)]
    pub roaster: Option<RoasterId>,
}

/// A row outside what would have been expected.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct OddRow {
    /// Its line.
    pub line: u64,
    /// The coffee.
    pub coffee: Name,
    /// How its loss stands to what would have been expected.
    pub judgement: Judgement,
    /// It in words.
    pub sentence: String,
    /// What would explain it, the likeliest.
    pub explanation: Option<Explanation>,
    /// Whether it would be learned: rows that agree with each other are, others are left aside.
    pub learned: bool,
}

/// A coffee of a table.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct CoffeeSeen {
    /// As the table names it.
    pub coffee: Name,
    /// The lot of this book that it is.
    pub lot: Option<LotId>,
    /// How many batches it has.
    pub batches: usize,
    /// Their loss altogether.
    pub loss: Option<Fraction>,
}

/// What a table holds, and what is wrong with it.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PastDryRun {
    /// The rows that can be taken over, to be sent in parts.
    pub rows: Vec<PastBatch>,
    /// How many of them have been taken over before.
    pub same: usize,
    /// What cannot be read.
    pub errors: Vec<LineError>,
    /// Rows outside what would have been expected of them.
    pub odd: Vec<OddRow>,
    /// The coffees.
    pub coffees: Vec<CoffeeSeen>,
}

/// Looks at a table and changes nothing. Its rows are judged as they would have been, each by what the ones before it taught.
///
/// # Errors
/// [`crate::refusal::Refusal`] for a style or roaster that is not there.
pub async fn dry_run(
    expect: &Expect,
    mut snapshot: Box<dyn Read>,
    site: SiteId,
    now: Instant,
    text: PastText,
) -> Outcome<PastDryRun> {
    let tx = &mut *snapshot;
    if let Some(style) = text.style {
        setup::named::<Style>(tx, site, "/style", style).await?;
    }
    if let Some(roaster) = text.roaster {
        setup::named::<Roaster>(tx, site, "/roaster", roaster).await?;
    }
    let headings =
        setup::headings(tx, site, TableKind::PastBatches, text.headings.as_ref()).await?;
    let reader = Reader::new(tx, site, now, &text).await?;
    let known = super::batches(tx, site).await?;
    drop(snapshot);
    let learner = expect.learner();
    let looked = tokio::task::spawn_blocking(move || {
        reader.look(&text.csv, headings.as_ref(), &known, &learner)
    });
    looked.await.map_err(|error| {
        StoreError::Database(format!("the table could not be read: {error}")).into()
    })
}

/// What the rows of a table are read against.
struct Reader {
    beside: Beside,
    divisions: HashMap<ScaleId, Mass>,
    now: i64,
    unit: Unit,
    style: Option<StyleId>,
    roaster: Option<RoasterId>,
}

/// A row as read, with its line.
struct LineRead {
    line: u64,
    batch: PastBatch,
}

impl Reader {
    async fn new(
        tx: &mut dyn Read,
        site: SiteId,
        now: Instant,
        text: &PastText,
    ) -> Result<Self, StoreError> {
        let beside = Beside::read(tx, site).await?;
        let scales = setup::all::<Scale>(tx, site).await?;
        Ok(Self {
            now: beside.zone.local_minute(now),
            divisions: scales
                .into_iter()
                .map(|scale| (scale.id.into(), scale.fields.division_g))
                .collect(),
            beside,
            unit: text.unit,
            style: text.style,
            roaster: text.roaster,
        })
    }

    fn look(
        &self,
        csv: &str,
        headings: Option<&Headings>,
        known: &[PastBatch],
        learner: &Arc<Learner>,
    ) -> PastDryRun {
        let (rows, errors) = self.read(csv, headings);
        let ids: HashSet<Uuid> = known.iter().map(|batch| batch.id).collect();
        let fresh: Vec<PastBatch> = rows
            .iter()
            .map(|row| &row.batch)
            .filter(|batch| !ids.contains(&batch.id))
            .cloned()
            .collect();
        PastDryRun {
            same: rows.len() - fresh.len(),
            errors,
            odd: self.odd(&rows, &fresh, known, learner),
            coffees: coffees(&rows),
            rows: rows.into_iter().map(|row| row.batch).collect(),
        }
    }

    fn read(&self, csv: &str, headings: Option<&Headings>) -> (Vec<LineRead>, Vec<LineError>) {
        let sheet = match Sheet::of_text(csv) {
            Ok(sheet) => sheet,
            Err(error) => return (Vec::new(), vec![error]),
        };
        let columns = match Columns::find(&sheet, &FIELDS, headings) {
            Ok(columns) => columns,
            Err(errors) => return (Vec::new(), errors),
        };
        let (mut rows, mut errors) = (Vec::new(), sheet.unreadable.clone());
        let mut counted = Counted::default();
        for line in &sheet.rows {
            let mut cells = Cells::of(&sheet, &columns, line);
            match self.row(&mut cells, &mut counted) {
                Some(batch) => rows.push(LineRead {
                    line: line.line,
                    batch,
                }),
                None => errors.extend(cells.errors()),
            }
        }
        if rows.is_empty() && errors.is_empty() {
            let detail = "the table has no rows below its header";
            errors.push(wrong(sheet.heading_line + 1, "date", "", detail));
        }
        (rows, errors)
    }

    fn row(&self, cells: &mut Cells<'_>, counted: &mut Counted) -> Option<PastBatch> {
        let moment = cells.moment("date");
        let apart = cells.time_or_none("time");
        let coffee = cells.name("coffee");
        let lot_name = cells.name_or_none("lot");
        let style = self.style(cells);
        let roaster = self.roaster(cells);
        let green = cells.mass("green", self.unit);
        let roasted = cells.mass("roasted", self.unit);
        let received = if cells.text("received").is_empty() {
            Some(None)
        } else {
            cells.day("received", None).map(Some)
        };
        let moisture = cells.fraction_or_none("moisture");
        if moisture.flatten().is_some_and(|moisture| moisture >= 0.5) {
            cells.wrong(
                "moisture",
                "green holds 8 to 13 % of water: write 11.2 or 0.112",
            );
        }
        let (day, with_day) = moment?;
        let (coffee, lot) = self.lot(coffee?, lot_name?);
        let (style, roaster) = (style?, roaster?);
        let said = Said {
            day,
            time: apart?.or(with_day),
            coffee: &coffee,
            style,
            roaster,
            green_g: green?,
            roasted_g: roasted?,
        };
        let minute = counted.minute(&said);
        if minute > self.now {
            cells.wrong("date", "this is still to come");
        }
        let scales = self.scales(roaster);
        let batch = PastBatch {
            id: counted.id(&said),
            minute,
            lot,
            style,
            roaster,
            green_g: said.green_g,
            roasted_g: said.roasted_g,
            green_division_g: scales.0,
            roasted_division_g: scales.1,
            received: received?,
            moisture: moisture?.map(Fraction::nearest),
            coffee,
        };
        cells.is_sound().then_some(batch)
    }

    /// The lot that a row names, by its own name or the coffee's; otherwise the coffee with the lot's name behind it.
    fn lot(&self, coffee: Name, lot_name: Option<Name>) -> (Name, Option<LotId>) {
        let called = lot_name.as_ref().unwrap_or(&coffee).as_str().to_lowercase();
        let mut lots = self.beside.lots.iter();
        let found = lots.find(|(_, kept)| kept.fields.name.as_str().to_lowercase() == called);
        let whole = lot_name.and_then(|lot| Name::new(&format!("{coffee} {lot}")).ok());
        (whole.unwrap_or(coffee), found.map(|(id, _)| *id))
    }

    fn style(&self, cells: &mut Cells<'_>) -> Option<StyleId> {
        let named = self
            .beside
            .styles
            .iter()
            .map(|(id, kept)| (*id, kept.fields.name.as_str()));
        choose(
            cells,
            "style",
            self.style.filter(|id| self.beside.styles.contains_key(id)),
            named,
        )
    }

    fn roaster(&self, cells: &mut Cells<'_>) -> Option<RoasterId> {
        let named = self
            .beside
            .roasters
            .iter()
            .map(|(id, kept)| (*id, kept.fields.name.as_str()));
        choose(
            cells,
            "roaster",
            self.roaster
                .filter(|id| self.beside.roasters.contains_key(id)),
            named,
        )
    }

    /// Divisions of a roaster's scales.
    fn scales(&self, roaster: RoasterId) -> (Mass, Mass) {
        let division = |scale| self.divisions.get(&scale).copied().unwrap_or(Mass::ZERO);
        self.beside
            .roasters
            .get(&roaster)
            .map_or((Mass::ZERO, Mass::ZERO), |kept| {
                (
                    division(kept.fields.green_scale),
                    division(kept.fields.roasted_scale),
                )
            })
    }

    /// The rows that would be flagged, judged by a learner that takes over the fresh ones.
    fn odd(
        &self,
        rows: &[LineRead],
        fresh: &[PastBatch],
        known: &[PastBatch],
        learner: &Arc<Learner>,
    ) -> Vec<OddRow> {
        let past: Vec<PastBatch> = known.iter().chain(fresh).cloned().collect();
        let learner = learner.with(facts(&past, &self.beside));
        let lines: HashMap<String, &LineRead> = rows
            .iter()
            .map(|row| (row.batch.id.to_string(), row))
            .collect();
        let odd = learner
            .judged()
            .iter()
            .filter(|judged| judged.verdict.outcome != loss::Outcome::Ok);
        let mut odd: Vec<OddRow> = odd
            .filter_map(|judged| {
                let Fact::Batch(batch) = &**learner.history().facts().get(judged.fact)? else {
                    return None;
                };
                let row = lines.get(&batch.id)?;
                let verdict = &judged.verdict;
                let judgement = judgement_of(verdict.outcome);
                let [loss, lo, hi] = [verdict.loss, verdict.lo, verdict.hi].map(Fraction::nearest);
                Some(OddRow {
                    line: row.line,
                    coffee: row.batch.coffee.clone(),
                    judgement,
                    sentence: sentence(judgement, loss, lo, hi),
                    explanation: judged.explanations.first().map(Explanation::of),
                    learned: judged.learned,
                })
            })
            .collect();
        odd.sort_by_key(|row| row.line);
        odd
    }
}

/// The thing that a cell names, or the usual one where it is empty.
fn choose<'a, I: Copy>(
    cells: &mut Cells<'_>,
    column: &str,
    usual: Option<I>,
    named: impl Iterator<Item = (I, &'a str)>,
) -> Option<I> {
    let text = cells.text(column);
    if text.is_empty() {
        if usual.is_none() {
            cells.wrong(
                column,
                format!("name the {column}, or choose one for all rows that name none"),
            );
        }
        return usual;
    }
    let lower = text.to_lowercase();
    let mut near: Vec<(usize, &str, I)> = named
        .map(|(id, name)| {
            (
                strsim::damerau_levenshtein(&name.to_lowercase(), &lower),
                name,
                id,
            )
        })
        .collect();
    near.sort_by_key(|(distance, name, _)| (*distance, *name));
    if let Some((0, _, id)) = near.first() {
        return Some(*id);
    }
    let names: Vec<&str> = near
        .iter()
        .take(NEAREST)
        .map(|(_, name, _)| *name)
        .collect();
    let detail = if names.is_empty() {
        format!("there is no {column} yet: set one up")
    } else {
        format!("no such {column}; the nearest are: {}", names.join(" / "))
    };
    cells.wrong(column, detail);
    None
}

/// What a row says that tells its batch from others.
struct Said<'a> {
    day: Day,
    time: Option<TimeOfDay>,
    coffee: &'a Name,
    style: StyleId,
    roaster: RoasterId,
    green_g: Mass,
    roasted_g: Mass,
}

/// Rows counted so far: those of a day without times, and those that say the same.
#[derive(Default)]
struct Counted {
    untimed: HashMap<Day, i64>,
    alike: HashMap<String, u32>,
}

impl Counted {
    fn minute(&mut self, said: &Said<'_>) -> i64 {
        let start = history::day_number(said.day) * 1_440;
        if let Some(time) = said.time {
            return start + i64::from(time.minutes());
        }
        let before = self.untimed.entry(said.day).or_default();
        *before += 1;
        start + (NOON + *before - 1).min(1_439)
    }

    /// The same for a row however often and with whatever further rows its table is taken: rows that say the same are numbered.
    fn id(&mut self, said: &Said<'_>) -> Uuid {
        let words = canonical::text(&(
            said.day,
            said.time.map(TimeOfDay::minutes),
            said.coffee.as_str().to_lowercase(),
            (said.style, said.roaster),
            (said.green_g, said.roasted_g),
        ));
        let nth = self.alike.entry(words.clone()).or_default();
        *nth += 1;
        let hash = Sha256::digest(format!("{words} {nth}"));
        let mut bytes = [0; 16];
        bytes.copy_from_slice(&hash[..16]);
        Builder::from_custom_bytes(bytes).into_uuid()
    }
}

fn coffees(rows: &[LineRead]) -> Vec<CoffeeSeen> {
    let mut seen: BTreeMap<String, (CoffeeSeen, Mass, Mass)> = BTreeMap::new();
    for LineRead { batch, .. } in rows {
        let (coffee, green, roasted) = seen
            .entry(batch.coffee.as_str().to_lowercase())
            .or_insert_with(|| {
                let coffee = CoffeeSeen {
                    coffee: batch.coffee.clone(),
                    lot: batch.lot,
                    batches: 0,
                    loss: None,
                };
                (coffee, Mass::ZERO, Mass::ZERO)
            });
        coffee.batches += 1;
        *green = green.plus(batch.green_g).unwrap_or(*green);
        *roasted = roasted.plus(batch.roasted_g).unwrap_or(*roasted);
    }
    seen.into_values()
        .map(|(coffee, green, roasted)| CoffeeSeen {
            loss: crate::fraction::loss(green, roasted),
            ..coffee
        })
        .collect()
}
