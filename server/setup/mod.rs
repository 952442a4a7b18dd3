//! Set-up data: the things people edit. Each kind is one record type with its checks; every change is in the journal.

mod coffee;
mod cost;
mod device;
mod dispatch;
mod green;
mod people;
mod rights;
mod roaster;
mod scale;
mod screen;
mod selling;
mod shelf;
mod standing;
mod subscription;
mod table;
mod tariff;

pub use coffee::{Blends, Coffee, Part, Product, Style};
pub use cost::{CostKind, CostLine, WriteDown};
pub use device::{Device, DeviceKind};
pub use dispatch::{
    Dispatch, Headcount, LeftOut, ListPart, Listed, Offer, ParcelLine, Replacement, Why,
    offer_faults,
};
pub use green::{
    Claim, Delivery, Lot, Moisture, Packing, PackingKind, SampleRequest, Storeroom, same_claim,
};
pub use people::{MassUnit, PackingHours, Person, Role, Site};
pub use rights::{RIGHTS, Right, Rule};
pub use roaster::{ChargeLimit, Cleaning, DayHours, Exception, Roaster, Weighs};
pub use scale::{Container, ReadingInput, Scale, Weighed, Weight};
pub use screen::{Screen, ScreenText, Sieve};
pub use selling::{Order, OrderLine, ShipDay};
pub use shelf::ShelfLevel;
pub use standing::StandingOrder;
pub use subscription::{Destination, MOST_BAGS, Subscriber, Subscription};
pub use table::{TableHeadings, TableKind, headings, remember_headings};
pub use tariff::{Tariff, TariffKind};

use std::collections::HashMap;

use async_trait::async_trait;
use serde::Serialize;
use serde::de::DeserializeOwned;
use uuid::Uuid;

use crate::book::{Book, canonical, damaged};
use crate::day::Day;
use crate::ids::SiteId;
use crate::refusal::{Confirm, FieldError, Outcome, Refusal, ToConfirm};
use crate::store::{Read, RecordRow, StoreError};

/// A name in a record for another record: where it stands, of what kind that must be, and which.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Link {
    /// JSON Pointer of the field.
    pub pointer: String,
    /// The kind that must be there.
    pub kind: &'static str,
    /// Which one.
    pub id: Uuid,
}

impl Link {
    /// A name at a field.
    pub fn new(pointer: impl Into<String>, kind: &'static str, id: impl Into<Uuid>) -> Self {
        Self {
            pointer: pointer.into(),
            kind,
            id: id.into(),
        }
    }
}

/// A kind of thing that people edit.
#[async_trait]
pub trait Record: Serialize + DeserializeOwned + Clone + Send + Sync + 'static {
    /// The kind's word, in tables and the journal.
    const KIND: &'static str;

    /// Where its name among its kind is typed (JSON Pointer).
    const LABEL_AT: &'static str = "/name";

    /// Its name among its kind, if that must be unique.
    fn label(&self) -> Option<String>;

    /// What to say when another has its label, in names that people know.
    async fn taken(&self, _tx: &mut dyn Read, _site: SiteId) -> Result<String, StoreError> {
        let (kind, label) = (Self::KIND.replace('_', " "), self.label());
        let label = label.unwrap_or_default();
        Ok(format!(
            "there is another {kind} called {label}: choose another name"
        ))
    }

    /// The day it is about, if it is about one.
    fn day(&self) -> Option<Day> {
        None
    }

    /// What it names.
    fn links(&self) -> Vec<Link> {
        Vec::new()
    }

    /// What is wrong with its fields by themselves.
    fn faults(&self) -> Vec<FieldError> {
        Vec::new()
    }

    /// What is wrong with it beside the rest of the book.
    async fn faults_beside(
        &self,
        _tx: &mut dyn Read,
        _site: SiteId,
        _id: Uuid,
        _before: Option<&Self>,
    ) -> Result<Vec<FieldError>, StoreError> {
        Ok(Vec::new())
    }

    /// What is unusual about a change of it on a day, so that a person is asked once more.
    async fn unusual(
        &self,
        _tx: &mut dyn Read,
        _site: SiteId,
        _id: Uuid,
        _before: Option<&Self>,
        _today: Day,
    ) -> Result<Vec<Unusual>, StoreError> {
        Ok(Vec::new())
    }
}

/// Something that can be, and that a person must say once more.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unusual {
    /// What confirms it.
    pub confirm: Confirm,
    /// What is unusual, with its figures, and what to do: a part of a sentence.
    pub words: String,
}

/// A record with its id and revision.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept<R> {
    /// Its id.
    pub id: Uuid,
    /// How often it has been written.
    pub revision: i64,
    /// Its fields.
    pub fields: R,
}

/// What the writer believes to be there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Expected {
    /// Nothing yet.
    Nothing,
    /// This revision.
    Revision(i64),
}

fn kept<R: Record>(row: &RecordRow) -> Result<Kept<R>, StoreError> {
    Ok(Kept {
        id: row.id,
        revision: row.revision,
        fields: serde_json::from_str(&row.body).map_err(damaged)?,
    })
}

/// One record; none if there is none of this kind and id.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn find<R: Record>(
    tx: &mut dyn Read,
    site: SiteId,
    id: impl Into<Uuid>,
) -> Result<Option<Kept<R>>, StoreError> {
    let row = tx
        .record(site, id.into())
        .await?
        .filter(|row| row.kind == R::KIND);
    row.as_ref().map(kept).transpose()
}

/// Those of these records that there are, by their ids.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn some<R: Record>(
    tx: &mut dyn Read,
    site: SiteId,
    ids: &[Uuid],
) -> Result<HashMap<Uuid, R>, StoreError> {
    let rows = tx.records_by_id(site, ids).await?;
    let of_kind = rows.iter().filter(|row| row.kind == R::KIND);
    of_kind
        .map(|row| kept(row).map(|kept| (kept.id, kept.fields)))
        .collect()
}

/// The record of a kind with this label; none if there is none.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn find_labelled<R: Record>(
    tx: &mut dyn Read,
    site: SiteId,
    label: &str,
) -> Result<Option<Kept<R>>, StoreError> {
    let row = tx.record_labelled(site, R::KIND, label).await?;
    row.as_ref().map(kept).transpose()
}

/// One record that must be there.
///
/// # Errors
/// [`Refusal::NotFound`] if there is none of this kind and id.
pub async fn need<R: Record>(
    tx: &mut dyn Read,
    site: SiteId,
    id: impl Into<Uuid>,
) -> Outcome<Kept<R>> {
    let id = id.into();
    find(tx, site, id)
        .await?
        .ok_or(Refusal::NotFound(R::KIND, id))
}

/// The record of a site itself, which every site has from its founding.
///
/// # Errors
/// [`StoreError`] when the database fails, or the site has no record.
pub async fn site(tx: &mut dyn Read, id: SiteId) -> Result<Kept<Site>, StoreError> {
    find(tx, id, id)
        .await?
        .ok_or_else(|| StoreError::Damaged("the site has no record".to_owned()))
}

/// One record that a field names.
///
/// # Errors
/// [`Refusal::Invalid`] at the field if there is none of this kind and id.
pub async fn named<R: Record>(
    tx: &mut dyn Read,
    site: SiteId,
    pointer: &str,
    id: impl Into<Uuid>,
) -> Outcome<Kept<R>> {
    find(tx, site, id).await?.ok_or_else(|| {
        Refusal::field(
            pointer,
            format!("there is no such {}", R::KIND.replace('_', " ")),
        )
    })
}

/// All records of a kind, in order of their ids.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn all<R: Record>(tx: &mut dyn Read, site: SiteId) -> Result<Vec<Kept<R>>, StoreError> {
    const PAGE: i64 = 1_000;
    let mut found = Vec::new();
    let mut after = None;
    loop {
        let (page, more) = page(tx, site, after, PAGE).await?;
        after = page.last().map(|last| last.id);
        found.extend(page);
        if !more {
            return Ok(found);
        }
    }
}

/// Records of a kind after one, at most `limit`, and whether more follow.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn page<R: Record>(
    tx: &mut dyn Read,
    site: SiteId,
    after: Option<Uuid>,
    limit: i64,
) -> Result<(Vec<Kept<R>>, bool), StoreError> {
    let mut rows = tx.records(site, R::KIND, after, limit + 1).await?;
    let more = rows.len() > usize::try_from(limit).unwrap_or(usize::MAX);
    if more {
        rows.pop();
    }
    Ok((rows.iter().map(kept).collect::<Result<_, _>>()?, more))
}

/// Writes a record. Writing what is already there, on top of what the writer believed, answers it again and changes nothing.
///
/// # Errors
/// [`Refusal::Invalid`] for wrong fields, [`Refusal::ChangedSince`] when another revision is there, [`Refusal::IdTaken`] when a new one's id is used.
pub async fn put<R: Record>(
    book: &mut Book,
    id: Uuid,
    expected: Expected,
    fields: R,
    entry: Uuid,
) -> Outcome<(Kept<R>, bool)> {
    write(book, id, expected, fields, entry, None).await
}

/// Writes a record as a person sends it: what is unusual about it, and is not confirmed, is asked about once.
///
/// # Errors
/// As [`put`], and [`Refusal::Confirm`].
pub async fn put_asking<R: Record>(
    book: &mut Book,
    id: Uuid,
    expected: Expected,
    fields: R,
    entry: Uuid,
    confirmed: &[Confirm],
) -> Outcome<(Kept<R>, bool)> {
    write(book, id, expected, fields, entry, Some(confirmed)).await
}

async fn write<R: Record>(
    book: &mut Book,
    id: Uuid,
    expected: Expected,
    fields: R,
    entry: Uuid,
    asking: Option<&[Confirm]>,
) -> Outcome<(Kept<R>, bool)> {
    let site = book.site();
    let body = canonical::text(&fields);
    let before = book.tx().record(site, id).await?;
    if let Some(done) = repeated(before.as_ref(), expected, &body, &fields)? {
        return Ok((done, false));
    }
    let before_fields = before
        .as_ref()
        .map(kept::<R>)
        .transpose()?
        .map(|kept| kept.fields);
    let mut faults = fields.faults();
    faults.extend(wrong_links(book, &fields).await?);
    if faults.is_empty() {
        faults.extend(
            fields
                .faults_beside(as_read(book), site, id, before_fields.as_ref())
                .await?,
        );
    }
    faults.extend(label_taken(book, id, &fields).await?);
    if !faults.is_empty() {
        return Err(Refusal::Invalid(faults));
    }
    if let Some(confirmed) = asking {
        let today = book.today();
        let unusual = fields.unusual(as_read(book), site, id, before_fields.as_ref(), today);
        let mut asked = ToConfirm::default();
        for one in unusual.await? {
            asked.add(one.confirm, one.words, serde_json::Map::new());
        }
        asked.ask(|confirm| confirmed.contains(&confirm))?;
    }
    let revision = before.as_ref().map_or(0, |row| row.revision) + 1;
    let names: Vec<Uuid> = fields.links().into_iter().map(|link| link.id).collect();
    let row = RecordRow {
        id,
        kind: R::KIND.to_owned(),
        revision,
        label: fields.label(),
        day: fields.day(),
        body,
    };
    book.put_record(R::KIND, before.as_ref(), &row, &names, entry, None)
        .await?;
    Ok((
        Kept {
            id,
            revision,
            fields,
        },
        true,
    ))
}

/// The writing transaction, for reading.
fn as_read(book: &mut Book) -> &mut dyn Read {
    book.tx()
}

fn repeated<R: Record>(
    before: Option<&RecordRow>,
    expected: Expected,
    body: &str,
    fields: &R,
) -> Outcome<Option<Kept<R>>> {
    let Some(row) = before else {
        return if expected == Expected::Nothing {
            Ok(None)
        } else {
            Err(Refusal::ChangedSince(0))
        };
    };
    let again = row.kind == R::KIND && row.body == body;
    match expected {
        Expected::Nothing if again && row.revision == 1 => Ok(Some(Kept {
            id: row.id,
            revision: 1,
            fields: fields.clone(),
        })),
        Expected::Nothing => Err(Refusal::IdTaken),
        Expected::Revision(_) if row.kind != R::KIND => Err(Refusal::NotFound(R::KIND, row.id)),
        Expected::Revision(revision) if row.revision == revision => Ok(again.then(|| Kept {
            id: row.id,
            revision,
            fields: fields.clone(),
        })),
        Expected::Revision(revision) if again && row.revision == revision + 1 => Ok(Some(Kept {
            id: row.id,
            revision: row.revision,
            fields: fields.clone(),
        })),
        Expected::Revision(_) => Err(Refusal::ChangedSince(row.revision)),
    }
}

async fn wrong_links<R: Record>(
    book: &mut Book,
    fields: &R,
) -> Result<Vec<FieldError>, StoreError> {
    let site = book.site();
    let mut faults = Vec::new();
    for link in fields.links() {
        let there = book
            .tx()
            .record(site, link.id)
            .await?
            .is_some_and(|row| row.kind == link.kind);
        if !there {
            faults.push(FieldError {
                pointer: link.pointer,
                detail: format!("there is no such {}", link.kind.replace('_', " ")),
            });
        }
    }
    Ok(faults)
}

async fn label_taken<R: Record>(
    book: &mut Book,
    id: Uuid,
    fields: &R,
) -> Result<Option<FieldError>, StoreError> {
    let Some(label) = fields.label() else {
        return Ok(None);
    };
    let site = book.site();
    let other = book
        .tx()
        .record_labelled(site, R::KIND, &label)
        .await?
        .filter(|row| row.id != id);
    if other.is_none() {
        return Ok(None);
    }
    Ok(Some(fault(
        R::LABEL_AT,
        fields.taken(as_read(book), site).await?,
    )))
}

/// A wrong field.
fn fault(pointer: impl Into<String>, detail: impl Into<String>) -> FieldError {
    FieldError {
        pointer: pointer.into(),
        detail: detail.into(),
    }
}

/// Reads a field that must be sent but may be null.
mod unless {
    /// Whether a flag is off, so that it can be left out.
    #[expect(clippy::trivially_copy_pass_by_ref, reason = "serde wants a reference")]
    pub const fn set(flag: &bool) -> bool {
        !*flag
    }

    /// Whether a mass is nothing, so that it can be left out.
    #[expect(clippy::trivially_copy_pass_by_ref, reason = "serde wants a reference")]
    pub fn zero(mass: &crate::mass::Mass) -> bool {
        *mass == crate::mass::Mass::ZERO
    }
}
