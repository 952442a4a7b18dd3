//! How a lot's green in store went down, day by day, and when it runs out if it goes on like that.

use std::fmt::Write as _;

use super::escape;
use crate::day::Day;
use crate::green::lasts::Lasts;
use crate::mass::Mass;

/// What the picture is drawn from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Drawdown {
    /// The lot's name.
    pub name: String,
    /// The balance after each day on which it changed, in order.
    pub days: Vec<(Day, Mass)>,
    /// The present day.
    pub today: Day,
    /// How long it lasts at the rate of the last weeks, where that can be said.
    pub lasts: Option<Lasts>,
}

const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 270.0;
/// The plot's left, right, top and bottom.
const LEFT: f64 = 64.0;
const RIGHT: f64 = 708.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 222.0;
/// A day as a label, half again as wide, and some air.
const LABEL: f64 = 130.0;

/// The picture as one SVG document without script or styles.
#[must_use]
pub fn drawdown(of: &Drawdown) -> String {
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"drawdown-title drawdown-desc\" \
         font-family=\"system-ui, sans-serif\" font-size=\"13\" fill=\"currentColor\">\n\
         <title id=\"drawdown-title\">{}</title>\n<desc id=\"drawdown-desc\">{}</desc>\n",
        escape(&title(of)),
        escape(&describe(of)),
    );
    let _ = writeln!(
        out,
        "<text x=\"{LEFT}\" y=\"18\" font-weight=\"600\">{}</text>",
        escape(&title(of))
    );
    if of.days.is_empty() {
        let _ = writeln!(
            out,
            "<text x=\"{LEFT}\" y=\"{}\">Nothing has come yet.</text>",
            f64::midpoint(TOP, BOTTOM)
        );
    } else {
        let scale = Scale::new(of);
        scale.grid(&mut out);
        scale.name_days(&mut out, of);
        steps(&mut out, of, &scale);
        outlook(&mut out, of, &scale);
    }
    out.push_str("</svg>\n");
    out
}

fn title(of: &Drawdown) -> String {
    format!("{}: green in store", of.name)
}

fn describe(of: &Drawdown) -> String {
    let (Some((first, start)), Some((_, now))) = (of.days.first(), of.days.last()) else {
        return "Nothing of this lot has come yet.".to_owned();
    };
    let told = |day: &Day| day.short_on(of.today);
    let most = of.days.iter().max_by_key(|(_, mass)| *mass);
    let most = most
        .map(|(day, mass)| format!("{mass} at most, on {}", told(day)))
        .unwrap_or_default();
    let (first, today) = (told(first), told(&of.today));
    let mut text = format!("{start} on {first}; {most}; {now} on {today}.");
    if let Some((day, _)) = of.days.last().filter(|(_, mass)| *mass == Mass::ZERO) {
        let _ = write!(text, " Used up on {}.", told(day));
    }
    if let Some(lasts) = of.lasts {
        let _ = write!(text, " {}", runs_out(&lasts, of.today));
    }
    text
}

/// The outlook in words.
fn runs_out(lasts: &Lasts, today: Day) -> String {
    let Lasts {
        week_g,
        day,
        earliest,
        latest,
        ..
    } = lasts;
    let [day, earliest, latest] = [day, earliest, latest].map(|day| day.short_on(today));
    let range = if earliest == latest {
        String::new()
    } else {
        format!(" ({earliest} to {latest})")
    };
    format!("At {week_g} a week it runs out on {day}{range}.")
}

struct Scale {
    first: Day,
    last: Day,
    days: f64,
    step_mg: i64,
    lines: i64,
}

impl Scale {
    fn new(of: &Drawdown) -> Self {
        let first = of.days.first().map_or(of.today, |(day, _)| *day);
        let last = of.days.last().map_or(of.today, |(day, _)| *day);
        let mut last = last.max(of.today);
        if let Some(lasts) = of.lasts {
            // The way ahead takes at most as much room as the way behind, or a month.
            let ahead = of.today.since(first).max(28);
            last = last.max(lasts.latest.min(of.today.plus(ahead)));
        }
        let most = of.days.iter().map(|(_, mass)| mass.mg()).max();
        let most = most.unwrap_or(0).max(1_000);
        let step_mg = tidy_step(most / 4);
        Self {
            first,
            last,
            days: days(first, last).max(1.0),
            step_mg,
            lines: (most + step_mg - 1) / step_mg,
        }
    }

    fn x(&self, day: Day) -> f64 {
        LEFT + (RIGHT - LEFT) * days(self.first, day) / self.days
    }

    fn y(&self, mass: Mass) -> f64 {
        let top = Mass::from_mg(self.lines * self.step_mg).unwrap_or(Mass::MAX);
        BOTTOM - (BOTTOM - TOP) * (mass.grams() / top.grams()).clamp(0.0, 1.0)
    }

    fn grid(&self, out: &mut String) {
        for line in 0..=self.lines {
            let mass = Mass::from_mg(line * self.step_mg).unwrap_or(Mass::MAX);
            let y = self.y(mass);
            let _ = writeln!(
                out,
                "<line x1=\"{LEFT}\" y1=\"{y:.1}\" x2=\"{RIGHT}\" y2=\"{y:.1}\" stroke=\"currentColor\" stroke-opacity=\"0.25\"/>\
                 <text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{mass}</text>",
                LEFT - 6.0,
                y + 4.5,
            );
        }
    }

    /// The first and the last day below the plot, and today between them where there is room; one day alone stands once.
    fn name_days(&self, out: &mut String, of: &Drawdown) {
        let mut named = vec![(self.first, "start")];
        if self.last != self.first {
            named.push((self.last, "end"));
        }
        let today = self.x(of.today);
        if today - LEFT > LABEL && RIGHT - today > LABEL {
            named.push((of.today, "middle"));
        }
        for (day, anchor) in named {
            let _ = writeln!(
                out,
                "<text x=\"{:.1}\" y=\"{}\" text-anchor=\"{anchor}\">{}</text>",
                self.x(day),
                BOTTOM + 20.0,
                day.short_on(of.today),
            );
        }
        if today < RIGHT {
            let _ = writeln!(
                out,
                "<line x1=\"{today:.1}\" y1=\"{TOP}\" x2=\"{today:.1}\" y2=\"{BOTTOM}\" stroke=\"currentColor\" stroke-opacity=\"0.5\" stroke-dasharray=\"2 4\"/>"
            );
        }
    }
}

/// Whole days between two days, as a float.
fn days(from: Day, to: Day) -> f64 {
    f64::from(u32::try_from(to.since(from)).unwrap_or(0))
}

/// The smallest of 1, 2 and 5 times a power of ten that is at least `step`.
fn tidy_step(step: i64) -> i64 {
    let mut power = 1;
    loop {
        for tidy in [power, 2 * power, 5 * power] {
            if tidy >= step {
                return tidy;
            }
        }
        power *= 10;
    }
}

/// The balance as a line of steps with the ground below it filled.
fn steps(out: &mut String, of: &Drawdown, scale: &Scale) {
    let mut path = String::new();
    for (i, (day, mass)) in of.days.iter().enumerate() {
        let (x, y) = (scale.x(*day), scale.y(*mass));
        let _ = if i == 0 {
            write!(path, "M{x:.1} {y:.1}")
        } else {
            write!(path, "H{x:.1}V{y:.1}")
        };
    }
    let until = of.days.last().map_or(of.today, |(day, _)| *day);
    let _ = write!(path, "H{:.1}", scale.x(until.max(of.today)));
    let _ = writeln!(
        out,
        "<path d=\"{path}V{BOTTOM}H{:.1}Z\" fill-opacity=\"0.14\"/>\n<path d=\"{path}\" fill=\"none\" stroke=\"currentColor\" stroke-width=\"2\" stroke-linejoin=\"round\"/>",
        scale.x(scale.first),
    );
}

/// The way ahead: a wedge from today's balance to the range of days on which it runs out, with the likeliest one dashed.
fn outlook(out: &mut String, of: &Drawdown, scale: &Scale) {
    let (Some(lasts), Some((_, now))) = (of.lasts, of.days.last()) else {
        return;
    };
    let (x, y) = (scale.x(of.today), scale.y(*now));
    // What lies beyond the plot is cut off at its edge.
    let end = |day: Day| {
        let to = scale.x(day);
        let (at, part) = if to <= RIGHT {
            (to, 1.0)
        } else {
            (RIGHT, (RIGHT - x) / (to - x))
        };
        (at, y + (BOTTOM - y) * part)
    };
    let ((x0, y0), (x1, y1), (x2, y2)) = (end(lasts.earliest), end(lasts.day), end(lasts.latest));
    let _ = writeln!(
        out,
        "<path d=\"M{x:.1} {y:.1}L{x0:.1} {y0:.1}L{x2:.1} {BOTTOM}L{x2:.1} {y2:.1}Z\" fill-opacity=\"0.18\"/>\n\
         <path d=\"M{x:.1} {y:.1}L{x1:.1} {y1:.1}\" fill=\"none\" stroke=\"currentColor\" stroke-width=\"2\" stroke-dasharray=\"6 5\"/>\n\
         <text x=\"{RIGHT}\" y=\"{}\" text-anchor=\"end\">{}</text>",
        HEIGHT - 5.0,
        escape(&runs_out(&lasts, of.today)),
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kilograms(kg: i64) -> Mass {
        Mass::from_grams(kg * 1_000).unwrap()
    }

    fn day(text: &str) -> Day {
        text.parse().unwrap()
    }

    #[test]
    fn the_picture_says_in_words_what_it_shows() {
        let of = Drawdown {
            name: "Alder <AA> & \"son\"".to_owned(),
            days: vec![
                (day("2026-11-02"), kilograms(600)),
                (day("2026-11-10"), kilograms(588)),
                (day("2026-11-20"), Mass::ZERO),
            ],
            today: day("2026-11-25"),
            lasts: None,
        };
        let svg = drawdown(&of);
        assert!(svg.contains("Alder &lt;AA&gt; &amp; &quot;son&quot;: green in store</title>"));
        assert!(svg.contains("600 kg on Mon 2 Nov; 600 kg at most, on Mon 2 Nov; 0 g on Wed 25 Nov. Used up on Fri 20 Nov."));
        assert!(
            !svg.contains("<style") && !svg.contains("style="),
            "pages forbid styles from elsewhere"
        );
        // 23 days across 644: the tenth day is at 64 + 644 * 8 / 23; 600 kg is the top.
        assert!(svg.contains("M64.0 34.0H288.0V"), "{svg}");
    }

    #[test]
    fn days_of_other_years_have_their_year() {
        let of = Drawdown {
            name: "Old".to_owned(),
            days: vec![(day("2025-11-02"), kilograms(600))],
            today: day("2026-11-25"),
            lasts: None,
        };
        let svg = drawdown(&of);
        assert!(
            svg.contains("600 kg on 2 Nov 2025;") && svg.contains(">2 Nov 2025</text>"),
            "{svg}"
        );
        assert!(svg.contains(">Wed 25 Nov</text>"), "{svg}");
    }

    #[test]
    fn an_empty_lot_has_a_picture_too() {
        let of = Drawdown {
            name: "New".to_owned(),
            days: Vec::new(),
            today: day("2026-11-25"),
            lasts: None,
        };
        assert!(drawdown(&of).contains("Nothing has come yet."));
    }

    #[test]
    fn one_day_is_named_once() {
        let of = Drawdown {
            name: "New".to_owned(),
            days: vec![(day("2026-11-25"), kilograms(60))],
            today: day("2026-11-25"),
            lasts: None,
        };
        let svg = drawdown(&of);
        assert_eq!(svg.matches(">Wed 25 Nov</text>").count(), 1, "{svg}");
    }

    #[test]
    fn the_way_ahead_ends_where_it_runs_out() {
        let of = Drawdown {
            name: "Alder".to_owned(),
            days: vec![
                (day("2026-11-01"), kilograms(100)),
                (day("2026-11-21"), kilograms(50)),
            ],
            today: day("2026-11-21"),
            lasts: Some(Lasts {
                week_g: kilograms(17),
                weeks: 3,
                day: day("2026-12-11"),
                earliest: day("2026-12-06"),
                latest: day("2026-12-18"),
            }),
        };
        let svg = drawdown(&of);
        assert!(
            svg.contains("At 17 kg a week it runs out on Fri 11 Dec (Sun 6 Dec to Fri 18 Dec)."),
            "{svg}"
        );
        // 47 days across 644: today is at 64 + 644 · 20/47 = 338.0; half of what stands is halfway down: 128; the end is at 64 + 644 · 40/47.
        assert!(
            svg.contains("<path d=\"M338.0 128.0L612.1 222.0\""),
            "{svg}"
        );
    }

    #[test]
    fn steps_are_tidy() {
        for (step, tidy) in [
            (0, 1),
            (3, 5),
            (10, 10),
            (11, 20),
            (30_000, 50_000),
            (150_000, 200_000),
        ] {
            assert_eq!(tidy_step(step), tidy);
        }
    }
}
