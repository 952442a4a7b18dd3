//! Roast logs as files: every bad cell is named, and the learner's CSV has one line per row.

use outturn::loss::{Settings, csv};

const HEADER: &str = "batch_id,time,lot,delivery,grade,style,style_loss,roaster,green_g,roasted_g,received,moisture,moisture_sd,d_in_g,d_out_g";

#[test]
fn bad_cells_are_named_and_nothing_is_read() {
    let text = format!(
        "{HEADER}\n1,2025-04-01T09:30,Orsane AA,Orsane,AA,filter,0.15,north,12000,10200,2025-03-01,0.112,0.003,20,10\n\
         2,2025-02-30T09:30,Orsane AA,Orsane,AA,filter,15,north,-5,1e400,2025-03-01,0.112,,20,10\n\
         1,2025-04-01T09:55,,Orsane,AA,filter,0.15,north,12000,NaN,2025-03-01,,,20,10\n3,short\n"
    );
    let errors = csv::read_batches(&text).expect_err("bad cells");
    let cells: Vec<(u64, &str, &str)> = errors
        .iter()
        .map(|e| (e.line, e.column.as_str(), e.value.as_str()))
        .collect();
    for cell in [
        (3, "time", "2025-02-30T09:30"),
        (3, "style_loss", "15"),
        (3, "green_g", "-5"),
        (3, "roasted_g", "1e400"),
        (3, "moisture_sd", ""),
        (4, "lot", ""),
        (4, "roasted_g", "NaN"),
        (4, "batch_id", "1"),
        (5, "", ""),
    ] {
        assert!(cells.contains(&cell), "{cell:?} not in {cells:?}");
    }
    assert_eq!(errors.len(), 9, "{errors:?}");
    assert!(errors[0].to_string().starts_with("line 3, column"));
}

#[test]
fn a_missing_column_is_named() {
    let errors = csv::read_batches("batch_id,time\n").expect_err("no columns");
    assert!(errors[0].expected.contains("roasted_g"));
}

#[test]
fn rows_out_of_order_are_refused() {
    let row = |id: u32, time: &str| {
        format!("{id},{time},A,A,,filter,0.15,north,12000,10200,2025-03-01,,,20,10")
    };
    let batches = csv::read_batches(&format!(
        "{HEADER}\n{}\n{}\n",
        row(1, "2025-04-02T09:30"),
        row(2, "2025-04-01T09:30")
    ))
    .expect("sound cells");
    assert_eq!(
        csv::replay(&batches, Settings::default())
            .expect_err("out of order")
            .line,
        3
    );
}

#[test]
fn one_line_per_row() {
    let row = |id: u32, out: u32| {
        format!(
            "{id},2025-04-02T09:30,\"A, B\",A,,filter,0.15,north,12000,{out},2025-03-01,,,20,10"
        )
    };
    let batches = csv::read_batches(&format!(
        "{HEADER}\n{}\n{}\n{}\n",
        row(1, 10_200),
        row(2, 10_210),
        row(3, 2_000)
    ))
    .expect("sound");
    let learner = csv::replay(&batches, Settings::default()).expect("in order");
    let out = csv::learner_csv(&batches, &learner);
    let lines: Vec<&str> = out.lines().collect();
    assert_eq!(lines.len(), 4);
    assert!(
        lines[1].starts_with("1,0.149") && lines[1].contains(",ok,"),
        "{}",
        lines[1]
    );
    assert!(lines[3].contains(",impossible,"));
}

/// Days by the Gregorian calendar: 1970-01-01 is 0, 2000-03-01 is 11017 (Unix time 951868800 / 86400).
#[test]
fn day_numbers() {
    assert_eq!(csv::day_number(1970, 1, 1), Some(0));
    assert_eq!(csv::day_number(2000, 3, 1), Some(11_017));
    assert_eq!(csv::day_number(2024, 12, 31), Some(20_088));
    assert_eq!(csv::day_number(2025, 2, 29), None);
}
