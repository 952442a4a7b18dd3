//! Green comes from another site: transit -> store, as a lot of this site.
//!
//! The first time that a lot comes, a delivery and a lot are made here after the sender's; later it comes as that lot again. What it cost the
//! sender is a bill of the delivery here, so that each site's books stand by themselves.

use async_trait::async_trait;
use serde_json::json;
use uuid::Uuid;

use super::{Sent, record, value_now};
use crate::app::App;
use crate::audit::ValueView;
use crate::book::leaf::{Kind, Movement, Posting};
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::cost::Amount;
use crate::day::{Day, Instant};
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

/// Whether what came is hardly what was sent: two scales and a journey make a hundredth of it and 200 g besides, of little a tenth at most
/// (common practice, no source).
#[must_use]
pub fn hardly_as_sent(sent: Mass, apart: Mass) -> bool {
    let sent = sent.mg();
    apart.mg().abs() > (sent / 100 + 200_000).min(sent / 10)
}

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
        let bill = self.bill(book, app, &sent, lot).await?;
        let mut draft = self.draft(book, id, &sent, lot, &weighed, bill)?;
        if let Some(day) = self.older_than_here(book, &sent).await? {
            draft.facts["ages_from"] = json!(day);
        }
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
        let far = hardly_as_sent(sent.mass, came.minus(sent.mass)?);
        if !far || self.common().confirms(Confirm::OtherThanSent) {
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

    /// When it came: not before it had left, nor later than now.
    fn happened_at(&self, book: &Book, sent: &Sent) -> Instant {
        let left = Instant::from_ms(sent.posting.happened_at);
        self.happened_at.min(book.now()).max(left)
    }

    /// The day from which the sender's lot ages, where that is before it came here: it is no younger for having been moved.
    async fn older_than_here(&self, book: &mut Book, sent: &Sent) -> Outcome<Option<Day>> {
        let came = book.zone().day(self.happened_at(book, sent));
        let there = sent.posting.head.site;
        let receipts = book.tx().receipts(there, Some(sent.lot)).await?;
        let first = receipts.iter().filter_map(|one| one.ages_from).min();
        Ok(first.filter(|day| *day < came))
    }

    /// A bill over what it cost the sender. Where that is not known, somebody is asked who can say it: green without a cost beside green
    /// with one would make the latter cheaper.
    async fn bill(
        &self,
        book: &mut Book,
        app: &App,
        sent: &Sent,
        lot: LotId,
    ) -> Outcome<Option<Uuid>> {
        let site = book.site();
        let here = setup::need::<Lot>(book.tx(), site, lot).await?.fields;
        if here.owned_by.is_some() {
            return Ok(None);
        }
        let day = book.zone().day(self.happened_at(book, sent));
        match cost_there(book, sent).await? {
            Cost::Known(amount) if here.landed_cost.is_none() => {
                let sender = record(book.tx(), sent.posting.head.site).await?;
                let note = format!("{} at what it cost {}", sent.mass, sender.name);
                let line = CostLine {
                    delivery: here.delivery,
                    lot: Some(lot),
                    kind: CostKind::Coffee,
                    day,
                    amount,
                    rate: None,
                    credit: false,
                    reference: None,
                    note: Note::new(&note).ok(),
                    retired: false,
                };
                put(book, app, line).await.map(Some)
            }
            Cost::NobodyReckons => Ok(None),
            Cost::Known(_) | Cost::Unknown => self.ask_for_cost(),
        }
    }

    fn ask_for_cost(&self) -> Outcome<Option<Uuid>> {
        if self.common().confirms(Confirm::CostUnknown) {
            return Ok(None);
        }
        Err(Refusal::Confirm {
            confirm: vec![Confirm::CostUnknown],
            sentence: "what this green cost cannot be carried over: enter its bill at the site that sent it first, or confirm that you add a bill to its delivery here".to_owned(),
            facts: serde_json::Map::new(),
        })
    }

    fn draft(
        &self,
        book: &Book,
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
            happened_at: self.happened_at(book, sent),
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
    let from = sent.posting.head.site;
    if let Some(lot) = book.tx().same_lot(sent.lot, site).await? {
        back_in_use(book, app, sent, lot).await?;
        return Ok(lot);
    }
    let sender = record(book.tx(), from).await?;
    let there = setup::need::<Lot>(book.tx(), from, sent.lot).await?.fields;
    let coffee = coffee_here(book, app, sent, &there).await?;
    let delivery = delivery_here(book, app, sent, &sender, &there).await?;
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
        // Nothing more is expected of it: what is on the way is told by itself.
        expected_g: Mass::ZERO,
        packing: Packing {
            sacks: 0,
            loose_g: Mass::ZERO,
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

/// The delivery that stands for what comes of a lot from a site. It is on hold here if it is there.
async fn delivery_here(
    book: &mut Book,
    app: &App,
    sent: &Sent,
    sender: &Site,
    there: &Lot,
) -> Outcome<DeliveryId> {
    let site = book.site();
    let delivery = Delivery {
        supplier: sender.name.clone(),
        reference: there.name.clone(),
        expected_day: book.zone().day(book.now()),
        invoice_g: None,
        hold: hold_there(book, sent).await?,
        note: None,
        retired: false,
    };
    let label = delivery.label().unwrap_or_default();
    match setup::find_labelled::<Delivery>(book.tx(), site, &label).await? {
        Some(here) => Ok(DeliveryId(here.id)),
        None => put(book, app, delivery).await.map(DeliveryId),
    }
}

/// Why the sender's delivery is on hold.
async fn hold_there(book: &mut Book, sent: &Sent) -> Outcome<Option<Note>> {
    let from = sent.posting.head.site;
    let lot = setup::need::<Lot>(book.tx(), from, sent.lot).await?.fields;
    let delivery = setup::need::<Delivery>(book.tx(), from, lot.delivery).await?;
    Ok(delivery.fields.hold)
}

/// A lot that comes again is in use again, and on hold if it is so there.
async fn back_in_use(book: &mut Book, app: &App, sent: &Sent, lot: LotId) -> Outcome<()> {
    let site = book.site();
    let kept = setup::need::<Lot>(book.tx(), site, lot).await?;
    let delivery = setup::need::<Delivery>(book.tx(), site, kept.fields.delivery).await?;
    if kept.fields.retired {
        let fields = Lot {
            retired: false,
            ..kept.fields
        };
        change(book, app, lot.0, kept.revision, fields).await?;
    }
    let hold = hold_there(book, sent).await?;
    let fields = Delivery {
        hold: delivery.fields.hold.clone().or(hold),
        retired: false,
        ..delivery.fields.clone()
    };
    if fields != delivery.fields {
        change(book, app, delivery.id, delivery.revision, fields).await?;
    }
    Ok(())
}

async fn change<R: Record>(
    book: &mut Book,
    app: &App,
    id: Uuid,
    revision: i64,
    fields: R,
) -> Outcome<()> {
    let expected = Expected::Revision(revision);
    setup::put(book, id, expected, fields, app.clock.new_id()).await?;
    Ok(())
}

/// What a sending cost its sender.
enum Cost {
    /// So much, in the currency in which both keep their books.
    Known(Money),
    /// The sender reckons costs, and not this one, or in another currency.
    Unknown,
    /// The sender has no costs in its book at all.
    NobodyReckons,
}

/// What a sending cost its sender, as the sender's own value has it.
async fn cost_there(book: &mut Book, sent: &Sent) -> Outcome<Cost> {
    let (site, from) = (book.site(), sent.posting.head.site);
    let today = book.zone().day(book.now());
    let there = value_now(book.tx(), from, today).await?;
    if there.lots.iter().all(|lot| lot.cost == 0) && there.unreadable.is_empty() {
        return Ok(Cost::NobodyReckons);
    }
    let currency = record(book.tx(), site).await?.currency;
    if there.currency != currency {
        return Ok(Cost::Unknown);
    }
    Ok(cost_of(&there, sent.lot, sent.mass).map_or(Cost::Unknown, Cost::Known))
}

/// What a mass of a lot cost, by its site's value: shared by what was there to be used, as what has gone to other sites is.
pub(super) fn cost_of(value: &ValueView, lot: LotId, mass: Mass) -> Option<Money> {
    let of = value.lots.iter().find(|of| of.lot.id == lot.0)?;
    if of.cost <= 0 || !of.base_g.is_positive() {
        return None;
    }
    Some(Money {
        minor: Amount::minor(of.cost).part(mass, of.base_g).rounded(),
        currency: value.currency.clone(),
    })
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
        change(book, app, bill, kept.revision, fields).await?;
    }
    Ok(())
}
