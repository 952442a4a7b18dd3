//! Findings: one list of what an auditor must look at. The program opens them from what the book says; a person closes them with a reason.
//!
//! A finding is not stored: it follows from the book, and its id from what it is about, so it can neither be lost nor be there twice, and a
//! link to it stays good. That a person closed it is a journal entry, which keeps the finding as it was then.

use std::collections::HashMap;

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use super::{People, another_kind};
use crate::app::App;
use crate::book::leaf::{Act, Kind, Leaf, words};
use crate::book::{Book, Remark, damaged};
use crate::command::{Command, Common, command};
use crate::counting::{Unexplained, unexplained};
use crate::day::{Day, Instant, Zone};
use crate::expect::Questions;
use crate::floor::view::Named;
use crate::floor::{BatchView, view as batch_view};
use crate::ids::{LotId, SiteId};
use crate::loss::student::normal_tail;
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Kept, Lot, Roaster, Style};
use crate::sites::hardly_as_sent;
use crate::store::{BatchFilter, FlaggedRow, JournalFilter, Read, StoreError};

/// The kind of its journal entries.
const KIND: &str = "finding";

/// From what mass on an undone posting is looked at, unless the site says otherwise.
const LARGE_REVERSAL: Mass = match Mass::from_mg(10_000_000) {
    Ok(mass) => mass,
    Err(_) => Mass::ZERO,
};

/// How unlikely, among sound siblings, the yields of a lot are before it is a finding.
const UNLIKELY: f64 = 0.0027;

/// How many batches on hold one list looks at.
const MOST_HELD: i64 = 1_000;

words! {
    /// What kind of thing must be looked at.
    FindingKind {
        /// More coffee moved than the book had.
        BeyondBook = "beyond_book",
        /// A count differs by more than drying and weighing explain.
        CountUnexplained = "count_unexplained",
        /// A batch's loss was out of its range, and nobody has reviewed it.
        LossNotReviewed = "loss_not_reviewed",
        /// It was booked after its day was closed.
        Late = "late",
        /// A lot's yields do not fit those of its siblings.
        Siblings = "siblings",
        /// A large posting was undone.
        LargeReversal = "large_reversal",
        /// A roaster has an open drift notice.
        Drift = "drift",
        /// A weight was reckoned.
        Reckoned = "reckoned",
        /// A lot was used up, and the book had a rest.
        UsedUp = "used_up",
        /// A command kept on a tablet could not be booked.
        Unsettled = "unsettled",
        /// Two batches were weighed in for one card, as by two tablets of which one had no network.
        CardTwice = "card_twice",
    }
}

/// What a finding is about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Evidence {
    /// What kind of thing: posting, batch, count, lot, roaster or command.
    pub what: String,
    /// Which one.
    pub id: Uuid,
}

/// That a person closed a finding.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct FindingClosedBy {
    /// Who.
    pub person: Named,
    /// When.
    pub at: Instant,
    /// Why.
    pub reason: String,
}

/// Something that an auditor must look at.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct FindingView {
    /// Its id, which follows from what it is about.
    pub id: Uuid,
    /// What kind of thing.
    pub kind: FindingKind,
    /// The day it is about.
    pub day: Day,
    /// What it is about.
    pub evidence: Evidence,
    /// The lot, where it is about one.
    pub lot: Option<Named>,
    /// How much coffee, where it is about some.
    pub mass_g: Option<Mass>,
    /// Who booked it, where somebody did.
    pub person: Option<Named>,
    /// In words.
    pub sentence: String,
    /// That a person closed it; null while it is open.
    pub closed: Option<FindingClosedBy>,
}

/// Findings, newest first.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct FindingList {
    /// What is on the list.
    pub items: Vec<FindingView>,
    /// How many of each kind are open.
    pub open: Vec<FindingCount>,
}

/// How many findings of a kind are open.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct FindingCount {
    /// The kind.
    pub kind: FindingKind,
    /// How many.
    pub open: usize,
}

command! {
    /// A person looked at a finding and closed it.
    FindingClosing {
        /// The finding.
        finding: Uuid,
    }
}

/// The answer to closing a finding.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct FindingAnswer {
    /// The finding as it is now.
    pub finding: FindingView,
}

#[async_trait]
impl Command for FindingClosing {
    const NAME: &'static str = "finding-closings";
    type Answer = FindingAnswer;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, id: Uuid) -> Outcome<FindingAnswer> {
        let reason = self
            .common()
            .why()
            .ok_or_else(|| Refusal::field("/reason", "say what you found, in a few words"))?;
        let site = book.site();
        let questions = app.expect.questions(book.tx(), site).await?;
        let mut found = finding(book.tx(), site, &questions, self.finding)
            .await
            .map_err(|refusal| match refusal {
                Refusal::NotFound(..) => Refusal::field("/finding", "there is no such finding"),
                other => other,
            })?;
        if found.closed.is_some() {
            return Err(Refusal::conflict("this finding has been closed already"));
        }
        let at = self.happened_at.min(book.now());
        let people = People::read(book.tx(), site).await?;
        let person = people.named(book.actor().person)?;
        book.remark(Remark {
            id,
            kind: KIND,
            subject: self.finding,
            act: Act::FindingClosed,
            happened_at: at,
            reason: Some(reason.clone()),
            before: Value::Null,
            after: json!({
                "kind": found.kind, "day": found.day, "evidence": found.evidence, "lot": found.lot.as_ref().map(|lot| lot.id),
                "mass_g": found.mass_g, "sentence": found.sentence,
            }),
        })
        .await?;
        found.closed = Some(FindingClosedBy { person, at, reason });
        Ok(FindingAnswer { finding: found })
    }
}

/// All findings: open ones, or those that were closed, newest first.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn findings(
    tx: &mut dyn Read,
    site: SiteId,
    questions: &Questions,
    closed: bool,
) -> Result<FindingList, StoreError> {
    let looking = Looking::read(tx, site).await?;
    let done = looking.closed(tx, site).await?;
    let mut open = looking.open(tx, site, questions).await?;
    open.retain(|id, _| !done.contains_key(id));
    let count = |kind: FindingKind| FindingCount {
        kind,
        open: open.values().filter(|found| found.kind == kind).count(),
    };
    let counts = FindingKind::ALL.map(count).into_iter();
    let counts = counts.filter(|of| of.open > 0).collect();
    let chosen = if closed { done } else { open };
    let mut items: Vec<FindingView> = chosen.into_values().collect();
    items.sort_by_key(|found| std::cmp::Reverse((found.day, found.id)));
    Ok(FindingList {
        items,
        open: counts,
    })
}

/// One finding, open or closed.
///
/// # Errors
/// [`Refusal::NotFound`] if there is none.
pub async fn finding(
    tx: &mut dyn Read,
    site: SiteId,
    questions: &Questions,
    id: Uuid,
) -> Outcome<FindingView> {
    let looking = Looking::read(tx, site).await?;
    if let Some(found) = looking.closed(tx, site).await?.remove(&id) {
        return Ok(found);
    }
    let mut open = looking.open(tx, site, questions).await?;
    open.remove(&id).ok_or(Refusal::NotFound(KIND, id))
}

impl FindingKind {
    /// All kinds.
    pub const ALL: [Self; 11] = [
        Self::BeyondBook,
        Self::CountUnexplained,
        Self::LossNotReviewed,
        Self::Late,
        Self::Siblings,
        Self::LargeReversal,
        Self::Drift,
        Self::Reckoned,
        Self::UsedUp,
        Self::Unsettled,
        Self::CardTwice,
    ];
}

/// The id of a finding: the first half of the SHA-256 of what it is about, as a UUID of version 8 (RFC 9562).
fn id_of(kind: FindingKind, about: &[Uuid]) -> Uuid {
    let mut hash = Sha256::new();
    hash.update(kind.word().as_bytes());
    for id in about {
        hash.update(id.as_bytes());
    }
    let whole: [u8; 32] = hash.finalize().into();
    let mut half = [0; 16];
    half.copy_from_slice(&whole[..16]);
    uuid::Builder::from_custom_bytes(half).into_uuid()
}

type Found = HashMap<Uuid, FindingView>;

/// What is needed to look.
struct Looking {
    people: People,
    lots: Vec<Kept<Lot>>,
    zone: Zone,
    large: Mass,
}

/// A finding before it has its names.
struct Bare {
    kind: FindingKind,
    about: Vec<Uuid>,
    day: Day,
    what: &'static str,
    evidence: Uuid,
    lot: Option<LotId>,
    mass: Option<Mass>,
    sentence: String,
}

impl Looking {
    async fn read(tx: &mut dyn Read, site: SiteId) -> Result<Self, StoreError> {
        let record = setup::site(tx, site).await?.fields;
        Ok(Self {
            people: People::read(tx, site).await?,
            lots: setup::all::<Lot>(tx, site).await?,
            zone: record.zone,
            large: record.large_reversal_g.unwrap_or(LARGE_REVERSAL),
        })
    }

    fn lot(&self, id: LotId) -> Option<Named> {
        let lot = self.lots.iter().find(|lot| lot.id == id.0)?;
        Some(Named {
            id: lot.id,
            name: lot.fields.name.clone(),
        })
    }

    fn name(&self, id: LotId) -> String {
        self.lot(id)
            .map(|lot| lot.name.to_string())
            .unwrap_or_default()
    }

    /// What people have closed, as it was then.
    async fn closed(&self, tx: &mut dyn Read, site: SiteId) -> Result<Found, StoreError> {
        let mut filter = JournalFilter {
            kind: Some(KIND.to_owned()),
            ..JournalFilter::default()
        };
        let mut closed = Found::new();
        loop {
            let page = tx.journal(site, &filter, 1_000).await?;
            let Some(last) = page.last() else {
                return Ok(closed);
            };
            filter.before = Some(last.position);
            for row in &page {
                let Leaf::Entry(entry) = serde_json::from_str(&row.leaf).map_err(damaged)? else {
                    return Err(another_kind("journal entry", Uuid::nil()));
                };
                let then: Then = serde_json::from_value(entry.after).map_err(damaged)?;
                let by = FindingClosedBy {
                    person: self.people.named(entry.head.person)?,
                    at: Instant::from_ms(entry.happened_at),
                    reason: entry.reason.unwrap_or_default(),
                };
                closed.insert(entry.subject, self.as_it_was(entry.subject, then, by));
            }
        }
    }

    fn as_it_was(&self, id: Uuid, then: Then, by: FindingClosedBy) -> FindingView {
        FindingView {
            id,
            kind: then.kind,
            day: then.day,
            evidence: then.evidence,
            lot: then.lot.and_then(|lot| self.lot(lot)),
            mass_g: then.mass_g,
            person: None,
            sentence: then.sentence,
            closed: Some(by),
        }
    }

    /// What the book says must be looked at, whether somebody has or not.
    async fn open(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        questions: &Questions,
    ) -> Result<Found, StoreError> {
        let mut found = Found::new();
        let mut add = |bare: Bare, person: Option<Named>| {
            let id = id_of(bare.kind, &bare.about);
            let view = FindingView {
                id,
                kind: bare.kind,
                day: bare.day,
                evidence: Evidence {
                    what: bare.what.to_owned(),
                    id: bare.evidence,
                },
                lot: bare.lot.and_then(|lot| self.lot(lot)),
                mass_g: bare.mass,
                person,
                sentence: bare.sentence,
                closed: None,
            };
            found.insert(id, view);
        };
        for row in tx.flagged(site).await? {
            if let Some(bare) = self.flagged(&row)? {
                add(bare, Some(self.people.named(row.person)?));
            }
        }
        for of in unexplained(tx, site).await? {
            add(self.counted(&of), None);
        }
        for batch in self.not_reviewed(tx, site).await? {
            add(batch, None);
        }
        for row in tx.unsettled(site).await? {
            let day = self.zone.day(row.received_at);
            let bare = Bare {
                kind: FindingKind::Unsettled,
                about: vec![row.id],
                day,
                what: "command",
                evidence: row.id,
                lot: None,
                mass: None,
                sentence: format!("A kept command ({}) could not be booked.", row.command),
            };
            add(bare, Some(self.people.named(row.person)?));
        }
        for bare in self.learned(tx, site, questions).await? {
            add(bare, None);
        }
        Ok(found)
    }

    /// A posting that the tables flag; none where it is not so bad.
    fn flagged(&self, row: &FlaggedRow) -> Result<Option<Bare>, StoreError> {
        let size = Mass::from_mg(row.mass.mg().abs()).unwrap_or_default();
        let name = self.name(row.lot);
        let (kind, sentence) = match row.why.as_str() {
            "beyond_book" => (
                FindingKind::BeyondBook,
                format!("{size} more of {name} moved than the book had."),
            ),
            "count" => {
                let facts: Value = serde_json::from_str(&row.facts).map_err(damaged)?;
                let mass = serde_json::from_value::<Mass>(facts["unexplained_g"].clone());
                // Those of a count session are looked at there; one from before differences were split counts whole.
                let left = mass.unwrap_or(row.mass);
                if !facts["count"].is_null() || !facts["recounts"].is_null() || left == Mass::ZERO {
                    return Ok(None);
                }
                (
                    FindingKind::CountUnexplained,
                    format!(
                        "A count of {name} differs by {size}; drying and weighing do not explain it."
                    ),
                )
            }
            "arrive" => match other_than_sent(row, size, &name)? {
                Some(sentence) => (FindingKind::CountUnexplained, sentence),
                None => return Ok(None),
            },
            "use_up" => (
                FindingKind::UsedUp,
                format!("{name} was used up, and the book still had {size}."),
            ),
            "late" => (
                FindingKind::Late,
                format!("{size} of {name} were booked after their day was closed."),
            ),
            "reversal" if size >= self.large => (
                FindingKind::LargeReversal,
                format!("A posting over {size} of {name} was undone."),
            ),
            "card_twice" => (
                FindingKind::CardTwice,
                format!(
                    "{size} of {name} were weighed in for a card for which another batch was weighed in too: undo the one that was none."
                ),
            ),
            "reckoned" => (
                FindingKind::Reckoned,
                format!("{size} of {name} were reckoned and not weighed."),
            ),
            _ => return Ok(None),
        };
        let of_count = row.kind == Kind::Count.word() && kind == FindingKind::Late;
        Ok((!of_count).then(|| Bare {
            kind,
            about: vec![row.posting.0, row.lot.0],
            day: row.day,
            what: "posting",
            evidence: row.posting.0,
            lot: Some(row.lot),
            mass: Some(size),
            sentence,
        }))
    }

    fn counted(&self, of: &Unexplained) -> Bare {
        let size = Mass::from_mg(of.mass.mg().abs()).unwrap_or_default();
        let way = if of.mass.is_positive() {
            "missing"
        } else {
            "too much"
        };
        Bare {
            kind: FindingKind::CountUnexplained,
            about: vec![of.session, of.lot.0, of.key],
            day: self.zone.day(of.at),
            what: "count",
            evidence: of.session,
            lot: Some(of.lot),
            mass: Some(size),
            sentence: format!(
                "A count found {size} of {} {way}, which neither drying nor weighing explains.",
                self.name(of.lot)
            ),
        }
    }

    /// Batches on hold for their loss that nobody has reviewed.
    async fn not_reviewed(&self, tx: &mut dyn Read, site: SiteId) -> Result<Vec<Bare>, StoreError> {
        let filter = BatchFilter {
            held: true,
            ..BatchFilter::default()
        };
        let held = tx.batches(site, &filter, MOST_HELD).await?;
        let waiting = batch_view::many(tx, site, &held).await?;
        Ok(waiting.iter().filter_map(not_reviewed).collect())
    }

    /// What the learner has against lots and roasters.
    async fn learned(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        questions: &Questions,
    ) -> Result<Vec<Bare>, StoreError> {
        let notices = crate::expect::notices(questions, tx, site).await?;
        let mut bare = Vec::new();
        for notice in notices.iter().filter(|notice| notice.open) {
            let Some(roaster) = &notice.roaster else {
                continue;
            };
            let raised = tx.batch(site, notice.raised.into()).await?;
            bare.extend(raised.map(|row| Bare {
                kind: FindingKind::Drift,
                about: vec![roaster.id, notice.since],
                day: row.day,
                what: "roaster",
                evidence: roaster.id,
                lot: None,
                mass: None,
                sentence: notice.sentence.clone(),
            }));
        }
        let styles = setup::all::<Style>(tx, site).await?;
        let roasters = setup::all::<Roaster>(tx, site).await?;
        let siblings = questions.siblings(&self.lots);
        for apart in siblings
            .iter()
            .filter(|apart| normal_tail(apart.z) * 2.0 < UNLIKELY)
        {
            let row = tx.batch(site, apart.last).await?;
            let style = styles.iter().find(|style| style.id == apart.style.0);
            let roaster = roasters.iter().find(|one| one.id == apart.roaster.0);
            let names = style.zip(roaster);
            bare.extend(row.zip(names).map(|(row, (style, roaster))| Bare {
                kind: FindingKind::Siblings,
                about: vec![apart.lot.0, apart.sibling.0, style.id, roaster.id],
                day: row.day,
                what: "lot",
                evidence: apart.lot.0,
                lot: Some(apart.lot),
                mass: None,
                sentence: format!(
                    "{} loses {:.1} points {} than its sibling {} in {} on {}, which is more than siblings differ.",
                    self.name(apart.lot),
                    (apart.difference * 100.0).abs(),
                    if apart.difference > 0.0 { "more" } else { "less" },
                    self.name(apart.sibling),
                    style.fields.name,
                    roaster.fields.name,
                ),
            }));
        }
        Ok(bare)
    }
}

/// A finding as it was when it was closed.
#[derive(Deserialize)]
struct Then {
    kind: FindingKind,
    day: Day,
    evidence: Evidence,
    lot: Option<LotId>,
    mass_g: Option<Mass>,
    sentence: String,
}

/// A batch whose loss was out of its range, unless somebody has reviewed it.
fn not_reviewed(batch: &BatchView) -> Option<Bare> {
    let verdict = batch.verdict.as_ref()?;
    let flagged = verdict.judgement != crate::floor::batch::Judgement::Ok;
    (flagged && batch.review.is_none()).then(|| Bare {
        kind: FindingKind::LossNotReviewed,
        about: vec![batch.id.0],
        day: batch.day,
        what: "batch",
        evidence: batch.id.0,
        lot: Some(batch.lot.id.into()),
        mass: Some(batch.weighed_in_g),
        sentence: format!(
            "{}, {} on {}: {} Nobody has reviewed it.",
            batch.lot.name, batch.style.name, batch.roaster.name, verdict.sentence
        ),
    })
}

/// What to say of green that came from another site with hardly the weight that was sent; none where it nearly has it.
fn other_than_sent(
    row: &FlaggedRow,
    apart: Mass,
    name: &str,
) -> Result<Option<String>, StoreError> {
    let facts: Value = serde_json::from_str(&row.facts).map_err(damaged)?;
    let sent = serde_json::from_value::<Mass>(facts["sent_g"].clone()).map_err(damaged)?;
    let more = if row.mass < Mass::ZERO {
        "less"
    } else {
        "more"
    };
    Ok(hardly_as_sent(sent, apart)
        .then(|| format!("{apart} {more} of {name} came from another site than it sent.")))
}
