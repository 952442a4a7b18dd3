//! Standing orders from a table: a row for each line; the rows of an order stand under its number. First looked at, then taken, all of it
//! or nothing. A known number is changed to what its rows say; its packing days and carrier stay.

use std::collections::BTreeMap;

use async_trait::async_trait;
use uuid::Uuid;

use super::listing::{Change, Names, Row, TableDryRun, TableTaken, TableText, taken, write};
use super::subscriber_import::day_or_none;
use crate::app::App;
use crate::book::Book;
use crate::calendar::{Moved, Rule, ShipRule};
use crate::command::{Command, Common, command};
use crate::day::{Day, TimeOfDay};
use crate::ids::{ProductId, SiteId};
use crate::refusal::{LineError, Outcome, Refusal};
use crate::setup::{self, Kept, OrderLine, Product, StandingOrder, TableKind};
use crate::sheet::{Cells, Columns, Field, Headings, Sheet, wrong};
use crate::store::{Read, StoreError};
use crate::text::Name;

const TABLE: TableKind = TableKind::StandingOrders;
const FIELDS: [Field; 11] = [
    field("order", true),
    field("customer", true),
    field("weeks", false),
    field("start", true),
    field("end", false),
    field("skips", false),
    field("transit_days", false),
    field("priority", false),
    field("product", true),
    field("bags", true),
    field("cancelled", false),
];
/// When the carrier comes where nobody has said.
const USUAL_CARRIER: u32 = 15 * 60;

const fn field(name: &'static str, must: bool) -> Field {
    Field { name, must }
}

command! {
    /// A table of standing orders was taken.
    StandingImport {
        /// The table as text: columns `order`, `customer`, `weeks` (1 is every week), `start` (the first ship day), `end`, `skips` (days),
        /// `transit_days`, `priority`, `product`, `bags`, `cancelled`.
        csv: String,
        /// The headings of columns that are not headed by their names, remembered for the next time.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        headings: Option<Headings>,
    }
}

impl Row for StandingOrder {
    fn called(&self) -> (Name, Name) {
        (self.number.clone(), self.customer.clone())
    }

    fn is_off(&self) -> bool {
        self.cancelled
    }
}

/// Looks at a table and changes nothing.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn look_at_standing_orders(
    app: &App,
    tx: &mut dyn Read,
    text: &TableText,
) -> Result<TableDryRun, StoreError> {
    let headings = setup::headings(tx, app.site, TABLE, text.headings.as_ref()).await?;
    let products = products(tx, app.site).await?;
    let (changes, errors) = changes(tx, app.site, &products, &text.csv, headings.as_ref()).await?;
    Ok(TableDryRun {
        lines: changes.iter().map(|change| change.after.lines.len()).sum(),
        would: taken(&changes, |order| words(&products, order)),
        errors,
    })
}

#[async_trait]
impl Command for StandingImport {
    const NAME: &'static str = "standing-order-imports";
    type Answer = TableTaken;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, _id: Uuid) -> Outcome<TableTaken> {
        let site = book.site();
        let headings = setup::headings(book.tx(), site, TABLE, self.headings.as_ref()).await?;
        let products = products(book.tx(), site).await?;
        let (changes, errors) =
            changes(book.tx(), site, &products, &self.csv, headings.as_ref()).await?;
        if !errors.is_empty() {
            return Err(Refusal::BadLines(errors));
        }
        setup::remember_headings(book, &app.clock, TABLE, self.headings.as_ref()).await?;
        let answer = taken(&changes, |order| words(&products, order));
        write(book, app, changes).await?;
        Ok(answer)
    }
}

async fn products(tx: &mut dyn Read, site: SiteId) -> Result<Names, StoreError> {
    let products = setup::all::<Product>(tx, site).await?;
    Ok(Names::new("product", &products, |of| {
        (of.name.clone(), of.retired)
    }))
}

/// A row of the table.
struct Line {
    at: u64,
    number: Name,
    /// Nothing where the order is called off.
    wanted: Option<Wanted>,
}

/// What a row says of its order, and the bags that it asks for.
struct Wanted {
    order: OrderWords,
    product: ProductId,
    bags: u32,
}

/// What all rows of an order say alike.
#[derive(PartialEq, Eq)]
struct OrderWords {
    customer: Name,
    weeks: u8,
    start: Day,
    end: Option<Day>,
    skips: Vec<Day>,
    transit_days: u16,
    priority: u16,
}

async fn changes(
    tx: &mut dyn Read,
    site: SiteId,
    products: &Names,
    csv: &str,
    headings: Option<&Headings>,
) -> Result<(Vec<Change<StandingOrder>>, Vec<LineError>), StoreError> {
    let (lines, mut errors) = lines(products, csv, headings);
    let mut orders: BTreeMap<&Name, Vec<&Line>> = BTreeMap::new();
    for line in &lines {
        orders.entry(&line.number).or_default().push(line);
    }
    let mut changes = Vec::new();
    for (number, rows) in orders {
        let before = setup::find_labelled::<StandingOrder>(tx, site, number.as_str()).await?;
        let after = order(number, &rows, before.as_ref(), &mut errors);
        changes.extend(after.map(|after| Change { before, after }));
    }
    errors.sort_by_key(|error| error.line);
    Ok((changes, errors))
}

fn lines(products: &Names, csv: &str, headings: Option<&Headings>) -> (Vec<Line>, Vec<LineError>) {
    let sheet = match Sheet::of_text(csv) {
        Ok(sheet) => sheet,
        Err(error) => return (Vec::new(), vec![error]),
    };
    let columns = match Columns::find(&sheet, &FIELDS, headings) {
        Ok(columns) => columns,
        Err(errors) => return (Vec::new(), errors),
    };
    let (mut lines, mut errors) = (Vec::new(), sheet.unreadable.clone());
    for row in &sheet.rows {
        let mut cells = Cells::of(&sheet, &columns, row);
        let number = cells.name("order");
        let wanted = match cells.flag("cancelled") {
            Some(true) => Some(None),
            _ => wanted(&mut cells, products).map(Some),
        };
        match number.zip(wanted) {
            Some((number, wanted)) if cells.is_sound() => lines.push(Line {
                at: row.line,
                number,
                wanted,
            }),
            _ => errors.extend(cells.errors()),
        }
    }
    if lines.is_empty() && errors.is_empty() {
        let detail = "the table has no rows below its headings";
        errors.push(wrong(sheet.heading_line + 1, "order", "", detail));
    }
    (lines, errors)
}

fn wanted(cells: &mut Cells<'_>, products: &Names) -> Option<Wanted> {
    let customer = cells.name("customer");
    let weeks = cells.whole("weeks", 1..=52, Some(1));
    let start = cells.day("start", None);
    let end = day_or_none(cells, "end");
    let skips = days(cells.text("skips"));
    let skips = cells.take("skips", skips);
    let transit_days = cells.whole("transit_days", 0..=60, Some(1));
    let priority = cells.whole("priority", 1..=1_000, Some(1));
    let product = products.find(cells.text("product"));
    let product = cells.take("product", product);
    let bags = cells.whole("bags", 1..=1_000_000, None);
    if end
        .flatten()
        .zip(start)
        .is_some_and(|(end, start)| end < start)
    {
        cells.wrong("end", "not before the start");
    }
    Some(Wanted {
        order: OrderWords {
            customer: customer?,
            weeks: u8::try_from(weeks?).ok()?,
            start: start?,
            end: end?,
            skips: skips?,
            transit_days: u16::try_from(transit_days?).ok()?,
            priority: u16::try_from(priority?).ok()?,
        },
        product: product?.into(),
        bags: bags?,
    })
}

/// The order that rows make; none if they do not fit together.
fn order(
    number: &Name,
    rows: &[&Line],
    before: Option<&Kept<StandingOrder>>,
    errors: &mut Vec<LineError>,
) -> Option<StandingOrder> {
    if let Some(off) = rows.iter().find(|row| row.wanted.is_none()) {
        return called_off(off, before, errors);
    }
    let wanted: Vec<(u64, &Wanted)> = rows
        .iter()
        .filter_map(|row| Some((row.at, row.wanted.as_ref()?)))
        .collect();
    let (_, first) = wanted.first()?;
    if let Some((line, _)) = wanted.iter().find(|(_, row)| row.order != first.order) {
        let detail = "all rows of a standing order say the same but for product and bags";
        errors.push(wrong(*line, "order", number.as_str(), detail));
        return None;
    }
    let words = &first.order;
    let ships = before.map(|before| &before.fields.ships);
    Some(StandingOrder {
        number: number.clone(),
        customer: words.customer.clone(),
        ships: ShipRule {
            rule: Rule::Weeks {
                weeks: words.weeks,
                from: words.start,
            },
            avoid: ships.map_or_else(Vec::new, |ships| ships.avoid.clone()),
            moved: ships.map_or(Moved::default(), |ships| ships.moved),
            packed_before: ships.map_or(1, |ships| ships.packed_before),
            carrier_at: ships.map_or(TimeOfDay::from_minutes(USUAL_CARRIER), |ships| {
                ships.carrier_at
            }),
        },
        start: words.start,
        end: words.end,
        skips: words.skips.clone(),
        transit_days: words.transit_days,
        priority: words.priority,
        lines: wanted
            .iter()
            .zip(1..)
            .map(|((_, row), line)| OrderLine {
                line,
                product: row.product,
                bags: row.bags,
                grind: None,
            })
            .collect(),
        note: before.and_then(|before| before.fields.note.clone()),
        cancelled: false,
    })
}

/// The order as it was, called off; none if there was none.
fn called_off(
    row: &Line,
    before: Option<&Kept<StandingOrder>>,
    errors: &mut Vec<LineError>,
) -> Option<StandingOrder> {
    let Some(before) = before else {
        let detail = "the book has no such standing order to call off";
        errors.push(wrong(row.at, "cancelled", row.number.as_str(), detail));
        return None;
    };
    Some(StandingOrder {
        cancelled: true,
        ..before.fields.clone()
    })
}

/// Days between blanks, commas, semicolons or bars.
fn days(text: &str) -> Result<Vec<Day>, String> {
    let parts = text
        .split([' ', ',', ';', '|'])
        .filter(|part| !part.is_empty());
    parts
        .map(|part| {
            part.parse::<Day>()
                .map_err(|_| "days such as 2026-12-16 2026-12-23".to_owned())
        })
        .collect()
}

fn words(products: &Names, order: &StandingOrder) -> Vec<(&'static str, String)> {
    let weeks = match &order.ships.rule {
        Rule::Weeks { weeks, .. } => weeks.to_string(),
        _ => "another rule".to_owned(),
    };
    let skips: Vec<String> = order.skips.iter().map(ToString::to_string).collect();
    let lines: Vec<String> = order
        .lines
        .iter()
        .map(|line| format!("{} {}", line.bags, products.name(line.product.0)))
        .collect();
    let end = order
        .end
        .map_or_else(|| "none".to_owned(), |end| end.to_string());
    let state = if order.cancelled {
        "called off"
    } else {
        "wanted"
    };
    vec![
        ("customer", order.customer.to_string()),
        ("weeks", weeks),
        ("start", order.start.to_string()),
        ("end", end),
        ("skips", skips.join(" ")),
        ("days on the way", order.transit_days.to_string()),
        ("priority", order.priority.to_string()),
        ("bags", lines.join(", ")),
        ("order", state.to_owned()),
    ]
}
