//! Green is announced, comes in, is measured, dries and is counted.

use serde_json::{Value, json};

use super::super::{DemoError, files};
use super::{History, reckoned};
use crate::day::Instant;

/// Who counts; the owner approves it.
const COUNTED_BY: &str = "Roaster one";

impl History<'_> {
    pub(super) async fn announce(&mut self, row: &files::Delivery) -> Result<(), DemoError> {
        let mut fields = json!({"supplier": row.supplier, "reference": row.reference, "expected_day": row.expected_day, "invoice_g": row.invoice_g()});
        if !row.note.is_empty() {
            fields["note"] = json!(row.note);
        }
        self.names
            .create(self.client, "deliveries", &row.reference, &fields)
            .await?;
        self.deliveries.insert(row.reference.clone(), fields);
        let lots: Vec<files::Lot> = self
            .lot_rows
            .iter()
            .filter(|lot| lot.delivery == row.reference)
            .cloned()
            .collect();
        for lot in lots {
            let fields = self.lot_record(&lot)?;
            let id = self
                .names
                .create(self.client, "lots", &lot.name, &fields)
                .await?;
            self.lots.insert(lot.name, (id, fields));
        }
        Ok(())
    }

    pub(super) fn lot_record(&self, lot: &files::Lot) -> Result<Value, DemoError> {
        let claims = if lot.claim.is_empty() {
            json!([])
        } else {
            json!([{"claim": lot.claim, "certificate": lot.certificate, "valid_to": lot.claim_valid_to}])
        };
        Ok(json!({
            "name": lot.name,
            "delivery": self.names.id("deliveries", &lot.delivery)?,
            "coffee": self.names.id("coffees", &lot.coffee)?,
            "grade": lot.grade, "screen": lot.screen, "process": lot.process, "crop_year": lot.crop_year,
            "storeroom": self.names.id("storerooms", "Barn")?,
            "expected_g": (lot.sacks * lot.sack_kg + lot.loose_kg) * 1000,
            "packing": {"kind": lot.packing, "sacks": lot.sacks, "sack_g": lot.sack_kg * 1000, "loose_g": lot.loose_kg * 1000},
            "moisture": [], "claims": claims, "use_rank": lot.use_rank,
            "landed_cost": {"minor": lot.cost_cents()?, "currency": "EUR"},
        }))
    }

    pub(super) async fn hold_delivery(&mut self, row: &files::Delivery) -> Result<(), DemoError> {
        let id = self.names.id("deliveries", &row.reference)?;
        let fields = self.deliveries.entry(row.reference.clone()).or_default();
        fields["hold"] = json!(row.hold);
        self.client.change("deliveries", id, fields).await
    }

    pub(super) async fn receive(&self, at: Instant, row: &files::Receipt) -> Result<(), DemoError> {
        let lot = self.lot_rows.iter().find(|lot| lot.name == row.lot);
        let lot = lot.ok_or_else(|| {
            DemoError::File(format!("{} is received, but is not in lots.csv", row.lot))
        })?;
        let weight = json!({"basis": "nominal", "sacks": lot.sacks, "sack_g": lot.sack_kg * 1000, "loose_g": lot.loose_kg * 1000});
        let line = json!({"lot": self.names.id("lots", &row.lot)?, "storeroom": self.names.id("storerooms", &row.storeroom)?, "weight": weight});
        let delivery = self.names.id("deliveries", &row.delivery)?;
        self.command(
            "receipts",
            at,
            json!({"delivery": delivery, "lines": [line]}),
        )
        .await
        .map(drop)
    }

    pub(super) async fn measure(&mut self, row: &files::Moisture) -> Result<(), DemoError> {
        let known = self.lots.get_mut(&row.lot);
        let (id, fields) = known.ok_or_else(|| {
            DemoError::File(format!("{} is measured before it is announced", row.lot))
        })?;
        if let Some(readings) = fields["moisture"].as_array_mut() {
            readings.push(json!({"day": row.day, "fraction": row.fraction, "sd": row.sd}));
        }
        self.client.change("lots", *id, fields).await
    }

    pub(super) async fn dry(&self, at: Instant, row: &files::Drying) -> Result<(), DemoError> {
        let body = json!({"lot": self.names.id("lots", &row.lot)?, "storeroom": self.names.id("storerooms", &row.storeroom)?,
            "weight": reckoned(row.mass_g), "reason": row.reason});
        self.command("dryings", at, body).await.map(drop)
    }

    pub(super) async fn bill(&mut self, row: &files::Bill) -> Result<(), DemoError> {
        let mut fields = json!({"delivery": self.names.id("deliveries", &row.delivery)?, "kind": row.kind, "day": row.day,
            "amount": {"minor": row.cents()?, "currency": "EUR"}, "reference": row.reference});
        if !row.lot.is_empty() {
            fields["lot"] = json!(self.names.id("lots", &row.lot)?);
        }
        self.client.create("cost-lines", &fields).await.map(drop)
    }

    /// Two count it: one weighs and hands in, the other approves.
    pub(super) async fn count(&self, at: Instant, rows: &[files::Count]) -> Result<(), DemoError> {
        self.need_second_person(true).await?;
        let lot = self.names.id("lots", &rows[0].lot)?;
        let room = self.names.id("storerooms", &rows[0].storeroom)?;
        let opening = json!({"covers": ["green"], "storeroom": room});
        let count = self.command("count-openings", at, opening).await?["id"].take();
        let readings: Vec<Value> = rows
            .iter()
            .map(|row| json!({"gross": row.gross, "container": row.container}))
            .collect();
        let scale = self.names.id("scales", &rows[0].scale)?;
        let weight =
            json!({"basis": "weighed", "scale": scale, "source": "typed", "readings": readings});
        let entry =
            json!({"count": count, "green": {"lot": lot, "storeroom": room}, "weights": [weight]});
        self.command("count-entries", at, entry).await?;
        let counted_by = self.names.id("people", COUNTED_BY)?;
        self.client.hand_in_as(counted_by, &count, at).await?;
        let decision = json!({"count": count, "decision": "approve"});
        self.command("count-decisions", at, decision).await?;
        // Whoever looks at the demo is alone.
        self.need_second_person(false).await
    }

    async fn need_second_person(&self, yes: bool) -> Result<(), DemoError> {
        let me = self.client.get("/api/me").await?;
        let site = me["site"]["id"].as_str().and_then(|id| id.parse().ok());
        let mut fields = self.roastery.site.clone();
        if yes {
            fields["second_person"] = json!(true);
        }
        self.client
            .change("sites", site.unwrap_or_default(), &fields)
            .await
    }
}
