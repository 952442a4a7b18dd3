//! Sites are founded, each with its first owner, and found by their names.

use std::fmt::Write as _;

use serde_json::json;

use crate::book::merkle::Frontier;
use crate::book::{Actor, Book, canonical};
use crate::clock::Clock;
use crate::day::Zone;
use crate::fraction::Fraction;
use crate::ids::{PersonId, SiteId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Expected, MassUnit, Person, Role, Site};
use crate::store::{Read, Store, StoreError, Write};
use crate::text::Name;

use super::record;

/// A site with its first owner.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Founded {
    /// The site.
    pub site: SiteId,
    /// Its first owner.
    pub owner: PersonId,
}

/// Why there is no such site.
#[derive(Debug, thiserror::Error)]
pub enum SiteError {
    /// The book cannot be read or written.
    #[error("the book cannot be opened: {0}")]
    Store(#[from] StoreError),
    /// There is no site of that name.
    #[error("there is no site called {0}, only {1}; `outturn site add` founds another")]
    Unknown(Name, String),
    /// There is no site yet.
    #[error("there is no book yet: start `outturn serve` first")]
    NoBook,
    /// It cannot be founded so.
    #[error("{0}")]
    Refused(String),
}

/// The site of a name or id, or the oldest where none is given.
///
/// # Errors
/// [`SiteError::Unknown`] where there is no such site, with those that there are; [`SiteError::NoBook`] where there is none at all.
pub async fn which(store: &dyn Store, name: Option<&Name>) -> Result<Founded, SiteError> {
    let Some(name) = name else {
        return oldest(store).await?.ok_or(SiteError::NoBook);
    };
    let mut tx = store.read().await?;
    let mut others = String::new();
    for site in tx.sites().await? {
        let own = record(&mut *tx, site).await?.name;
        if own == *name || site.to_string() == name.as_str() {
            return Ok(with_owner(&mut *tx, site).await?);
        }
        let comma = if others.is_empty() { "" } else { ", " };
        let _ = write!(others, "{comma}{own}");
    }
    if others.is_empty() {
        return Err(SiteError::NoBook);
    }
    Err(SiteError::Unknown(name.clone(), others))
}

/// The site that was founded first; none where there is no book yet.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn oldest(store: &dyn Store) -> Result<Option<Founded>, StoreError> {
    let mut tx = store.read().await?;
    match tx.sites().await?.into_iter().next() {
        Some(site) => with_owner(&mut *tx, site).await.map(Some),
        None => Ok(None),
    }
}

async fn with_owner(tx: &mut dyn Read, site: SiteId) -> Result<Founded, StoreError> {
    let people = setup::all::<Person>(tx, site).await?;
    let owner = people.iter().find(|one| one.fields.role == Role::Owner);
    let owner = owner.ok_or_else(|| StoreError::Damaged("the site has no owner".to_owned()))?;
    Ok(Founded {
        site,
        owner: PersonId(owner.id),
    })
}

/// Founds the first site of a database, unless another server has done so meanwhile.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn found_first(
    store: &dyn Store,
    clock: &Clock,
    zone: Zone,
) -> Result<Founded, StoreError> {
    let name = Name::new("Roastery").map_err(|e| StoreError::Damaged(e.to_string()))?;
    let mut tx = store.write().await?;
    tx.hold_sites().await?;
    if let Some(site) = tx.sites().await?.into_iter().next() {
        return with_owner(&mut *tx, site).await;
    }
    found_in(tx, clock, zone, name)
        .await
        .map_err(|error| match error {
            SiteError::Store(error) => error,
            other => StoreError::Damaged(other.to_string()),
        })
}

/// Founds a site.
///
/// # Errors
/// [`SiteError::Refused`] where another site has the name.
pub async fn found(
    store: &dyn Store,
    clock: &Clock,
    zone: Zone,
    name: Name,
) -> Result<Founded, SiteError> {
    let mut tx = store.write().await?;
    tx.hold_sites().await?;
    found_in(tx, clock, zone, name).await
}

/// The first two leaves of a site's log are itself and its owner. Its money and units are those of the oldest site.
async fn found_in(
    mut tx: Box<dyn Write>,
    clock: &Clock,
    zone: Zone,
    name: Name,
) -> Result<Founded, SiteError> {
    let founded = Founded {
        site: SiteId(clock.new_id()),
        owner: PersonId(clock.new_id()),
    };
    let like = match tx.sites().await?.into_iter().next() {
        Some(oldest) => Some(record(&mut *tx, oldest).await?),
        None => None,
    };
    tx.insert_head(founded.site, &Frontier::default().root())
        .await?;
    let fields = new_site(name, zone, like.as_ref());
    let digest = canonical::digest(&json!({"record": "site", "body": fields}));
    let actor = Actor::person(founded.owner);
    let mut book = Book::open(tx, founded.site, zone, actor, digest, clock.now()).await?;
    put_both(&mut book, clock, founded, fields)
        .await
        .map_err(refused)?;
    book.close(None, "").await?;
    Ok(founded)
}

fn new_site(name: Name, zone: Zone, like: Option<&Site>) -> Site {
    Site {
        name,
        zone,
        currency: like.map_or_else(|| "EUR".to_owned(), |site| site.currency.clone()),
        mass_unit: like.map_or(MassUnit::Kg, |site| site.mass_unit),
        service_level: Fraction::from_ppm(900_000),
        false_flag_rate: Fraction::from_ppm(2_700),
        overfill_g: Mass::ZERO,
        kept_back_g: Mass::ZERO,
        crew_min: None,
        second_person: false,
        large_reversal_g: None,
        packing: None,
        retired: false,
    }
}

async fn put_both(book: &mut Book, clock: &Clock, founded: Founded, site: Site) -> Outcome<()> {
    let owner = Person {
        name: Name::new("Owner").map_err(|e| StoreError::Damaged(e.to_string()))?,
        role: Role::Owner,
        retired: false,
    };
    let nothing = Expected::Nothing;
    setup::put(book, founded.site.0, nothing, site, clock.new_id()).await?;
    setup::put(book, founded.owner.0, nothing, owner, clock.new_id()).await?;
    Ok(())
}

/// What stands against it, for the terminal.
fn refused(refusal: Refusal) -> SiteError {
    match refusal {
        Refusal::Store(error) => SiteError::Store(error),
        Refusal::Invalid(errors) => {
            let what: Vec<String> = errors.into_iter().map(|error| error.detail).collect();
            SiteError::Refused(what.join("; "))
        }
        other => SiteError::Refused(other.to_string()),
    }
}
