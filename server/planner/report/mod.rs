//! A plan on paper: as JSON for programs, as a table for a terminal, as a picture of the week.

mod json;
mod picture;
mod table;

pub use json::json;
pub use picture::svg;
pub use table::table;

use super::instance::UNITS_PER_GRAM;

/// Units of 0.1 mg as grams, exactly: `3432`, `85.5`.
fn grams(units: i64) -> String {
    let (whole, part) = (units / UNITS_PER_GRAM, units % UNITS_PER_GRAM);
    let text = format!("{whole}.{part:04}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Grams as kilograms, exactly: `3.432`.
fn kilograms(grams: i64) -> String {
    let text = format!("{}.{:03}", grams / 1_000, grams % 1_000);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Units of 0.1 mg as kilograms, to the gram, up.
fn kilograms_of(units: i64) -> String {
    kilograms((units + UNITS_PER_GRAM - 1) / UNITS_PER_GRAM)
}

/// How far value stands above bound, in hundredths of a percent of the value, as text: `2.41 %`.
fn gap(value: i64, bound: i64) -> String {
    if value <= bound {
        return "0 %".into();
    }
    let hundredths = i128::from(value - bound) * 10_000 / i128::from(value.max(1));
    format!("{}.{:02} %", hundredths / 100, hundredths % 100)
}
