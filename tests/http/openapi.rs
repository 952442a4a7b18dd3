//! The service's description of itself: whole, readable by others, and true.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use reqwest::Method;
use serde_json::{Map, Value};

use crate::support::{Contract, each_database};

/// Every reference in a document.
fn references<'a>(value: &'a Value, found: &mut BTreeSet<&'a str>) {
    match value {
        Value::Object(fields) => {
            found.extend(fields.get("$ref").and_then(Value::as_str));
            fields.values().for_each(|value| references(value, found));
        }
        Value::Array(items) => items.iter().for_each(|item| references(item, found)),
        _ => {}
    }
}

/// A form in one line: `{name: Line120, note?: Line1000 or null}`.
fn line(form: &Value) -> String {
    if let Some(name) = form["$ref"].as_str() {
        return name.rsplit('/').next().unwrap_or_default().to_owned();
    }
    if let Some(options) = form["oneOf"].as_array() {
        return options.iter().map(line).collect::<Vec<_>>().join(" or ");
    }
    if let Some(options) = form["enum"].as_array() {
        return options
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join(" | ");
    }
    let kind = match &form["type"] {
        Value::Array(kinds) => kinds
            .iter()
            .filter_map(Value::as_str)
            .collect::<Vec<_>>()
            .join(" or "),
        kind => kind.as_str().unwrap_or("anything").to_owned(),
    };
    match form["properties"].as_object() {
        Some(fields) => fields_line(form, fields),
        None if form["items"].is_object() => format!("{kind} of {}", line(&form["items"])),
        None => kind,
    }
}

fn fields_line(form: &Value, fields: &Map<String, Value>) -> String {
    let required: BTreeSet<&str> = form["required"]
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(Value::as_str)
        .collect();
    let field = |(name, form): (&String, &Value)| {
        let optional = if required.contains(name.as_str()) {
            ""
        } else {
            "?"
        };
        format!("{name}{optional}: {}", line(form))
    };
    format!(
        "{{{}}}",
        fields.iter().map(field).collect::<Vec<_>>().join(", ")
    )
}

/// What an operation takes and answers, in one line.
fn operation_line(operation: &Value) -> String {
    let mut text = operation["operationId"]
        .as_str()
        .unwrap_or_default()
        .to_owned();
    for parameter in operation["parameters"]
        .as_array()
        .into_iter()
        .flatten()
        .filter(|one| one["in"] == "query")
    {
        write!(text, " ?{}", parameter["name"].as_str().unwrap_or_default()).unwrap();
    }
    if let Some(form) = operation.pointer("/requestBody/content/application~1json/schema") {
        write!(text, " <- {}", line(form)).unwrap();
    }
    for (status, response) in operation["responses"].as_object().unwrap() {
        let content = response["content"]
            .as_object()
            .and_then(|content| content.values().next());
        write!(
            text,
            " -> {status} {}",
            content.map_or("-".to_owned(), |content| line(&content["schema"]))
        )
        .unwrap();
    }
    text
}

/// Every route and every form in one line each: what a reviewer should see change.
#[test]
fn routes_and_forms() {
    let contract = Contract::shared();
    let mut text = String::new();
    for (method, path, operation) in contract.operations() {
        writeln!(text, "{method} {path}  {}", operation_line(operation)).unwrap();
    }
    text.push('\n');
    for (name, form) in contract.document["components"]["schemas"]
        .as_object()
        .unwrap()
    {
        writeln!(text, "{name} = {}", line(form)).unwrap();
    }
    insta::assert_snapshot!(text);
}

/// What the specification asks for beyond its schema; tests/reference/check has an outside validator read the whole.
#[test]
fn the_document_is_whole() {
    let contract = Contract::shared();
    let document = &contract.document;
    assert!(document["openapi"].as_str().unwrap().starts_with("3.1."));
    let mut found = BTreeSet::new();
    references(document, &mut found);
    assert!(found.len() > 50);
    let dangling: Vec<_> = found
        .iter()
        .filter(|name| document.pointer(name.trim_start_matches('#')).is_none())
        .collect();
    assert!(dangling.is_empty(), "{dangling:?}");
    let operations = contract.operations();
    let names: BTreeSet<_> = operations
        .iter()
        .map(|(.., operation)| operation["operationId"].as_str().unwrap())
        .collect();
    assert_eq!(
        names.len(),
        operations.len(),
        "an operation's name is given twice"
    );
    for (method, path, operation) in operations {
        let named: BTreeSet<String> = path
            .split('/')
            .filter_map(|part| Some(part.strip_prefix('{')?.strip_suffix('}')?.to_owned()))
            .collect();
        let parameters = operation["parameters"]
            .as_array()
            .cloned()
            .unwrap_or_default();
        let declared = parameters
            .iter()
            .filter(|one| one["in"] == "path")
            .map(|one| one["name"].as_str().unwrap().to_owned());
        assert_eq!(named, declared.collect(), "{method} {path}");
        for (status, response) in operation["responses"].as_object().unwrap() {
            assert!(
                response["description"]
                    .as_str()
                    .is_some_and(|text| !text.is_empty()),
                "{method} {path} {status}"
            );
        }
    }
    // For the outside validator.
    std::fs::write(
        concat!(env!("CARGO_TARGET_TMPDIR"), "/openapi.json"),
        document.to_string(),
    )
    .unwrap();
}

#[test]
fn problems() {
    let lines: Vec<String> = outturn::web::TYPES
        .iter()
        .map(|(name, title, status)| format!("{} /problems/{name}: {title}", status.as_u16()))
        .collect();
    insta::assert_snapshot!(lines.join("\n"));
}

each_database! {
    async fn it_is_served_as_it_is(server: &Server) {
        let served = server.ask("/openapi.json").await;
        assert_eq!(served.header("content-type"), "application/json");
        assert_eq!(served.expect(200), Contract::shared().document);
    }

    /// Each address knows the methods that are described, and says of any other that it does not take it, and which it does.
    async fn each_address_takes_its_methods_and_no_other(server: &Server) {
        let contract = Contract::shared();
        let paths = contract.document["paths"].as_object().unwrap();
        for (path, methods) in paths {
            let address = path.replace("{id}", &server.id()).replace("{of}", "lot");
            for method in [Method::GET, Method::PUT, Method::POST, Method::PATCH, Method::DELETE] {
                let described = methods.get(method.as_str().to_lowercase()).is_some();
                if described && path == "/api/events" {
                    continue;
                }
                let answer = server.send(server.request(method.clone(), &address)).await;
                if described {
                    assert_ne!(answer.status, 405, "{method} {path}");
                    assert!(!answer.text.contains("no such address"), "{method} {path}: {}", answer.text);
                } else {
                    answer.problem(405, "method");
                    let allowed: BTreeSet<String> = answer.header("allow").split(',').map(|one| one.trim().to_lowercase()).filter(|one| one != "head").collect();
                    assert_eq!(allowed, methods.as_object().unwrap().keys().cloned().collect(), "{path}");
                }
            }
        }
        server.ask("/api/nothing").await.problem(404, "not-found");
        server.ask("/static/nothing.js").await.problem(404, "not-found");
    }
}
