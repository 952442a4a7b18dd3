//! What is to be expected of one lot, for people: what it loses and why, how many bags it still gives, how it differs from its siblings.

use std::collections::BTreeMap;

use serde::Serialize;

use super::{Questions, Range, history};
use crate::floor::view::Named;
use crate::fraction::Fraction;
use crate::ids::{LotId, RoasterId, SiteId, StyleId};
use crate::loss::{Contrast, Fact, MassLaw, Question};
use crate::mass::Mass;
use crate::refusal::Outcome;
use crate::setup::{self, Kept, Lot, Product, Roaster};
use crate::store::{Read, StoreError};
use crate::text::Name;

/// Probability that the true number lies in a range of bags.
const SURE: f64 = 0.9;

/// What a lot is expected to lose in a style, and why.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct StyleOutlook {
    /// The style.
    pub style: Named,
    /// The roaster.
    pub roaster: Named,
    /// What its next batch is expected to lose.
    pub expected: Range,
    /// Batches of the lot that were learned from.
    pub batches: u32,
    /// Why, in one sentence.
    pub why: String,
    /// How sure that is, in one sentence.
    pub sure: String,
}

/// How many bags of a product the lot still gives.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct BagsLeft {
    /// The product.
    pub product: Named,
    /// Bags at the low end: fewer in one case of twenty.
    pub low: u32,
    /// The likeliest number.
    pub likely: u32,
    /// Bags at the high end: more in one case of twenty.
    pub high: u32,
    /// It in words.
    pub sentence: String,
}

/// How a lot differs from another of its delivery: another size grade, mostly, which may be sold as a coffee of its own.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct SiblingOutlook {
    /// The other lot.
    pub lot: Named,
    /// The style in which they are compared.
    pub style: Named,
    /// How much more this lot loses.
    pub difference: Fraction,
    /// Standard deviation of the difference.
    pub sd: Fraction,
    /// It in words.
    pub sentence: String,
}

/// What is to be expected of a lot.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct LotOutlook {
    /// The lot.
    pub lot: Named,
    /// Green in the stores.
    pub in_store_g: Mass,
    /// Style by style.
    pub styles: Vec<StyleOutlook>,
    /// Product by product, of those that it makes alone.
    pub bags: Vec<BagsLeft>,
    /// The other lots of its delivery.
    pub siblings: Vec<SiblingOutlook>,
}

/// A style that the lot is or may be roasted in, with the roaster it is asked about.
struct Way {
    style: Named,
    roaster: Named,
    charge: Mass,
    question: Question,
}

/// What is to be expected of a lot.
///
/// # Errors
/// [`crate::refusal::Refusal::NotFound`] when there is no such lot.
pub async fn outlook(
    questions: &Questions,
    tx: &mut dyn Read,
    site: SiteId,
    id: LotId,
) -> Outcome<LotOutlook> {
    let lot = setup::need::<Lot>(tx, site, id).await?;
    let products = products(tx, site, &lot).await?;
    let in_store = in_store(tx, site, id).await?;
    let ways = questions.ways(id, &products);
    let overfill = setup::find::<setup::Site>(tx, site, site)
        .await?
        .map_or(Mass::ZERO, |site| site.fields.overfill_g);
    Ok(LotOutlook {
        styles: ways.iter().map(|way| questions.style(way)).collect(),
        bags: products
            .iter()
            .filter_map(|product| bags(questions, &ways, product, in_store, overfill))
            .collect(),
        siblings: questions.beside_siblings(&lot, &ways),
        lot: named(&lot.fields.name, lot.id),
        in_store_g: in_store,
    })
}

fn named(name: &Name, id: impl Into<uuid::Uuid>) -> Named {
    Named {
        id: id.into(),
        name: name.clone(),
    }
}

/// Products that the lot may be sold in.
async fn products(
    tx: &mut dyn Read,
    site: SiteId,
    lot: &Kept<Lot>,
) -> Result<Vec<Kept<Product>>, StoreError> {
    let mut products = setup::all::<Product>(tx, site).await?;
    products.retain(|product| {
        let fields = &product.fields;
        let named = fields
            .lots
            .as_ref()
            .is_none_or(|lots| lots.contains(&lot.id.into()));
        !fields.retired
            && named
            && fields
                .parts
                .iter()
                .any(|part| part.coffee == lot.fields.coffee)
    });
    Ok(products)
}

async fn in_store(tx: &mut dyn Read, site: SiteId, lot: LotId) -> Result<Mass, StoreError> {
    let standing = tx.standing_of_lot(site, lot).await?;
    let store = standing
        .iter()
        .filter(|standing| standing.place.word() == "store");
    Ok(store.fold(Mass::ZERO, |sum, standing| {
        sum.plus(standing.mass).unwrap_or(sum)
    }))
}

/// How many bags of a product all green of the lot would give, in batches as large as the roaster takes.
fn bags(
    questions: &Questions,
    ways: &[Way],
    product: &Kept<Product>,
    in_store: Mass,
    overfill: Mass,
) -> Option<BagsLeft> {
    let way = ways
        .iter()
        .find(|way| way.style.id == product.fields.style.0)?;
    if product.fields.parts.len() > 1 || !in_store.is_positive() {
        return None;
    }
    let bag_g = product.fields.bag_g.plus(overfill).ok()?.grams();
    let law = of_all(questions, way, in_store);
    let [low, likely, high] = law.bags(bag_g, SURE).map(whole);
    let name = &product.fields.name;
    Some(BagsLeft {
        product: named(name, product.id),
        low,
        likely,
        high,
        sentence: format!(
            "About {likely} bags of {name} from the {in_store} in store; {low} to {high} in nine cases of ten."
        ),
    })
}

/// The law of what all green of a lot gives.
fn of_all(questions: &Questions, way: &Way, in_store: Mass) -> MassLaw {
    let largest = way.charge.grams().max(1.0);
    let batches = (in_store.grams() / largest).ceil().max(1.0);
    let charges =
        vec![in_store.grams() / batches; usize::try_from(whole(batches)).unwrap_or(1).min(10_000)];
    questions.learner().outlook(&way.question).output(&charges)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::as_conversions,
    reason = "bounded to what fits"
)]
fn whole(count: f64) -> u32 {
    count.clamp(0.0, 1e9) as u32
}

/// How one lot differs from another in words, with two standard deviations either way.
fn apart(one: &Name, other: &Name, contrast: &Contrast) -> String {
    let (points, about) = (100.0 * contrast.loss.abs(), 200.0 * contrast.sd);
    if points < 0.05 {
        return format!(
            "Roasted alike, {one} and {other} lose the same, give or take {about:.1} points."
        );
    }
    let word = if contrast.loss < 0.0 { "less" } else { "more" };
    let chance = if points > about {
        ""
    } else {
        ": that may be chance"
    };
    format!(
        "Roasted alike, {one} loses {points:.1} points {word} than {other}, give or take {about:.1}{chance}."
    )
}

impl Questions {
    /// The styles of the products and of what the lot was roasted in, the most roasted first, each on the first roaster that roasts it.
    fn ways(&self, lot: LotId, products: &[Kept<Product>]) -> Vec<Way> {
        let roasted = self.roasted_in(lot);
        let mut styles: Vec<StyleId> = products
            .iter()
            .map(|product| product.fields.style)
            .collect();
        styles.extend(roasted.keys());
        styles.sort_unstable();
        styles.dedup();
        let mut ways: Vec<Way> = styles
            .into_iter()
            .filter_map(|style| self.way(lot, style))
            .collect();
        let batches = |way: &Way| roasted.get(&StyleId(way.style.id)).copied().unwrap_or(0);
        ways.sort_by(|a, b| {
            batches(b)
                .cmp(&batches(a))
                .then_with(|| a.style.name.cmp(&b.style.name))
        });
        ways
    }

    fn way(&self, lot: LotId, style: StyleId) -> Option<Way> {
        let roasts = |kept: &&Kept<Roaster>| {
            let fields = &kept.fields;
            !fields.retired
                && !fields.sample_roaster
                && fields
                    .styles
                    .as_ref()
                    .is_none_or(|styles| styles.contains(&style))
        };
        let roaster = self
            .beside
            .roasters
            .values()
            .filter(roasts)
            .min_by(|a, b| a.fields.name.cmp(&b.fields.name))?;
        let charge = roaster.fields.max_charge_g;
        Some(Way {
            style: named(&self.beside.styles.get(&style)?.fields.name, style.0),
            roaster: named(&roaster.fields.name, roaster.id),
            charge,
            question: self.question(lot, style, RoasterId(roaster.id), charge)?,
        })
    }

    fn style(&self, way: &Way) -> StyleOutlook {
        let reasons = self.learner.reasons(&way.question);
        let expected = Range::of(&self.learner.predict(&way.question));
        let half = 100.0 * (expected.hi.value() - expected.lo.value()) / 2.0;
        let sure = match reasons.lot_batches {
            0 => format!(
                "Its first batch will lose {}, give or take {half:.1} points: so far that rests on the style, its moisture and its delivery.",
                expected.mean
            ),
            n => format!(
                "The next batch will lose {}, give or take {half:.1} points, after {n} of its own.",
                expected.mean
            ),
        };
        StyleOutlook {
            style: way.style.clone(),
            roaster: way.roaster.clone(),
            expected,
            batches: reasons.lot_batches,
            why: reasons.sentence(),
            sure,
        }
    }

    /// The lot beside each other lot of its delivery that the learner still knows, in the first style that it goes in.
    fn beside_siblings(&self, lot: &Kept<Lot>, ways: &[Way]) -> Vec<SiblingOutlook> {
        let Some(way) = ways.first() else {
            return Vec::new();
        };
        let others = self.beside.lots.values().filter(|other| {
            other.fields.delivery == lot.fields.delivery
                && other.id != lot.id
                && !other.fields.retired
                && self
                    .learner
                    .history()
                    .find(false, &history::left_id(other.id.into()))
                    .is_none()
        });
        let mut siblings: Vec<SiblingOutlook> = others
            .filter_map(|other| self.sibling(lot, other, way))
            .collect();
        siblings.sort_by(|a, b| a.lot.name.cmp(&b.lot.name));
        siblings
    }

    fn sibling(&self, lot: &Kept<Lot>, other: &Kept<Lot>, way: &Way) -> Option<SiblingOutlook> {
        let question = self.question(
            other.id.into(),
            StyleId(way.style.id),
            RoasterId(way.roaster.id),
            way.charge,
        )?;
        let contrast = self.learner.contrast(&way.question, &question);
        Some(SiblingOutlook {
            sentence: apart(&lot.fields.name, &other.fields.name, &contrast),
            lot: named(&other.fields.name, other.id),
            style: way.style.clone(),
            difference: Fraction::nearest(contrast.loss),
            sd: Fraction::nearest(contrast.sd),
        })
    }

    /// How many batches of a lot were roasted in each style.
    fn roasted_in(&self, lot: LotId) -> BTreeMap<StyleId, usize> {
        let id = lot.to_string();
        let mut styles = BTreeMap::new();
        for fact in self.learner.history().facts() {
            if let Fact::Batch(batch) = &**fact
                && batch.true_lot().id == id
                && let Ok(style) = batch.style.id.parse::<uuid::Uuid>()
            {
                *styles.entry(StyleId(style)).or_default() += 1;
            }
        }
        styles
    }
}
