//! A statement in words: what a line did, and what the places are called.

use std::collections::{BTreeMap, HashMap};

use super::{Names, Total, beyond};
use crate::audit::as_known;
use crate::book::leaf::Kind;
use crate::book::place::Place;
use crate::ids::{LotId, SiteId};
use crate::mass::Mass;
use crate::setup::{Delivery, Lot, Record, Roaster, Storeroom, Style};
use crate::store::{Read, Standing, StoreError, StoreLine};
use crate::text::Name;

/// The names that a statement needs.
pub(super) struct Words {
    lot: LotId,
    places: HashMap<i64, Place>,
    storerooms: Names,
    lots: Names,
    deliveries: HashMap<uuid::Uuid, String>,
    /// Roasters by id.
    pub roasters: Names,
    /// Styles by id.
    pub styles: Names,
}

/// What was done, of a word in the tables.
pub(super) fn kind(word: &str) -> Result<Kind, StoreError> {
    Kind::of_word(word).ok_or_else(|| StoreError::Damaged(format!("no kind of posting: {word}")))
}

impl Words {
    /// Reads them, as the first `known` leaves say.
    pub async fn read(
        tx: &mut dyn Read,
        site: SiteId,
        lot: LotId,
        known: Option<i64>,
    ) -> Result<Self, StoreError> {
        let mut places = HashMap::new();
        for account in tx.accounts_of_lot(site, lot).await? {
            let (word, key) = &account.place;
            let place = Place::new(word, *key)
                .ok_or_else(|| StoreError::Damaged(format!("no place: {word} {key}")))?;
            places.insert(account.id, place);
        }
        let deliveries = as_known::all::<Delivery>(tx, site, known).await?;
        let label = |d: &Delivery| format!("{} {}", d.supplier, d.reference);
        Ok(Self {
            lot,
            places,
            storerooms: names::<Storeroom>(tx, site, known, |room| &room.name).await?,
            lots: names::<Lot>(tx, site, known, |lot| &lot.name).await?,
            deliveries: deliveries
                .iter()
                .map(|d| (d.id, label(&d.fields)))
                .collect(),
            roasters: names::<Roaster>(tx, site, known, |roaster| &roaster.name).await?,
            styles: names::<Style>(tx, site, known, |style| &style.name).await?,
        })
    }

    /// Reads those of all lots.
    pub async fn of_all(
        tx: &mut dyn Read,
        site: SiteId,
        known: Option<i64>,
    ) -> Result<Self, StoreError> {
        Self::read(tx, site, LotId(uuid::Uuid::nil()), known).await
    }

    /// The lot.
    pub const fn lot(&self) -> LotId {
        self.lot
    }

    /// The place of an account of the lot.
    pub fn place(&self, account: i64) -> Result<Place, StoreError> {
        self.places
            .get(&account)
            .copied()
            .ok_or_else(|| StoreError::Damaged(format!("account {account} is of another lot")))
    }

    /// What a line did, or undid.
    pub fn done(row: &StoreLine) -> Result<Kind, StoreError> {
        kind(row.undoes.as_ref().unwrap_or(&row.kind))
    }

    /// A line in words.
    pub fn text(&self, row: &StoreLine, from: Place, to: Place) -> Result<String, StoreError> {
        let mut text = if row.undoes.is_some() {
            // An undo goes the other way.
            format!("Undone: {}", lower(&self.what(Self::done(row)?, to, from)))
        } else {
            self.what(kind(&row.kind)?, from, to)
        };
        if let Some(reason) = &row.reason {
            text.push_str(": ");
            text.push_str(reason);
        }
        Ok(text)
    }

    fn what(&self, kind: Kind, from: Place, to: Place) -> String {
        let of = |place| self.key_text(place);
        match kind {
            Kind::Receive => format!("Received from {}", of(from)),
            Kind::Return => match to {
                Place::Supplier(_) => format!("Returned to {}", of(to)),
                _ => BEYOND.to_owned(),
            },
            Kind::Transfer if from != Place::Variance => {
                format!("Moved from {} to {}", of(from), of(to))
            }
            Kind::Dispatch => "Sent to another site".to_owned(),
            Kind::Arrive => "Came from another site".to_owned(),
            Kind::Count => "Count difference".to_owned(),
            Kind::UseUp => "Used up: the book's rest".to_owned(),
            Kind::Correct => "Put right".to_owned(),
            Kind::Blend => match (from, to) {
                (_, Place::Blended(_)) => format!("Into the blend {}", of(to)),
                (Place::Blended(_), _) => "Made up from other lots".to_owned(),
                _ => BEYOND.to_owned(),
            },
            _ if from == Place::Variance => BEYOND.to_owned(),
            Kind::WeighIn => "Weighed in".to_owned(),
            Kind::Sample => "Sample".to_owned(),
            Kind::Waste => "Waste".to_owned(),
            Kind::Dry => "Dried in the store".to_owned(),
            _ => upper(to.label()),
        }
    }

    /// Which place of its kind, in words; empty where all of them are one line.
    fn key_text(&self, place: Place) -> String {
        let name = |names: &Names, id| names.get(&id).map(ToString::to_string).unwrap_or_default();
        match place {
            Place::Store(room) => name(&self.storerooms, room.0),
            Place::Blended(lot) => name(&self.lots, lot.0),
            Place::Supplier(delivery) => self
                .deliveries
                .get(&delivery.0)
                .cloned()
                .unwrap_or_default(),
            _ => String::new(),
        }
    }

    /// What stands where, by place and, where that says something, by which one.
    pub fn totals(&self, standing: &[Standing]) -> Result<Vec<Total>, StoreError> {
        let mut by_place: BTreeMap<(usize, &str, String), Mass> = BTreeMap::new();
        for one in standing {
            let word = one.place.word();
            let order = ORDER
                .iter()
                .position(|place| *place == word)
                .unwrap_or(ORDER.len());
            let sum = by_place
                .entry((order, word, self.key_text(one.place)))
                .or_default();
            *sum = sum.plus(one.mass).map_err(beyond)?;
        }
        let total = |((_, place, key_text), mass_g): ((usize, &str, String), Mass)| Total {
            place: place.to_owned(),
            key_text,
            mass_g,
        };
        Ok(by_place.into_iter().map(total).collect())
    }
}

/// Green that the book did not have came out of the count difference.
const BEYOND: &str = "More than the book had";

/// Places in the order in which coffee passes them.
pub(super) const ORDER: [&str; 12] = [
    "supplier", "blended", "transit", "store", "batch", "roasted", "packed", "shipped", "sample",
    "waste", "air", "variance",
];

fn lower(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_lowercase().chain(letters).collect()
    })
}

fn upper(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

async fn names<R: Record>(
    tx: &mut dyn Read,
    site: SiteId,
    known: Option<i64>,
    name: impl Fn(&R) -> &Name + Send,
) -> Result<Names, StoreError> {
    let all = as_known::all::<R>(tx, site, known).await?;
    Ok(all
        .iter()
        .map(|kept| (kept.id, name(&kept.fields).clone()))
        .collect())
}
