//! The plan as a picture: days from left to right, a band per roaster, blocks as long as their minutes.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

use super::table::by_run;
use super::{kilograms, kilograms_of};
use crate::planner::instance::{Instance, Roaster};
use crate::planner::plan::Plan;

const LEFT: i64 = 120;
const TOP: i64 = 56;
const DAY_WIDTH: i64 = 220;
const BAND: i64 = 64;
const BLOCK: i64 = 40;

/// The plan as one SVG document without script, legible on light and dark ground; title and description say the same in words.
#[must_use]
pub fn svg(instance: &Instance, plan: &Plan) -> String {
    let bands = i64::try_from(instance.roasters.len()).unwrap_or(1);
    let (width, height) = (
        LEFT + instance.days * DAY_WIDTH + 16,
        TOP + bands * BAND + 64,
    );
    let styles = styles(plan);
    let mut out = String::new();
    let _ = write!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" role=\"img\" aria-labelledby=\"plan-title plan-desc\">\n\
         <title id=\"plan-title\">Roast plan {}</title>\n<desc id=\"plan-desc\">{}</desc>\n<style>{STYLE}</style>\n\
         <rect class=\"ground\" width=\"{width}\" height=\"{height}\"/>\n",
        escape(&instance.name),
        escape(&describe(instance, plan)),
    );
    days(&mut out, instance, bands);
    let longest = instance
        .roasters
        .iter()
        .flat_map(|r| &r.available_min)
        .copied()
        .max()
        .unwrap_or(1)
        .max(1);
    for (row, roaster) in (0..).zip(&instance.roasters) {
        let y = TOP + row * BAND;
        band(&mut out, instance, plan, roaster, y, longest, &styles);
    }
    legend(&mut out, &styles, TOP + bands * BAND + 8);
    let _ = write!(
        out,
        "<text x=\"{LEFT}\" y=\"{}\">{}</text>\n</svg>\n",
        height - 14,
        escape(&summary(plan))
    );
    out
}

const STYLE: &str = "text{font:13px system-ui,sans-serif;fill:#1b1b1b}.ground{fill:#fff}.room{fill:#eceae6}.line{stroke:#8a8580}\
.run{stroke:#1b1b1b;stroke-width:1}.pinned{stroke-width:3}.start{fill:#8a8580}.in{fill:#fff}\
@media(prefers-color-scheme:dark){text{fill:#f2efe9}.ground{fill:#161514}.room{fill:#2c2a27}.run{stroke:#f2efe9}.in{fill:#fff}}";

fn days(out: &mut String, instance: &Instance, bands: i64) {
    for day in 0..instance.days {
        let x = LEFT + day * DAY_WIDTH;
        let _ = writeln!(
            out,
            "<text x=\"{}\" y=\"{}\">day {day}</text>",
            x + 4,
            TOP - 12
        );
        let _ = writeln!(
            out,
            "<line class=\"line\" x1=\"{x}\" y1=\"{}\" x2=\"{x}\" y2=\"{}\"/>",
            TOP - 8,
            TOP + bands * BAND
        );
    }
}

fn band(
    out: &mut String,
    instance: &Instance,
    plan: &Plan,
    roaster: &Roaster,
    y: i64,
    longest: i64,
    styles: &[&str],
) {
    let _ = writeln!(
        out,
        "<text x=\"8\" y=\"{}\">{}</text>",
        y + 28,
        escape(&roaster.id)
    );
    let scale = |minutes: i64| minutes * (DAY_WIDTH - 12) / longest;
    let pinned = by_run(&plan.batches[..plan.pinned]);
    let mut ends: BTreeMap<i64, i64> = BTreeMap::new();
    for (day, room) in (0..).zip(&roaster.available_min) {
        let x = LEFT + day * DAY_WIDTH + 4;
        let _ = writeln!(
            out,
            "<rect class=\"room\" x=\"{x}\" y=\"{y}\" width=\"{}\" height=\"{BLOCK}\"/>",
            scale(*room)
        );
    }
    for (key, charges) in by_run(&plan.batches) {
        let (day, id, lot, style) = key;
        if id != roaster.id {
            continue;
        }
        let begin = LEFT + day * DAY_WIDTH + 4;
        let at = *ends
            .entry(day)
            .or_insert_with(|| start(out, roaster, day, begin, y, scale(roaster.startup_min)));
        let batches = i64::try_from(charges.len()).unwrap_or(0);
        let minutes = roaster.changeover_min + batches * roaster.cycle_min;
        let coffee = instance.lots.iter().find(|l| l.id == lot);
        let coffee = coffee.map_or("", |l| &l.coffee);
        let said = format!(
            "{coffee} {style}, lot {lot}: {batches} batches, {} kg, {minutes} min",
            kilograms(charges.iter().sum())
        );
        let class = if pinned.contains_key(&key) {
            "run pinned"
        } else {
            "run"
        };
        let fill = colour(styles, style);
        let wide = scale(minutes).max(2);
        run(out, (begin + at, y, wide), (class, fill), batches, &said);
        ends.insert(day, at + scale(minutes));
    }
}

/// Draws batches that follow each other, with how many they are where there is room for it.
fn run(
    out: &mut String,
    (x, y, wide): (i64, i64, i64),
    (class, fill): (&str, &str),
    batches: i64,
    said: &str,
) {
    let _ = writeln!(
        out,
        "<g><title>{}</title><rect class=\"{class}\" x=\"{x}\" y=\"{y}\" width=\"{wide}\" height=\"{BLOCK}\" fill=\"{fill}\"/>",
        escape(said),
    );
    if wide > 24 {
        let _ = writeln!(
            out,
            "<text class=\"in\" x=\"{}\" y=\"{}\">{batches}\u{d7}</text>",
            x + 4,
            y + 25
        );
    }
    out.push_str("</g>\n");
}

/// Draws the start-up of a day and gives where the first run begins.
fn start(out: &mut String, roaster: &Roaster, day: i64, begin: i64, y: i64, wide: i64) -> i64 {
    if roaster.hot_days.contains(&day) || wide == 0 {
        return 0;
    }
    let _ = writeln!(
        out,
        "<g><title>start-up, {} min</title><rect class=\"start\" x=\"{begin}\" y=\"{y}\" width=\"{wide}\" height=\"{BLOCK}\"/></g>",
        roaster.startup_min
    );
    wide
}

/// The styles of a plan, by name.
fn styles(plan: &Plan) -> Vec<&str> {
    let styles: BTreeSet<&str> = plan.batches.iter().map(|b| &*b.style).collect();
    styles.into_iter().collect()
}

/// One of six dark fills, the same for a style wherever it stands; white writing is legible on each.
fn colour(styles: &[&str], style: &str) -> &'static str {
    const FILLS: [&str; 6] = [
        "#7a4a21", "#1f5f8b", "#2e6b3a", "#7b2d5b", "#5b4b9a", "#8a3b2b",
    ];
    let place = styles.iter().position(|s| *s == style).unwrap_or(0);
    FILLS[place % FILLS.len()]
}

/// Says which fill is which style.
fn legend(out: &mut String, styles: &[&str], y: i64) {
    for (place, style) in (0..).zip(styles) {
        let x = LEFT + place * 120;
        let _ = writeln!(
            out,
            "<rect x=\"{x}\" y=\"{y}\" width=\"14\" height=\"14\" fill=\"{}\"/><text x=\"{}\" y=\"{}\">{}</text>",
            colour(styles, style),
            x + 20,
            y + 12,
            escape(style),
        );
    }
}

fn describe(instance: &Instance, plan: &Plan) -> String {
    let mut words = summary(plan);
    for ((day, roaster, lot, style), charges) in by_run(&plan.batches) {
        let kg = kilograms(charges.iter().sum());
        let _ = write!(
            words,
            " Day {day}, {roaster}: {} batches of lot {lot} {style}, {kg} kg.",
            charges.len()
        );
    }
    debug_assert!(instance.days > 0);
    words
}

fn summary(plan: &Plan) -> String {
    let short: i64 = plan.short.iter().map(|s| s.units).sum();
    let short = if short == 0 {
        "nothing short".to_owned()
    } else {
        format!("{} kg short", kilograms_of(short))
    };
    format!(
        "{} batches, {} roaster minutes, {short}.",
        plan.batches.len(),
        plan.levels.minutes
    )
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}
