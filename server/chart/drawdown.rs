//! How a lot's green in store went down, day by day.

use std::fmt::Write as _;

use super::escape;
use crate::day::Day;
use crate::mass::Mass;

/// What the picture is drawn from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Drawdown {
    /// The lot's name.
    pub name: String,
    /// The balance after each day on which it changed, in order.
    pub days: Vec<(Day, Mass)>,
    /// The last day shown.
    pub today: Day,
}

const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 260.0;
/// The plot's left, right, top and bottom.
const LEFT: f64 = 64.0;
const RIGHT: f64 = 708.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 222.0;

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
            "<text x=\"{LEFT}\" y=\"{}\">nothing has come yet</text>",
            f64::midpoint(TOP, BOTTOM)
        );
    } else {
        let scale = Scale::new(of);
        scale.grid(&mut out);
        steps(&mut out, of, &scale);
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
    let most = of.days.iter().max_by_key(|(_, mass)| *mass);
    let most = most
        .map(|(day, mass)| format!("{mass} at most, on {day}"))
        .unwrap_or_default();
    let mut text = format!("{start} on {first}; {most}; {now} on {}.", of.today);
    if let Some((day, _)) = of.days.last().filter(|(_, mass)| *mass == Mass::ZERO) {
        let _ = write!(text, " Used up on {day}.");
    }
    text
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
        let last = last.max(of.today);
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
        for (day, anchor) in [(self.first, "start"), (self.last, "end")] {
            let _ = writeln!(
                out,
                "<text x=\"{:.1}\" y=\"{}\" text-anchor=\"{anchor}\">{day}</text>",
                self.x(day),
                BOTTOM + 20.0,
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
    let _ = write!(path, "H{:.1}", scale.x(scale.last));
    let _ = writeln!(
        out,
        "<path d=\"{path}V{BOTTOM}H{:.1}Z\" fill-opacity=\"0.14\"/>\n<path d=\"{path}\" fill=\"none\" stroke=\"currentColor\" stroke-width=\"2\" stroke-linejoin=\"round\"/>",
        scale.x(scale.first),
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
        };
        let svg = drawdown(&of);
        assert!(svg.contains("Alder &lt;AA&gt; &amp; &quot;son&quot;: green in store</title>"));
        assert!(svg.contains("600 kg on 2026-11-02; 600 kg at most, on 2026-11-02; 0 g on 2026-11-25. Used up on 2026-11-20."));
        assert!(
            !svg.contains("<style") && !svg.contains("style="),
            "pages forbid styles from elsewhere"
        );
        // 23 days across 644: the tenth day is at 64 + 644 * 8 / 23; 600 kg is the top.
        assert!(svg.contains("M64.0 34.0H288.0V"), "{svg}");
    }

    #[test]
    fn an_empty_lot_has_a_picture_too() {
        let of = Drawdown {
            name: "New".to_owned(),
            days: Vec::new(),
            today: day("2026-11-25"),
        };
        assert!(drawdown(&of).contains("nothing has come yet"));
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
