//! A coffee of a blend runs out: what could take its place, and what that does to the cost. The choice is a person's.

use serde::Serialize;

use super::{Amount, Costs, full_drum, less};
use crate::app::App;
use crate::floor::view::Named;
use crate::fraction::Fraction;
use crate::ids::{CoffeeId, ProductId, StyleId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Product};
use crate::store::Read;
use crate::text::Name;

/// The coffee that may run out.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Running {
    /// The coffee.
    pub coffee: Named,
    /// Its share of the roasted weight.
    pub share: Fraction,
    /// The size grades of its lots.
    pub grades: Vec<Name>,
    /// Green of it that nothing else is waiting for.
    pub free_g: Mass,
    /// How many bags that makes.
    pub bags: u64,
    /// What a bag costs with it, minor units.
    pub cost_minor: Option<i64>,
}

/// A coffee that could take its place.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Candidate {
    /// The coffee.
    pub coffee: Named,
    /// Its lots with green, of a grade that the other has.
    pub lots: Vec<Named>,
    /// Green of them that nothing else is waiting for.
    pub free_g: Mass,
    /// How many bags that makes.
    pub bags: u64,
    /// Whether a product of this style is made of it already.
    pub sold_in_style: bool,
    /// What a bag costs with it, minor units.
    pub cost_minor: Option<i64>,
    /// How much more that is.
    pub difference_minor: Option<i64>,
}

/// What could take the place of a coffee in a product.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Replacements {
    /// The product.
    pub product: Named,
    /// The currency of all amounts (ISO 4217).
    pub currency: String,
    /// The coffee that may run out.
    pub running: Running,
    /// What could take its place: coffees with green of the same grade, those sold in the style first, then by cost.
    pub candidates: Vec<Candidate>,
}

/// Prepares the replacing of a coffee in a product.
///
/// # Errors
/// [`Refusal::NotFound`] for a product that is not there, [`Refusal::Invalid`] for a coffee that is not in it.
pub async fn replacements(
    app: &App,
    tx: &mut dyn Read,
    product: ProductId,
    coffee: Option<CoffeeId>,
) -> Outcome<Replacements> {
    let kept = setup::need::<Product>(tx, app.site, product).await?;
    let costs = Costs::read(app, tx, None).await?;
    let mut parts = kept.fields.parts.iter();
    let part = parts.find(|part| coffee.is_none_or(|coffee| part.coffee == coffee));
    let part = part.ok_or_else(|| {
        Refusal::field(
            "/coffee",
            format!("{} is not made of this coffee", kept.fields.name),
        )
    })?;
    let place = Place {
        costs: &costs,
        product: &kept.fields,
        coffee: part.coffee,
        share: part.share,
    };
    Ok(Replacements {
        product: Named {
            id: kept.id,
            name: kept.fields.name.clone(),
        },
        currency: costs.currency.clone(),
        running: place.running(),
        candidates: place.candidates(),
    })
}

/// A coffee's place in a product.
struct Place<'a> {
    costs: &'a Costs,
    product: &'a Product,
    coffee: CoffeeId,
    share: Fraction,
}

impl Place<'_> {
    fn running(&self) -> Running {
        let grades = self.grades();
        let free = self.free(self.coffee, &grades);
        Running {
            coffee: self.named(self.coffee),
            share: self.share,
            free_g: free,
            bags: self.bags(self.coffee, free),
            cost_minor: self.cost(self.product).map(Amount::rounded),
            grades,
        }
    }

    /// The grades of the coffee's lots.
    fn grades(&self) -> Vec<Name> {
        let lots = self.costs.lots.iter();
        let mut grades: Vec<Name> = lots
            .filter(|lot| lot.fields.coffee == self.coffee)
            .map(|lot| lot.fields.grade.clone())
            .collect();
        grades.sort();
        grades.dedup();
        grades
    }

    /// Green of a coffee in one of the grades that nothing else is waiting for.
    fn free(&self, coffee: CoffeeId, grades: &[Name]) -> Mass {
        let lots = self.costs.lots.iter();
        let free = lots
            .filter(|lot| {
                lot.fields.coffee == coffee
                    && !lot.fields.retired
                    && grades.contains(&lot.fields.grade)
            })
            .map(|lot| lot.free_g);
        Mass::sum(free).unwrap_or(Mass::MAX)
    }

    fn candidates(&self) -> Vec<Candidate> {
        let grades = self.grades();
        let before = self.cost(self.product);
        let coffees = self.costs.coffees.iter().filter(|(id, fields)| {
            !fields.retired && !self.product.parts.iter().any(|part| part.coffee == **id)
        });
        let mut found: Vec<Candidate> = coffees
            .filter_map(|(id, _)| self.candidate(*id, &grades, before))
            .collect();
        found.sort_by(|a, b| {
            let key = |of: &Candidate| (!of.sold_in_style, of.cost_minor.is_none(), of.cost_minor);
            key(a)
                .cmp(&key(b))
                .then_with(|| a.coffee.name.cmp(&b.coffee.name))
        });
        found
    }

    fn candidate(
        &self,
        coffee: CoffeeId,
        grades: &[Name],
        before: Option<Amount>,
    ) -> Option<Candidate> {
        let free = self.free(coffee, grades);
        if !free.is_positive() {
            return None;
        }
        let mut with = self.product.clone();
        with.lots = None;
        for part in with
            .parts
            .iter_mut()
            .filter(|part| part.coffee == self.coffee)
        {
            part.coffee = coffee;
        }
        let cost = self.cost(&with);
        let lots = self.costs.lots.iter().filter(|lot| {
            lot.fields.coffee == coffee
                && lot.free_g.is_positive()
                && grades.contains(&lot.fields.grade)
        });
        Some(Candidate {
            coffee: self.named(coffee),
            lots: lots
                .map(|lot| Named {
                    id: lot.id.0,
                    name: lot.fields.name.clone(),
                })
                .collect(),
            free_g: free,
            bags: self.bags(coffee, free),
            sold_in_style: self.sold_in_style(coffee, self.product.style),
            cost_minor: cost.map(Amount::rounded),
            difference_minor: cost
                .zip(before)
                .map(|(after, before)| after.minus(before).rounded()),
        })
    }

    fn sold_in_style(&self, coffee: CoffeeId, style: StyleId) -> bool {
        self.costs.sold().any(|(_, product)| {
            product.style == style && product.parts.iter().any(|part| part.coffee == coffee)
        })
    }

    fn cost(&self, product: &Product) -> Option<Amount> {
        self.costs.bag_cost(product)
    }

    /// Whole bags for which so much green of a coffee is enough.
    fn bags(&self, coffee: CoffeeId, green: Mass) -> u64 {
        let style = self.product.style;
        let lot = self
            .costs
            .lots_of(coffee, None)
            .first()
            .map(|(lot, _)| lot.id);
        let range = lot
            .zip(self.costs.roaster(style))
            .and_then(|(lot, (roaster, fields))| {
                let charge = full_drum(fields);
                self.costs.questions.range(lot, style, *roaster, charge)
            });
        let Some(range) = range else { return 0 };
        let bag = self.product.bag_g.plus(self.costs.overfill);
        let per_bag =
            i128::from(bag.unwrap_or(self.product.bag_g).mg()) * i128::from(self.share.ppm());
        let roasted = i128::from(less(green, range.mean).mg()) * 1_000_000;
        u64::try_from(roasted / per_bag.max(1)).unwrap_or(0)
    }

    fn named(&self, coffee: CoffeeId) -> Named {
        let fields = self.costs.coffees.get(&coffee);
        let name = fields.map_or_else(|| self.product.name.clone(), |fields| fields.name.clone());
        Named { id: coffee.0, name }
    }
}
