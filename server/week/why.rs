//! Why a line ships short, in a word and a sentence.

use super::facts::{Facts, Want};
use super::instance::green;
use super::view::ShortReason;
use crate::ids::{CoffeeId, LotId};
use crate::mass::Mass;
use crate::planner::Reason;

/// Why a coffee of a want is short.
pub fn why(facts: &Facts, want: &Want, coffee: CoffeeId, reason: Reason) -> (ShortReason, String) {
    let name = facts
        .coffees
        .get(&coffee)
        .map_or("this coffee", |name| name.as_str());
    let window = want.window;
    if window.is_empty() {
        let sentence = format!(
            "The rest after roasting and the freshness on arrival leave no day: it would have to be roasted by {} and not before {}.",
            window.to.short(),
            window.from.short()
        );
        return (ShortReason::Window, sentence);
    }
    if window.to < facts.from {
        let sentence = format!(
            "It had to be roasted by {}, and none of what lies roasted will do.",
            window.to.short()
        );
        return (ShortReason::Window, sentence);
    }
    let days = if window.from.max(facts.from) == window.to {
        format!("on {}", window.to.short())
    } else {
        format!(
            "from {} to {}",
            window.from.max(facts.from).short(),
            window.to.short()
        )
    };
    match reason {
        Reason::Minutes => minutes(&days),
        Reason::Green => {
            let left = usable(facts, want, coffee);
            let sentence = format!(
                "Not enough green of {name}: {left} may be used, and that does not cover all orders of it.{}",
                barred(facts, want, coffee)
            );
            (ShortReason::Green, sentence)
        }
        Reason::NoStream => no_stream(facts, want, coffee, name, &days),
    }
}

/// Why bags of a want are short that the packing bench cannot fill.
pub fn unpacked(want: &Want) -> (ShortReason, String) {
    let sentence = format!(
        "The packing bench can fill {} of {} bags before they leave.",
        want.packable, want.bags
    );
    (ShortReason::Packing, sentence)
}

fn minutes(days: &str) -> (ShortReason, String) {
    (
        ShortReason::Minutes,
        format!("No roaster has time for it {days}."),
    )
}

/// No batch can be made for it at all: no lot, none in time, or no roaster.
fn no_stream(
    facts: &Facts,
    want: &Want,
    coffee: CoffeeId,
    name: &str,
    days: &str,
) -> (ShortReason, String) {
    let lots: Vec<_> = lots(facts, want, coffee)
        .filter(|id| {
            facts
                .lots
                .get(id)
                .is_some_and(|lot| green(facts, *id, lot) > 0)
        })
        .collect();
    let arrives = lots
        .iter()
        .filter_map(|id| facts.lots.get(id))
        .map(|lot| lot.from)
        .min();
    match arrives {
        None => {
            let named = if want.lots.is_some() {
                " of the lots that the product names"
            } else {
                ""
            };
            let barred = barred(facts, want, coffee);
            let sentence = if barred.is_empty() {
                format!("No green of {name}{named} is in store or expected.")
            } else {
                format!("No green of {name}{named} may be used.{barred}")
            };
            (ShortReason::NoLot, sentence)
        }
        Some(day) if day > want.window.to => {
            let sentence = format!(
                "The next {name} is expected on {}, and it must be roasted by {}.",
                day.short(),
                want.window.to.short()
            );
            (ShortReason::NoLot, sentence)
        }
        Some(_) => minutes(days),
    }
}

/// The lots that will do for a coffee of a want.
fn lots<'a>(
    facts: &'a Facts,
    want: &'a Want,
    coffee: CoffeeId,
) -> impl Iterator<Item = LotId> + 'a {
    facts
        .lots
        .iter()
        .filter(move |(id, lot)| {
            lot.fields.coffee == coffee && want.lots.as_ref().is_none_or(|lots| lots.contains(id))
        })
        .map(|(id, _)| *id)
}

/// Lots that have green which plans may not use, each in a sentence with a space before it.
fn barred(facts: &Facts, want: &Want, coffee: CoffeeId) -> String {
    let lots = lots(facts, want, coffee).filter_map(|id| facts.lots.get(&id));
    let there = lots.filter(|lot| lot.there.is_positive());
    let said = there.filter_map(|lot| {
        let why = lot.barred()?;
        Some(format!(" {} ({}): {why}.", lot.fields.name, lot.there))
    });
    said.collect()
}

fn usable(facts: &Facts, want: &Want, coffee: CoffeeId) -> Mass {
    let grams = lots(facts, want, coffee)
        .filter_map(|id| facts.lots.get(&id).map(|lot| green(facts, id, lot)))
        .sum();
    Mass::from_grams(grams).unwrap_or(Mass::MAX)
}
