//! What roasted coffee and bags cost, and what they leave: landed cost and learned loss, roaster minutes, packaging, postage and prices, all as
//! they hold on a day.
//!
//! A coffee in a style costs what the green of its lots in store cost, for what comes of it at the loss that is expected of each; the minutes
//! are those of full drums on the largest roaster that roasts the style. Everything is of a moment: what was sold keeps what it cost then only
//! in the statements.

mod amount;
mod dispatch;
mod landed;
mod margin;
mod replace;

pub use amount::Amount;
pub use dispatch::{DispatchMargin, SetOf, ShippedMargin, dispatch_margin};
pub use landed::Landed;
pub use margin::{
    MarginQuestion, Margins, OtherPrice, Parcel, ParcelBags, ProductChange, SetChange, SetMargin,
    Swap, margins,
};
pub use replace::{Candidate, Replacements, Running, replacements};

use std::collections::HashMap;

use serde::Serialize;

use crate::app::App;
use crate::day::Day;
use crate::expect::Questions;
use crate::floor::view::Named;
use crate::fraction::Fraction;
use crate::green::stock::{LotView, Stock};
use crate::ids::{CoffeeId, DestinationId, LotId, ProductId, RoasterId, SiteId, StyleId};
use crate::mass::Mass;
use crate::refusal::Outcome;
use crate::setup::{self, Coffee, Kept, Product, Record, Roaster, Style, Tariff, TariffKind};
use crate::store::Read;

/// What a kilogram of a coffee costs, roasted in a style.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct RoastedCost {
    /// The coffee.
    pub coffee: Named,
    /// The style.
    pub style: Named,
    /// The lots it was reckoned with: those in store, else the last that came.
    pub lots: Vec<Named>,
    /// The loss that is expected of them together.
    pub loss: Option<Fraction>,
    /// What the green for a roasted kilogram cost, minor units.
    pub green_minor: Option<i64>,
    /// What its roasting costs.
    pub roasting_minor: Option<i64>,
    /// Both.
    pub cost_minor: Option<i64>,
    /// What is not known, in words.
    pub missing: Vec<String>,
}

/// What a bag of a product costs and leaves, minor units.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct ProductMargin {
    /// The product.
    pub product: Named,
    /// The label weight.
    pub bag_g: Mass,
    /// What the green in it cost.
    pub green_minor: Option<i64>,
    /// What its roasting costs.
    pub roasting_minor: Option<i64>,
    /// What the empty bag costs.
    pub packaging_minor: Option<i64>,
    /// All three.
    pub cost_minor: Option<i64>,
    /// What it is sold for.
    pub price_minor: Option<i64>,
    /// Price less cost.
    pub margin_minor: Option<i64>,
    /// Whether it goes out at a loss.
    pub at_a_loss: bool,
    /// What is not known, in words.
    pub missing: Vec<String>,
}

/// All costs of a day.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct CostView {
    /// The day.
    pub day: Day,
    /// The currency of all amounts (ISO 4217).
    pub currency: String,
    /// Coffees in the styles in which they are sold.
    pub coffees: Vec<RoastedCost>,
    /// Products: those that go out at a loss first, the worst first.
    pub products: Vec<ProductMargin>,
}

/// A cost that may not be known.
#[derive(Debug, Clone, Default)]
struct Known {
    green: Option<Amount>,
    roasting: Option<Amount>,
    missing: Vec<String>,
}

/// What costs are made from, of one moment and day.
pub struct Costs {
    site: SiteId,
    /// The day.
    pub day: Day,
    /// The currency.
    pub currency: String,
    overfill: Mass,
    landed: Landed,
    lots: Vec<LotView>,
    coffees: HashMap<CoffeeId, Coffee>,
    styles: HashMap<StyleId, Style>,
    products: HashMap<ProductId, Product>,
    roasters: Vec<(RoasterId, Roaster)>,
    tariffs: Vec<Tariff>,
    questions: Questions,
}

fn by_id<R: Record, I: From<uuid::Uuid> + Eq + std::hash::Hash>(
    kept: Vec<Kept<R>>,
) -> HashMap<I, R> {
    kept.into_iter()
        .map(|kept| (kept.id.into(), kept.fields))
        .collect()
}

impl Costs {
    /// Reads them, as they hold on a day; today unless said.
    ///
    /// # Errors
    /// As [`Landed::read`].
    pub async fn read(app: &App, tx: &mut dyn Read, day: Option<Day>) -> Outcome<Self> {
        let zone = app.site_record(tx).await?.fields.zone;
        let day = day.unwrap_or_else(|| zone.day(app.clock.now()));
        Self::with_bills(app, tx, day, day).await
    }

    /// Reads them, as they hold on a day, but with all bills of days up to another.
    ///
    /// # Errors
    /// As [`Landed::read`].
    async fn with_bills(app: &App, tx: &mut dyn Read, day: Day, until: Day) -> Outcome<Self> {
        let site = app.site;
        let record = app.site_record(tx).await?.fields;
        let stock = Stock::read(tx, site).await?;
        let lots = setup::all::<setup::Lot>(tx, site).await?;
        let roasters = setup::all::<Roaster>(tx, site).await?;
        let tariffs = setup::all::<Tariff>(tx, site).await?;
        Ok(Self {
            site,
            day,
            landed: Landed::read(tx, site, &record.currency, until).await?,
            currency: record.currency,
            overfill: record.overfill_g,
            lots: lots.into_iter().map(|lot| stock.lot(lot)).collect(),
            coffees: by_id(setup::all::<Coffee>(tx, site).await?),
            styles: by_id(setup::all::<Style>(tx, site).await?),
            products: by_id(setup::all::<Product>(tx, site).await?),
            roasters: roasters
                .into_iter()
                .map(|kept| (kept.id.into(), kept.fields))
                .collect(),
            tariffs: tariffs.into_iter().map(|kept| kept.fields).collect(),
            questions: app.expect.questions(tx, site).await?,
        })
    }

    /// The tariff of a kind that holds on the day for what `fits`.
    fn tariff(&self, kind: TariffKind, fits: impl Fn(&Tariff) -> bool) -> Option<Amount> {
        let holds = self.tariffs.iter().filter(|tariff| {
            tariff.kind == kind && !tariff.retired && tariff.from_day <= self.day && fits(tariff)
        });
        let last = holds.max_by_key(|tariff| tariff.from_day)?;
        Some(Amount::minor(last.amount.minor))
    }

    /// What a bag of a product is sold for.
    fn price(&self, product: ProductId) -> Option<Amount> {
        self.tariff(TariffKind::Bag, |tariff| tariff.product == Some(product))
    }

    /// What a subscriber pays for so many bags.
    fn set_price(&self, bags: u32) -> Option<Amount> {
        self.tariff(TariffKind::Set, |tariff| tariff.bags == Some(bags))
    }

    /// What a parcel of so many bags costs to send: by the smallest size that holds them; by those said for its destination, if any are.
    fn postage(&self, bags: u32, to: Option<DestinationId>) -> Option<Amount> {
        let own = to.and_then(|to| self.postage_to(bags, Some(to)));
        own.or_else(|| self.postage_to(bags, None))
    }

    fn postage_to(&self, bags: u32, to: Option<DestinationId>) -> Option<Amount> {
        let sizes = self.tariffs.iter().filter(|tariff| {
            tariff.kind == TariffKind::Postage
                && tariff.destination == to
                && !tariff.retired
                && tariff.from_day <= self.day
        });
        let size = sizes
            .filter_map(|tariff| tariff.bags)
            .filter(|size| *size >= bags)
            .min()?;
        self.tariff(TariffKind::Postage, |tariff| {
            tariff.bags == Some(size) && tariff.destination == to
        })
    }

    /// What the empty bag of a product costs.
    fn packaging(&self, product: ProductId) -> Option<Amount> {
        let bag = self.products.get(&product)?.bag_g;
        self.tariff(TariffKind::Packaging, |tariff| tariff.bag_g == Some(bag))
    }

    /// The roaster whose minutes are reckoned for a style: the largest that roasts it.
    fn roaster(&self, style: StyleId) -> Option<&(RoasterId, Roaster)> {
        let fit = self.roasters.iter().filter(|(_, roaster)| {
            !roaster.retired && !roaster.sample_roaster && roaster.roasts(style)
        });
        fit.max_by_key(|(id, roaster)| (roaster.max_charge_g, std::cmp::Reverse(*id)))
    }

    /// The lots that a coffee is reckoned with, and how much green of each: those in store, else the last that came.
    fn lots_of(&self, coffee: CoffeeId, only: Option<&[LotId]>) -> Vec<(&LotView, Mass)> {
        let ours = |lot: &&LotView| {
            lot.fields.coffee == coffee && only.is_none_or(|only| only.contains(&lot.id))
        };
        let there: Vec<(&LotView, Mass)> = self
            .lots
            .iter()
            .filter(ours)
            .filter(|lot| lot.store_g.is_positive() && !lot.fields.retired)
            .map(|lot| (lot, lot.store_g))
            .collect();
        if !there.is_empty() {
            return there;
        }
        let came = self
            .lots
            .iter()
            .filter(ours)
            .filter(|lot| lot.received_g.is_positive());
        let last = came.max_by_key(|lot| (lot.received_day, lot.id));
        last.map(|lot| (lot, lot.received_g)).into_iter().collect()
    }

    /// What a mass of a coffee costs, roasted in a style; and the loss it was reckoned with.
    fn roasted(
        &self,
        (coffee, style): (CoffeeId, StyleId),
        only: Option<&[LotId]>,
        roasted: Mass,
    ) -> (Known, Option<Fraction>) {
        let mut known = Known::default();
        let name = self
            .coffees
            .get(&coffee)
            .map_or("this coffee", |coffee| coffee.name.as_str());
        let lots = self.lots_of(coffee, only);
        let Some((roaster, fields)) = self.roaster(style) else {
            known.missing.push(format!("a roaster for {name}"));
            return (known, None);
        };
        let charge = full_drum(fields);
        let (mut green, mut comes_out, mut landed) =
            (Mass::ZERO, Mass::ZERO, Some(Amount::default()));
        for (lot, mass) in &lots {
            let Some(range) = self.questions.range(lot.id, style, *roaster, charge) else {
                continue;
            };
            green = green.plus(*mass).unwrap_or(Mass::MAX);
            comes_out = comes_out.plus(less(*mass, range.mean)).unwrap_or(Mass::MAX);
            let cost = self.landed.of(lot.id, *mass);
            if cost.is_none() {
                known
                    .missing
                    .push(format!("what lot {} cost", lot.fields.name));
            }
            landed = landed.zip(cost).map(|(a, b)| a.plus(b));
        }
        let Some(loss) = crate::fraction::loss(green, comes_out) else {
            known.missing.push(format!("a lot of {name}"));
            return (known, None);
        };
        known.green = landed.map(|landed| landed.part(roasted, comes_out));
        let minute = self.tariff(TariffKind::RoasterMinute, |tariff| {
            tariff.roaster == Some(*roaster)
        });
        if minute.is_none() {
            known
                .missing
                .push(format!("what a minute of {} costs", fields.name));
        }
        let batch = minute.map(|minute| minute.times(i64::from(fields.cycle_min)));
        known.roasting = batch.map(|batch| batch.part(roasted, less(charge, loss)));
        (known, Some(loss))
    }

    /// What a kilogram of a coffee in a style costs.
    #[must_use]
    pub fn kilogram(&self, coffee: CoffeeId, style: StyleId) -> Option<RoastedCost> {
        let kilogram = Mass::from_grams(1_000).ok()?;
        let (known, loss) = self.roasted((coffee, style), None, kilogram);
        let lots = self.lots_of(coffee, None);
        let sum = known.green.zip(known.roasting);
        Some(RoastedCost {
            coffee: Named {
                id: coffee.0,
                name: self.coffees.get(&coffee)?.name.clone(),
            },
            style: Named {
                id: style.0,
                name: self.styles.get(&style)?.name.clone(),
            },
            lots: lots
                .into_iter()
                .map(|(lot, _)| Named {
                    id: lot.id.0,
                    name: lot.fields.name.clone(),
                })
                .collect(),
            loss,
            green_minor: known.green.map(Amount::rounded),
            roasting_minor: known.roasting.map(Amount::rounded),
            cost_minor: sum.map(|(green, roasting)| green.plus(roasting).rounded()),
            missing: known.missing,
        })
    }

    /// What a bag of a product costs, unrounded: green, roasting, packaging; each where it is known.
    fn bag(&self, product: &Product) -> (Known, Option<Amount>) {
        let whole = product.bag_g.plus(self.overfill).unwrap_or(product.bag_g);
        let mut sum = Known {
            green: Some(Amount::default()),
            roasting: Some(Amount::default()),
            missing: Vec::new(),
        };
        for (part, mass) in product.parts.iter().zip(product.split(whole)) {
            let family = (part.coffee, product.style);
            let (known, _) = self.roasted(family, product.lots.as_deref(), mass);
            let add = |a: Option<Amount>, b: Option<Amount>| a.zip(b).map(|(a, b)| a.plus(b));
            sum.green = add(sum.green, known.green);
            sum.roasting = add(sum.roasting, known.roasting);
            sum.missing.extend(known.missing);
        }
        let packaging = self.tariff(TariffKind::Packaging, |tariff| {
            tariff.bag_g == Some(product.bag_g)
        });
        if packaging.is_none() {
            let bag = product.bag_g;
            sum.missing
                .push(format!("what the packaging of a {bag} bag costs"));
        }
        sum.missing.dedup();
        (sum, packaging)
    }

    /// What a bag of a product costs, unrounded; none where something is not known.
    fn bag_cost(&self, product: &Product) -> Option<Amount> {
        let (known, packaging) = self.bag(product);
        Some(known.green?.plus(known.roasting?).plus(packaging?))
    }

    /// What a bag of a product costs and leaves, sold at a price.
    fn margin_of(&self, id: ProductId, product: &Product, price: Option<Amount>) -> ProductMargin {
        let (mut known, packaging) = self.bag(product);
        let cost = self.bag_cost(product);
        if price.is_none() {
            known
                .missing
                .push(format!("what {} is sold for", product.name));
        }
        let margin = price.zip(cost).map(|(price, cost)| price.minus(cost));
        ProductMargin {
            product: Named {
                id: id.0,
                name: product.name.clone(),
            },
            bag_g: product.bag_g,
            green_minor: known.green.map(Amount::rounded),
            roasting_minor: known.roasting.map(Amount::rounded),
            packaging_minor: packaging.map(Amount::rounded),
            cost_minor: cost.map(Amount::rounded),
            price_minor: price.map(Amount::rounded),
            margin_minor: margin.map(Amount::rounded),
            at_a_loss: margin.is_some_and(|margin| margin < Amount::default()),
            missing: known.missing,
        }
    }

    /// Everything that is sold.
    fn sold(&self) -> impl Iterator<Item = (ProductId, &Product)> {
        let sold = self.products.iter().filter(|(_, product)| !product.retired);
        sold.map(|(id, product)| (*id, product))
    }
}

/// All costs of a day.
///
/// # Errors
/// [`crate::refusal::Refusal::Store`] when the database fails.
pub async fn costs(app: &App, tx: &mut dyn Read, day: Option<Day>) -> Outcome<CostView> {
    let costs = Costs::read(app, tx, day).await?;
    let mut families: Vec<(CoffeeId, StyleId)> = costs
        .sold()
        .flat_map(|(_, product)| {
            let style = product.style;
            product.parts.iter().map(move |part| (part.coffee, style))
        })
        .collect();
    families.sort_unstable();
    families.dedup();
    let mut coffees: Vec<RoastedCost> = families
        .into_iter()
        .filter_map(|(coffee, style)| costs.kilogram(coffee, style))
        .collect();
    coffees.sort_by(|a, b| (&a.coffee.name, &a.style.name).cmp(&(&b.coffee.name, &b.style.name)));
    let mut products: Vec<ProductMargin> = costs
        .sold()
        .map(|(id, product)| costs.margin_of(id, product, costs.price(id)))
        .collect();
    products.sort_by(|a, b| {
        let key = |of: &ProductMargin| (!of.at_a_loss, of.margin_minor.filter(|_| of.at_a_loss));
        key(a)
            .cmp(&key(b))
            .then_with(|| a.product.name.cmp(&b.product.name))
    });
    Ok(CostView {
        day: costs.day,
        currency: costs.currency,
        coffees,
        products,
    })
}

/// The largest charge that a roaster takes: a whole multiple of its step.
fn full_drum(roaster: &Roaster) -> Mass {
    let step = roaster.step_g.mg().max(1);
    Mass::from_mg(roaster.max_charge_g.mg() / step * step).unwrap_or(roaster.max_charge_g)
}

/// A mass less a fraction of it, to the nearest milligram.
fn less(mass: Mass, lost: Fraction) -> Mass {
    let kept = i128::from(Fraction::ONE.ppm() - lost.ppm());
    let mg = crate::money::half_even(i128::from(mass.mg()) * kept, 1_000_000);
    i64::try_from(mg)
        .ok()
        .and_then(|mg| Mass::from_mg(mg).ok())
        .unwrap_or_default()
}
