//! A count goes into the book: what dried to the air, the rest of each difference to the count difference, as of the frozen moment.

use serde_json::{Value, json};
use uuid::Uuid;

use super::moment::{Later, Own, beyond};
use super::session::{Line, OfLot, Session, Step};
use super::sheet::compared;
use super::step;
use crate::app::App;
use crate::book::leaf::{Act, Kind, Movement};
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::Common;
use crate::day::Instant;
use crate::demand::{Filled, bags_in};
use crate::ids::{PostingId, ProductId, SiteId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::store::{Read, StoreError};

/// Books the differences of everything that was entered.
pub(super) async fn book(
    book: &mut Book,
    app: &App,
    session: &mut Session,
    id: Uuid,
    common: Common<'_>,
) -> Outcome<()> {
    let (site, zone) = (book.site(), book.zone());
    let at = session
        .opened()
        .map_or(common.happened_at, |opened| opened.at);
    let later = Later::than(book.tx(), site, zone, session, Own::Kept).await?;
    let lines = compared(book.tx(), site, zone, session, &later).await?;
    let mut postings = Vec::new();
    for (kind, movements) in [
        (Kind::Dry, drying(&lines)?),
        (Kind::Count, differences(&lines)?),
    ] {
        if movements.is_empty() {
            continue;
        }
        let reason = match kind {
            Kind::Dry => Some("dried in the store, found by a count".to_owned()),
            _ => common.why(),
        };
        let posting = PostingId(app.clock.new_id());
        let facts = json!({ "count": session.id });
        let draft = draft(posting, kind, at, reason, facts, movements);
        book.post(draft).await?;
        postings.push(posting);
    }
    let booked = Step::Booked {
        by: id,
        person: book.actor().person,
        at: common.happened_at.min(book.now()),
        postings,
        lines,
    };
    let told = (id, Act::CountBooked, booked);
    step(book, session, told, common.happened_at, common.why()).await
}

/// A posting of a count.
pub(super) fn draft(
    id: PostingId,
    kind: Kind,
    happened_at: Instant,
    reason: Option<String>,
    facts: Value,
    movements: Vec<Movement>,
) -> Draft {
    Draft {
        id,
        kind,
        happened_at,
        reason,
        card: None,
        reverses: None,
        facts,
        movements,
        weighings: Vec::new(),
    }
}

/// Of a line's difference, what goes to the air: no more than is missing.
fn dried(line: &Line) -> Outcome<Mass> {
    let missing = line.book_g.minus(line.counted_g)?;
    Ok(match line.place {
        Place::Store(_) => line.drying_g.min(missing).max(Mass::ZERO),
        _ => Mass::ZERO,
    })
}

fn drying(lines: &[Line]) -> Outcome<Vec<Movement>> {
    let mut movements = Vec::new();
    for line in lines {
        let mass = dried(line)?;
        if mass.is_positive() {
            movements.push(Movement {
                lot: line.lot,
                from: line.place,
                to: Place::Air,
                mass_mg: mass.mg(),
            });
        }
    }
    Ok(movements)
}

fn differences(lines: &[Line]) -> Outcome<Vec<Movement>> {
    let mut movements = Vec::new();
    for line in lines {
        let missing = line.book_g.minus(line.counted_g)?.minus(dried(line)?)?;
        movements.extend(difference(line, missing));
    }
    Ok(movements)
}

/// The movement that takes off what is missing, or adds what is too much.
pub(super) fn difference(line: &Line, missing: Mass) -> Option<Movement> {
    let (from, to) = if missing.is_positive() {
        (line.place, Place::Variance)
    } else {
        (Place::Variance, line.place)
    };
    (missing != Mass::ZERO).then_some(Movement {
        lot: line.lot,
        from,
        to,
        mass_mg: missing.mg().abs(),
    })
}

/// What so many bags of a packing hold, lot by lot: all of what the book has where it has so many bags.
///
/// # Errors
/// [`Refusal::Invalid`] where there is no such packing.
pub(super) async fn of_bags(
    tx: &mut dyn Read,
    site: SiteId,
    packing: PostingId,
    bags: u32,
) -> Outcome<Vec<OfLot>> {
    let packed = packed(tx, site, packing)
        .await?
        .ok_or_else(|| Refusal::field("/packing", "there is no such packing"))?;
    if bags > packed.bags {
        return Err(Refusal::field(
            "/bags",
            format!("only {} bags were filled then", packed.bags),
        ));
    }
    Ok(packed
        .lots
        .iter()
        .map(|of| OfLot {
            lot: of.lot,
            mass_g: packed.share(of.mass_g, bags),
        })
        .collect())
}

/// What a packing filled.
pub(super) struct PackedBags {
    /// With what product.
    pub product: Option<ProductId>,
    /// How many bags.
    pub bags: u32,
    /// How much of which lot.
    pub lots: Vec<OfLot>,
    /// How much of all lots.
    all: Mass,
}

impl PackedBags {
    fn of(filled: &Filled) -> Result<Self, StoreError> {
        let mut lots: Vec<OfLot> = Vec::new();
        for drawn in &filled.drawn {
            match lots.iter_mut().find(|of| of.lot == drawn.lot) {
                Some(of) => of.mass_g = of.mass_g.plus(drawn.mass).map_err(beyond)?,
                None => lots.push(OfLot {
                    lot: drawn.lot,
                    mass_g: drawn.mass,
                }),
            }
        }
        Ok(Self {
            product: filled.lines.first().map(|line| line.product),
            bags: filled.bags(),
            all: Mass::sum(lots.iter().map(|of| of.mass_g)).map_err(beyond)?,
            lots,
        })
    }

    /// What so many of its bags hold of a lot's mass in all of them.
    fn share(&self, mass: Mass, bags: u32) -> Mass {
        let part = |n: u32| Mass::from_mg(i64::from(n)).unwrap_or_default();
        let rest = self.bags.saturating_sub(bags);
        let shares = mass.split(&[part(bags), part(rest)]);
        shares.first().copied().unwrap_or_default()
    }

    /// How many bags a mass of all lots is, to the nearest.
    pub fn count(&self, left: Mass) -> u32 {
        bags_in(left, self.bags, self.all)
    }
}

/// What a packing filled; none where there is no such packing.
pub(super) async fn packed(
    tx: &mut dyn Read,
    site: SiteId,
    packing: PostingId,
) -> Result<Option<PackedBags>, StoreError> {
    let filled = Filled::read(tx, site, packing).await?;
    filled.as_ref().map(PackedBags::of).transpose()
}
