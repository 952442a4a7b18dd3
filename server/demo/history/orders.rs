//! Orders come in.

use serde_json::{Value, json};

use super::super::DemoError;
use super::History;
use crate::day::Instant;

impl History<'_> {
    pub(super) async fn import_orders(&mut self, at: Instant, csv: &str) -> Result<(), DemoError> {
        self.command("order-imports", at, json!({"csv": csv}))
            .await?;
        loop {
            let after = self
                .last_order
                .as_ref()
                .and_then(Value::as_str)
                .map(|id| format!("&after={id}"));
            let page = self
                .client
                .get(&format!(
                    "/api/orders?limit=500{}",
                    after.unwrap_or_default()
                ))
                .await?;
            let items = page["items"]
                .as_array()
                .map(Vec::as_slice)
                .unwrap_or_default();
            let Some(last) = items.last() else {
                return Ok(());
            };
            self.last_order = Some(last["id"].clone());
            self.orders.extend(items.iter().filter_map(|order| {
                Some((order["number"].as_str()?.to_owned(), order["id"].clone()))
            }));
        }
    }

    pub(super) fn order(&self, number: &str) -> Result<&Value, DemoError> {
        self.orders
            .get(number)
            .ok_or_else(|| DemoError::File(format!("order {number} is packed before it came in")))
    }
}
