//! Reads the JSON form of an instance into a [`Draft`]: names and types of the fields, nothing of their meaning.
//!
//! A fault does not end the reading: a stand-in value is used, and all faults are reported together.

use super::instance::{
    Batch, ChargeLimits, Draft, FORMAT, Fault, Item, Lot, Roaster, Stock, Yield, YieldLine,
};
use super::json::Json;

/// At most so many faults are listed.
pub(super) const MOST_FAULTS: usize = 100;

/// The draft that the text holds, or everything that is wrong with its fields.
pub(super) fn draft(text: &str) -> Result<Draft, Vec<Fault>> {
    let json: Json = serde_json::from_str(text).map_err(|e| {
        vec![Fault {
            pointer: String::new(),
            message: format!("not readable as JSON ({e}): give one JSON object"),
        }]
    })?;
    let mut faults = Vec::new();
    let draft = whole_instance(&mut Fields::of(&json, String::new(), &mut faults));
    if faults.is_empty() {
        Ok(draft)
    } else {
        Err(faults)
    }
}

/// The fields of one object, taken one by one by name.
struct Fields<'a> {
    at: String,
    given: &'a [(String, Json)],
    taken: Vec<&'static str>,
    faults: &'a mut Vec<Fault>,
}

impl<'a> Fields<'a> {
    fn of(json: &'a Json, at: String, faults: &'a mut Vec<Fault>) -> Self {
        let fields = match json {
            Json::Object(fields) => fields.as_slice(),
            other => {
                note(
                    faults,
                    &at,
                    format!("{} stands here: an object is expected", other.describe()),
                );
                &[]
            }
        };
        Self {
            at,
            given: fields,
            taken: Vec::new(),
            faults,
        }
    }

    fn fault(&mut self, name: &str, message: String) {
        let pointer = format!("{}/{}", self.at, escape(name));
        note(self.faults, &pointer, message);
    }

    /// The value of an optional field; `null` counts as absent.
    fn find(&mut self, name: &'static str) -> Option<&'a Json> {
        self.taken.push(name);
        let value = self.given.iter().find(|(n, _)| n == name).map(|(_, v)| v);
        value.filter(|v| **v != Json::Null)
    }

    /// The value of a field that must be there.
    fn need(&mut self, name: &'static str, what: &str) -> Option<&'a Json> {
        let value = self.find(name);
        if value.is_none() && !self.given.is_empty() {
            self.fault(name, format!("is missing: give {what}"));
        }
        value
    }

    fn whole(&mut self, name: &'static str) -> i64 {
        let value = self.need(name, "a whole number");
        self.as_whole(name, value).unwrap_or(0)
    }

    fn whole_or(&mut self, name: &'static str, absent: i64) -> i64 {
        let value = self.find(name);
        self.as_whole(name, value).unwrap_or(absent)
    }

    fn as_whole(&mut self, name: &'static str, value: Option<&Json>) -> Option<i64> {
        let read = value?.whole();
        read.map_err(|why| self.fault(name, why)).ok()
    }

    fn text(&mut self, name: &'static str) -> String {
        let value = self.need(name, "a text");
        self.as_text(name, value).unwrap_or_default()
    }

    fn text_if_given(&mut self, name: &'static str) -> Option<String> {
        let value = self.find(name);
        self.as_text(name, value)
    }

    fn as_text(&mut self, name: &'static str, value: Option<&Json>) -> Option<String> {
        match value? {
            Json::Text(t) => Some(t.clone()),
            other => {
                self.fault(
                    name,
                    format!(
                        "{} stands here: a text in quotes is expected",
                        other.describe()
                    ),
                );
                None
            }
        }
    }

    fn fraction(&mut self, name: &'static str) -> Yield {
        let stand_in = Yield::from_ten_thousandths(1).expect("1 is between 0 and 10 000");
        let Some(value) = self.need(name, "a number between 0 and 1") else {
            return stand_in;
        };
        let read = match value {
            Json::Number(text) => ten_thousandths(text),
            _ => None,
        };
        read.and_then(Yield::from_ten_thousandths)
            .unwrap_or_else(|| {
                self.fault(
                    name,
                    format!(
                        "{} is no yield: give a number between 0 and 1 with at most 4 decimals",
                        value.describe()
                    ),
                );
                stand_in
            })
    }

    /// The entries of a list, each read by `entry`, which gets the value, its pointer and the faults.
    fn each<T>(
        &mut self,
        name: &'static str,
        value: Option<&'a Json>,
        entry: fn(&Json, String, &mut Vec<Fault>) -> T,
    ) -> Vec<T> {
        match value {
            None => Vec::new(),
            Some(Json::List(list)) => {
                let at = format!("{}/{name}", self.at);
                list.iter()
                    .enumerate()
                    .map(|(n, v)| entry(v, format!("{at}/{n}"), self.faults))
                    .collect()
            }
            Some(other) => {
                self.fault(
                    name,
                    format!("{} stands here: a list is expected", other.describe()),
                );
                Vec::new()
            }
        }
    }

    fn list<T>(
        &mut self,
        name: &'static str,
        entry: fn(&Json, String, &mut Vec<Fault>) -> T,
    ) -> Vec<T> {
        let value = self.need(name, "a list");
        self.each(name, value, entry)
    }

    fn list_if_given<T>(
        &mut self,
        name: &'static str,
        entry: fn(&Json, String, &mut Vec<Fault>) -> T,
    ) -> Option<Vec<T>> {
        let value = self.find(name);
        value.map(|_| self.each(name, value, entry))
    }

    /// Names the fields that nothing asked for and those given twice.
    fn end(&mut self) {
        let fields = self.given;
        for (n, (name, _)) in fields.iter().enumerate() {
            if !self.taken.iter().any(|t| t == name) {
                let known = self.taken.join(", ");
                self.fault(
                    name,
                    format!("is not a field of this object: the fields are {known}"),
                );
            } else if fields[..n].iter().any(|(earlier, _)| earlier == name) {
                self.fault(name, "is given twice: give it once".into());
            }
        }
    }
}

fn note(faults: &mut Vec<Fault>, pointer: &str, message: String) {
    if faults.len() < MOST_FAULTS {
        faults.push(Fault {
            pointer: pointer.to_owned(),
            message,
        });
    }
}

/// Escapes a field name for a JSON Pointer (RFC 6901, section 3).
fn escape(name: &str) -> String {
    name.replace('~', "~0").replace('/', "~1")
}

/// `0.8612` as 8612; `None` unless the text is `0.` and one to four digits, trailing zeros aside.
fn ten_thousandths(text: &str) -> Option<i64> {
    let digits = text.strip_prefix("0.")?.trim_end_matches('0');
    if digits.len() > 4 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    format!("{digits:0<4}").parse().ok()
}

fn whole_instance(o: &mut Fields) -> Draft {
    let format = o.text("format");
    if format != FORMAT && !format.is_empty() {
        o.fault(
            "format",
            format!("{format:?} is not known: this program reads {FORMAT:?}"),
        );
    }
    let draft = Draft {
        name: o.text_if_given("name").unwrap_or_default(),
        days: o.whole("days"),
        roasters: o.list("roasters", roaster),
        lots: o.list("lots", lot),
        demand: o.list("demand", item),
        roasted_stock: o.list_if_given("roasted_stock", stock).unwrap_or_default(),
        pinned: o.list_if_given("pinned", batch).unwrap_or_default(),
        crew_min: o.list_if_given("crew_min", whole),
    };
    for notes in ["expected", "proof"] {
        o.find(notes);
    }
    o.end();
    draft
}

fn roaster(json: &Json, at: String, faults: &mut Vec<Fault>) -> Roaster {
    let mut o = Fields::of(json, at, faults);
    let roaster = Roaster {
        id: o.text("id"),
        min_charge_g: o.whole("min_charge_g"),
        max_charge_g: o.whole("max_charge_g"),
        charge_step_g: o.whole("charge_step_g"),
        cycle_min: o.whole("cycle_min"),
        changeover_min: o.whole_or("changeover_min", 0),
        startup_min: o.whole_or("startup_min", 0),
        available_min: o.list("available_min", whole),
        styles: o.list_if_given("styles", text),
        hot_days: o.list_if_given("hot_days", whole).unwrap_or_default(),
    };
    o.end();
    roaster
}

fn lot(json: &Json, at: String, faults: &mut Vec<Fault>) -> Lot {
    let mut o = Fields::of(json, at, faults);
    let lot = Lot {
        id: o.text("id"),
        coffee: o.text("coffee"),
        grade: o.text_if_given("grade"),
        available_g: o.whole("available_g"),
        available_from_day: o.whole_or("available_from_day", 0),
        rank: o.whole("rank"),
        yields: o.list("yields", yield_line),
        charge_limits: o
            .list_if_given("charge_limits", charge_limits)
            .unwrap_or_default(),
    };
    o.end();
    lot
}

fn yield_line(json: &Json, at: String, faults: &mut Vec<Fault>) -> YieldLine {
    let mut o = Fields::of(json, at, faults);
    let line = YieldLine {
        style: o.text("style"),
        roaster: o.text_if_given("roaster"),
        fraction: o.fraction("yield"),
    };
    o.end();
    line
}

fn charge_limits(json: &Json, at: String, faults: &mut Vec<Fault>) -> ChargeLimits {
    let mut o = Fields::of(json, at, faults);
    let limits = ChargeLimits {
        roaster: o.text("roaster"),
        min_charge_g: o.whole("min_charge_g"),
        max_charge_g: o.whole("max_charge_g"),
    };
    o.end();
    limits
}

fn item(json: &Json, at: String, faults: &mut Vec<Fault>) -> Item {
    let mut o = Fields::of(json, at, faults);
    let item = Item {
        id: o.text("id"),
        coffee: o.text("coffee"),
        style: o.text("style"),
        roasted_g: o.whole("roasted_g"),
        ship_day: o.whole("ship_day"),
        roast_from_day: o.whole("roast_from_day"),
        roast_to_day: o.whole("roast_to_day"),
        priority: o.whole("priority"),
        lots: o.list_if_given("lots", text),
    };
    o.end();
    item
}

fn stock(json: &Json, at: String, faults: &mut Vec<Fault>) -> Stock {
    let mut o = Fields::of(json, at, faults);
    let stock = Stock {
        id: o.text("id"),
        lot: o.text("lot"),
        style: o.text("style"),
        roasted_day: o.whole("roasted_day"),
        mass_g: o.whole("mass_g"),
    };
    o.end();
    stock
}

fn batch(json: &Json, at: String, faults: &mut Vec<Fault>) -> Batch {
    let mut o = Fields::of(json, at, faults);
    let batch = Batch {
        roaster: o.text("roaster"),
        day: o.whole("day"),
        lot: o.text("lot"),
        style: o.text("style"),
        charge_g: o.whole("charge_g"),
    };
    o.end();
    batch
}

#[expect(
    clippy::needless_pass_by_value,
    reason = "all readers of list entries have one shape"
)]
fn whole(json: &Json, at: String, faults: &mut Vec<Fault>) -> i64 {
    let read = json.whole();
    read.map_err(|why| note(faults, &at, why)).unwrap_or(0)
}

#[expect(
    clippy::needless_pass_by_value,
    reason = "all readers of list entries have one shape"
)]
fn text(json: &Json, at: String, faults: &mut Vec<Fault>) -> String {
    if let Json::Text(t) = json {
        return t.clone();
    }
    note(
        faults,
        &at,
        format!(
            "{} stands here: a text in quotes is expected",
            json.describe()
        ),
    );
    String::new()
}
