//! The sheet of a count: what the book has at the frozen moment, what was found, and what the difference is put down to, in words and numbers.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fmt::Write as _;

use serde::Serialize;
use uuid::Uuid;

use super::book::packed;
use super::moment::{Account, Later, Own, beyond};
use super::session::{CountState, Covers, Entered, Line, OfLot, Opened, Session};
use super::split::{Asked, Split, counted_of, split};
use super::{all, need};
use crate::book::place::Place;
use crate::day::{Instant, Zone};
use crate::floor::view::Named;
use crate::ids::{LotId, PersonId, PostingId, SiteId};
use crate::mass::Mass;
use crate::refusal::Outcome;
use crate::setup::{self, Lot, Person, Product, Storeroom, Style};
use crate::store::{Read, StoreError};
use crate::text::Name;

/// A count as a list shows it.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct CountView {
    /// Its id.
    pub id: Uuid,
    /// How far it has come.
    pub state: CountState,
    /// The frozen moment.
    pub frozen_at: Instant,
    /// The one storeroom whose green is counted; null for all.
    pub storeroom: Option<Named>,
    /// What is counted.
    pub covers: Vec<Covers>,
    /// Whether who counts does not see the book's figure first.
    pub blind: bool,
    /// Whether a second person must approve it.
    pub second_person: bool,
    /// Who opened it.
    pub person: Named,
    /// How many places have been counted.
    pub counted: usize,
}

/// A place on a sheet: one lot at one place.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct SheetLine {
    /// The place's word: store, roasted or packed.
    pub place: String,
    /// Which one: the storeroom, the batch, the packing.
    pub key: Uuid,
    /// The same in words: the room, the style, the product.
    pub name: String,
    /// The lot.
    pub lot: Named,
    /// What a sack of it holds.
    pub sack_g: Mass,
    /// What the book had at the frozen moment; null while the count is blind.
    pub book_g: Option<Mass>,
    /// How many bags that is, where there are bags; null while the count is blind.
    pub book_bags: Option<u32>,
    /// What was there; null where nobody has counted yet.
    pub counted_g: Option<Mass>,
    /// How many bags, where bags were counted.
    pub counted_bags: Option<u32>,
    /// Who counted.
    pub counted_by: Option<Named>,
    /// What the difference is made of; null while the count is blind.
    pub difference: Option<Split>,
    /// The difference in words.
    pub sentence: Option<String>,
}

/// A count with its sheet.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct CountSheet {
    /// The count.
    #[serde(flatten)]
    pub count: CountView,
    /// What is to be counted, and what was.
    pub lines: Vec<SheetLine>,
    /// The postings that brought the book to what was counted.
    pub postings: Vec<PostingId>,
    /// Whether weights from before the frozen moment came after it was booked, so that the differences were put right.
    pub recounted: bool,
}

/// All counts, newest first.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn counts(tx: &mut dyn Read, site: SiteId) -> Result<Vec<CountView>, StoreError> {
    let names = Names::read(tx, site).await?;
    let sessions = all(tx, site).await?;
    let views = sessions.iter().rev();
    views
        .filter_map(|session| names.view(session))
        .map(Ok)
        .collect()
}

/// A count with its sheet.
///
/// # Errors
/// [`crate::refusal::Refusal::NotFound`] if there is none.
pub async fn sheet(tx: &mut dyn Read, site: SiteId, zone: Zone, id: Uuid) -> Outcome<CountSheet> {
    let session = need(tx, site, id).await?;
    let mut names = Names::read(tx, site).await?;
    let damaged = || StoreError::Damaged(format!("the count {id} was never opened"));
    let (view, opened) = names
        .view(&session)
        .zip(session.opened())
        .ok_or_else(damaged)?;
    let later = Later::than(tx, site, zone, &session, Own::LeftOut).await?;
    let found = compared(tx, site, zone, &session, &later).await?;
    let lines = lines(tx, site, &session, opened, &later, &found, &mut names).await?;
    Ok(CountSheet {
        count: view,
        lines,
        recounted: session
            .steps
            .iter()
            .any(|step| matches!(step, super::session::Step::Recounted { .. })),
        postings: session.postings(),
    })
}

/// Each place that was counted beside what the book had there, with what the difference is put down to.
pub(super) async fn compared(
    tx: &mut dyn Read,
    site: SiteId,
    zone: Zone,
    session: &Session,
    later: &Later,
) -> Result<Vec<Line>, StoreError> {
    let Some(opened) = session.opened() else {
        return Ok(Vec::new());
    };
    let (sessions, own) = (all(tx, site).await?, session.postings());
    let mut compared = Vec::new();
    for entered in session.entered() {
        for (lot, book, counted) in at_place(tx, site, entered, later).await? {
            let counted_here = Entered {
                masses: vec![OfLot {
                    lot,
                    mass_g: counted,
                }],
                ..entered.clone()
            };
            let asked = Asked {
                account: (lot, entered.place),
                at: opened.at,
                without: &own,
                book,
                counted: &counted_here,
            };
            let record = setup::find::<Lot>(tx, site, lot).await?;
            let record = record.ok_or_else(|| StoreError::Damaged(format!("no lot {lot}")))?;
            let of = split(tx, site, zone, &asked, &record.fields, &sessions).await?;
            compared.push(Line {
                lot,
                place: entered.place,
                book_g: book,
                counted_g: counted,
                drying_g: of.drying_g,
                weighing_g: of.weighing_g,
                unexplained_g: of.unexplained_g,
                u_g: of.u_g,
            });
        }
    }
    Ok(compared)
}

/// Lot by lot what the book had where something was counted, and what was there.
pub(super) async fn at_place(
    tx: &mut dyn Read,
    site: SiteId,
    entered: &Entered,
    later: &Later,
) -> Result<Vec<(LotId, Mass, Mass)>, StoreError> {
    let mut lots: BTreeSet<LotId> = entered.masses.iter().map(|of| of.lot).collect();
    if !matches!(entered.place, Place::Store(_)) {
        let there = later.all_before(tx, site, entered.place.word()).await?;
        let here = there.keys().filter(|(_, place)| *place == entered.place);
        lots.extend(here.map(|(lot, _)| *lot));
    }
    let mut found = Vec::new();
    for lot in lots {
        let book = later.before(tx, site, (lot, entered.place)).await?;
        found.push((lot, book, counted_of(entered, lot)));
    }
    if let (Place::Packed(packing), Some(bags)) = (entered.place, entered.bags) {
        let left = Mass::sum(found.iter().map(|(_, book, _)| *book)).map_err(beyond)?;
        let whole = packed(tx, site, packing).await?;
        // As many bags as the book has: to the milligram what the book has.
        if whole.is_some_and(|whole| whole.count(left) == bags) {
            for of in &mut found {
                of.2 = of.1;
            }
        }
    }
    Ok(found)
}

async fn lines(
    tx: &mut dyn Read,
    site: SiteId,
    session: &Session,
    opened: &Opened,
    later: &Later,
    found: &[Line],
    names: &mut Names,
) -> Result<Vec<SheetLine>, StoreError> {
    let mut books: BTreeMap<Account, Mass> = BTreeMap::new();
    for covers in &opened.covers {
        books.extend(later.all_before(tx, site, covers.place()).await?);
    }
    if let Some(room) = opened.storeroom {
        books.retain(|(_, place), _| !matches!(place, Place::Store(other) if *other != room));
    }
    for line in found {
        books.entry((line.lot, line.place)).or_insert(line.book_g);
    }
    let mut sums: BTreeMap<Place, Mass> = BTreeMap::new();
    for ((_, place), book) in &books {
        let sum = sums.entry(*place).or_default();
        *sum = sum.plus(*book).map_err(beyond)?;
    }
    let hidden = opened.blind && session.state() == CountState::Open;
    let sheet = session.entered();
    let mut lines = Vec::new();
    for ((lot, place), book) in books {
        let line = found.iter().find(|l| (l.lot, l.place) == (lot, place));
        let by = sheet.iter().find(|e| e.place == place && line.is_some());
        let by = by.filter(|e| {
            !matches!(place, Place::Store(_)) || e.masses.iter().any(|of| of.lot == lot)
        });
        let named = names.place(tx, site, place).await?;
        let split = line.filter(|_| !hidden).map(split_of);
        lines.push(SheetLine {
            place: place.word().to_owned(),
            key: place.key(),
            name: named.name,
            lot: names.lot(lot)?,
            sack_g: names.sack(lot),
            book_g: (!hidden).then_some(book),
            book_bags: named
                .bags
                .filter(|_| !hidden)
                .map(|whole| whole.count(sums.get(&place).copied().unwrap_or(book))),
            counted_g: line.map(|line| line.counted_g),
            counted_bags: by.and_then(|entered| entered.bags),
            counted_by: by.map(|entered| names.person(entered.person)).transpose()?,
            sentence: split
                .as_ref()
                .zip(line)
                .map(|(split, line)| sentence(line, split)),
            difference: split,
        });
    }
    lines.sort_by(|a, b| (&a.place, &a.name, &a.lot.name).cmp(&(&b.place, &b.name, &b.lot.name)));
    Ok(lines)
}

fn split_of(line: &Line) -> Split {
    Split {
        total_g: line.book_g.minus(line.counted_g).unwrap_or_default(),
        drying_g: line.drying_g,
        weighing_g: line.weighing_g,
        unexplained_g: line.unexplained_g,
        u_g: line.u_g,
    }
}

/// A difference in words.
fn sentence(line: &Line, split: &Split) -> String {
    let size = |mass: Mass| Mass::from_mg(mass.mg().abs()).unwrap_or_default();
    // Nobody knows an estimate to the milligram.
    let about = |mass: Mass| Mass::from_grams((mass.mg().abs() + 500) / 1_000).unwrap_or_default();
    if split.total_g == Mass::ZERO {
        return format!("Book and count agree: {}.", line.counted_g);
    }
    let mut text = format!(
        "Book {}, counted {}: {} {}.",
        line.book_g,
        line.counted_g,
        size(split.total_g),
        if split.total_g.is_positive() {
            "less"
        } else {
            "more"
        },
    );
    if split.drying_g != Mass::ZERO {
        let did = if split.drying_g.is_positive() {
            "drying"
        } else {
            "water taken up"
        };
        let _ = write!(text, " Of that {} is {did}.", about(split.drying_g));
    }
    if split.unexplained_g == Mass::ZERO {
        let _ = write!(
            text,
            " Weighing explains the rest: it is uncertain by {} (twice the standard uncertainty).",
            about(split.u_g.times(2).unwrap_or(split.u_g))
        );
    } else {
        let _ = write!(
            text,
            " Weighing explains {}; {} is not explained.",
            about(split.weighing_g),
            about(split.unexplained_g)
        );
    }
    text
}

/// The names that a sheet needs.
struct Names {
    people: HashMap<PersonId, Name>,
    lots: HashMap<LotId, Lot>,
    rooms: HashMap<Uuid, Name>,
    styles: HashMap<Uuid, Name>,
    products: HashMap<Uuid, Name>,
}

/// What a place is called, and the bags that a packing filled.
struct NamedPlace {
    name: String,
    bags: Option<super::book::PackedBags>,
}

impl Names {
    async fn read(tx: &mut dyn Read, site: SiteId) -> Result<Self, StoreError> {
        let people = setup::all::<Person>(tx, site).await?;
        let lots = setup::all::<Lot>(tx, site).await?;
        let rooms = setup::all::<Storeroom>(tx, site).await?;
        let styles = setup::all::<Style>(tx, site).await?;
        let products = setup::all::<Product>(tx, site).await?;
        Ok(Self {
            people: people
                .into_iter()
                .map(|p| (p.id.into(), p.fields.name))
                .collect(),
            lots: lots
                .into_iter()
                .map(|lot| (lot.id.into(), lot.fields))
                .collect(),
            rooms: rooms
                .into_iter()
                .map(|room| (room.id, room.fields.name))
                .collect(),
            styles: styles
                .into_iter()
                .map(|style| (style.id, style.fields.name))
                .collect(),
            products: products
                .into_iter()
                .map(|p| (p.id, p.fields.name))
                .collect(),
        })
    }

    fn view(&self, session: &Session) -> Option<CountView> {
        let opened = session.opened()?;
        let named = |id: Uuid, names: &HashMap<Uuid, Name>| {
            let name = names.get(&id)?.clone();
            Some(Named { id, name })
        };
        Some(CountView {
            id: session.id,
            state: session.state(),
            frozen_at: opened.at,
            storeroom: opened.storeroom.and_then(|room| named(room.0, &self.rooms)),
            covers: opened.covers.clone(),
            blind: opened.blind,
            second_person: opened.second_person,
            person: self.person(opened.person).ok()?,
            counted: session.entered().len(),
        })
    }

    fn person(&self, id: PersonId) -> Result<Named, StoreError> {
        let name = self.people.get(&id).cloned();
        name.map(|name| Named { id: id.0, name })
            .ok_or_else(|| StoreError::Damaged(format!("nobody is {id}")))
    }

    fn lot(&self, id: LotId) -> Result<Named, StoreError> {
        let lot = self.lots.get(&id);
        lot.map(|lot| Named {
            id: id.0,
            name: lot.name.clone(),
        })
        .ok_or_else(|| StoreError::Damaged(format!("no lot {id}")))
    }

    fn sack(&self, id: LotId) -> Mass {
        self.lots
            .get(&id)
            .map_or(Mass::ZERO, |lot| lot.packing.sack_g)
    }

    async fn place(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        place: Place,
    ) -> Result<NamedPlace, StoreError> {
        let name = |names: &HashMap<Uuid, Name>, id: Uuid| {
            names.get(&id).map(ToString::to_string).unwrap_or_default()
        };
        Ok(match place {
            Place::Roasted(batch) => {
                let row = tx.batch(site, batch).await?;
                let of = row.map(|row| format!("{}, {}", name(&self.styles, row.style), row.day));
                NamedPlace {
                    name: of.unwrap_or_default(),
                    bags: None,
                }
            }
            Place::Packed(packing) => {
                let bags = packed(tx, site, packing).await?;
                let product = bags.as_ref().and_then(|bags| bags.product);
                NamedPlace {
                    name: product.map_or_else(String::new, |id| name(&self.products, id.0)),
                    bags,
                }
            }
            other => NamedPlace {
                name: name(&self.rooms, other.key()),
                bags: None,
            },
        })
    }
}
