//! The made history, told to the service in the order in which it happened.

mod floor;
mod green;
mod orders;

use std::collections::{BTreeMap, HashMap, HashSet};

use serde_json::{Value, json};
use uuid::Uuid;

use super::DemoError;
use super::client::Client;
use super::files::{self, LocalTime, Roastery};
use super::setup::Names;
use crate::day::{Day, Instant, Zone};

/// Something in the history. Rows are as the files have them.
enum Happening {
    Announced(files::Delivery),
    DeliveryHeld(files::Delivery),
    Received(files::Receipt),
    Measured(files::Moisture),
    Billed(files::Bill),
    OrdersCame(String),
    WeighedIn(files::Batch),
    Started(u32),
    WeighedOut(files::Batch, Vec<u32>),
    Undone(files::Ended),
    Scrapped(files::Ended),
    Corrected(files::Correction),
    Reviewed(files::Review),
    Cupped(files::Cupping),
    Sampled(files::Taken),
    Wasted(files::Taken),
    Dried(files::Drying),
    Counted(Vec<files::Count>),
    UsedUp(files::UsedUp),
    Packed(files::Packing),
    Shipped(files::Shipment),
    Closed(files::Closing),
}

/// A batch whose loss stood out, and what became of it.
pub struct StoodOut {
    /// Its number in `batches.csv`.
    pub number: u32,
    /// The batch as the service answered it.
    pub batch: Value,
    /// Its verdict.
    pub verdict: Value,
    /// What people did about it.
    pub outcome: String,
}

/// What the history came to.
#[derive(Default)]
pub struct Told {
    /// How many happenings of each kind.
    pub counts: BTreeMap<&'static str, usize>,
    /// Batches that stood out, oldest first.
    pub stood_out: Vec<StoodOut>,
}

/// The loader: what it has told the service, and what is still to tell.
pub struct History<'a> {
    client: &'a Client,
    roastery: &'a Roastery,
    zone: Zone,
    names: Names,
    queue: BTreeMap<(Instant, usize), Happening>,
    pushed: usize,
    batches: HashMap<u32, Uuid>,
    orders: HashMap<String, Value>,
    last_order: Option<Value>,
    lots: HashMap<String, (Uuid, Value)>,
    lot_rows: Vec<files::Lot>,
    deliveries: HashMap<String, Value>,
    cupped: HashSet<u32>,
    told: Told,
}

/// Orders of a week come in at this time of its Monday.
const POST_COMES: &str = "T06:30";
/// Batches on hold are cupped at this time of their day.
const CUPPING_AT: &str = "T14:30";

impl<'a> History<'a> {
    /// All that `demo/` says happened.
    ///
    /// # Errors
    /// [`DemoError::File`] for a file that is not of its form.
    pub fn read(
        client: &'a Client,
        roastery: &'a Roastery,
        zone: Zone,
        names: Names,
    ) -> Result<Self, DemoError> {
        let mut history = Self {
            client,
            roastery,
            zone,
            names,
            queue: BTreeMap::new(),
            pushed: 0,
            batches: HashMap::new(),
            orders: HashMap::new(),
            last_order: None,
            lots: HashMap::new(),
            lot_rows: files::LOTS.rows()?,
            deliveries: HashMap::new(),
            cupped: HashSet::new(),
            told: Told::default(),
        };
        history.read_green()?;
        history.read_orders()?;
        history.read_batches()?;
        history.read_judgements()?;
        history.read_goings()?;
        Ok(history)
    }

    fn push(&mut self, at: &LocalTime, happening: Happening) {
        self.queue
            .insert((at.instant(self.zone), self.pushed), happening);
        self.pushed += 1;
    }

    fn read_green(&mut self) -> Result<(), DemoError> {
        for row in files::DELIVERIES.rows::<files::Delivery>()? {
            if let Some(at) = row.hold_from.clone() {
                self.push(&at, Happening::DeliveryHeld(row.clone()));
            }
            self.push(&row.announced.clone(), Happening::Announced(row));
        }
        for row in files::RECEIPTS.rows::<files::Receipt>()? {
            self.push(&row.at.clone(), Happening::Received(row));
        }
        for row in files::MOISTURE.rows::<files::Moisture>()? {
            self.push(&row.at.clone(), Happening::Measured(row));
        }
        for row in files::BILLS.rows::<files::Bill>()? {
            self.push(&row.at.clone(), Happening::Billed(row));
        }
        for row in files::DRYINGS.rows::<files::Drying>()? {
            self.push(&row.at.clone(), Happening::Dried(row));
        }
        for row in files::USED_UPS.rows::<files::UsedUp>()? {
            self.push(&row.at.clone(), Happening::UsedUp(row));
        }
        let rows = files::COUNTS.rows::<files::Count>()?;
        for readings in rows.chunk_by(|a, b| (&a.lot, a.at.day) == (&b.lot, b.at.day)) {
            self.push(&readings[0].at, Happening::Counted(readings.to_vec()));
        }
        Ok(())
    }

    /// Each Monday brings the orders that ship in its week; the last, all that are there.
    fn read_orders(&mut self) -> Result<(), DemoError> {
        let header = files::ORDERS.text().lines().next().unwrap_or_default();
        let mut weeks: BTreeMap<Day, String> = BTreeMap::new();
        let rows = files::ORDERS.rows::<files::OrderRow>()?;
        for (row, line) in rows.iter().zip(files::ORDERS.text().lines().skip(1)) {
            let monday = row
                .ship_day
                .plus(-i64::try_from(row.ship_day.weekday()).unwrap_or(0))
                .min(self.roastery.today.day);
            let text = weeks.entry(monday).or_insert_with(|| header.to_owned());
            text.push('\n');
            text.push_str(line);
        }
        for (monday, text) in weeks {
            self.push(&local(monday, POST_COMES)?, Happening::OrdersCame(text));
        }
        Ok(())
    }

    fn read_batches(&mut self) -> Result<(), DemoError> {
        let rows = files::BATCHES.rows::<files::Batch>()?;
        for row in &rows {
            self.batches.insert(row.number, Uuid::nil());
            self.push(&row.weighed_in_at, Happening::WeighedIn(row.clone()));
            if let Some(at) = &row.started_at {
                self.push(at, Happening::Started(row.number));
            }
            if let Some(at) = &row.weighed_out_at {
                let with = rows
                    .iter()
                    .filter(|other| other.weighed_with == Some(row.number));
                let all = std::iter::once(row.number)
                    .chain(with.map(|other| other.number))
                    .collect();
                self.push(at, Happening::WeighedOut(row.clone(), all));
            }
        }
        Ok(())
    }

    fn read_judgements(&mut self) -> Result<(), DemoError> {
        for row in files::UNDOS.rows::<files::Ended>()? {
            self.push(&row.at.clone(), Happening::Undone(row));
        }
        for row in files::SCRAPS.rows::<files::Ended>()? {
            self.push(&row.at.clone(), Happening::Scrapped(row));
        }
        for row in files::CORRECTIONS.rows::<files::Correction>()? {
            self.push(&row.at.clone(), Happening::Corrected(row));
        }
        for row in files::REVIEWS.rows::<files::Review>()? {
            self.push(&row.at.clone(), Happening::Reviewed(row));
        }
        for row in files::CUPPINGS.rows::<files::Cupping>()? {
            self.cupped.insert(row.batch);
            self.push(&row.at.clone(), Happening::Cupped(row));
        }
        Ok(())
    }

    fn read_goings(&mut self) -> Result<(), DemoError> {
        for row in files::SAMPLES.rows::<files::Taken>()? {
            self.push(&row.at.clone(), Happening::Sampled(row));
        }
        for row in files::WASTES.rows::<files::Taken>()? {
            self.push(&row.at.clone(), Happening::Wasted(row));
        }
        for row in files::PACKINGS.rows::<files::Packing>()? {
            self.push(&row.at.clone(), Happening::Packed(row));
        }
        for row in files::SHIPMENTS.rows::<files::Shipment>()? {
            self.push(&row.at.clone(), Happening::Shipped(row));
        }
        for row in files::CLOSINGS.rows::<files::Closing>()? {
            self.push(&row.at.clone(), Happening::Closed(row));
        }
        Ok(())
    }

    /// Tells the service everything, each at its own time.
    ///
    /// # Errors
    /// [`DemoError`] when the service refuses something.
    pub async fn tell(mut self) -> Result<(Told, Names), DemoError> {
        while let Some(((at, _), happening)) = self.queue.pop_first() {
            self.client.set_clock(at);
            *self.told.counts.entry(happening.kind()).or_default() += 1;
            self.happen(at, happening).await?;
        }
        Ok((self.told, self.names))
    }

    async fn happen(&mut self, at: Instant, happening: Happening) -> Result<(), DemoError> {
        match happening {
            Happening::Announced(row) => self.announce(&row).await,
            Happening::DeliveryHeld(row) => self.hold_delivery(&row).await,
            Happening::Received(row) => self.receive(at, &row).await,
            Happening::Measured(row) => self.measure(&row).await,
            Happening::Billed(row) => self.bill(&row).await,
            Happening::OrdersCame(csv) => self.import_orders(at, &csv).await,
            Happening::WeighedIn(row) => self.weigh_in(at, &row).await,
            Happening::Started(batch) => self
                .command("starts", at, json!({"batch": self.batch(batch)?}))
                .await
                .map(drop),
            Happening::WeighedOut(row, all) => self.weigh_out(at, &row, &all).await,
            Happening::Undone(row) => self.undo(at, &row).await,
            Happening::Scrapped(row) => {
                let body = json!({"batch": self.batch(row.batch)?, "reason": row.reason});
                self.command("scraps", at, body).await.map(drop)
            }
            Happening::Corrected(row) => self.correct(at, &row).await,
            Happening::Reviewed(row) => self.review(at, &row).await,
            Happening::Cupped(row) => self.cup(at, &row).await,
            Happening::Sampled(row) => self.take("samples", at, &row).await,
            Happening::Wasted(row) => self.take("wastes", at, &row).await,
            Happening::Dried(row) => self.dry(at, &row).await,
            Happening::Counted(rows) => self.count(at, &rows).await,
            Happening::UsedUp(row) => {
                let body = json!({"lot": self.names.id("lots", &row.lot)?, "storeroom": self.names.id("storerooms", &row.storeroom)?});
                self.command("used-ups", at, body).await.map(drop)
            }
            Happening::Packed(row) => {
                let (product, order) = (
                    self.names.id("products", &row.product)?,
                    self.order(&row.order)?,
                );
                self.command(
                    "packings",
                    at,
                    json!({"product": product, "bags": row.bags, "order": order}),
                )
                .await
                .map(drop)
            }
            Happening::Shipped(row) => {
                let order = self.order(&row.order)?;
                self.command("shipments", at, json!({"order": order}))
                    .await
                    .map(drop)
            }
            Happening::Closed(row) => self
                .command("closings", at, json!({"to_day": row.to_day}))
                .await
                .map(drop),
        }
    }

    async fn command(&self, commands: &str, at: Instant, body: Value) -> Result<Value, DemoError> {
        self.client.command(commands, at, body).await
    }

    fn batch(&self, number: u32) -> Result<Uuid, DemoError> {
        let found = self.batches.get(&number).filter(|id| !id.is_nil());
        found.copied().ok_or_else(|| {
            DemoError::File(format!("batch {number} is named before it is weighed in"))
        })
    }

    fn outcome(&mut self, number: u32, outcome: &str) {
        if let Some(one) = self
            .told
            .stood_out
            .iter_mut()
            .find(|one| one.number == number)
        {
            outcome.clone_into(&mut one.outcome);
        }
    }
}

impl Happening {
    /// The word under which it is counted.
    const fn kind(&self) -> &'static str {
        match self {
            Self::Announced(_) | Self::DeliveryHeld(_) | Self::Measured(_) => "set-up changes",
            Self::Billed(_) => "bills",
            Self::OrdersCame(_) => "order imports",
            Self::Received(_) => "receipts",
            Self::WeighedIn(_) => "weigh-ins",
            Self::Started(_) => "starts",
            Self::WeighedOut(..) => "weigh-outs",
            Self::Undone(_) => "undone weights",
            Self::Scrapped(_) => "scrapped batches",
            Self::Corrected(_) => "corrections",
            Self::Reviewed(_) | Self::Cupped(_) => "reviews and passes",
            Self::Sampled(_) => "samples",
            Self::Wasted(_) | Self::Dried(_) | Self::Counted(_) | Self::UsedUp(_) => {
                "counts, drying and waste"
            }
            Self::Packed(_) => "packings",
            Self::Shipped(_) => "shipments",
            Self::Closed(_) => "closings",
        }
    }
}

fn reckoned(mass_g: u32) -> Value {
    json!({"basis": "reckoned", "mass_g": mass_g})
}

fn local(day: Day, time: &str) -> Result<LocalTime, DemoError> {
    LocalTime::try_from(format!("{day}{time}")).map_err(DemoError::File)
}
