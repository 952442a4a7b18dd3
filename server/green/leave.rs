//! Green leaves storerooms. More than the book has is asked about once; with a further word it is booked, and the count difference makes up
//! what the book lacks, so that a storeroom never holds less than nothing.

use std::collections::BTreeMap;

use serde_json::{Map, Value, json};
use uuid::Uuid;

use crate::book::leaf::{Kind, Movement};
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::Common;
use crate::ids::{LotId, StoreroomId};
use crate::mass::Mass;
use crate::refusal::{Confirm, Outcome, Refusal};
use crate::setup::{self, Lot, Storeroom, Weighed, Weight};
use crate::text::Name;

/// Green of one lot that leaves one storeroom.
pub struct Portion {
    lot: LotId,
    name: Name,
    storeroom: StoreroomId,
    to: Place,
    weighed: Weighed,
}

impl Portion {
    /// Checks what a command says of it; `at` is the JSON Pointer of the object that says it.
    ///
    /// # Errors
    /// [`Refusal::Invalid`] for a lot or storeroom that is not there, and for a weight that cannot be.
    pub async fn check(
        book: &mut Book,
        at: &str,
        (lot, storeroom): (LotId, StoreroomId),
        weight: &Weight,
        to: Place,
    ) -> Outcome<Self> {
        let name = check_store(book, at, (lot, storeroom)).await?;
        let site = book.site();
        let weighed = weight
            .positive(book.tx(), site, &format!("{at}/weight"))
            .await?;
        Ok(Self {
            lot,
            name,
            storeroom,
            to,
            weighed,
        })
    }

    /// How much it is.
    pub const fn mass(&self) -> Mass {
        self.weighed.mass
    }

    const fn movement(&self) -> Movement {
        Movement {
            lot: self.lot,
            from: Place::Store(self.storeroom),
            to: self.to,
            mass_mg: self.weighed.mass.mg(),
        }
    }
}

/// Checks that a lot and a storeroom are there; answers the lot's name.
///
/// # Errors
/// [`Refusal::Invalid`] below `at` where they are not.
pub(super) async fn check_store(
    book: &mut Book,
    at: &str,
    (lot, storeroom): (LotId, StoreroomId),
) -> Outcome<Name> {
    let site = book.site();
    let lot = setup::named::<Lot>(book.tx(), site, &format!("{at}/lot"), lot).await?;
    setup::named::<Storeroom>(book.tx(), site, &format!("{at}/storeroom"), storeroom).await?;
    Ok(lot.fields.name)
}

/// Drafts the posting that takes portions out of their storerooms.
///
/// # Errors
/// [`Refusal::Confirm`] when the book has less than leaves and nobody has confirmed it.
pub async fn draft(
    book: &mut Book,
    id: Uuid,
    kind: Kind,
    common: Common<'_>,
    portions: &[Portion],
) -> Outcome<Draft> {
    let missing = missing(book, portions).await?;
    let beyond = Mass::sum(missing.iter().map(|(_, mass)| *mass))?;
    if beyond.is_positive() && !common.confirms(Confirm::BeyondBook) {
        return Err(ask(portions, &missing, beyond));
    }
    let mut movements: Vec<Movement> = missing
        .iter()
        .map(|((lot, storeroom), mass)| Movement {
            lot: *lot,
            from: Place::Variance,
            to: Place::Store(*storeroom),
            mass_mg: mass.mg(),
        })
        .collect();
    let first = movements.len();
    movements.extend(portions.iter().map(Portion::movement));
    let weighings = portions
        .iter()
        .zip(first..)
        .map(|(portion, line)| portion.weighed.weighing(line))
        .collect();
    Ok(Draft {
        id: id.into(),
        kind,
        happened_at: common.happened_at,
        reason: common.why(),
        card: None,
        reverses: None,
        facts: facts(common, beyond),
        movements,
        weighings,
    })
}

/// What the book lacks in each storeroom for all portions together.
async fn missing(
    book: &mut Book,
    portions: &[Portion],
) -> Outcome<Vec<((LotId, StoreroomId), Mass)>> {
    let mut leaving: BTreeMap<(LotId, StoreroomId), Mass> = BTreeMap::new();
    for portion in portions {
        let sum = leaving.entry((portion.lot, portion.storeroom)).or_default();
        *sum = sum.plus(portion.mass())?;
    }
    let site = book.site();
    let mut missing = Vec::new();
    for ((lot, storeroom), mass) in leaving {
        let there = book
            .tx()
            .balance(site, lot, Place::Store(storeroom))
            .await?;
        let short = mass.minus(there)?;
        if short.is_positive() {
            missing.push(((lot, storeroom), short));
        }
    }
    Ok(missing)
}

fn ask(portions: &[Portion], missing: &[((LotId, StoreroomId), Mass)], beyond: Mass) -> Refusal {
    let short: Vec<String> = missing
        .iter()
        .filter_map(|((lot, storeroom), mass)| {
            let portion = portions
                .iter()
                .find(|p| p.lot == *lot && p.storeroom == *storeroom)?;
            Some(format!("{mass} less of {}", portion.name))
        })
        .collect();
    Refusal::beyond_book(
        beyond,
        format!(
            "the book has {} in this storeroom than you say: look at the weight again, or confirm it",
            short.join(" and ")
        ),
    )
}

/// What the posting says beside its movements; nothing where nothing is unusual.
fn facts(common: Common<'_>, beyond: Mass) -> Value {
    let mut facts = Map::new();
    if beyond.is_positive() {
        facts.insert("beyond_book_g".to_owned(), json!(beyond));
    }
    if common.kept || !common.confirmed.is_empty() {
        facts.insert("confirmed".to_owned(), json!(common.confirmed));
        facts.insert("kept".to_owned(), json!(common.kept));
    }
    if facts.is_empty() {
        Value::Null
    } else {
        Value::Object(facts)
    }
}
