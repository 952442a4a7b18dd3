//! The set-up of the demo's roastery, typed in as its owner would.

use std::collections::HashMap;

use serde_json::{Value, json};
use uuid::Uuid;

use super::DemoError;
use super::client::Client;
use super::files::{self, RoasterFields, Roastery, ShipDay};

const WEEKDAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];

/// Ids of records by kind and name.
#[derive(Default)]
pub struct Names(HashMap<(String, String), Uuid>);

impl Names {
    /// The id of the record of this kind and name.
    ///
    /// # Errors
    /// [`DemoError::File`] if the files name none.
    pub fn id(&self, kinds: &str, name: &str) -> Result<Uuid, DemoError> {
        let found = self.0.get(&(kinds.to_owned(), name.to_owned()));
        found.copied().ok_or_else(|| {
            DemoError::File(format!(
                "{name} is named in demo/, but is not among the {kinds}"
            ))
        })
    }

    /// Makes a record and remembers it by name.
    ///
    /// # Errors
    /// [`DemoError::Refused`] when the service refuses.
    pub async fn create(
        &mut self,
        client: &Client,
        kinds: &str,
        name: &str,
        fields: &Value,
    ) -> Result<Uuid, DemoError> {
        let id = client.create(kinds, fields).await?;
        self.0.insert((kinds.to_owned(), name.to_owned()), id);
        Ok(id)
    }
}

/// Makes all records that stand before the first delivery is announced.
///
/// # Errors
/// [`DemoError`] when a file is not of its form or the service refuses.
pub async fn set_up(client: &Client, roastery: &Roastery) -> Result<Names, DemoError> {
    let mut names = Names::default();
    let me = client.get("/api/me").await?;
    let site = me["site"]["id"]
        .as_str()
        .and_then(|id| id.parse().ok())
        .unwrap_or_default();
    client.change("sites", site, &roastery.site).await?;
    let plain = [
        ("people", &roastery.people),
        ("styles", &roastery.styles),
        ("scales", &roastery.scales),
    ];
    for (kinds, records) in plain {
        for fields in records {
            names
                .create(
                    client,
                    kinds,
                    fields["name"].as_str().unwrap_or_default(),
                    fields,
                )
                .await?;
        }
    }
    for (kinds, all) in [
        ("storerooms", &roastery.storerooms),
        ("coffees", &roastery.coffees),
    ] {
        for name in all {
            names
                .create(client, kinds, name, &json!({"name": name}))
                .await?;
        }
    }
    for roaster in &roastery.roasters {
        let fields = roaster_record(roaster, &names)?;
        names
            .create(
                client,
                "roasters",
                fields["name"].as_str().unwrap_or_default(),
                &fields,
            )
            .await?;
    }
    sell(client, roastery, &mut names).await?;
    Ok(names)
}

async fn sell(client: &Client, roastery: &Roastery, names: &mut Names) -> Result<(), DemoError> {
    for product in &roastery.products {
        let parts = product.parts.iter().map(|(coffee, share)| {
            Ok(json!({"coffee": names.id("coffees", coffee)?, "share": share}))
        });
        let parts = parts.collect::<Result<Vec<_>, DemoError>>()?;
        let style = names.id("styles", &product.style)?;
        let fields =
            json!({"name": product.name, "parts": parts, "style": style, "bag_g": product.bag_g});
        names
            .create(client, "products", &product.name, &fields)
            .await?;
    }
    for day in files::SHIP_DAYS.rows::<ShipDay>()? {
        let mut fields =
            json!({"day": day.day, "packing_day": day.packing_day, "carrier_at": day.carrier_at});
        if !day.note.is_empty() {
            fields["note"] = json!(day.note);
        }
        names.create(client, "ship-days", &day.day, &fields).await?;
    }
    Ok(())
}

fn roaster_record(roaster: &RoasterFields, names: &Names) -> Result<Value, DemoError> {
    let hours = WEEKDAYS.map(|day| {
        roaster
            .hours
            .get(day)
            .map(|[from, to]| json!({"from": from, "to": to}))
    });
    let exceptions: Vec<Value> = roaster
        .exceptions
        .iter()
        .map(|e| json!({"day": e.day, "hours": {"from": e.from, "to": e.to}, "note": e.note}))
        .collect();
    let mut fields = Value::Object(roaster.rest.clone());
    fields["hours"] = json!(hours);
    fields["exceptions"] = json!(exceptions);
    fields["green_scale"] = json!(names.id("scales", &roaster.green_scale)?);
    fields["roasted_scale"] = json!(names.id("scales", &roaster.roasted_scale)?);
    Ok(fields)
}
