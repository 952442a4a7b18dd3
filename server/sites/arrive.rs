//! Green comes from another site: transit -> store, as a lot of this site.
//!
//! The first time that a lot comes, a delivery and a lot are made here after the sender's; later it comes as that lot again. What it cost the
//! sender is a bill of the delivery here, so that each site's books stand by themselves.

use async_trait::async_trait;
use serde_json::json;
use uuid::Uuid;

use super::{Sent, record};
use crate::app::App;
use crate::book::leaf::{Kind, Movement, Posting};
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::cost::{Amount, Landed};
use crate::day::Instant;
use crate::green::Posted;
use crate::ids::{CoffeeId, DeliveryId, LotId, PostingId, StoreroomId};
use crate::mass::Mass;
use crate::money::Money;
use crate::refusal::{Confirm, Outcome, Refusal};
use crate::setup::{
    self, Coffee, CostKind, CostLine, Delivery, Expected, Lot, Packing, Record, Site, Storeroom,
    Weighed, Weight,
};
use crate::text::{Name, Note};

/// What two scales and a journey may make of a weight before somebody is asked: a hundredth of it, and 200 g besides (common practice, no source).
const APART: (i64, i64) = (100, 200_000);

command! {
    /// Green came from another site.
    SiteArrival {
        /// The sending.
        sending: PostingId,
        /// Where it is put.
        storeroom: StoreroomId,
        /// How much came.
        weight: Weight,
    }
}

#[async_trait]
impl Command for SiteArrival {
    const NAME: &'static str = "arrivals";
    type Answer = Posted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, id: Uuid) -> Outcome<Posted> {
        let site = book.site();
        book.tx().hold_sending(self.sending).await?;
        let sent = self.sent(book).await?;
        setup::named::<Storeroom>(book.tx(), site, "/storeroom", self.storeroom).await?;
        let weighed = self.weight.positive(book.tx(), site, "/weight").await?;
        self.ask_if_other(&sent, weighed.mass)?;
        let lot = lot_here(book, app, &sent, self.storeroom).await?;
        let bill = bill(book, app, &sent, lot).await?;
        let draft = self.draft(id, &sent, lot, &weighed, bill)?;
        Ok(Posted::from(&book.post(draft).await?))
    }
}

impl SiteArrival {
    /// What is to be taken in, which is on the way here.
    async fn sent(&self, book: &mut Book) -> Outcome<Sent> {
        let site = book.site();
        let nothing = "nothing is on its way here under this id: it may have been called back";
        let sent = Sent::read(book.tx(), self.sending).await?;
        let sent = sent.filter(|sent| sent.to == site);
        let sent = sent.ok_or_else(|| Refusal::field("/sending", nothing))?;
        if sent.taken_in.is_some() {
            return Err(Refusal::conflict("this has been taken in already"));
        }
        Ok(sent)
    }

    /// Asks about a weight that is hardly the one that was sent.
    fn ask_if_other(&self, sent: &Sent, came: Mass) -> Outcome<()> {
        let apart = came.minus(sent.mass)?;
        let (part, least) = APART;
        if apart.mg().abs() <= sent.mass.mg() / part + least
            || self.common().confirms(Confirm::OtherThanSent)
        {
            return Ok(());
        }
        let mut facts = serde_json::Map::new();
        facts.insert("sent_g".to_owned(), json!(sent.mass));
        Err(Refusal::Confirm {
            confirm: vec![Confirm::OtherThanSent],
            sentence: format!(
                "{} was sent: look at the weight again, or confirm that {came} came",
                sent.mass
            ),
            facts,
        })
    }

    fn draft(
        &self,
        id: Uuid,
        sent: &Sent,
        lot: LotId,
        weighed: &Weighed,
        bill: Option<Uuid>,
    ) -> Outcome<Draft> {
        let movement = |from, to, mass: Mass| Movement {
            lot,
            from,
            to,
            mass_mg: mass.mg(),
        };
        let (transit, store) = (Place::Transit(self.sending), Place::Store(self.storeroom));
        let apart = weighed.mass.minus(sent.mass)?;
        let mut movements = vec![movement(transit, store, sent.mass)];
        if apart.is_positive() {
            movements.push(movement(Place::Variance, store, apart));
        } else if apart < Mass::ZERO {
            let missing = Mass::ZERO.minus(apart)?;
            movements.push(movement(store, Place::Variance, missing));
        }
        let (from, sent_lot) = (sent.posting.head.site, sent.lot);
        let mut facts = json!({"from": from, "lot": sent_lot, "sent_g": sent.mass});
        if let Some(bill) = bill {
            facts["bill"] = json!(bill);
        }
        let common = self.common();
        if common.kept || !common.confirmed.is_empty() {
            facts["confirmed"] = json!(common.confirmed);
            facts["kept"] = json!(common.kept);
        }
        Ok(Draft {
            id: id.into(),
            kind: Kind::Arrive,
            // It was not here before it had left.
            happened_at: common
                .happened_at
                .max(Instant::from_ms(sent.posting.happened_at)),
            reason: common.why(),
            card: None,
            reverses: None,
            facts,
            movements,
            weighings: vec![weighed.weighing(0)],
        })
    }
}

/// The lot as which it is taken in: the one as which it came before, or one made after the sender's.
async fn lot_here(
    book: &mut Book,
    app: &App,
    sent: &Sent,
    storeroom: StoreroomId,
) -> Outcome<LotId> {
    let site = book.site();
    if let Some(lot) = book.tx().taken_in_as(sent.lot, site).await? {
        return Ok(lot);
    }
    let from = sent.posting.head.site;
    let sender = record(book.tx(), from).await?;
    let there = setup::need::<Lot>(book.tx(), from, sent.lot).await?.fields;
    let coffee = coffee_here(book, app, sent, &there).await?;
    let delivery = delivery_here(book, app, &sender, &there).await?;
    let named = setup::find_labelled::<Lot>(book.tx(), site, there.name.as_str()).await?;
    let name = if named.is_none() {
        there.name.clone()
    } else {
        told_apart(&there.name, &sender)?
    };
    let lot = Lot {
        name,
        delivery,
        coffee,
        storeroom,
        expected_g: sent.mass,
        packing: Packing {
            sacks: 0,
            loose_g: sent.mass,
            ..there.packing
        },
        landed_cost: None,
        use_rank: 0,
        reserve_g: None,
        charge_limits: Vec::new(),
        retired: false,
        ..there
    };
    put(book, app, lot).await.map(LotId)
}

/// The coffee of the same name here, made if there is none.
async fn coffee_here(book: &mut Book, app: &App, sent: &Sent, there: &Lot) -> Outcome<CoffeeId> {
    let (site, from) = (book.site(), sent.posting.head.site);
    let coffee = setup::need::<Coffee>(book.tx(), from, there.coffee)
        .await?
        .fields;
    let named = setup::find_labelled::<Coffee>(book.tx(), site, coffee.name.as_str()).await?;
    match named {
        Some(here) if here.fields.parts.is_empty() => Ok(CoffeeId(here.id)),
        Some(_) => Err(Refusal::conflict(format!(
            "{} is a blend here and a coffee there: give the blend another name first",
            coffee.name
        ))),
        None => {
            let here = Coffee {
                retired: false,
                ..coffee
            };
            put(book, app, here).await.map(CoffeeId)
        }
    }
}

/// The delivery that stands for what comes of a lot from a site.
async fn delivery_here(
    book: &mut Book,
    app: &App,
    sender: &Site,
    there: &Lot,
) -> Outcome<DeliveryId> {
    let site = book.site();
    let delivery = Delivery {
        supplier: sender.name.clone(),
        reference: there.name.clone(),
        expected_day: book.zone().day(book.now()),
        invoice_g: None,
        hold: None,
        note: None,
        retired: false,
    };
    let label = delivery.label().unwrap_or_default();
    match setup::find_labelled::<Delivery>(book.tx(), site, &label).await? {
        Some(here) => Ok(DeliveryId(here.id)),
        None => put(book, app, delivery).await.map(DeliveryId),
    }
}

/// A bill over what the sender paid for it; none where the sender does not know, keeps books in another currency or roasts it for a customer,
/// and where the lot's own cost is said here.
async fn bill(book: &mut Book, app: &App, sent: &Sent, lot: LotId) -> Outcome<Option<Uuid>> {
    let (site, from) = (book.site(), sent.posting.head.site);
    let here = setup::need::<Lot>(book.tx(), site, lot).await?.fields;
    let currency = record(book.tx(), site).await?.currency;
    let sender = record(book.tx(), from).await?;
    let today = book.zone().day(book.now());
    if sender.currency != currency || here.owned_by.is_some() || here.landed_cost.is_some() {
        return Ok(None);
    }
    let landed = Landed::read(book.tx(), from, &currency, today).await?;
    let cost = landed.of(sent.lot, sent.mass).map(Amount::rounded);
    let Some(minor) = cost.filter(|minor| *minor > 0) else {
        return Ok(None);
    };
    let line = CostLine {
        delivery: here.delivery,
        lot: Some(lot),
        kind: CostKind::Coffee,
        day: today,
        amount: Money { minor, currency },
        rate: None,
        credit: false,
        reference: None,
        note: Note::new(&format!("{} at what it cost {}", sent.mass, sender.name)).ok(),
        retired: false,
    };
    put(book, app, line).await.map(Some)
}

/// A name that tells a sender's lot from one of the same name here.
fn told_apart(name: &Name, sender: &Site) -> Outcome<Name> {
    Name::new(&format!("{name} ({})", sender.name)).map_err(|_| {
        Refusal::conflict(format!(
            "there is another lot called {name} here: give that one another name first"
        ))
    })
}

async fn put<R: Record>(book: &mut Book, app: &App, fields: R) -> Outcome<Uuid> {
    let (id, entry) = (app.clock.new_id(), app.clock.new_id());
    let written = setup::put(book, id, Expected::Nothing, fields, entry).await;
    written.map(|(kept, _)| kept.id)
}

/// Takes back what an arrival that is undone had made: its bill counts for nothing. The lot stays, for it may come again.
///
/// # Errors
/// [`crate::store::StoreError`] when the database fails.
pub async fn undone(book: &mut Book, app: &App, posting: &Posting) -> Outcome<()> {
    let Ok(bill) = serde_json::from_value::<Uuid>(posting.facts["bill"].clone()) else {
        return Ok(());
    };
    let site = book.site();
    if let Some(kept) = setup::find::<CostLine>(book.tx(), site, bill).await? {
        let fields = CostLine {
            retired: true,
            ..kept.fields
        };
        let expected = Expected::Revision(kept.revision);
        setup::put(book, bill, expected, fields, app.clock.new_id()).await?;
    }
    Ok(())
}
