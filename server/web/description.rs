//! The service's own description (OpenAPI 3.1), as it is served: what the code says of each route, brought into the form that
//! the specification and strict readers of it want.

use serde_json::{Map, Value, json};
use utoipa::openapi::OpenApi;

use super::routes::Route;

/// The document of what the routes say, and of what each needs.
pub fn document(api: &OpenApi, table: &[Route]) -> Value {
    let mut document = serde_json::to_value(api).unwrap_or_default();
    describe_responses(&mut document);
    join_forms(&mut document);
    bound_numbers(&mut document);
    describe_needs(&mut document, table);
    document
}

/// Says by what each operation may be called: by a signed-in browser, and where a program may have the right, by its token.
fn describe_needs(document: &mut Value, table: &[Route]) {
    document["components"]["securitySchemes"] = json!({
        "token": {"type": "http", "scheme": "bearer", "description": "a program's token"},
        "session": {"type": "apiKey", "in": "cookie", "name": "outturn-session",
            "description": "a browser in which somebody signed in, beside its `outturn-device`; over TLS both begin with `__Host-`"},
    });
    for route in table {
        let method = route.method.as_str().to_lowercase();
        let Some(operation) = document["paths"][&route.path].get_mut(method) else {
            continue;
        };
        operation["security"] = match route.needs {
            None => json!([]),
            Some(right) if right.rule().by_token => json!([{"token": []}, {"session": []}]),
            Some(_) => json!([{"session": []}]),
        };
    }
}

/// A number that is never negative and of at most 32 bits goes beyond what readers take for a 32-bit number.
fn bound_numbers(value: &mut Value) {
    match value {
        Value::Object(fields) => {
            if fields.get("format") == Some(&json!("int32")) && fields.contains_key("minimum") {
                fields.remove("format");
                fields.entry("maximum").or_insert(json!(u32::MAX));
            }
            fields.values_mut().for_each(bound_numbers);
        }
        Value::Array(items) => items.iter_mut().for_each(bound_numbers),
        _ => {}
    }
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
