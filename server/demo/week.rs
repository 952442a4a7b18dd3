//! The coming week: planned, released, and its first batches weighed.

use serde_json::{Value, json};
use uuid::Uuid;

use super::DemoError;
use super::client::Client;
use super::files::Roastery;
use crate::day::{Day, Instant, TimeOfDay, Zone};

/// The lot whose statement is shown: scarce, costly, and in the store for a few weeks only.
pub const SCARCE_LOT: &str = "Umbral-1";
/// The first day of that statement.
pub const STATEMENT_FROM: &str = "2026-08-01";
const DAYS: u32 = 5;
/// How far from the expected loss the weighed batches fall, in sixths of the range's width.
const DEVIATIONS: [f64; 6] = [0.4, -0.9, 0.2, 1.1, -0.3, 0.6];
/// Which of them is typed wrong.
const MISTYPED: usize = 3;

/// A batch weighed in and out by the demo.
pub struct Weighed {
    /// Its card.
    pub card: Value,
    /// The batch as answered by the weigh-out.
    pub batch: Value,
    /// Its verdict.
    pub verdict: Value,
    /// What would explain it, likeliest first.
    pub explanations: Value,
}

/// A drift notice with its days.
pub struct Noticed {
    /// Day of the first batch of the shift.
    pub since: String,
    /// Day of the batch at which it was noticed.
    pub raised: String,
    /// The notice in words.
    pub sentence: String,
}

/// The drift notices, newest first.
///
/// # Errors
/// [`DemoError::Refused`] when the service refuses.
pub async fn notices(client: &Client) -> Result<Vec<Noticed>, DemoError> {
    let loss = client.get("/api/loss").await?;
    let mut noticed = Vec::new();
    for notice in array(&loss["notices"]) {
        noticed.push(Noticed {
            since: day_of(client, &notice["since"]).await?,
            raised: day_of(client, &notice["raised"]).await?,
            sentence: text(&notice["sentence"]).to_owned(),
        });
    }
    Ok(noticed)
}

async fn day_of(client: &Client, batch: &Value) -> Result<String, DemoError> {
    let batch = client.get(&format!("/api/batches/{}", text(batch))).await?;
    Ok(text(&batch["day"]).to_owned())
}

/// Plans the coming week.
///
/// # Errors
/// [`DemoError::Refused`] when the service refuses.
pub async fn plan(client: &Client, roastery: &Roastery) -> Result<Value, DemoError> {
    client
        .post(
            "/api/plans",
            &json!({"from_day": roastery.today.day, "days": DAYS}),
        )
        .await
}

/// A line that a plan leaves short, with names in place of ids.
pub struct Short {
    /// Bags left short.
    pub bags: Value,
    /// Of this product.
    pub product: String,
    /// For this customer.
    pub customer: String,
    /// On this order.
    pub order: String,
    /// Why.
    pub sentence: String,
}

/// What a plan leaves short.
///
/// # Errors
/// [`DemoError::Refused`] when the service refuses.
pub async fn short(client: &Client, plan: &Value) -> Result<Vec<Short>, DemoError> {
    let mut lines = Vec::new();
    for line in array(&plan["short"]) {
        let product = client
            .get(&format!("/api/products/{}", text(&line["product"])))
            .await?;
        // An order to come is told in the plan; it is not written down yet.
        let order = array(&plan["orders"])
            .iter()
            .find(|order| order["id"] == line["order"])
            .unwrap_or(&Value::Null);
        lines.push(Short {
            bags: line["bags"].clone(),
            product: text(&product["name"]).to_owned(),
            customer: text(&line["customer"]).to_owned(),
            order: text(&order["number"]).to_owned(),
            sentence: text(&line["sentence"]).to_owned(),
        });
    }
    Ok(lines)
}

/// Releases a plan and answers its cards.
///
/// # Errors
/// [`DemoError::Refused`] when the service refuses.
pub async fn release(
    client: &Client,
    zone: Zone,
    roastery: &Roastery,
    plan: &Value,
) -> Result<Vec<Value>, DemoError> {
    let batches: Vec<Value> = array(&plan["batches"])
        .iter()
        .map(|b| {
            json!({"roaster": b["roaster"]["id"], "day": b["day"], "start": b["start"], "lot": b["lot"]["id"], "style": b["style"]["id"],
                "charge_g": b["charge_g"], "feeds": b["feeds"]})
        })
        .collect();
    let body = json!({"from_day": roastery.today.day, "days": DAYS, "log_size": plan["log_size"], "batches": batches});
    let answer = client
        .command("releases", roastery.today.instant(zone), body)
        .await?;
    Ok(array(&answer["cards"]).to_vec())
}

/// A roaster's scale, as its record has it.
struct Scale {
    id: Value,
    unit_g: f64,
    division_g: f64,
    container: Value,
    tare_g: f64,
}

impl Scale {
    async fn of(client: &Client, roaster: &Value, which: &str) -> Result<Self, DemoError> {
        let roaster = client
            .get(&format!("/api/roasters/{}", text(&roaster["id"])))
            .await?;
        let scale = client
            .get(&format!("/api/scales/{}", text(&roaster[which])))
            .await?;
        Ok(Self {
            id: roaster[which].clone(),
            unit_g: if scale["unit"] == "kg" { 1000.0 } else { 1.0 },
            division_g: number(&scale["division_g"]),
            container: scale["containers"][0]["name"].clone(),
            tare_g: number(&scale["containers"][0]["tare_g"]),
        })
    }

    /// What the scale shows under `mass_g`.
    fn shows(&self, mass_g: f64) -> String {
        let decimals = if self.unit_g > 1.0 { 2 } else { 0 };
        let shown = (mass_g / self.division_g).round() * self.division_g / self.unit_g;
        format!("{shown:.decimals$}")
    }

    /// A weight in the scale's usual container.
    fn in_container(&self, mass_g: f64) -> Value {
        self.typed(&self.shows(mass_g + self.tare_g), &self.container)
    }

    /// A weight in nothing, with two digits exchanged as it is typed.
    fn mistyped(&self, mass_g: f64) -> Value {
        self.typed(&exchanged(&self.shows(mass_g)), &Value::Null)
    }

    fn typed(&self, gross: &str, container: &Value) -> Value {
        json!({"basis": "weighed", "scale": self.id, "source": "typed", "readings": [{"gross": gross, "container": container}]})
    }
}

/// A number as typed with two neighbouring digits exchanged: those that change it most, but by less than a tenth.
fn exchanged(shown: &str) -> String {
    let places: Vec<usize> = shown
        .char_indices()
        .filter(|(_, c)| c.is_ascii_digit())
        .map(|(i, _)| i)
        .collect();
    let right: f64 = shown.parse().unwrap_or_default();
    let change = |typed: &String| (typed.parse().unwrap_or(right) - right).abs() / right;
    let typed = places.windows(2).map(|pair| {
        let mut bytes = shown.as_bytes().to_vec();
        bytes.swap(pair[0], pair[1]);
        String::from_utf8_lossy(&bytes).into_owned()
    });
    let believable = typed.filter(|typed| change(typed) < 0.1);
    believable
        .max_by(|a, b| change(a).total_cmp(&change(b)))
        .unwrap_or_else(|| shown.to_owned())
}

/// What happens to a card on the floor.
#[derive(Clone, Copy)]
enum Step {
    WeighIn,
    Start,
    WeighOut,
}

/// Weighs the first batches of the first day in and out. Their weights are made here: near what was expected, one typed wrong.
///
/// # Errors
/// [`DemoError::Refused`] when the service refuses.
pub async fn weigh(
    client: &Client,
    zone: Zone,
    cards: &[Value],
) -> Result<Vec<Weighed>, DemoError> {
    let mut first: Vec<&Value> = cards
        .iter()
        .filter(|card| card["day"] == cards[0]["day"])
        .collect();
    first.sort_by_key(|card| text(&card["start"]).to_owned());
    first.truncate(DEVIATIONS.len());
    let mut steps = Vec::new();
    for (i, card) in first.iter().enumerate() {
        let start = start_of(zone, card)?;
        steps.extend([
            (start.plus_minutes(-5), i, Step::WeighIn),
            (start, i, Step::Start),
            (start.plus_minutes(12), i, Step::WeighOut),
        ]);
    }
    steps.sort_by_key(|(at, i, _)| (*at, *i));
    let ids: Vec<Uuid> = first.iter().map(|_| client.new_id()).collect();
    let mut weighed = Vec::new();
    for (at, i, step) in steps {
        client.set_clock(at);
        match step {
            Step::WeighIn => weigh_in(client, at, first[i], ids[i]).await?,
            Step::Start => drop(
                client
                    .command("starts", at, json!({"batch": ids[i]}))
                    .await?,
            ),
            Step::WeighOut => weighed.push(weigh_out(client, at, first[i], ids[i], i).await?),
        }
    }
    Ok(weighed)
}

fn start_of(zone: Zone, card: &Value) -> Result<Instant, DemoError> {
    let wrong =
        |e: &dyn std::fmt::Display| DemoError::Transport(format!("a card starts at no time: {e}"));
    let day: Day = text(&card["day"]).parse().map_err(|e| wrong(&e))?;
    let time: TimeOfDay = text(&card["start"]).parse().map_err(|e| wrong(&e))?;
    Ok(zone.at(day, time))
}

async fn weigh_in(
    client: &Client,
    at: Instant,
    card: &Value,
    batch: Uuid,
) -> Result<(), DemoError> {
    let scale = Scale::of(client, &card["roaster"], "green_scale").await?;
    let body = json!({
        "batch": batch, "card": card["id"], "lot": card["lot"]["id"], "style": card["style"]["id"], "roaster": card["roaster"]["id"],
        "storeroom": card["storeroom"]["id"], "weight": scale.in_container(number(&card["charge_g"])),
    });
    client.command("weigh-ins", at, body).await.map(drop)
}

async fn weigh_out(
    client: &Client,
    at: Instant,
    card: &Value,
    batch: Uuid,
    i: usize,
) -> Result<Weighed, DemoError> {
    let scale = Scale::of(client, &card["roaster"], "roasted_scale").await?;
    let range = array(&card["ranges"])
        .iter()
        .find(|range| range["lot"] == card["lot"]["id"]);
    let expected = &range
        .ok_or_else(|| DemoError::Transport("a card has no range of its own lot".to_owned()))?["expected"];
    let (mean, width) = (
        number(&expected["mean"]),
        number(&expected["hi"]) - number(&expected["lo"]),
    );
    let mass = number(&card["charge_g"]) * (1.0 - mean - DEVIATIONS[i] * width / 6.0);
    let weight = if i == MISTYPED {
        scale.mistyped(mass)
    } else {
        scale.in_container(mass)
    };
    let body = json!({"batches": [batch], "weight": weight});
    let preview = client.post("/api/weigh-out-previews", &body).await?;
    let answer = client.command("weigh-outs", at, body).await?;
    Ok(Weighed {
        card: card.clone(),
        batch: answer["batches"][0].clone(),
        verdict: answer["verdict"].clone(),
        explanations: preview["explanations"].clone(),
    })
}

/// The elements of a JSON array; none of anything else.
pub fn array(value: &Value) -> &[Value] {
    value.as_array().map(Vec::as_slice).unwrap_or_default()
}

/// The text of a JSON string; nothing of anything else.
pub fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_default()
}

/// A JSON number; zero for anything else.
pub fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_default()
}
