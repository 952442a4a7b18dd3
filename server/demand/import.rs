//! Orders from a table: first looked at, then taken, all of it or nothing.
//!
//! The rows of an order stand under its number. A number that the book does not know is a new order; a known one is changed to what the
//! table says; a row with `cancelled` calls the order off. Orders that the table does not name stay as they are.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::table::{self, Row, Wanted};
use crate::app::App;
use crate::book::Book;
use crate::command::{Command, Common, command};
use crate::day::Day;
use crate::ids::{ProductId, SiteId};
use crate::refusal::{LineError, Outcome, Refusal};
use crate::setup::{self, Expected, Kept, Order, OrderLine, Product, ShipDay, TableKind};
use crate::sheet::{Headings, wrong};
use crate::store::{Read, StoreError};
use crate::text::Name;

/// The kind of table whose headings are remembered.
const TABLE: TableKind = TableKind::Orders;
/// At most so many lines in an order.
const MOST_LINES: usize = 500;
/// How many like names are offered for one that is not known.
const NEAREST: usize = 3;

/// A table of order lines.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OrderText {
    /// The table as text: columns `order`, `customer`, `ship_day`, `transit_days`, `priority`, `product`, `bags`, `cancelled`; separated
    /// by commas, semicolons or tabs.
    pub csv: String,
    /// The headings of columns that are not headed by these names; those used last where nothing is said.
    #[serde(default)]
    pub headings: Option<Headings>,
    /// The ship day of rows that name none.
    #[serde(default)]
    pub ship_default: Option<Day>,
}

command! {
    /// A table of order lines was taken.
    OrderImport {
        /// The table as text.
        csv: String,
        /// The headings of columns that are not headed by their names, remembered for the next time.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        headings: Option<Headings>,
        /// The ship day of rows that name none.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        ship_default: Option<Day>,
    }
}

/// What a table does to an order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct OrderChange {
    /// The order's number.
    pub number: Name,
    /// Who wants it.
    pub customer: Name,
    /// When it leaves the house.
    pub ship_day: Day,
    /// How many lines it has.
    pub lines: usize,
    /// What changes, in words; nothing where it is new.
    pub changes: Vec<String>,
}

/// What a table did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Imported {
    /// New orders.
    pub added: Vec<OrderChange>,
    /// Orders that say something else now.
    pub changed: Vec<OrderChange>,
    /// Orders called off.
    pub cancelled: Vec<OrderChange>,
    /// Orders that have left already: they stay as they are, whatever the table says.
    pub shipped: Vec<OrderChange>,
    /// How many orders it names that are so already.
    pub same: usize,
}

/// What a table would do, and what is wrong with it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct DryRun {
    /// How many rows can be read.
    pub lines: usize,
    /// What it would do.
    #[serde(flatten)]
    pub would: Imported,
    /// What is wrong; while there is anything, nothing can be taken.
    pub errors: Vec<LineError>,
}

/// An order as a table wants it, beside what the book has.
struct Change {
    before: Option<Kept<Order>>,
    after: Order,
    /// All of it has left the house.
    shipped: bool,
}

/// Looks at a table and changes nothing.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn dry_run(
    tx: &mut dyn Read,
    site: SiteId,
    text: &OrderText,
) -> Result<DryRun, StoreError> {
    let headings = setup::headings(tx, site, TABLE, text.headings.as_ref()).await?;
    let (rows, mut errors) = table::read(&text.csv, headings.as_ref(), text.ship_default);
    let catalog = Catalog::read(tx, site).await?;
    let changes = catalog.changes(tx, site, &rows, &mut errors).await?;
    errors.sort_by_key(|error| error.line);
    Ok(DryRun {
        lines: rows.len(),
        would: imported(&changes, &catalog),
        errors,
    })
}

#[async_trait]
impl Command for OrderImport {
    const NAME: &'static str = "order-imports";
    type Answer = Imported;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, _id: Uuid) -> Outcome<Imported> {
        let site = book.site();
        let headings = setup::headings(book.tx(), site, TABLE, self.headings.as_ref()).await?;
        let (rows, mut errors) = table::read(&self.csv, headings.as_ref(), self.ship_default);
        let catalog = Catalog::read(book.tx(), site).await?;
        let changes = catalog.changes(book.tx(), site, &rows, &mut errors).await?;
        if !errors.is_empty() {
            errors.sort_by_key(|error| error.line);
            return Err(Refusal::BadLines(errors));
        }
        setup::remember_headings(book, &app.clock, TABLE, self.headings.as_ref()).await?;
        let answer = imported(&changes, &catalog);
        for change in changes {
            let (id, expected) = match &change.before {
                Some(_) if change.shipped => continue,
                Some(before) if before.fields == change.after => continue,
                Some(before) => (before.id, Expected::Revision(before.revision)),
                None => (app.clock.new_id(), Expected::Nothing),
            };
            setup::put(book, id, expected, change.after, app.clock.new_id()).await?;
        }
        Ok(answer)
    }
}

fn imported(changes: &[Change], catalog: &Catalog) -> Imported {
    let mut answer = Imported {
        added: Vec::new(),
        changed: Vec::new(),
        cancelled: Vec::new(),
        shipped: Vec::new(),
        same: 0,
    };
    for change in changes {
        let mut told = OrderChange {
            number: change.after.number.clone(),
            customer: change.after.customer.clone(),
            ship_day: change.after.ship_day,
            lines: change.after.lines.len(),
            changes: Vec::new(),
        };
        match &change.before {
            None => answer.added.push(told),
            Some(before) if before.fields == change.after => answer.same += 1,
            Some(before) => {
                told.changes = catalog.differences(&before.fields, &change.after);
                if change.shipped {
                    answer.shipped.push(told);
                } else if change.after.cancelled && !before.fields.cancelled {
                    answer.cancelled.push(told);
                } else {
                    answer.changed.push(told);
                }
            }
        }
    }
    answer
}

/// What a table may name.
struct Catalog {
    products: Vec<Kept<Product>>,
    ship_days: HashSet<Day>,
}

impl Catalog {
    async fn read(tx: &mut dyn Read, site: SiteId) -> Result<Self, StoreError> {
        let ship_days = setup::all::<ShipDay>(tx, site).await?;
        Ok(Self {
            products: setup::all::<Product>(tx, site).await?,
            ship_days: ship_days
                .into_iter()
                .filter(|day| !day.fields.retired)
                .map(|day| day.fields.day)
                .collect(),
        })
    }

    /// What the rows do to orders, in the order in which the table first names them.
    async fn changes(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        rows: &[Row],
        errors: &mut Vec<LineError>,
    ) -> Result<Vec<Change>, StoreError> {
        let mut orders: Vec<(&Name, Vec<&Row>)> = Vec::new();
        let mut places: HashMap<&Name, usize> = HashMap::new();
        for row in rows {
            let at = *places.entry(&row.order).or_insert_with(|| {
                orders.push((&row.order, Vec::new()));
                orders.len() - 1
            });
            orders[at].1.push(row);
        }
        let mut changes = Vec::new();
        for (number, rows) in orders {
            let before = setup::find_labelled::<Order>(tx, site, number.as_str()).await?;
            let after = self.order(number, &rows, before.as_ref(), errors);
            let shipped = match &before {
                Some(before) => has_left(tx, site, before).await?,
                None => false,
            };
            changes.extend(after.map(|after| Change {
                before,
                after,
                shipped,
            }));
        }
        Ok(changes)
    }

    /// The order that rows make; none if they do not fit together.
    fn order(
        &self,
        number: &Name,
        rows: &[&Row],
        before: Option<&Kept<Order>>,
        errors: &mut Vec<LineError>,
    ) -> Option<Order> {
        let found = errors.len();
        if let Some(off) = rows.iter().find(|row| row.wanted.is_none()) {
            if before.is_none() {
                errors.push(wrong(
                    off.line,
                    "cancelled",
                    number.as_str(),
                    "the book has no such order to call off",
                ));
            }
            let cancelled = before.map(|before| Order {
                cancelled: true,
                ..before.fields.clone()
            });
            return cancelled;
        }
        let wanted: Vec<(u64, &Wanted)> = rows
            .iter()
            .filter_map(|row| row.wanted.as_ref().map(|wanted| (row.line, wanted)))
            .collect();
        let (_, first) = wanted.first()?;
        for (line, row) in &wanted {
            agree(*line, row, first, errors);
            self.ship_day(*line, row, before, errors);
        }
        if wanted.len() > MOST_LINES {
            errors.push(wrong(
                wanted[MOST_LINES].0,
                "order",
                number.as_str(),
                format!("an order has at most {MOST_LINES} lines: split it"),
            ));
        }
        let products: Vec<(ProductId, u32)> = wanted
            .iter()
            .filter_map(|(line, row)| {
                let product = self.product(*line, &row.product, before, errors)?;
                Some((product, row.bags))
            })
            .collect();
        (errors.len() == found).then(|| Order {
            number: number.clone(),
            customer: first.customer.clone(),
            ship_day: first.ship_day,
            transit_days: first.transit_days,
            priority: first.priority,
            lines: numbered(&products, before.map(|before| &before.fields)),
            cancelled: false,
            note: before.and_then(|before| before.fields.note.clone()),
            dispatch: before.and_then(|before| before.fields.dispatch),
            standing: before.and_then(|before| before.fields.standing),
        })
    }

    fn ship_day(
        &self,
        line: u64,
        row: &Wanted,
        before: Option<&Kept<Order>>,
        errors: &mut Vec<LineError>,
    ) {
        let kept = before.is_some_and(|before| before.fields.ship_day == row.ship_day);
        if kept || self.ship_days.contains(&row.ship_day) {
            return;
        }
        let mut near: Vec<Day> = self.ship_days.iter().copied().collect();
        near.sort_by_key(|day| (day.since(row.ship_day).abs(), *day));
        near.truncate(2);
        near.sort_unstable();
        let near: Vec<String> = near.iter().map(ToString::to_string).collect();
        let detail = if near.is_empty() {
            "there are no ship days yet: set one up for it".to_owned()
        } else {
            format!(
                "no ship day: the nearest are {}; or set one up for it",
                near.join(" and ")
            )
        };
        errors.push(wrong(line, "ship_day", &row.ship_day.to_string(), detail));
    }

    fn product(
        &self,
        line: u64,
        name: &str,
        before: Option<&Kept<Order>>,
        errors: &mut Vec<LineError>,
    ) -> Option<ProductId> {
        let lower = name.to_lowercase();
        let same = |product: &&Kept<Product>| product.fields.name.as_str().to_lowercase() == lower;
        let found =
            self.products.iter().filter(same).min_by_key(|product| {
                (product.fields.name.as_str() != name, product.fields.retired)
            });
        let ordered = |id: Uuid| {
            before.is_some_and(|before| before.fields.lines.iter().any(|line| line.product.0 == id))
        };
        match found {
            Some(product) if !product.fields.retired || ordered(product.id) => {
                Some(product.id.into())
            }
            Some(_) => {
                errors.push(wrong(line, "product", name, "this is no longer sold"));
                None
            }
            None => {
                errors.push(wrong(line, "product", name, self.nearest(&lower)));
                None
            }
        }
    }

    /// The names most like one that is not known.
    fn nearest(&self, lower: &str) -> String {
        let mut near: Vec<(usize, &str)> = self
            .products
            .iter()
            .filter(|product| !product.fields.retired)
            .map(|product| {
                let name = product.fields.name.as_str();
                (
                    strsim::damerau_levenshtein(&name.to_lowercase(), lower),
                    name,
                )
            })
            .collect();
        near.sort_unstable();
        let names: Vec<&str> = near.iter().take(NEAREST).map(|(_, name)| *name).collect();
        if names.is_empty() {
            "there are no products yet: set one up".to_owned()
        } else {
            format!("no such product; the nearest are: {}", names.join(" / "))
        }
    }

    /// What differs between two states of an order, in words.
    fn differences(&self, before: &Order, after: &Order) -> Vec<String> {
        let mut told = Vec::new();
        let mut tell = |what: &str, from: String, to: String| {
            if from != to {
                told.push(format!("{what}: {from} before, {to} now"));
            }
        };
        tell(
            "customer",
            before.customer.to_string(),
            after.customer.to_string(),
        );
        tell(
            "ship day",
            before.ship_day.to_string(),
            after.ship_day.to_string(),
        );
        tell(
            "days on the way",
            before.transit_days.to_string(),
            after.transit_days.to_string(),
        );
        tell(
            "priority",
            before.priority.to_string(),
            after.priority.to_string(),
        );
        let called_off = |order: &Order| {
            if order.cancelled {
                "called off"
            } else {
                "wanted"
            }
        };
        tell(
            "order",
            called_off(before).to_owned(),
            called_off(after).to_owned(),
        );
        let (old, new) = (bags(before), bags(after));
        let products: BTreeSet<ProductId> = old.keys().chain(new.keys()).copied().collect();
        for id in &products {
            let count = |of: &BTreeMap<ProductId, u64>| {
                format!("{} bags", of.get(id).copied().unwrap_or(0))
            };
            let name = self.products.iter().find(|product| product.id == id.0);
            tell(
                name.map_or("product", |product| product.fields.name.as_str()),
                count(&old),
                count(&new),
            );
        }
        told
    }
}

/// Whether all of an order has left the house.
async fn has_left(
    tx: &mut dyn Read,
    site: SiteId,
    order: &Kept<Order>,
) -> Result<bool, StoreError> {
    let views = super::views(tx, site, vec![order.clone()]).await?;
    Ok(views
        .first()
        .is_some_and(|view| view.state == super::OrderState::Shipped))
}

/// Bags of each product in an order.
fn bags(order: &Order) -> BTreeMap<ProductId, u64> {
    let mut bags = BTreeMap::new();
    for line in &order.lines {
        *bags.entry(line.product).or_default() += u64::from(line.bags);
    }
    bags
}

/// All rows of an order say the same of it.
fn agree(line: u64, row: &Wanted, first: &Wanted, errors: &mut Vec<LineError>) {
    let mut same = |column: &str, here: String, there: String| {
        if here != there {
            errors.push(wrong(
                line,
                column,
                &here,
                format!("the first row of this order says {there}: one order has one {column}"),
            ));
        }
    };
    same(
        "customer",
        row.customer.to_string(),
        first.customer.to_string(),
    );
    same(
        "ship_day",
        row.ship_day.to_string(),
        first.ship_day.to_string(),
    );
    same(
        "transit_days",
        row.transit_days.to_string(),
        first.transit_days.to_string(),
    );
    same(
        "priority",
        row.priority.to_string(),
        first.priority.to_string(),
    );
}

/// Lines with their numbers: a product keeps the number that it has, others get the next free.
fn numbered(products: &[(ProductId, u32)], before: Option<&Order>) -> Vec<OrderLine> {
    let mut known: Vec<&OrderLine> = before.iter().flat_map(|order| &order.lines).collect();
    known.sort_by_key(|line| line.line);
    let mut next = known.last().map_or(1, |line| line.line.saturating_add(1));
    let mut lines: Vec<OrderLine> = products
        .iter()
        .map(|(product, bags)| {
            let at = known.iter().position(|line| line.product == *product);
            let there = at.map(|at| known.remove(at));
            let line = there.map_or(next, |there| there.line);
            next = next.max(line.saturating_add(1));
            OrderLine {
                line,
                product: *product,
                bags: *bags,
                grind: there.and_then(|there| there.grind.clone()),
            }
        })
        .collect();
    lines.sort_by_key(|line| line.line);
    lines
}
