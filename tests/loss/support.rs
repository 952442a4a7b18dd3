//! Short ways to say a batch, and to read the data files.

use outturn::loss::{Batch, Lot, Review, Settings, Spreads, Style, Weights};
use serde_json::Value;

/// A JSON file of `tests/loss/data`.
pub fn data(name: &str) -> Value {
    let path = format!("{}/tests/loss/data/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{path}: {e}"))
}

/// Rows of a CSV file of `tests/loss/data`, by column.
pub fn rows(name: &str) -> Vec<std::collections::HashMap<String, String>> {
    let path = format!("{}/tests/loss/data/{name}", env!("CARGO_MANIFEST_DIR"));
    let mut reader = csv::Reader::from_path(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    reader
        .deserialize()
        .map(|row| row.unwrap_or_else(|e| panic!("{path}: {e}")))
        .collect()
}

/// A number of a JSON value.
pub fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("{value} is no number"))
}

/// Asserts that two numbers agree within a relative tolerance (absolute below 1).
#[track_caller]
pub fn close(ours: f64, published: f64, tolerance: f64) {
    assert!(
        (ours - published).abs() <= tolerance * published.abs().max(1.0),
        "{ours} against {published}, tolerance {tolerance}"
    );
}

pub const DAY: i64 = 1440;

pub fn lot(id: &str, delivery: &str, received_day: i64) -> Lot {
    Lot {
        id: id.into(),
        delivery: delivery.into(),
        grade: String::new(),
        received_day,
    }
}

pub fn style(id: &str, nominal_loss: f64) -> Style {
    Style {
        id: id.into(),
        nominal_loss,
    }
}

pub fn weights(green_g: f64, roasted_g: f64) -> Weights {
    Weights {
        charges_g: vec![green_g],
        roasted_g,
        division_in_g: 20.0,
        division_out_g: 10.0,
    }
}

/// A plain batch of style "filter" (stated loss 0.15) on roaster "north".
pub fn batch(id: &str, minute: i64, lot: Lot, green_g: f64, roasted_g: f64) -> Batch {
    Batch {
        id: id.into(),
        minute,
        millisecond: 0,
        lot: lot.into(),
        style: style("filter", 0.15).into(),
        roaster: "north".into(),
        weights: weights(green_g, roasted_g),
        teaches: true,
        review: Review::None,
    }
}

/// Settings under which only lots differ and all spreads stand still: exact answers are easy then.
pub fn only_lots(lot: f64, walk: f64, noise: f64) -> Settings {
    let start = Spreads {
        delivery: 1e-12,
        lot,
        roaster: 1e-12,
        walk,
        noise,
        styles: Vec::new(),
    };
    Settings {
        alpha: 1e-12,
        notice_at: 1e9,
        open_at: 1e9,
        style_sd: 1e-12,
        ageing_sd: 1e-12,
        moisture_sd: 1e-12,
        moisture_sibling_sd: 1e-12,
        spread_log_sd: [1e-9; 5],
        start,
        ..Settings::default()
    }
}
