//! Subscribers from a table: first looked at, then taken, all of it or nothing. A known number is changed to what its row says; what a
//! table has no column for stays as it is. Subscribers that the table does not name stay too.

use std::collections::HashSet;

use async_trait::async_trait;
use uuid::Uuid;

use super::listing::{Change, Names, Row, TableDryRun, TableTaken, TableText, taken, write};
use crate::app::App;
use crate::book::Book;
use crate::command::{Command, Common, command};
use crate::day::{Day, Month};
use crate::ids::{CoffeeId, SiteId, StyleId, SubscriptionId};
use crate::refusal::{LineError, Outcome, Refusal};
use crate::setup::{
    self, Coffee, Destination, Kept, MOST_BAGS, Style, Subscriber, Subscription, TableKind,
};
use crate::sheet::{Cells, Columns, Field, Headings, Sheet, wrong};
use crate::store::{Read, StoreError};
use crate::text::{Name, Note};

const TABLE: TableKind = TableKind::Subscribers;
const FIELDS: [Field; 12] = [
    field("number", true),
    field("name", true),
    field("subscription", false),
    field("bags", true),
    field("style", true),
    field("destination", true),
    field("start", false),
    field("prepaid_until", false),
    field("ended", false),
    field("paused", false),
    field("left_out", false),
    field("note", false),
];

const fn field(name: &'static str, must: bool) -> Field {
    Field { name, must }
}

command! {
    /// A table of subscribers was taken.
    SubscriberImport {
        /// The table as text: columns `number`, `name`, `subscription`, `bags`, `style` (a style, or `mixed`), `destination`, `start`,
        /// `prepaid_until`, `ended`, `paused` (months), `left_out` (coffees), `note`.
        csv: String,
        /// The headings of columns that are not headed by their names, remembered for the next time.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        headings: Option<Headings>,
    }
}

impl Row for Subscriber {
    fn called(&self) -> (Name, Name) {
        (self.number.clone(), self.name.clone())
    }

    fn is_off(&self) -> bool {
        self.ended.is_some()
    }
}

/// Looks at a table and changes nothing.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn look_at_subscribers(
    app: &App,
    tx: &mut dyn Read,
    text: &TableText,
) -> Result<TableDryRun, StoreError> {
    let zone = app.site_record(tx).await?.fields.zone;
    let today = zone.day(app.clock.now());
    let headings = setup::headings(tx, app.site, TABLE, text.headings.as_ref()).await?;
    let catalog = Catalog::read(tx, app.site, today).await?;
    let (changes, errors) = catalog
        .changes(tx, app.site, &text.csv, headings.as_ref())
        .await?;
    Ok(TableDryRun {
        lines: changes.len(),
        would: taken(&changes, |subscriber| catalog.words(subscriber)),
        errors,
    })
}

#[async_trait]
impl Command for SubscriberImport {
    const NAME: &'static str = "subscriber-imports";
    type Answer = TableTaken;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, _id: Uuid) -> Outcome<TableTaken> {
        let site = book.site();
        let today = book.zone().day(book.now());
        let headings = setup::headings(book.tx(), site, TABLE, self.headings.as_ref()).await?;
        let catalog = Catalog::read(book.tx(), site, today).await?;
        let (changes, errors) = catalog
            .changes(book.tx(), site, &self.csv, headings.as_ref())
            .await?;
        if !errors.is_empty() {
            return Err(Refusal::BadLines(errors));
        }
        setup::remember_headings(book, &app.clock, TABLE, self.headings.as_ref()).await?;
        let answer = taken(&changes, |subscriber| catalog.words(subscriber));
        write(book, app, changes).await?;
        Ok(answer)
    }
}

/// What a table may name.
struct Catalog {
    today: Day,
    offered: Vec<Kept<Subscription>>,
    subscriptions: Names,
    styles: Names,
    destinations: Names,
    coffees: Names,
}

impl Catalog {
    async fn read(tx: &mut dyn Read, site: SiteId, today: Day) -> Result<Self, StoreError> {
        let offered = setup::all::<Subscription>(tx, site).await?;
        let styles = setup::all::<Style>(tx, site).await?;
        let destinations = setup::all::<Destination>(tx, site).await?;
        let coffees = setup::all::<Coffee>(tx, site).await?;
        Ok(Self {
            today,
            subscriptions: Names::new("subscription", &offered, |of| (of.name.clone(), of.retired)),
            offered,
            styles: Names::new("style", &styles, |of| (of.name.clone(), of.retired)),
            destinations: Names::new("destination", &destinations, |of| {
                (of.name.clone(), of.retired)
            }),
            coffees: Names::new("coffee", &coffees, |of| (of.name.clone(), of.retired)),
        })
    }

    async fn changes(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        csv: &str,
        headings: Option<&Headings>,
    ) -> Result<(Vec<Change<Subscriber>>, Vec<LineError>), StoreError> {
        let sheet = match Sheet::of_text(csv) {
            Ok(sheet) => sheet,
            Err(error) => return Ok((Vec::new(), vec![error])),
        };
        let columns = match Columns::find(&sheet, &FIELDS, headings) {
            Ok(columns) => columns,
            Err(errors) => return Ok((Vec::new(), errors)),
        };
        let (mut changes, mut errors) = (Vec::new(), sheet.unreadable.clone());
        let mut seen = HashSet::new();
        for line in &sheet.rows {
            let mut cells = Cells::of(&sheet, &columns, line);
            let before = match cells.name("number") {
                Some(number) if !seen.insert(number.clone()) => {
                    cells.wrong("number", "this number stands twice in the table");
                    None
                }
                Some(number) => {
                    setup::find_labelled::<Subscriber>(tx, site, number.as_str()).await?
                }
                None => None,
            };
            let known = before.as_ref().map(|kept| &kept.fields);
            match self.subscriber(&mut cells, &columns, known) {
                Some(after) if cells.is_sound() => changes.push(Change { before, after }),
                _ => errors.extend(cells.errors()),
            }
        }
        if changes.is_empty() && errors.is_empty() {
            let detail = "the table has no rows below its headings";
            errors.push(wrong(sheet.heading_line + 1, "number", "", detail));
        }
        errors.sort_by_key(|error| error.line);
        Ok((changes, errors))
    }

    fn subscriber(
        &self,
        cells: &mut Cells<'_>,
        columns: &Columns,
        before: Option<&Subscriber>,
    ) -> Option<Subscriber> {
        let has = |field: &str| columns.place(field).is_some();
        let number = Name::new(cells.text("number")).ok();
        let name = cells.name("name");
        let subscription = self.subscription(cells, before);
        let bags = cells.whole("bags", 1..=u32::from(MOST_BAGS), None);
        let styles = subscription.and_then(|subscription| self.styled(cells, subscription));
        let destination = self.destinations.find(cells.text("destination"));
        let destination = cells.take("destination", destination);
        let usual = before.map_or(self.today, |before| before.start);
        let start = cells.day("start", Some(usual));
        let ends = start.and_then(|start| ends(cells, columns, before, start));
        let paused = if has("paused") {
            let read = months(cells.text("paused"));
            cells.take("paused", read)
        } else {
            Some(before.map_or_else(Vec::new, |before| before.paused.clone()))
        };
        let left_out = if has("left_out") {
            let read = self.coffees.find_all(cells.text("left_out"));
            cells
                .take("left_out", read)
                .map(|ids| ids.into_iter().map(CoffeeId).collect())
        } else {
            Some(before.map_or_else(Vec::new, |before| before.left_out.clone()))
        };
        let note = match cells.text("note") {
            _ if !has("note") => Some(before.and_then(|before| before.note.clone())),
            "" => Some(None),
            text => cells.take("note", Note::new(text)).map(Some),
        };
        let (prepaid_until, ended) = ends?;
        Some(Subscriber {
            number: number?,
            name: name?,
            subscription: subscription?,
            bags: u16::try_from(bags?).ok()?,
            styles: styles?,
            destination: destination?.into(),
            start: start?,
            prepaid_until,
            ended,
            paused: paused?,
            left_out: left_out?,
            note: note?,
        })
    }

    /// The subscription that is named; where none is, the one they have, or the only one there is.
    fn subscription(
        &self,
        cells: &mut Cells<'_>,
        before: Option<&Subscriber>,
    ) -> Option<SubscriptionId> {
        let read = match cells.text("subscription") {
            "" => before
                .map(|before| before.subscription.0)
                .or_else(|| self.subscriptions.only())
                .ok_or_else(|| "name the subscription: there is not one alone".to_owned()),
            name => self.subscriptions.find(name),
        };
        cells.take("subscription", read).map(SubscriptionId)
    }

    /// One style, two with a plus between them, or `mixed`: the first two that the subscription comes in.
    fn styled(&self, cells: &mut Cells<'_>, subscription: SubscriptionId) -> Option<Vec<StyleId>> {
        let offered = self
            .offered
            .iter()
            .find(|kept| kept.id == subscription.0)
            .map(|kept| kept.fields.styles.as_slice())
            .unwrap_or_default();
        let text = cells.text("style");
        let read = if text.eq_ignore_ascii_case("mixed") {
            if offered.len() < 2 {
                Err("this subscription comes in one style only".to_owned())
            } else {
                Ok(offered[..2].to_vec())
            }
        } else {
            let found = self.styles.find_all(text);
            found.and_then(|ids| {
                let styles: Vec<StyleId> = ids.into_iter().map(StyleId).collect();
                let fits = (1..=2).contains(&styles.len())
                    && styles.iter().all(|style| offered.contains(style))
                    && (styles.len() == 1 || styles[0] != styles[1]);
                fits.then_some(styles).ok_or_else(|| {
                    let names = self.styles.names(offered.iter().map(|style| style.0));
                    format!("one of {names}, two of them with a plus between, or mixed")
                })
            })
        };
        cells.take("style", read)
    }

    fn words(&self, subscriber: &Subscriber) -> Vec<(&'static str, String)> {
        let day = |day: Option<Day>| day.map_or_else(|| "none".to_owned(), |day| day.to_string());
        let months: Vec<String> = subscriber.paused.iter().map(ToString::to_string).collect();
        let left_out = subscriber.left_out.iter().map(|coffee| coffee.0);
        let note = subscriber.note.as_ref();
        vec![
            ("name", subscriber.name.to_string()),
            (
                "subscription",
                self.subscriptions
                    .name(subscriber.subscription.0)
                    .to_owned(),
            ),
            ("bags", subscriber.bags.to_string()),
            (
                "style",
                self.styles
                    .names(subscriber.styles.iter().map(|style| style.0)),
            ),
            (
                "destination",
                self.destinations.name(subscriber.destination.0).to_owned(),
            ),
            ("start", subscriber.start.to_string()),
            ("prepaid until", day(subscriber.prepaid_until)),
            ("ended", day(subscriber.ended)),
            ("paused", months.join(" ")),
            ("left out", self.coffees.names(left_out)),
            ("note", note.map_or_else(String::new, ToString::to_string)),
        ]
    }
}

/// Until when it is paid for, and when it ended; what the table has no column for stays.
fn ends(
    cells: &mut Cells<'_>,
    columns: &Columns,
    before: Option<&Subscriber>,
    start: Day,
) -> Option<(Option<Day>, Option<Day>)> {
    let mut end = |field: &str, known: Option<Day>| {
        let read = if columns.place(field).is_some() {
            day_or_none(cells, field)
        } else {
            Some(known)
        };
        if read.flatten().is_some_and(|end| end < start) {
            cells.wrong(field, format!("not before the start, {start}"));
        }
        read
    };
    let prepaid_until = end(
        "prepaid_until",
        before.and_then(|before| before.prepaid_until),
    );
    let ended = end("ended", before.and_then(|before| before.ended));
    prepaid_until.zip(ended)
}

/// A day, or none where the cell is empty; outside nothing where it is wrong.
#[expect(clippy::option_option, reason = "wrong, left empty, or a day")]
pub(super) fn day_or_none(cells: &mut Cells<'_>, field: &str) -> Option<Option<Day>> {
    if cells.text(field).is_empty() {
        Some(None)
    } else {
        cells.day(field, None).map(Some)
    }
}

/// Months between blanks, commas, semicolons or bars.
fn months(text: &str) -> Result<Vec<Month>, String> {
    let parts = text
        .split([' ', ',', ';', '|'])
        .filter(|part| !part.is_empty());
    parts
        .map(|part| {
            part.parse::<Month>()
                .map_err(|_| "months such as 2026-12 2027-01".to_owned())
        })
        .collect()
}
