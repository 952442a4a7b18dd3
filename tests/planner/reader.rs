//! What the reader refuses, with the place and the remedy, and that nothing makes it panic.

use outturn::planner::Instance;
use proptest::prelude::*;
use serde_json::{Value, json};

fn legal() -> Value {
    serde_json::from_str(include_str!("data/paper/paper-8-stock-and-pin.json")).expect("JSON")
}

/// The faults of the legal case after one value is replaced.
fn faults(pointer: &str, value: Value) -> Vec<(String, String)> {
    let mut instance = legal();
    *instance
        .pointer_mut(pointer)
        .unwrap_or_else(|| panic!("{pointer} is there")) = value;
    of_text(&instance.to_string())
}

fn of_text(text: &str) -> Vec<(String, String)> {
    match Instance::from_json(text) {
        Ok(_) => Vec::new(),
        Err(e) => e
            .faults
            .into_iter()
            .map(|f| (f.pointer, f.message))
            .collect(),
    }
}

#[test]
fn a_number_is_refused_for_what_is_wrong_with_it() {
    for (value, says) in [
        (json!(1e20), "is larger than any number here may be"),
        (json!(1e308), "a number of very many digits is larger"),
        (json!(2.5), "2.5 is not a whole number"),
        (json!("2"), "the text \"2\" is not a whole number"),
    ] {
        let found = faults("/days", value.clone());
        assert!(found[0].1.contains(says), "{value}: {found:?}");
    }
}

#[test]
fn a_wrong_value_is_named_by_its_pointer() {
    let cases = [
        ("/days", json!(0)),
        ("/days", json!("five")),
        ("/days", json!(1e308)),
        ("/format", json!("roast-plan-instance/2")),
        ("/roasters/0/id", json!("")),
        ("/roasters/0/min_charge_g", json!(-1)),
        ("/roasters/0/charge_step_g", json!(0)),
        ("/roasters/0/available_min/0", json!(-5)),
        ("/roasters/0/available_min", json!([1])),
        ("/lots/0/yields/0/yield", json!(1.0)),
        ("/lots/0/yields/0/yield", json!(0.812_345)),
        ("/lots/0/yields/0/yield", json!("NaN")),
        ("/lots/0/available_g", json!(2.5)),
        ("/demand/0/priority", json!(0)),
        ("/demand/0/roast_from_day", json!(9_000)),
        ("/roasted_stock/0/lot", json!("nobody")),
        ("/pinned/0/charge_g", json!(1)),
        ("/pinned/0/lot", json!("nobody")),
        ("/pinned/0/day", json!(-1)),
    ];
    for (pointer, value) in cases {
        let found = faults(pointer, value.clone());
        assert!(
            found.iter().any(|(p, m)| p == pointer && !m.is_empty()),
            "{pointer} = {value}: {found:?}"
        );
    }
}

#[test]
fn unknown_repeated_and_missing_fields_are_refused() {
    let text = legal().to_string();
    let with = |more: &str| of_text(&format!("{{{more},{}", &text[1..]));
    assert_eq!(with("\"colour\":1")[0].0, "/colour");
    assert_eq!(
        with("\"days\":3")[0],
        ("/days".into(), "is given twice: give it once".into())
    );
    assert_eq!(of_text("{\"format\":\"roast-plan-instance/1\"}").len(), 4);
    assert_eq!(of_text("not json")[0].0, "");
    assert_eq!(of_text("[]")[0].0, "");
}

#[test]
fn minus_zero_is_not_a_whole_number() {
    let text = legal()
        .to_string()
        .replacen("\"startup_min\":", "\"startup_min\":-0,\"was\":", 1);
    assert!(
        of_text(&text)
            .iter()
            .any(|(p, _)| p == "/roasters/0/startup_min")
    );
}

#[test]
fn pins_that_do_not_fit_together_are_named() {
    let mut instance = legal();
    let pin = instance["pinned"][0].clone();
    for _ in 0..60 {
        instance["pinned"]
            .as_array_mut()
            .expect("a list")
            .push(pin.clone());
    }
    let found = of_text(&instance.to_string());
    assert!(
        found
            .iter()
            .any(|(p, m)| p.starts_with("/pinned/") && m.contains("drop a pin")),
        "{found:?}"
    );
}

#[test]
fn an_instance_written_and_read_again_is_the_same() {
    let instance = Instance::from_json(&legal().to_string()).expect("legal");
    let text = serde_json::to_string(&instance).expect("JSON");
    assert_eq!(Instance::from_json(&text).expect("still legal"), instance);
}

/// Any JSON value, with the field names and odd numbers of the form among others.
fn odd_json() -> impl Strategy<Value = Value> {
    let names = [
        "id",
        "days",
        "lots",
        "yield",
        "yields",
        "roaster",
        "style",
        "available_min",
        "charge_g",
        "x",
    ];
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        any::<i64>().prop_map(Value::from),
        any::<f64>().prop_map(Value::from),
        prop::sample::select(vec![
            json!(1e308),
            json!(-0.0),
            json!(u64::MAX),
            json!("NaN"),
            json!("\u{0}")
        ]),
        ".{0,8}".prop_map(Value::from),
    ];
    leaf.prop_recursive(3, 24, 4, move |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..4).prop_map(Value::from),
            prop::collection::vec((prop::sample::select(names.to_vec()), inner), 0..4).prop_map(
                |fields| Value::Object(
                    fields.into_iter().map(|(k, v)| (k.to_owned(), v)).collect()
                )
            ),
        ]
    })
}

/// Pointers to every value of a tree.
fn pointers(value: &Value, at: &str, all: &mut Vec<String>) {
    all.push(at.to_owned());
    match value {
        Value::Object(fields) => fields
            .iter()
            .for_each(|(k, v)| pointers(v, &format!("{at}/{k}"), all)),
        Value::Array(list) => list
            .iter()
            .enumerate()
            .for_each(|(n, v)| pointers(v, &format!("{at}/{n}"), all)),
        _ => {}
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2_000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_text_is_read_or_refused(text in ".{0,200}") {
        let _ = Instance::from_json(&text);
    }

    #[test]
    fn a_legal_instance_with_anything_anywhere_is_read_or_refused(value in odd_json(), place in any::<prop::sample::Index>()) {
        let mut instance = legal();
        let mut all = Vec::new();
        pointers(&instance, "", &mut all);
        let pointer = &all[place.index(all.len())];
        *instance.pointer_mut(pointer).expect("there") = value;
        if let Err(e) = Instance::from_json(&instance.to_string()) {
            prop_assert!(!e.faults.is_empty() && !e.to_string().is_empty());
        }
    }
}
