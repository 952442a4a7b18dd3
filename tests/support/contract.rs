//! What the service says of itself (OpenAPI 3.1), and whether what it takes and answers agrees with that.
//!
//! The reader of forms knows the part of JSON Schema (2020-12) that the description uses, and stops at any other word.

use std::collections::BTreeSet;
use std::sync::{Arc, OnceLock};

use reqwest::Method;
use serde_json::{Map, Value};

use super::Answer;

/// The service's description.
#[derive(Debug)]
pub struct Contract {
    /// The document.
    pub document: Value,
}

/// Words of a form that say nothing about which values fit, or that are checked in the service alone.
const SILENT: [&str; 7] = [
    "description",
    "examples",
    "example",
    "title",
    "default",
    "pattern",
    "deprecated",
];

impl Contract {
    /// The one of this program.
    pub fn shared() -> Arc<Self> {
        static ONE: OnceLock<Arc<Contract>> = OnceLock::new();
        Arc::clone(ONE.get_or_init(|| {
            Arc::new(Self {
                document: outturn::web::description(),
            })
        }))
    }

    /// Every operation: method, path with its `{id}`, and what is said of it.
    pub fn operations(&self) -> Vec<(Method, &str, &Value)> {
        let mut found = Vec::new();
        for (path, methods) in self.document["paths"].as_object().expect("paths") {
            for (method, operation) in methods.as_object().expect("methods") {
                let method = method.to_uppercase().parse().expect("a method");
                found.push((method, path.as_str(), operation));
            }
        }
        found
    }

    /// The form of an operation's JSON body, if it takes one.
    pub fn body_form<'a>(&self, operation: &'a Value) -> Option<&'a Value> {
        operation.pointer("/requestBody/content/application~1json/schema")
    }

    /// The names of the fields that can be sent to a record's path.
    pub fn fields(&self, path: &str) -> BTreeSet<String> {
        let operation = &self.document["paths"][path]["put"];
        let form = self
            .body_form(operation)
            .unwrap_or_else(|| panic!("no form at {path}"));
        let fields = self.resolve(form)["properties"]
            .as_object()
            .expect("fields");
        fields.keys().cloned().collect()
    }

    /// Checks an answer, and a body that was taken.
    pub fn check(&self, method: &Method, path: &str, sent: Option<&Value>, answer: &Answer) {
        let Some(operation) = self.operation(method, path) else {
            return;
        };
        let why = format!("{}: {} {}", answer.request, answer.status, answer.text);
        if let (Some(form), Some(sent), 200..=299) =
            (self.body_form(operation), sent, answer.status)
        {
            let misfit = self.misfit(form, sent, "");
            assert!(
                misfit.is_none(),
                "took what its form does not allow: {misfit:?} in {sent}; {why}"
            );
        }
        if answer.status >= 500 {
            return;
        }
        let responses = &operation["responses"];
        let exact = responses.get(answer.status.to_string());
        let class = || responses.get(format!("{}XX", answer.status / 100));
        let response = exact
            .or_else(class)
            .unwrap_or_else(|| panic!("an answer that is not described: {why}"));
        let kind = answer
            .header("content-type")
            .split(';')
            .next()
            .unwrap_or_default();
        let Some(content) = response.get("content") else {
            return;
        };
        let form = content
            .get(kind)
            .unwrap_or_else(|| panic!("{kind} is not described: {why}"));
        if kind.ends_with("json") {
            let misfit = self.misfit(&form["schema"], &answer.json(), "");
            assert!(misfit.is_none(), "not as described: {misfit:?}; {why}");
        }
    }

    fn operation(&self, method: &Method, path: &str) -> Option<&Value> {
        let fits = |template: &str| {
            let (mut wanted, mut given) = (template.split('/'), path.split('/'));
            loop {
                match (wanted.next(), given.next()) {
                    (None, None) => return true,
                    (Some(wanted), Some(given)) if wanted == given || wanted.starts_with('{') => {}
                    _ => return false,
                }
            }
        };
        let mut found: Vec<_> = self
            .operations()
            .into_iter()
            .filter(|(its, template, _)| its == method && fits(template))
            .collect();
        // A literal address goes before one with a place for an id.
        found.sort_by_key(|(_, template, _)| template.matches('{').count());
        found.first().map(|(.., operation)| *operation)
    }

    /// A form behind its references.
    pub fn resolve<'a>(&'a self, form: &'a Value) -> &'a Value {
        match form["$ref"].as_str() {
            None => form,
            Some(name) => {
                let there = self.document.pointer(name.trim_start_matches('#'));
                self.resolve(there.unwrap_or_else(|| panic!("{name} is not there")))
            }
        }
    }

    /// The first thing about a value that its form does not allow; none if it fits.
    pub fn misfit(&self, form: &Value, value: &Value, at: &str) -> Option<String> {
        let form = match self.resolve(form) {
            Value::Object(form) => form,
            Value::Bool(true) => return None,
            other => panic!("{at}: {other} is no form"),
        };
        form.iter()
            .find_map(|(word, said)| self.misfit_word(form, word, said, value, at))
    }

    fn misfit_word(
        &self,
        form: &Map<String, Value>,
        word: &str,
        said: &Value,
        value: &Value,
        at: &str,
    ) -> Option<String> {
        let no = |text: String| Some(format!("{at}: {text}, not {value}"));
        let fits = |form: &Value| self.misfit(form, value, at).is_none();
        let options = || said.as_array().expect("options").iter();
        match word {
            "type" if !is_type(said, value) => no(format!("a {said}")),
            "enum" if !options().any(|one| one == value) => no(format!("one of {said}")),
            "oneOf" if options().filter(|one| fits(one)).count() != 1 => {
                let misfits: Vec<_> = options()
                    .filter_map(|one| self.misfit(one, value, at))
                    .collect();
                no(format!("exactly one of {misfits:?}"))
            }
            "allOf" => options().find_map(|one| self.misfit(one, value, at)),
            "required" | "properties" | "additionalProperties" | "propertyNames" => value
                .as_object()
                .and_then(|fields| self.misfit_fields(form, word, said, fields, at)),
            "items" | "prefixItems" | "minItems" | "maxItems" => value
                .as_array()
                .and_then(|items| self.misfit_items(form, word, said, items, at)),
            "minLength" | "maxLength" | "format" => value
                .as_str()
                .and_then(|text| misfit_text(word, said, text, at)),
            "minimum" | "maximum" | "multipleOf" => value
                .as_f64()
                .and_then(|number| misfit_number(word, said, number, at)),
            "type" | "enum" | "oneOf" => None,
            other => {
                assert!(
                    SILENT.contains(&other),
                    "the reader of forms does not know {other}"
                );
                None
            }
        }
    }

    fn misfit_fields(
        &self,
        form: &Map<String, Value>,
        word: &str,
        said: &Value,
        fields: &Map<String, Value>,
        at: &str,
    ) -> Option<String> {
        match word {
            "required" => {
                let missing = said
                    .as_array()?
                    .iter()
                    .find(|name| !fields.contains_key(name.as_str().unwrap_or_default()));
                missing.map(|name| format!("{at}: {name} is missing"))
            }
            "properties" => said.as_object()?.iter().find_map(|(name, form)| {
                fields
                    .get(name)
                    .and_then(|value| self.misfit(form, value, &format!("{at}/{name}")))
            }),
            "additionalProperties" => {
                let known = form.get("properties").and_then(Value::as_object);
                let mut further = fields
                    .iter()
                    .filter(|(name, _)| known.is_none_or(|known| !known.contains_key(*name)));
                match said {
                    Value::Bool(false) => further
                        .next()
                        .map(|(name, _)| format!("{at}/{name}: no such field")),
                    Value::Bool(true) => None,
                    form => further.find_map(|(name, value)| {
                        self.misfit(form, value, &format!("{at}/{name}"))
                    }),
                }
            }
            _ => None,
        }
    }

    fn misfit_items(
        &self,
        form: &Map<String, Value>,
        word: &str,
        said: &Value,
        items: &[Value],
        at: &str,
    ) -> Option<String> {
        let limit = said.as_u64().and_then(|limit| usize::try_from(limit).ok());
        // The first items may each have a form of their own.
        let own = form
            .get("prefixItems")
            .and_then(Value::as_array)
            .map_or(&[][..], Vec::as_slice);
        let numbered = items.iter().enumerate();
        match (word, limit) {
            ("minItems", Some(limit)) if items.len() < limit => {
                Some(format!("{at}: fewer than {limit}"))
            }
            ("maxItems", Some(limit)) if items.len() > limit => {
                Some(format!("{at}: more than {limit}"))
            }
            ("prefixItems", _) => numbered
                .zip(own)
                .find_map(|((i, item), form)| self.misfit(form, item, &format!("{at}/{i}"))),
            ("items", _) if said == false => {
                (items.len() > own.len()).then(|| format!("{at}: more than {}", own.len()))
            }
            ("items", _) => numbered
                .skip(own.len())
                .find_map(|(i, item)| self.misfit(said, item, &format!("{at}/{i}"))),
            _ => None,
        }
    }
}

fn is_type(said: &Value, value: &Value) -> bool {
    if let Some(options) = said.as_array() {
        return options.iter().any(|one| is_type(one, value));
    }
    match said.as_str().expect("a type") {
        "null" => value.is_null(),
        "boolean" => value.is_boolean(),
        "string" => value.is_string(),
        "array" => value.is_array(),
        "object" => value.is_object(),
        "number" => value.is_number(),
        "integer" => value.is_i64() || value.is_u64(),
        other => panic!("no type {other}"),
    }
}

fn misfit_text(word: &str, said: &Value, text: &str, at: &str) -> Option<String> {
    let length = u64::try_from(text.chars().count()).expect("a length");
    let wrong = match word {
        "minLength" => length < said.as_u64()?,
        "maxLength" => length > said.as_u64()?,
        _ => match said.as_str()? {
            "uuid" => text.parse::<uuid::Uuid>().is_err(),
            "date" => text.parse::<outturn::day::Day>().is_err(),
            "date-time" => text.parse::<outturn::day::Instant>().is_err(),
            _ => false,
        },
    };
    wrong.then(|| format!("{at}: {word} {said}"))
}

fn misfit_number(word: &str, said: &Value, number: f64, at: &str) -> Option<String> {
    let limit = said.as_f64()?;
    let wrong = match word {
        "minimum" => number < limit,
        "maximum" => number > limit,
        // The nearest multiple differs by rounding alone, or by a good part of a step.
        _ => {
            let steps = number / limit;
            (steps - steps.round()).abs() > 1e-6 * steps.abs().clamp(1.0, 1e4)
        }
    };
    wrong.then(|| format!("{at}: {word} {said}"))
}
