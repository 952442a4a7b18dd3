//! A roastery with two coffees, three lots and two storerooms, on a database of its own.

use std::sync::Arc;

use outturn::app::{App, Done};
use outturn::audit::verify;
use outturn::book::Actor;
use outturn::clock::Clock;
use outturn::command::Command;
use outturn::day::Zone;
use outturn::refusal::{Outcome, Refusal};
use outturn::setup::{Coffee, Delivery, Expected, Lot, Record, Roaster, Scale, Storeroom, Style};
use outturn::store;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use tempfile::TempDir;
use uuid::Uuid;

/// A book with its clock.
pub struct Roastery {
    pub app: Arc<App>,
    pub lots: Vec<Uuid>,
    pub rooms: Vec<Uuid>,
    pub delivery: Uuid,
    pub coffee: Uuid,
    pub scale: Uuid,
    pub style: Uuid,
    pub roaster: Uuid,
    _folder: TempDir,
}

/// The instant at which the clock stands: a Wednesday.
pub const NOW: &str = "2026-11-25T09:00:00Z";

impl Roastery {
    /// A new book on an embedded database.
    pub async fn new() -> Self {
        // In memory where there is such a folder: what is on disk after a crash is tried elsewhere.
        let folder = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir());
        let folder = folder.unwrap();
        let url = format!("sqlite:{}", folder.path().join("book.sqlite").display());
        let clock = Clock::set(NOW.parse().unwrap(), 1);
        let zone: Zone = "Europe/Lisbon".parse().unwrap();
        let app = App::open(
            store::open(&url).await.unwrap(),
            clock,
            zone,
            outturn::book::seal::SealKey::of_secret(&[7; 32]),
        )
        .await
        .unwrap();
        let mut made = Self {
            app,
            lots: Vec::new(),
            rooms: Vec::new(),
            delivery: Uuid::nil(),
            coffee: Uuid::nil(),
            scale: Uuid::nil(),
            style: Uuid::nil(),
            roaster: Uuid::nil(),
            _folder: folder,
        };
        made.set_up().await;
        made
    }

    async fn set_up(&mut self) {
        let coffee = self.put::<Coffee>(json!({"name": "Alder"})).await;
        for name in ["Cellar", "Loft"] {
            let room = self.put::<Storeroom>(json!({"name": name})).await;
            self.rooms.push(room);
        }
        self.scale = self
            .put::<Scale>(
                json!({"name": "Floor scale", "unit": "kg", "division_g": 10, "max_g": 150_000,
                "containers": [{"name": "blue crate", "tare_g": 1_250}]}),
            )
            .await;
        self.style = self
            .put::<Style>(json!({"name": "Filter", "nominal_loss": 0.13, "rest_days": 3, "fresh_days": 30, "shade": 2}))
            .await;
        let day = json!({"from": "07:00", "to": "15:00"});
        self.roaster = self
            .put::<Roaster>(json!({"name": "Drum", "min_charge_g": 4_000, "max_charge_g": 15_000, "step_g": 100, "cycle_min": 15,
                "changeover_min": 5, "startup_min": 30, "hours": [day, day, day, day, day, null, null], "exceptions": [],
                "weighs": "after_destoner", "green_scale": self.scale, "roasted_scale": self.scale, "charge_limits": []}))
            .await;
        self.delivery = self
            .put::<Delivery>(json!({"supplier": "Harbour Green", "reference": "HG-1", "expected_day": "2026-11-02"}))
            .await;
        self.coffee = coffee;
        for name in ["Alder AA", "Alder PB", "House blend"] {
            let lot = self.put::<Lot>(self.lot_fields(name)).await;
            self.lots.push(lot);
        }
    }

    /// What a lot of the coffee says.
    pub fn lot_fields(&self, name: &str) -> Value {
        json!({"name": name, "delivery": self.delivery, "coffee": self.coffee, "grade": "AA", "storeroom": self.rooms[0],
            "expected_g": 600_000, "packing": {"kind": "jute", "sacks": 10, "sack_g": 60_000, "loose_g": 0}, "moisture": [],
            "claims": [], "use_rank": 1})
    }

    /// Who books in these tests.
    pub fn actor(&self) -> Actor {
        Actor::person(self.app.owner)
    }

    /// Writes a new record and answers its id.
    pub async fn put<R: Record>(&self, fields: Value) -> Uuid {
        let fields: R = serde_json::from_value(fields).unwrap();
        let id = self.app.clock.new_id();
        let kept = self.app.put(self.actor(), id, Expected::Nothing, fields);
        kept.await.unwrap().id
    }

    /// Carries out a command under an id.
    pub async fn send<C: Command + DeserializeOwned>(
        &self,
        id: Uuid,
        body: &Value,
    ) -> Outcome<Done> {
        let command: C = serde_json::from_value(said(body)).unwrap();
        self.app.carry_out(self.actor(), id, command).await
    }

    /// Carries out a new command that must be booked; answers its answer.
    pub async fn book<C: Command + DeserializeOwned>(&self, body: Value) -> Value {
        match self
            .send::<C>(self.app.clock.new_id(), &body)
            .await
            .unwrap()
        {
            Done::Booked(answer) => answer,
            other => panic!("{other:?}"),
        }
    }

    /// Carries out a new command that must be refused.
    pub async fn refused<C: Command + DeserializeOwned>(&self, body: Value) -> Refusal {
        self.send::<C>(self.app.clock.new_id(), &body)
            .await
            .unwrap_err()
    }

    /// What stands at a lot's places, in grams, by the place's word.
    pub async fn standing(&self, lot: Uuid) -> Vec<(String, f64)> {
        let mut tx = self.app.read().await.unwrap();
        let standing = tx.standing_of_lot(self.app.site, lot.into()).await.unwrap();
        standing
            .into_iter()
            .map(|s| (s.place.word().to_owned(), s.mass.grams()))
            .collect()
    }

    /// Checks the whole book.
    pub async fn verify(&self) {
        let mut tx = self.app.read().await.unwrap();
        let report = verify::verify(&mut *tx, self.app.site).await.unwrap();
        assert!(report.ok, "{report}");
    }
}

/// A command's body with what every command says.
pub fn said(body: &Value) -> Value {
    let mut said = json!({"v": 1, "happened_at": NOW});
    for (name, value) in body.as_object().unwrap() {
        said[name] = value.clone();
    }
    said
}
