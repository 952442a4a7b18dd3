//! What strangers' bytes go through: each function takes any bytes at all, and panics only where the program is wrong. The fuzzer calls them with
//! bytes that it makes up, an ordinary test with those that were worth keeping.

use outturn::book::canonical;
use outturn::planner::Instance;
use outturn::sheet::{Cells, Columns, Field, Sheet};
use serde::Serialize;
use serde::de::DeserializeOwned;

/// A file as somebody may choose it for an import: text or a workbook. As text it is the same table again, line for line.
pub fn table(bytes: &[u8]) {
    if let Ok(text) = std::str::from_utf8(bytes) {
        // A roast log says what is wrong cell by cell, or is read.
        drop(outturn::loss::csv::read_batches(text));
    }
    let Ok(sheet) = Sheet::of_file(bytes) else {
        return;
    };
    cells(&sheet);
    let Ok(again) = Sheet::of_text(&sheet.text()) else {
        panic!(
            "a table that was read is no table as text: {:?}",
            sheet.text()
        )
    };
    assert_eq!(plain(&again.headings), plain(&sheet.headings));
    assert_eq!(again.rows.len(), sheet.rows.len());
    for (row, read) in sheet.rows.iter().zip(&again.rows) {
        assert_eq!(plain(&read.cells), plain(&row.cells));
    }
}

/// Cells as they are written: breaks inside one become blanks, so that each row has a line.
fn plain(cells: &[String]) -> Vec<String> {
    let flat = cells.iter().map(|cell| cell.replace(['\r', '\n'], " "));
    flat.map(|cell| cell.trim().to_owned()).collect()
}

/// Reads every cell in every way there is.
fn cells(sheet: &Sheet) {
    const FIELDS: [Field; 4] = [
        Field {
            name: "a",
            must: true,
        },
        Field {
            name: "b",
            must: false,
        },
        Field {
            name: "c",
            must: false,
        },
        Field {
            name: "d",
            must: false,
        },
    ];
    let Ok(columns) = Columns::find(sheet, &FIELDS, None) else {
        return;
    };
    for row in &sheet.rows {
        let mut cells = Cells::of(sheet, &columns, row);
        for Field { name, .. } in FIELDS {
            cells.name(name);
            cells.whole(name, 0..=1_000_000, None);
            for unit in UNITS {
                cells.mass(name, unit);
            }
            cells.fraction_or_none(name);
            cells.day(name, None);
            cells.moment(name);
            cells.time_or_none(name);
            cells.flag(name);
        }
        for error in cells.errors() {
            assert_eq!(error.line, row.line);
            assert!(!error.detail.is_empty());
        }
    }
}

const UNITS: [outturn::mass::Unit; 3] = [
    outturn::mass::Unit::G,
    outturn::mass::Unit::Kg,
    outturn::mass::Unit::Lb,
];

/// Digits as a scale shows them, and a mass as JSON: what is read is written so that it is read again as the same.
pub fn mass(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    for unit in UNITS {
        if let Ok(mass) = unit.read(text) {
            round_trip(&mass);
        }
    }
    same_again::<outturn::mass::Mass>(text);
    same_again::<outturn::fraction::Fraction>(text);
    same_again::<outturn::day::Day>(text);
    same_again::<outturn::day::Instant>(text);
    same_again::<outturn::text::Name>(text);
}

/// A planner's instance: refused with the fields that are wrong, or read, and then the same again.
pub fn instance(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    match Instance::from_json(text) {
        Ok(instance) => {
            let again = serde_json::to_string(&instance).unwrap();
            assert_eq!(Instance::from_json(&again).unwrap(), instance);
        }
        Err(error) => assert!(!error.faults.is_empty()),
    }
}

/// A copy of a book, as it comes back to be checked or taken in.
pub fn copy(bytes: &[u8]) {
    // What is damaged is told; what is whole adds up.
    drop(outturn::audit::copy::check(bytes, &[]));
}

/// The body of a command or record: a line with its kind, then JSON. What is taken has one canonical form, since its digest stands in the book.
pub fn body(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    let (kind, json) = text.split_once('\n').unwrap_or((text, ""));
    if let Some((_, read)) = BODIES.iter().find(|(name, _)| *name == kind) {
        read(json);
    }
}

fn same_again<T: DeserializeOwned + Serialize + PartialEq>(json: &str) {
    if let Ok(read) = serde_json::from_str::<T>(json) {
        round_trip(&read);
    }
}

fn round_trip<T: DeserializeOwned + Serialize + PartialEq>(value: &T) {
    let text = canonical::text(value);
    let again: T = serde_json::from_str(&text).unwrap_or_else(|e| panic!("{text}: {e}"));
    assert!(again == *value, "{text} is read as something else");
    assert_eq!(canonical::text(&again), text);
}

macro_rules! bodies {
    ($($name:literal: $type:ty,)*) => {
        /// Each kind of body with how it is read.
        pub const BODIES: &[(&str, fn(&str))] = &[$(($name, same_again::<$type>),)*];
    };
}

bodies! {
    "receipts": outturn::green::Receipt,
    "returns": outturn::green::Return,
    "transfers": outturn::green::Transfer,
    "sendings": outturn::sites::Sending,
    "arrivals": outturn::sites::SiteArrival,
    "dryings": outturn::green::Drying,
    "counts": outturn::green::Count,
    "used-ups": outturn::green::UsedUp,
    "blends": outturn::green::Blend,
    "samples": outturn::green::Sample,
    "wastes": outturn::green::Waste,
    "weigh-ins": outturn::floor::WeighIn,
    "starts": outturn::floor::Start,
    "weigh-outs": outturn::floor::WeighOut,
    "scraps": outturn::floor::Scrap,
    "holds": outturn::floor::Hold,
    "passes": outturn::floor::Pass,
    "reviews": outturn::floor::Review,
    "corrections": outturn::floor::Correction,
    "reversals": outturn::floor::Reversal,
    "settlements": outturn::floor::Settlement,
    "cuppings": outturn::floor::CuppingTable,
    "cup-verdicts": outturn::floor::CupVerdicts,
    "releases": outturn::week::Release,
    "withdrawals": outturn::week::Withdrawal,
    "packings": outturn::demand::Packing,
    "allotments": outturn::demand::Allotment,
    "shipments": outturn::demand::Shipment,
    "counter-sales": outturn::demand::CounterSale,
    "take-backs": outturn::demand::TakeBack,
    "bag-wastes": outturn::demand::BagWaste,
    "run-ends": outturn::demand::RunEnd,
    "freezes": outturn::demand::Freeze,
    "let-ins": outturn::demand::LetIn,
    "call-ups": outturn::demand::CallUp,
    "order-imports": outturn::demand::OrderImport,
    "subscriber-imports": outturn::demand::SubscriberImport,
    "standing-order-imports": outturn::demand::StandingImport,
    "count-openings": outturn::counting::CountOpening,
    "count-entries": outturn::counting::CountEntry,
    "count-hand-ins": outturn::counting::CountHandIn,
    "count-decisions": outturn::counting::CountDecision,
    "finding-closings": outturn::audit::FindingClosing,
    "past-imports": outturn::expect::past::PastImport,
    "past-withdrawals": outturn::expect::past::PastWithdrawal,
    "scale-adjustments": outturn::expect::told::ScaleAdjustment,
    "profile-changes": outturn::expect::told::ProfileChange,
    "notice-closings": outturn::expect::told::NoticeClosing,
    "closings": outturn::audit::Closing,
    "reopenings": outturn::audit::Reopening,
    "sites": outturn::setup::Site,
    "people": outturn::setup::Person,
    "devices": outturn::setup::Device,
    "coffees": outturn::setup::Coffee,
    "styles": outturn::setup::Style,
    "scales": outturn::setup::Scale,
    "storerooms": outturn::setup::Storeroom,
    "roasters": outturn::setup::Roaster,
    "deliveries": outturn::setup::Delivery,
    "lots": outturn::setup::Lot,
    "products": outturn::setup::Product,
    "shelf-levels": outturn::setup::ShelfLevel,
    "ship-days": outturn::setup::ShipDay,
    "orders": outturn::setup::Order,
    "table-headings": outturn::setup::TableHeadings,
    "destinations": outturn::setup::Destination,
    "subscriptions": outturn::setup::Subscription,
    "subscribers": outturn::setup::Subscriber,
    "dispatches": outturn::setup::Dispatch,
    "replacements": outturn::setup::Replacement,
    "standing-orders": outturn::setup::StandingOrder,
    "sample-requests": outturn::setup::SampleRequest,
    "tariffs": outturn::setup::Tariff,
    "cost-lines": outturn::setup::CostLine,
    "write-downs": outturn::setup::WriteDown,
}
