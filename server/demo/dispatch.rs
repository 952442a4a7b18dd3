//! The month's dispatch: its subscribers come from their table, its coffees are tried out, and its list is frozen.

use serde_json::{Value, json};
use uuid::Uuid;

use super::DemoError;
use super::client::Client;
use super::files::{self, Roastery};
use super::setup::Names;
use super::week::text;
use crate::day::Instant;

/// What came of the dispatch.
pub struct Dispatched {
    /// Subscribers on the roll.
    pub subscribers: usize,
    /// What its coffees do if the scarce one comes first, for everybody.
    pub for_all: Value,
    /// What they do if it comes last, for large parcels alone.
    pub scarce: Value,
    /// Its frozen list.
    pub frozen: Value,
}

/// Sets the subscription up, takes the subscribers in, tries the coffees out, keeps them and freezes the list.
///
/// # Errors
/// [`DemoError`] when a file is not of its form or the service refuses.
pub async fn tell(
    client: &Client,
    roastery: &Roastery,
    names: &mut Names,
    now: Instant,
) -> Result<Dispatched, DemoError> {
    let subscription = offer(client, roastery, names).await?;
    let table = json!({"csv": files::SUBSCRIBERS.text()});
    let taken = client.command("subscriber-imports", now, table).await?;
    let dispatch = dispatch(client, roastery, names, subscription).await?;
    let asked = |coffees: &Value| json!({"dispatch": dispatch, "coffees": coffees});
    let offers = offers(roastery, names)?;
    let (mut first, mut scarce) = (offers.clone(), offers);
    if let Some(offers) = first.as_array_mut() {
        offers.rotate_right(1);
    }
    if let Some(last) = scarce.as_array_mut().and_then(|offers| offers.last_mut()) {
        last["from_bags"] = json!(roastery.dispatch.scarce_from_bags);
    }
    let for_all = client.post("/api/coverage", &asked(&first)).await?;
    let covered = client.post("/api/coverage", &asked(&scarce)).await?;
    let kept = json!({"subscription": subscription, "ship_day": roastery.dispatch.ship_day, "coffees": scarce});
    client.change("dispatches", dispatch, &kept).await?;
    let frozen = client
        .command("freezes", now, json!({"dispatch": dispatch}))
        .await?;
    Ok(Dispatched {
        subscribers: taken["added"].as_array().map_or(0, Vec::len),
        for_all,
        scarce: covered,
        frozen,
    })
}

/// Destinations and the subscription.
async fn offer(client: &Client, roastery: &Roastery, names: &mut Names) -> Result<Uuid, DemoError> {
    for destination in &roastery.destinations {
        let mut fields = destination.clone();
        if let Some(excluded) = fields.get_mut("excluded") {
            *excluded = ids(names, "coffees", excluded)?;
        }
        names
            .create(client, "destinations", text(&destination["name"]), &fields)
            .await?;
    }
    let mut fields = roastery.subscription.clone();
    fields["styles"] = ids(names, "styles", &fields["styles"])?;
    client.create("subscriptions", &fields).await
}

async fn dispatch(
    client: &Client,
    roastery: &Roastery,
    names: &Names,
    subscription: Uuid,
) -> Result<Uuid, DemoError> {
    let fields = json!({"subscription": subscription, "ship_day": roastery.dispatch.ship_day, "coffees": offers(roastery, names)?});
    client.create("dispatches", &fields).await
}

/// The coffees of the dispatch with ids in place of names.
fn offers(roastery: &Roastery, names: &Names) -> Result<Value, DemoError> {
    let offers = roastery.dispatch.coffees.iter();
    let offers: Result<Vec<Value>, DemoError> = offers
        .map(|offer| Ok(json!({"coffee": names.id("coffees", text(&offer["coffee"]))?})))
        .collect();
    Ok(Value::Array(offers?))
}

fn ids(names: &Names, kinds: &str, of: &Value) -> Result<Value, DemoError> {
    let of = of.as_array().map(Vec::as_slice).unwrap_or_default();
    let ids: Result<Vec<Uuid>, DemoError> =
        of.iter().map(|name| names.id(kinds, text(name))).collect();
    Ok(json!(ids?))
}
