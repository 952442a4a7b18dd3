//! What the demo shows on the terminal, at most 100 columns wide.

use std::fmt::Write;
use std::time::Duration;

use serde_json::Value;

use super::dispatch::Dispatched;
use super::files::Roastery;
use super::history::Told;
use super::week::{Noticed, Short, Weighed, array, number, text};
use crate::day::Day;

const WIDTH: usize = 98;
const STATEMENT_LINES: usize = 24;

/// The first lines.
pub fn heading(roastery: &Roastery) -> String {
    let name = text(&roastery.site["name"]);
    format!(
        "{name}: an invented roastery; demo/README.md says how its history was made.\nToday is {} there.\n",
        roastery.today.day.short()
    )
}

/// What the history came to.
pub fn history(told: &Told, took: Duration) -> String {
    let mut out = section("Seven months, told as they happened");
    let counts: Vec<String> = told
        .counts
        .iter()
        .map(|(kind, n)| format!("{kind} {n}"))
        .collect();
    paragraph(&mut out, "  ", &format!("{}.", counts.join(", ")));
    let _ = writeln!(out, "  All of it in {:.1} s.", took.as_secs_f64());
    let _ = writeln!(out, "\n  {} weighings stood out:", told.stood_out.len());
    for one in &told.stood_out {
        let (batch, verdict) = (&one.batch, &one.verdict);
        let what = format!("{} {}", name(&batch["lot"]), name(&batch["style"]));
        let _ = writeln!(
            out,
            "  {:>4}  {}  {:<5}{:<24} loss {:>6}, expected {} to {}: {}",
            one.number,
            text(&batch["day"]),
            name(&batch["roaster"]),
            what,
            percent(&verdict["loss"]),
            percent(&verdict["lo"]),
            percent(&verdict["hi"]),
            text(&verdict["judgement"]),
        );
        let _ = writeln!(out, "         {}", one.outcome);
    }
    out
}

/// Green on the book.
pub fn stock(stock: &Value) -> String {
    let mut out = section("Green on the book");
    for lot in array(&stock["lots"])
        .iter()
        .filter(|lot| lot["used_up"] != true)
    {
        let store = number(&lot["store_g"]);
        if store > 0.0 || text(&lot["state"]) == "expected" {
            let mass = if store > 0.0 {
                store
            } else {
                number(&lot["expected_g"])
            };
            let _ = writeln!(
                out,
                "  {:<18}{:>10} kg  {}",
                text(&lot["name"]),
                kilograms(mass),
                text(&lot["state"]).replace('_', " ")
            );
        }
    }
    out
}

/// Drift notices, oldest first.
pub fn notices(notices: &[Noticed]) -> String {
    let mut out = section("Drift notices");
    if notices.is_empty() {
        out.push_str("  None.\n");
    }
    for notice in notices.iter().rev() {
        let when = format!("  since {}, noticed {}: ", notice.since, notice.raised);
        paragraph(&mut out, &when, &notice.sentence);
    }
    out
}

/// A plan by day, and what is short.
pub fn plan(plan: &Value, short: &[Short]) -> String {
    let mut out = section("The coming week");
    for (day, roaster, hours) in days(plan) {
        let batches = array(&plan["batches"]).iter();
        let mut batches: Vec<&Value> = batches
            .filter(|batch| batch["day"] == hours["day"] && batch["roaster"]["id"] == roaster["id"])
            .collect();
        if batches.is_empty() {
            continue;
        }
        batches.sort_by_key(|batch| text(&batch["start"]));
        let used = format!("{} of {} min", hours["used_min"], hours["available_min"]);
        let _ = writeln!(out, "  {day} {}: {used}", text(&roaster["name"]));
        for run in batches.chunk_by(|a, b| (&a["lot"], &a["style"]) == (&b["lot"], &b["style"])) {
            plan_run(&mut out, run);
        }
    }
    write_short(&mut out, short);
    out
}

/// Each day of each roaster, days first: the day in words, the roaster, its hours.
fn days(plan: &Value) -> Vec<(String, &Value, &Value)> {
    let of_roaster = |roaster: &'_ Value| array(&roaster["days"]).len();
    let length = array(&plan["roasters"]).iter().map(of_roaster).max();
    let mut days = Vec::new();
    for i in 0..length.unwrap_or_default() {
        for roaster in array(&plan["roasters"]) {
            let hours = &roaster["days"][i];
            let day = text(&hours["day"]).parse::<Day>().map(Day::short);
            days.push((day.unwrap_or_default(), roaster, hours));
        }
    }
    days
}

fn plan_run(out: &mut String, run: &[&Value]) {
    let green: f64 = run.iter().map(|batch| number(&batch["charge_g"])).sum();
    let roasted: f64 = run.iter().map(|batch| number(&batch["expected_g"])).sum();
    let batches = if run.len() == 1 { "batch" } else { "batches" };
    let what = format!("{} {}", name(&run[0]["lot"]), name(&run[0]["style"]));
    let _ = writeln!(
        out,
        "    {}  {:<26}{:>3} {:<8}{:>9} kg green -> {:>8} kg roasted",
        text(&run[0]["start"]),
        what,
        run.len(),
        batches,
        kilograms(green),
        kilograms(roasted),
    );
}

fn write_short(out: &mut String, short: &[Short]) {
    if short.is_empty() {
        out.push_str("\n  Everything ordered can ship.\n");
        return;
    }
    out.push_str("\n  Short:\n");
    for one in short {
        let bags = if one.bags == 1 { "bag" } else { "bags" };
        let what = format!(
            "{} {bags} of {} for {} ({})",
            one.bags, one.product, one.customer, one.order
        );
        paragraph(out, "    ", &format!("{what}: {}", one.sentence));
    }
}

/// The month's dispatch: what its coffees come to for everybody, and where the scarce one goes to large parcels alone.
pub fn dispatch(told: &Dispatched) -> String {
    let mut out = section("The month's dispatch");
    let _ = writeln!(
        out,
        "  {} subscribers; {} of them are left out this time, each with the reason.",
        told.subscribers, told.scarce["left_out_count"]
    );
    for (what, view) in [
        ("The scarce coffee first, for everybody", &told.for_all),
        ("It comes last, for large parcels alone", &told.scarce),
    ] {
        let _ = writeln!(
            out,
            "\n  {what}: {} bags in {} parcels",
            view["bags"], view["parcels"]
        );
        for coffee in array(&view["coffees"]) {
            let covered = if coffee["covered"] == true {
                "covered"
            } else {
                "short"
            };
            let _ = writeln!(
                out,
                "    {:<20}{:>4} bags for {:>3} parcels, {:>5} at most: {covered}",
                text(&coffee["name"]),
                coffee["bags"],
                coffee["reached"],
                coffee["most_bags"],
            );
        }
    }
    let _ = writeln!(
        out,
        "\n  The list is frozen: {} bags in {} parcels, to be packed as {} orders.",
        told.frozen["bags"],
        told.frozen["parcels"],
        array(&told.frozen["orders"]).len()
    );
    out
}

/// What was weighed on the first day.
pub fn floor(weighed: &[Weighed]) -> String {
    let mut out = section("On the floor (the weights are made up, one with two digits exchanged)");
    for one in weighed {
        let what = format!("{} {}", name(&one.card["lot"]), name(&one.card["style"]));
        let _ = writeln!(
            out,
            "  {}  {:<5}{:<24}{:>9} kg in {:>8} kg out",
            text(&one.card["start"]),
            name(&one.card["roaster"]),
            what,
            kilograms(number(&one.batch["weighed_in_g"])),
            kilograms(number(&one.batch["weighed_out_g"])),
        );
        paragraph(&mut out, "         ", text(&one.verdict["sentence"]));
        for explanation in array(&one.explanations).iter().take(2) {
            paragraph(&mut out, "         - ", &explained(explanation));
        }
    }
    out
}

/// What would explain an odd weight, and what the scale would have shown without it.
fn explained(explanation: &Value) -> String {
    let sentence = text(&explanation["sentence"]);
    let right = explanation["right_roasted_g"].as_f64();
    right.map_or_else(
        || sentence.to_owned(),
        |mass| format!("{sentence}: {} kg would be right", kilograms(mass)),
    )
}

/// A lot's statement: its first and last lines where it is long, and its sums.
pub fn statement(lot: &str, statement: &Value) -> String {
    let mut out = section(&format!(
        "Statement of {lot}, {} to {}",
        text(&statement["from"]),
        text(&statement["to"])
    ));
    let _ = writeln!(out, "  {:<74}{:>11} {:>11}", "", "kg", "balance kg");
    statement_line(&mut out, "opening", None, &statement["opening_g"]);
    let lines = array(&statement["lines"]);
    let left_out = lines.len().saturating_sub(STATEMENT_LINES);
    for (i, line) in lines.iter().enumerate() {
        if i == STATEMENT_LINES / 2 && left_out > 0 {
            let _ = writeln!(out, "  ... {left_out} more lines ...");
        }
        if i < STATEMENT_LINES / 2 || i >= STATEMENT_LINES / 2 + left_out {
            let what = format!("{}  {}", text(&line["day"]), told(line));
            statement_line(&mut out, &what, Some(&line["change_g"]), &line["balance_g"]);
        }
    }
    statement_line(&mut out, "closing", None, &statement["closing_g"]);
    let total: f64 = array(&statement["totals"])
        .iter()
        .map(|total| number(&total["mass_g"]))
        .sum();
    out.push_str("\n  Where all of it is, in kg; what came from a supplier has a minus:\n");
    for total in array(&statement["totals"]) {
        let mass = kilograms(number(&total["mass_g"]));
        let _ = writeln!(out, "    {:<40}{mass:>12}", place(total));
    }
    let _ = writeln!(out, "    {:<40}{:>12}", "sum", kilograms(total));
    out
}

/// A place in the words of a statement.
fn place(total: &Value) -> String {
    let word = match text(&total["place"]) {
        "batch" => "weighed in, not yet out",
        "roasted" => "roasted, not yet packed",
        "air" => "roasting and drying loss",
        "variance" => "count difference",
        "sample" => "samples",
        other => other,
    };
    format!("{word} {}", text(&total["key_text"]))
        .trim()
        .to_owned()
}

/// What a line says: of a batch, also what came of it.
fn told(line: &Value) -> String {
    let batch = &line["batch"];
    if batch["loss"].is_null() {
        return text(&line["text"]).to_owned();
    }
    format!(
        "{} {}, {} kg out, loss {} ({:.1} to {})",
        name(&batch["roaster"]),
        name(&batch["style"]),
        kilograms(number(&batch["roasted_g"])),
        percent(&batch["loss"]),
        number(&batch["lo"]) * 100.0,
        percent(&batch["hi"]),
    )
}

fn statement_line(out: &mut String, what: &str, change: Option<&Value>, balance: &Value) {
    let what: String = what.chars().take(74).collect();
    let change = change
        .map(|mass| format!("{:+.3}", number(mass) / 1000.0))
        .unwrap_or_default();
    let _ = writeln!(
        out,
        "  {what:<74}{change:>11} {:>11}",
        kilograms(number(balance))
    );
}

/// What the check of the whole book found.
pub fn verify(report: &Value) -> String {
    let mut out = section("The whole book, checked");
    let verdict = if report["ok"] == true {
        "It holds"
    } else {
        "It does NOT hold"
    };
    let _ = writeln!(
        out,
        "  {verdict}: {} leaves, {} lots that each sum to nothing.",
        report["size"], report["lots"]
    );
    let _ = writeln!(out, "  Root {}", text(&report["root"]));
    for place in array(&report["places"]) {
        let _ = writeln!(out, "  {}: {}", place["where"], place["what"]);
    }
    out
}

fn section(title: &str) -> String {
    let rule = "-".repeat(WIDTH.saturating_sub(title.chars().count() + 4));
    format!("-- {title} {rule}\n")
}

/// Writes a text in lines of at most [`WIDTH`] columns: `first` before the first, blanks of the same length before the others.
fn paragraph(out: &mut String, first: &str, text: &str) {
    let indent = " ".repeat(first.chars().count());
    let mut line = first.to_owned();
    let mut begun = false;
    for word in text.split_whitespace() {
        if begun && line.chars().count() + 1 + word.chars().count() > WIDTH {
            let _ = writeln!(out, "{line}");
            line.clone_from(&indent);
            begun = false;
        }
        if begun {
            line.push(' ');
        }
        line.push_str(word);
        begun = true;
    }
    let _ = writeln!(out, "{line}");
}

fn name(named: &Value) -> &str {
    text(&named["name"])
}

fn kilograms(mass_g: f64) -> String {
    format!("{:.3}", mass_g / 1000.0)
}

fn percent(fraction: &Value) -> String {
    format!("{:.1} %", number(fraction) * 100.0)
}
