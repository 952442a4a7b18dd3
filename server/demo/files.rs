//! The files of `demo/`, taken into the program, and their rows.

use serde::Deserialize;
use serde::de::DeserializeOwned;

use super::DemoError;
use crate::day::{Day, Instant, TimeOfDay, Zone};

/// The set-up, as written by hand.
pub const ROASTERY: &str = include_str!("../../demo/roastery.json");
/// Deliveries, as written by hand.
pub const DELIVERIES: Table = Table::new("deliveries", include_str!("../../demo/deliveries.csv"));
/// Lots, as written by hand.
pub const LOTS: Table = Table::new("lots", include_str!("../../demo/lots.csv"));
/// Bills of suppliers and carriers, some of them late, as written by hand.
pub const BILLS: Table = Table::new("bills", include_str!("../../demo/bills.csv"));
/// Made by `demo/generate.py`, like all below.
pub const SHIP_DAYS: Table = Table::new("ship-days", include_str!("../../demo/ship-days.csv"));
/// All orders, in the form of the order import.
pub const ORDERS: Table = Table::new("orders", include_str!("../../demo/orders.csv"));
/// All subscribers, in the form of their import.
pub const SUBSCRIBERS: Table =
    Table::new("subscribers", include_str!("../../demo/subscribers.csv"));
/// What came in.
pub const RECEIPTS: Table = Table::new("receipts", include_str!("../../demo/receipts.csv"));
/// Moisture readings.
pub const MOISTURE: Table = Table::new("moisture", include_str!("../../demo/moisture.csv"));
/// Batches, weighed in and out.
pub const BATCHES: Table = Table::new("batches", include_str!("../../demo/batches.csv"));
/// Weigh-ins taken back.
pub const UNDOS: Table = Table::new("undos", include_str!("../../demo/undos.csv"));
/// Batches thrown away.
pub const SCRAPS: Table = Table::new("scraps", include_str!("../../demo/scraps.csv"));
/// Weights put right.
pub const CORRECTIONS: Table =
    Table::new("corrections", include_str!("../../demo/corrections.csv"));
/// Losses reviewed.
pub const REVIEWS: Table = Table::new("reviews", include_str!("../../demo/reviews.csv"));
/// What the cupping table decided.
pub const CUPPINGS: Table = Table::new("cuppings", include_str!("../../demo/cuppings.csv"));
/// Samples drawn.
pub const SAMPLES: Table = Table::new("samples", include_str!("../../demo/samples.csv"));
/// Spilled and sorted out.
pub const WASTES: Table = Table::new("wastes", include_str!("../../demo/wastes.csv"));
/// Dried in the store.
pub const DRYINGS: Table = Table::new("dryings", include_str!("../../demo/dryings.csv"));
/// Counts of the store.
pub const COUNTS: Table = Table::new("counts", include_str!("../../demo/counts.csv"));
/// Lots used up.
pub const USED_UPS: Table = Table::new("used-ups", include_str!("../../demo/used-ups.csv"));
/// Bags packed.
pub const PACKINGS: Table = Table::new("packings", include_str!("../../demo/packings.csv"));
/// Orders shipped.
pub const SHIPMENTS: Table = Table::new("shipments", include_str!("../../demo/shipments.csv"));
/// Periods closed.
pub const CLOSINGS: Table = Table::new("closings", include_str!("../../demo/closings.csv"));

/// A CSV file with a header.
#[derive(Debug, Clone, Copy)]
pub struct Table {
    name: &'static str,
    text: &'static str,
}

impl Table {
    const fn new(name: &'static str, text: &'static str) -> Self {
        Self { name, text }
    }

    /// The file as it is.
    pub const fn text(self) -> &'static str {
        self.text
    }

    /// Its rows.
    ///
    /// # Errors
    /// [`DemoError::File`] for a row that is not of its form.
    pub fn rows<R: DeserializeOwned>(self) -> Result<Vec<R>, DemoError> {
        csv::Reader::from_reader(self.text.as_bytes())
            .deserialize()
            .collect::<Result<_, _>>()
            .map_err(|e| DemoError::File(format!("demo/{}.csv: {e}", self.name)))
    }
}

/// A wall-clock time of the roastery, such as `2026-02-16T07:22`.
#[derive(Debug, Clone, Deserialize)]
#[serde(try_from = "String")]
pub struct LocalTime {
    /// The day.
    pub day: Day,
    time: TimeOfDay,
}

impl LocalTime {
    /// The instant it names in a zone.
    pub fn instant(&self, zone: Zone) -> Instant {
        zone.at(self.day, self.time)
    }
}

impl TryFrom<String> for LocalTime {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        let (day, time) = text
            .split_once('T')
            .ok_or_else(|| format!("{text} is no day and time"))?;
        Ok(Self {
            day: day.parse().map_err(|e| format!("{day}: {e}"))?,
            time: time.parse().map_err(|e| format!("{time}: {e}"))?,
        })
    }
}

/// `roastery.json`.
#[derive(Debug, Deserialize)]
pub struct Roastery {
    /// The fixed present.
    pub today: LocalTime,
    /// When the set-up is typed in, before anything happens.
    pub set_up: LocalTime,
    /// The site, as its record has it.
    pub site: serde_json::Value,
    /// What is written when a batch on hold turns out well.
    pub cupped_without_remark: String,
    /// People, as their records have them.
    pub people: Vec<serde_json::Value>,
    /// Names of storerooms.
    pub storerooms: Vec<String>,
    /// Styles, as their records have them.
    pub styles: Vec<serde_json::Value>,
    /// Scales, as their records have them.
    pub scales: Vec<serde_json::Value>,
    /// Roasters, with names in place of ids.
    pub roasters: Vec<RoasterFields>,
    /// Names of coffees.
    pub coffees: Vec<String>,
    /// Products, with names in place of ids.
    pub products: Vec<ProductFields>,
    /// Where parcels go, with names of coffees in place of ids.
    pub destinations: Vec<serde_json::Value>,
    /// The subscription, with names of styles in place of ids.
    pub subscription: serde_json::Value,
    /// Its coming dispatch.
    pub dispatch: DispatchFields,
}

/// The dispatch of `roastery.json`.
#[derive(Debug, Deserialize)]
pub struct DispatchFields {
    /// When it leaves the house.
    pub ship_day: String,
    /// Its coffees, by name.
    pub coffees: Vec<serde_json::Value>,
    /// Only subscribers of so many bags and more get the last of them, which is scarce.
    pub scarce_from_bags: u16,
}

impl Roastery {
    /// The site's time zone.
    ///
    /// # Errors
    /// [`DemoError::File`] if the file names none.
    pub fn zone(&self) -> Result<Zone, DemoError> {
        let zone = self.site["zone"].as_str().unwrap_or_default();
        zone.parse()
            .map_err(|e| DemoError::File(format!("demo/roastery.json: {zone}: {e}")))
    }
}

/// A roaster of `roastery.json`.
#[derive(Debug, Deserialize)]
pub struct RoasterFields {
    /// Hours by weekday (`Mon`): from, to.
    pub hours: std::collections::BTreeMap<String, [String; 2]>,
    /// Days with other hours.
    pub exceptions: Vec<ExceptionFields>,
    /// Its scales, by name.
    pub green_scale: String,
    /// As above.
    pub roasted_scale: String,
    /// All else as the record has it.
    #[serde(flatten)]
    pub rest: serde_json::Map<String, serde_json::Value>,
}

/// A day with other hours.
#[derive(Debug, Deserialize)]
pub struct ExceptionFields {
    /// The day.
    pub day: String,
    /// When work begins.
    pub from: String,
    /// When it ends.
    pub to: String,
    /// Why.
    pub note: String,
}

/// A product of `roastery.json`.
#[derive(Debug, Deserialize)]
pub struct ProductFields {
    /// Its name.
    pub name: String,
    /// Coffees by name, with their shares.
    pub parts: std::collections::BTreeMap<String, serde_json::Number>,
    /// Its style, by name.
    pub style: String,
    /// What a bag holds.
    pub bag_g: u32,
}

/// A row of `deliveries.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct Delivery {
    pub reference: String,
    pub supplier: String,
    pub announced: LocalTime,
    pub expected_day: String,
    pub invoice_kg: u32,
    pub hold_from: Option<LocalTime>,
    pub hold: String,
    pub note: String,
}

impl Delivery {
    /// The net mass on the invoice, in grams.
    pub const fn invoice_g(&self) -> u32 {
        self.invoice_kg * 1000
    }
}

/// A row of `lots.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct Lot {
    pub name: String,
    pub delivery: String,
    pub coffee: String,
    pub grade: String,
    pub screen: String,
    pub process: String,
    pub crop_year: String,
    pub packing: String,
    pub sacks: u32,
    pub sack_kg: u32,
    pub loose_kg: u32,
    pub landed_cost_eur: String,
    pub use_rank: u32,
    pub claim: String,
    pub certificate: String,
    pub claim_valid_to: String,
}

impl Lot {
    /// What all of it cost, in cents.
    ///
    /// # Errors
    /// [`DemoError::File`] if the file does not give euros with two decimals.
    pub fn cost_cents(&self) -> Result<i64, DemoError> {
        cents(&self.landed_cost_eur)
    }
}

/// Euros with two decimals as cents.
fn cents(euros: &str) -> Result<i64, DemoError> {
    let digits = euros.replace('.', "");
    digits
        .parse()
        .map_err(|e| DemoError::File(format!("demo/: {euros}: {e}")))
}

/// A row of `bills.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct Bill {
    pub at: LocalTime,
    pub delivery: String,
    /// The one lot it is for; empty for all of the delivery.
    pub lot: String,
    pub kind: String,
    pub day: Day,
    pub amount_eur: String,
    pub reference: String,
}

impl Bill {
    /// How much, in cents.
    ///
    /// # Errors
    /// [`DemoError::File`] if the file does not give euros with two decimals.
    pub fn cents(&self) -> Result<i64, DemoError> {
        cents(&self.amount_eur)
    }
}

/// A row of `ship-days.csv`: the record's own fields.
#[derive(Debug, Deserialize)]
pub struct ShipDay {
    pub day: String,
    pub packing_day: String,
    pub carrier_at: String,
    pub note: String,
}

/// What of a row of `orders.csv` decides when it is imported.
#[derive(Debug, Deserialize)]
pub struct OrderRow {
    pub ship_day: Day,
}

/// A row of `receipts.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct Receipt {
    pub at: LocalTime,
    pub delivery: String,
    pub lot: String,
    pub storeroom: String,
}

/// A row of `moisture.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct Moisture {
    pub at: LocalTime,
    pub lot: String,
    pub day: String,
    pub fraction: serde_json::Number,
    pub sd: serde_json::Number,
}

/// A row of `batches.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct Batch {
    pub number: u32,
    pub roaster: String,
    pub lot: String,
    pub style: String,
    pub storeroom: String,
    pub weighed_in_at: LocalTime,
    pub green_gross: String,
    pub green_container: String,
    pub started_at: Option<LocalTime>,
    pub weighed_out_at: Option<LocalTime>,
    pub roasted_gross: String,
    pub roasted_container: String,
    pub weighed_with: Option<u32>,
}

/// A row of `undos.csv` or `scraps.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct Ended {
    pub at: LocalTime,
    pub batch: u32,
    pub reason: String,
}

/// A row of `corrections.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct Correction {
    pub at: LocalTime,
    pub batch: u32,
    pub green_g: Option<u32>,
    pub roasted_g: Option<u32>,
    pub reason: String,
}

/// A row of `reviews.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct Review {
    pub at: LocalTime,
    pub batch: u32,
    pub finding: String,
    pub reason: String,
}

/// What the cupping table decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Decision {
    /// It may be bagged.
    Pass,
    /// It stays on hold.
    Leave,
}

/// A row of `cuppings.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct Cupping {
    pub at: LocalTime,
    pub batch: u32,
    pub decision: Decision,
    pub reason: String,
}

/// A row of `samples.csv` (its `purpose` read as `reason`) or `wastes.csv`: of a lot in a storeroom, or of a batch.
#[derive(Debug, Clone, Deserialize)]
pub struct Taken {
    pub at: LocalTime,
    pub lot: String,
    pub storeroom: String,
    pub batch: Option<u32>,
    pub mass_g: u32,
    #[serde(alias = "purpose")]
    pub reason: String,
}

/// A row of `dryings.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct Drying {
    pub at: LocalTime,
    pub lot: String,
    pub storeroom: String,
    pub mass_g: u32,
    pub reason: String,
}

/// A row of `counts.csv`: one reading; those of the same time and lot are one count.
#[derive(Debug, Clone, Deserialize)]
pub struct Count {
    pub at: LocalTime,
    pub lot: String,
    pub storeroom: String,
    pub scale: String,
    pub gross: String,
    pub container: String,
}

/// A row of `used-ups.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct UsedUp {
    pub at: LocalTime,
    pub lot: String,
    pub storeroom: String,
}

/// A row of `packings.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct Packing {
    pub at: LocalTime,
    pub product: String,
    pub bags: u32,
    pub order: String,
}

/// A row of `shipments.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct Shipment {
    pub at: LocalTime,
    pub order: String,
}

/// A row of `closings.csv`.
#[derive(Debug, Clone, Deserialize)]
pub struct Closing {
    pub at: LocalTime,
    pub to_day: String,
}
