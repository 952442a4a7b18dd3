//! The service's own description (OpenAPI 3.1), as it is served: what the code says of each route, brought into the form that
//! the specification and strict readers of it want.

use serde_json::{Map, Value, json};
use utoipa::openapi::OpenApi;

/// The document of what the routes say.
pub fn document(api: &OpenApi) -> Value {
    let mut document = serde_json::to_value(api).unwrap_or_default();
    describe_responses(&mut document);
    join_forms(&mut document);
    document
}

/// Gives every response the description that the specification asks for.
fn describe_responses(document: &mut Value) {
    let paths = document["paths"].as_object_mut().into_iter();
    let operations = paths
        .flat_map(Map::values_mut)
        .filter_map(Value::as_object_mut);
    for operation in operations.flat_map(Map::values_mut) {
        let responses = operation
            .get_mut("responses")
            .and_then(Value::as_object_mut);
        for (status, response) in responses.into_iter().flatten() {
            let Some(response) = response.as_object_mut() else {
                continue;
            };
            response
                .entry("description")
                .or_insert_with(|| json!(words(status)));
        }
    }
}

fn words(status: &str) -> &'static str {
    match status {
        "200" => "what was asked for, or what was answered before",
        "201" => "it is booked",
        "202" => "it is kept for a person to settle",
        "503" => "not now: try again",
        _ => "why not, and what to do",
    }
}

/// Joins forms that consist of others (`allOf`) into one: a part that allows no further fields would refuse those of its fellows.
fn join_forms(document: &mut Value) {
    let forms = document["components"]["schemas"].clone();
    join_below(&forms, &mut document["components"]["schemas"]);
}

fn join_below(forms: &Value, value: &mut Value) {
    match value {
        Value::Object(fields) => {
            for value in fields.values_mut() {
                join_below(forms, value);
            }
        }
        Value::Array(items) => {
            for value in items {
                join_below(forms, value);
            }
        }
        _ => return,
    }
    let Some(parts) = value.get("allOf").and_then(Value::as_array) else {
        return;
    };
    let mut joined = json!({"type": "object", "properties": {}, "required": []});
    if parts.iter().all(|part| join(forms, &mut joined, part)) {
        if let Some(description) = value.get("description") {
            joined["description"] = description.clone();
        }
        *value = joined;
    }
}

/// Adds the fields of a part; false where it is no plain object.
fn join(forms: &Value, joined: &mut Value, part: &Value) -> bool {
    if let Some(name) = part["$ref"].as_str() {
        let name = name.rsplit('/').next().unwrap_or_default();
        return join(forms, joined, &forms[name]);
    }
    if let Some(parts) = part["allOf"].as_array() {
        return parts.iter().all(|part| join(forms, joined, part));
    }
    for (field, form) in part["properties"].as_object().into_iter().flatten() {
        joined["properties"][field] = form.clone();
    }
    if let (Some(all), Some(some)) = (
        joined["required"].as_array_mut(),
        part["required"].as_array(),
    ) {
        all.extend(some.iter().cloned());
    }
    if part["additionalProperties"] == json!(false) {
        joined["additionalProperties"] = json!(false);
    }
    part["type"] == "object"
}
