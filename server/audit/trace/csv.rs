//! A trace as a table for a spreadsheet (RFC 4180): a row for each way that coffee went.

use super::{Stop, Trace};
use crate::audit::statement::harmless;
use crate::store::StoreError;

const COLUMNS: [&str; 11] = [
    "day",
    "lot",
    "from",
    "from_name",
    "from_key",
    "to",
    "to_name",
    "to_key",
    "mass_g",
    "lot_id",
    "site",
];

/// The ways as CSV.
///
/// Text that a spreadsheet would take for a formula gets an apostrophe before it.
///
/// # Errors
/// [`StoreError::Damaged`] never in practice: writing to memory does not fail.
pub fn csv(trace: &Trace) -> Result<String, StoreError> {
    let mut out = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    out.write_record(COLUMNS).map_err(damaged)?;
    rows(&mut out, trace, "")?;
    String::from_utf8(out.into_inner().map_err(damaged)?).map_err(damaged)
}

/// Its own ways, then those at other sites under their names.
fn rows(out: &mut csv::Writer<Vec<u8>>, trace: &Trace, site: &str) -> Result<(), StoreError> {
    let key = |stop: &Stop| stop.key.map(|key| key.to_string()).unwrap_or_default();
    for leg in &trace.legs {
        let (from, to) = (&trace.stops[leg.from], &trace.stops[leg.to]);
        let mg = leg.mass_g.mg();
        let row = [
            leg.day.to_string(),
            to.lot_name.to_string(),
            from.place.clone(),
            from.name.clone(),
            key(from),
            to.place.clone(),
            to.name.clone(),
            key(to),
            format!("{}.{:03}", mg / 1_000, mg % 1_000),
            leg.lot.to_string(),
            site.to_owned(),
        ];
        out.write_record(row.map(harmless)).map_err(damaged)?;
    }
    trace
        .elsewhere
        .iter()
        .try_for_each(|other| rows(out, &other.trace, other.site.name.as_str()))
}

fn damaged(error: impl std::fmt::Display) -> StoreError {
    StoreError::Damaged(error.to_string())
}
