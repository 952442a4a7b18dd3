//! Batches are weighed in and out, and judged.

use serde_json::{Value, json};

use super::super::DemoError;
use super::super::files::{self, Decision};
use super::{CUPPING_AT, Happening, History, StoodOut, local, reckoned};
use crate::day::Instant;

impl History<'_> {
    pub(super) fn weight(
        &self,
        scale: &str,
        gross: &str,
        container: &str,
    ) -> Result<Value, DemoError> {
        let container = Some(container).filter(|name| !name.is_empty());
        let scale = self.names.id("scales", scale)?;
        Ok(
            json!({"basis": "weighed", "scale": scale, "source": "typed", "readings": [{"gross": gross, "container": container}]}),
        )
    }

    pub(super) fn scales(&self, roaster: &str) -> Result<(&str, &str), DemoError> {
        let found = self
            .roastery
            .roasters
            .iter()
            .find(|r| r.rest.get("name").and_then(Value::as_str) == Some(roaster));
        let found = found
            .ok_or_else(|| DemoError::File(format!("{roaster} is no roaster of roastery.json")))?;
        Ok((&found.green_scale, &found.roasted_scale))
    }

    pub(super) async fn weigh_in(
        &mut self,
        at: Instant,
        row: &files::Batch,
    ) -> Result<(), DemoError> {
        let id = self.client.new_id();
        let weight = self.weight(
            self.scales(&row.roaster)?.0,
            &row.green_gross,
            &row.green_container,
        )?;
        let body = json!({
            "batch": id,
            "lot": self.names.id("lots", &row.lot)?,
            "style": self.names.id("styles", &row.style)?,
            "roaster": self.names.id("roasters", &row.roaster)?,
            "storeroom": self.names.id("storerooms", &row.storeroom)?,
            "weight": weight,
        });
        self.command("weigh-ins", at, body).await?;
        self.batches.insert(row.number, id);
        Ok(())
    }

    pub(super) async fn weigh_out(
        &mut self,
        at: Instant,
        row: &files::Batch,
        all: &[u32],
    ) -> Result<(), DemoError> {
        let ids = all
            .iter()
            .map(|number| self.batch(*number))
            .collect::<Result<Vec<_>, _>>()?;
        let weight = if row.roasted_container == "reckoned" {
            reckoned(row.roasted_gross.parse().unwrap_or_default())
        } else {
            self.weight(
                self.scales(&row.roaster)?.1,
                &row.roasted_gross,
                &row.roasted_container,
            )?
        };
        let answer = self
            .command("weigh-outs", at, json!({"batches": ids, "weight": weight}))
            .await?;
        if answer["batches"]
            .as_array()
            .is_some_and(|batches| batches.iter().any(|b| !b["hold"].is_null()))
        {
            self.stand_out(row, all, &answer)?;
        }
        Ok(())
    }

    /// Remembers an odd batch; unless the files say what the cupping table found, it is cupped that afternoon.
    pub(super) fn stand_out(
        &mut self,
        row: &files::Batch,
        all: &[u32],
        answer: &Value,
    ) -> Result<(), DemoError> {
        let batch = answer["batches"][0].clone();
        self.told.stood_out.push(StoodOut {
            number: row.number,
            batch,
            verdict: answer["verdict"].clone(),
            outcome: String::new(),
        });
        let at = local(row.weighed_in_at.day, CUPPING_AT)?;
        for number in all
            .iter()
            .filter(|number| !self.cupped.contains(number))
            .copied()
            .collect::<Vec<_>>()
        {
            let reason = self.roastery.cupped_without_remark.clone();
            self.push(
                &at,
                Happening::Cupped(files::Cupping {
                    at: at.clone(),
                    batch: number,
                    decision: Decision::Pass,
                    reason,
                }),
            );
        }
        Ok(())
    }

    pub(super) async fn undo(&self, at: Instant, row: &files::Ended) -> Result<(), DemoError> {
        let batch = self
            .client
            .get(&format!("/api/batches/{}", self.batch(row.batch)?))
            .await?;
        self.command(
            "reversals",
            at,
            json!({"posting": batch["undo"], "reason": row.reason}),
        )
        .await
        .map(drop)
    }

    pub(super) async fn correct(
        &mut self,
        at: Instant,
        row: &files::Correction,
    ) -> Result<(), DemoError> {
        let mut body = json!({"batch": self.batch(row.batch)?, "reason": row.reason});
        for (field, mass) in [("green_g", row.green_g), ("roasted_g", row.roasted_g)] {
            if let Some(mass) = mass {
                body[field] = json!(mass);
            }
        }
        self.command("corrections", at, body).await?;
        self.outcome(row.batch, &format!("put right: {}", row.reason));
        Ok(())
    }

    pub(super) async fn review(
        &mut self,
        at: Instant,
        row: &files::Review,
    ) -> Result<(), DemoError> {
        let body =
            json!({"batch": self.batch(row.batch)?, "finding": row.finding, "reason": row.reason});
        self.command("reviews", at, body).await?;
        self.outcome(row.batch, &format!("set aside: {}", row.reason));
        Ok(())
    }

    pub(super) async fn cup(&mut self, at: Instant, row: &files::Cupping) -> Result<(), DemoError> {
        let id = self.batch(row.batch)?;
        if row.decision == Decision::Leave {
            self.outcome(row.batch, &format!("on hold: {}", row.reason));
            return Ok(());
        }
        let batch = self.client.get(&format!("/api/batches/{id}")).await?;
        if batch["hold"].is_null() {
            return Ok(());
        }
        self.command("passes", at, json!({"batch": id, "reason": row.reason}))
            .await?;
        let passed = format!("passed: {}", row.reason);
        if let Some(one) = self
            .told
            .stood_out
            .iter_mut()
            .find(|one| one.number == row.batch && one.outcome.is_empty())
        {
            one.outcome = passed;
        }
        Ok(())
    }

    pub(super) async fn take(
        &self,
        commands: &str,
        at: Instant,
        row: &files::Taken,
    ) -> Result<(), DemoError> {
        let scale = if row.batch.is_some() {
            "Wren roasted"
        } else {
            "Wren green"
        };
        let mut body = json!({"weight": self.weight(scale, &row.mass_g.to_string(), "")?});
        body[if commands == "samples" {
            "purpose"
        } else {
            "reason"
        }] = json!(row.reason);
        if let Some(number) = row.batch {
            body["batch"] = json!(self.batch(number)?);
        } else {
            body["lot"] = json!(self.names.id("lots", &row.lot)?);
            body["storeroom"] = json!(self.names.id("storerooms", &row.storeroom)?);
        }
        self.command(commands, at, body).await.map(drop)
    }
}
