//! What a difference between book and count is put down to: drying in the store, weighing, and what nothing explains.

use std::collections::HashMap;

use serde::Serialize;

use super::moment::{Account, beyond, really};
use super::session::{Entered, Session};
use crate::book::leaf::{Basis as Known, Kind, Weighing};
use crate::book::place::Place;
use crate::day::{Instant, Zone};
use crate::fraction::Fraction;
use crate::ids::{LotId, PostingId, SiteId};
use crate::loss::stock::{
    self, Basis, Drying, Entry, Spans, compare, drying_by_packing, drying_by_readings,
};
use crate::loss::weighing::REPEATABILITY;
use crate::mass::Mass;
use crate::setup::{Lot, Moisture, PackingKind};
use crate::store::{Read, StoreError, WeighedMove};

/// Relative standard uncertainty of a scale's adjustment, the same at each weighing on it: a class III scale may be off by 3 of 5,000
/// steps in service (OIML R 76-1:2006, 3.5.1 and 3.5.2), a rectangular half-width, so 0.0006/sqrt 3.
const SPAN: f64 = 0.000_35;

/// What sacks taken at their stated weight may be off, a rectangular half-width (common practice, no source).
const SACKS_OFF: f64 = 0.005;

/// What a reckoned mass may be off, a rectangular half-width (common practice, no source).
const RECKONED_OFF: f64 = 0.02;

/// Milliseconds of a day.
const DAY_MS: f64 = 86_400_000.0;

/// What a difference is made of. All three parts are positive when coffee is gone, and sum to book less count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[schema(as = CountDifference)]
pub struct Split {
    /// Book less count.
    pub total_g: Mass,
    /// What dried in the store.
    pub drying_g: Mass,
    /// What the uncertainty of weighing explains.
    pub weighing_g: Mass,
    /// What neither explains: beyond twice the standard uncertainty of both.
    pub unexplained_g: Mass,
    /// Standard uncertainty of the difference (JCGM 100:2008).
    pub u_g: Mass,
}

/// What the book knows of an account up to a moment.
struct Life {
    /// Masses in and out, with how each is known.
    entries: Vec<Entry>,
    /// Masses with the days each lay there: negative what left.
    lain: Vec<(f64, f64)>,
    /// Drying that was booked.
    dried_g: f64,
    /// When it began, or was counted last.
    since: Option<Instant>,
}

/// The last count of an account before a moment.
struct LastCount {
    at: Instant,
    entries: Vec<Entry>,
}

/// What is asked of an account.
#[derive(Debug, Clone, Copy)]
pub struct Asked<'a> {
    /// The account.
    pub account: Account,
    /// The moment.
    pub at: Instant,
    /// Postings that are not looked at: those of the count itself.
    pub without: &'a [PostingId],
    /// What the book had.
    pub book: Mass,
    /// What was counted.
    pub counted: &'a Entered,
}

/// Splits a difference; `sessions` are all counts of the site.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn split(
    tx: &mut dyn Read,
    site: SiteId,
    zone: Zone,
    asked: &Asked<'_>,
    lot: &Lot,
    sessions: &[Session],
) -> Result<Split, StoreError> {
    let (lot_id, place) = asked.account;
    let counted = counted_of(asked.counted, lot_id);
    let total_g = asked.book.minus(counted).map_err(beyond)?;
    let life = Life::read(tx, site, asked, sessions).await?;
    let drying = match place {
        Place::Store(_) => life.drying(zone, lot, asked.at),
        _ => Drying::default(),
    };
    let mut count = entries_of(&asked.counted.weighings, counted);
    let first = count.swap_remove(0);
    let mut entries = life.entries;
    entries.extend(count.into_iter().map(|part| Entry {
        mass_g: -part.mass_g,
        basis: part.basis,
    }));
    let scales: Spans = entries
        .iter()
        .chain([&first])
        .filter_map(|entry| match &entry.basis {
            Basis::Weighed { scale, .. } => Some((scale.clone(), SPAN)),
            Basis::Nominal { .. } => None,
        })
        .collect();
    let found = compare(&entries, &scales, &first, drying);
    let drying_g = nearest(found.drying_g);
    let unexplained_g = nearest(found.unexplained_g);
    let rest = total_g.minus(drying_g).and_then(|r| r.minus(unexplained_g));
    Ok(Split {
        total_g,
        drying_g,
        weighing_g: rest.map_err(beyond)?,
        unexplained_g,
        u_g: nearest(found.u_g),
    })
}

/// How much of a lot was counted.
pub fn counted_of(entered: &Entered, lot: LotId) -> Mass {
    entered
        .masses
        .iter()
        .find(|of| of.lot == lot)
        .map_or(Mass::ZERO, |of| of.mass_g)
}

/// The mass nearest to so many grams.
#[expect(
    clippy::cast_possible_truncation,
    clippy::as_conversions,
    reason = "clamped before"
)]
fn nearest(grams: f64) -> Mass {
    let most = Mass::MAX.grams();
    Mass::from_mg((grams.clamp(-most, most) * 1_000.0).round() as i64).unwrap_or_default()
}

/// A count as entries; one of no doubt where nothing was weighed, as when nothing is left or bags are counted.
fn entries_of(weighings: &[Weighing], counted: Mass) -> Vec<Entry> {
    if weighings.is_empty() {
        return vec![Entry {
            mass_g: counted.grams(),
            basis: Basis::Nominal { tolerance_g: 0.0 },
        }];
    }
    let grams = |mg: i64| Mass::from_mg(mg).unwrap_or_default().grams();
    weighings
        .iter()
        .map(|w| Entry {
            mass_g: grams(w.net_mg),
            basis: basis(
                Some(w.basis),
                w.scale.map(|scale| scale.to_string()),
                w.division_mg.map(grams),
                grams(w.net_mg),
            ),
        })
        .collect()
}

/// How sure a mass is by the way it is known.
fn basis(known: Option<Known>, scale: Option<String>, division: Option<f64>, grams: f64) -> Basis {
    match (known, scale, division) {
        (Some(Known::Weighed), Some(scale), Some(division_g)) => Basis::Weighed {
            scale,
            division_g,
            repeatability_g: REPEATABILITY * division_g,
        },
        (Some(Known::Nominal), ..) => Basis::Nominal {
            tolerance_g: SACKS_OFF * grams.abs(),
        },
        (Some(_), ..) => Basis::Nominal {
            tolerance_g: RECKONED_OFF * grams.abs(),
        },
        // A move between rooms, or what makes up for green beyond the book.
        (None, ..) => Basis::Nominal { tolerance_g: 0.0 },
    }
}

impl Life {
    async fn read(
        tx: &mut dyn Read,
        site: SiteId,
        asked: &Asked<'_>,
        sessions: &[Session],
    ) -> Result<Self, StoreError> {
        let (lot, place) = asked.account;
        let mut moves = Vec::new();
        let mut corrected = HashMap::new();
        for mut one in tx.weighed_moves(site, lot, place).await? {
            if one.kind == Kind::Correct.word() {
                one.happened_at =
                    really(tx, site, one.posting, one.happened_at, &mut corrected).await?;
            }
            if one.happened_at <= asked.at && !asked.without.contains(&one.posting) {
                moves.push(one);
            }
        }
        let last = last_count(sessions, asked, &moves);
        let since = last.as_ref().map(|last| last.at);
        let mut life = Self {
            entries: Vec::new(),
            lain: Vec::new(),
            dried_g: 0.0,
            since: since.or_else(|| moves.iter().map(|one| one.happened_at).min()),
        };
        if let Some(last) = last {
            life.lain.extend(
                last.entries
                    .iter()
                    .map(|entry| (entry.mass_g, days(last.at, asked.at))),
            );
            life.entries = last.entries;
        }
        for one in moves
            .iter()
            .filter(|one| since.is_none_or(|since| one.happened_at > since))
        {
            life.add(one, asked.at);
        }
        Ok(life)
    }

    fn add(&mut self, one: &WeighedMove, at: Instant) {
        let mass_g = one.change.grams();
        let known = one.basis.as_deref().and_then(Known::of_word);
        let scale = one.scale.map(|scale| scale.to_string());
        self.entries.push(Entry {
            mass_g,
            basis: basis(known, scale, one.division.map(Mass::grams), mass_g),
        });
        self.lain.push((mass_g, days(one.happened_at, at)));
        if one.kind == Kind::Dry.word() {
            self.dried_g -= mass_g;
        }
    }

    /// What the green has dried beyond what was booked: by two moisture readings where there are any, else by its packing.
    fn drying(&self, zone: Zone, lot: &Lot, at: Instant) -> Drying {
        let from = self.since.map(|since| zone.day(since));
        let mut readings: Vec<_> = lot
            .moisture
            .iter()
            .filter(|m| from.is_some_and(|from| m.day >= from) && m.day <= zone.day(at))
            .collect();
        readings.sort_by_key(|reading| reading.day);
        let value = |m: &Moisture| (m.fraction.value(), m.sd.map_or(0.003, Fraction::value));
        let whole: f64 = self.since.map_or(0.0, |since| days(since, at));
        let expected = match (readings.first(), readings.last()) {
            (Some(first), Some(last)) if first.day < last.day && whole > 0.0 => {
                let mean = self
                    .lain
                    .iter()
                    .map(|(mass, days)| mass * days)
                    .sum::<f64>()
                    / whole;
                drying_by_readings(mean, value(first), value(last))
            }
            _ => drying_by_packing(packing(lot.packing.kind), &self.lain),
        };
        Drying {
            mass_g: expected.mass_g - self.dried_g,
            u_g: expected.u_g,
        }
    }
}

/// The last count before the moment: one of the sessions, or a single one.
fn last_count(sessions: &[Session], asked: &Asked<'_>, moves: &[WeighedMove]) -> Option<LastCount> {
    let (lot, place) = asked.account;
    let by_session = sessions.iter().filter_map(|session| {
        let at = session.opened()?.at;
        let line = session
            .booked()
            .iter()
            .find(|line| (line.lot, line.place) == asked.account)?;
        let sheet = session.entered();
        let entered = sheet
            .iter()
            .find(|e| e.place == place && e.masses.iter().any(|of| of.lot == lot));
        let weighings = entered.map_or(&[][..], |entered| entered.weighings.as_slice());
        (at < asked.at).then(|| LastCount {
            at,
            entries: entries_of(weighings, line.counted_g),
        })
    });
    let sessions_own: Vec<PostingId> = sessions.iter().flat_map(Session::postings).collect();
    let single = moves
        .iter()
        .filter(|one| one.kind == Kind::Count.word() && !sessions_own.contains(&one.posting))
        .map(|one| {
            let there = moves
                .iter()
                .filter(|other| other.happened_at <= one.happened_at)
                .map(|other| other.change.grams())
                .sum();
            let known = one.basis.as_deref().and_then(Known::of_word);
            let scale = one.scale.map(|scale| scale.to_string());
            LastCount {
                at: one.happened_at,
                entries: vec![Entry {
                    mass_g: there,
                    basis: basis(known, scale, one.division.map(Mass::grams), there),
                }],
            }
        });
    by_session.chain(single).max_by_key(|last| last.at)
}

fn packing(kind: PackingKind) -> stock::Packing {
    match kind {
        // Loose green breathes as in jute.
        PackingKind::Jute | PackingKind::Bulk => stock::Packing::Jute,
        PackingKind::Liner => stock::Packing::Liner,
        PackingKind::Vacuum => stock::Packing::Vacuum,
    }
}

/// Days from one instant to another.
#[expect(
    clippy::cast_precision_loss,
    clippy::as_conversions,
    reason = "milliseconds of centuries fit a double"
)]
fn days(from: Instant, to: Instant) -> f64 {
    (to.ms() - from.ms()).max(0) as f64 / DAY_MS
}
