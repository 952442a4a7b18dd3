//! Table and chart of a replayed log.

use std::fmt::Write as _;

use outturn::loss::{Settings, chart, csv, text_table};

fn log() -> String {
    let mut text = String::from(
        "batch_id,time,lot,delivery,grade,style,style_loss,roaster,green_g,roasted_g,received,moisture,moisture_sd,d_in_g,d_out_g\n",
    );
    for i in 0..40 {
        let out = match i {
            30 => 9_200,
            33 => 11_200,
            36 => 1_020,
            _ => 10_200 + 10 * (i % 5),
        };
        let (hour, minute) = (6 + i / 10, 5 * (i % 10));
        let _ = writeln!(
            text,
            "{i},2025-04-02T{hour:02}:{minute:02},\"A & <B>\",A,,filter,0.15,north,12000,{out},2025-03-01,0.112,0.003,20,10"
        );
    }
    text
}

#[test]
fn every_batch_has_its_mark_and_odd_ones_a_shape_of_their_own() {
    let batches = csv::read_batches(&log()).expect("sound");
    let learner = csv::replay(&batches, Settings::default()).expect("in order");
    let svg = chart::of_log(&batches, &learner);
    assert_eq!(svg.matches("class=\"dot\"").count(), 37);
    assert_eq!(svg.matches("class=\"odd\"").count(), 3);
    for needed in [
        "<title",
        "<desc",
        "role=\"img\"",
        "A &amp; &lt;B&gt;, filter",
        "3 outside their expected range",
    ] {
        assert!(svg.contains(needed), "{needed}");
    }
    assert_eq!(svg.matches("<g ").count(), svg.matches("</g>").count());
    assert!(!svg.contains("NaN") && !svg.contains("inf"));
    assert!(
        !svg.contains("<style") && !svg.contains("style="),
        "pages allow no style element"
    );
}

#[test]
fn the_table_names_what_stood_out() {
    let batches = csv::read_batches(&log()).expect("sound");
    let learner = csv::replay(&batches, Settings::default()).expect("in order");
    let table = text_table(&batches, &learner);
    assert!(
        table.contains("30 A & <B> filter: more loss")
            && table.contains("likeliest: a whole kilogram off"),
        "{table}"
    );
    assert!(
        table.contains("36 A & <B> filter: impossible loss") && table.contains("drift notices"),
        "{table}"
    );
}
