//! Loss with its expected range, lot by lot, as a picture (SVG) that stands alone and reads on light and dark ground.
//!
//! The range is a band, the expected loss a line, a batch a mark: a dot inside the range, a triangle pointing up for more loss than expected
//! and down for less, a cross at the edge for what cannot be. Shape, not colour, tells them apart.

use std::fmt::Write as _;

use super::csv::LoggedBatch;
use super::learner::{Judged, Learner};
use super::range::Outcome;

/// Size of one lot's panel, pixels.
const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 170.0;
/// Plot area inside a panel: left, right, top, bottom.
const PLOT: [f64; 4] = [52.0, 708.0, 30.0, 146.0];

/// How a flagged batch's mark looks: presentation attributes, since pages that show the picture allow no style element.
const ODD: &str = "class=\"odd\" fill=\"none\" stroke=\"#c2511f\" stroke-width=\"2\"";

fn escape(text: &str) -> String {
    text.chars()
        .filter(|c| !c.is_control())
        .fold(String::new(), |mut out, c| {
            match c {
                '&' => out.push_str("&amp;"),
                '<' => out.push_str("&lt;"),
                '>' => out.push_str("&gt;"),
                '"' => out.push_str("&quot;"),
                _ => out.push(c),
            }
            out
        })
}

/// One judged batch of a panel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Loss as weighed.
    pub loss: f64,
    /// Expected loss.
    pub mean: f64,
    /// Ends of the range.
    pub range: [f64; 2],
    /// Verdict.
    pub outcome: Outcome,
}

impl From<&Judged> for Point {
    fn from(judged: &Judged) -> Self {
        let v = &judged.verdict;
        Self {
            loss: v.loss,
            mean: v.mean,
            range: [v.lo, v.hi],
            outcome: v.outcome,
        }
    }
}

/// Scales of a panel.
struct Scale {
    low: f64,
    high: f64,
    count: f64,
}

impl Scale {
    fn new(points: &[Point]) -> Self {
        let shown = points.iter().flat_map(|p| {
            [p.range[0], p.range[1]]
                .into_iter()
                .chain((p.outcome != Outcome::Impossible).then_some(p.loss))
        });
        let (low, high) = shown.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
            (v.min(low), v.max(high))
        });
        let count = f64::from(u32::try_from(points.len()).unwrap_or(u32::MAX));
        Self {
            low: (low * 100.0).floor() / 100.0,
            high: (high * 100.0).ceil() / 100.0,
            count,
        }
    }

    fn x(&self, i: usize) -> f64 {
        let i = f64::from(u32::try_from(i).unwrap_or(u32::MAX));
        PLOT[0] + (PLOT[1] - PLOT[0]) * (i + 0.5) / self.count
    }

    fn y(&self, loss: f64) -> f64 {
        let share = ((loss - self.low) / (self.high - self.low)).clamp(0.0, 1.0);
        PLOT[3] - (PLOT[3] - PLOT[2]) * share
    }
}

fn mark(out: &mut String, x: f64, y: f64, outcome: Outcome) {
    let _ = match outcome {
        Outcome::Ok => write!(
            out,
            "<circle class=\"dot\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2\"/>"
        ),
        Outcome::More => write!(out, "<path {ODD} d=\"M{x:.1} {:.1}l5 9h-10z\"/>", y - 6.0),
        Outcome::Less => write!(out, "<path {ODD} d=\"M{x:.1} {:.1}l5 -9h-10z\"/>", y + 6.0),
        Outcome::Impossible => write!(
            out,
            "<path {ODD} d=\"M{:.1} {:.1}l10 10m0 -10l-10 10\"/>",
            x - 5.0,
            y - 5.0
        ),
    };
}

/// One panel, its left upper corner at 0, 0.
fn panel(out: &mut String, title: &str, points: &[Point]) {
    let scale = Scale::new(points);
    let _ = write!(
        out,
        "<text x=\"{}\" y=\"18\">{}</text>",
        PLOT[0],
        escape(title)
    );
    for loss in [scale.low, scale.high] {
        let y = scale.y(loss);
        let _ = write!(
            out,
            "<path class=\"grid\" stroke=\"currentColor\" stroke-opacity=\"0.25\" d=\"M{} {y:.1}H{}\"/><text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{:.0} %</text>",
            PLOT[0],
            PLOT[1],
            PLOT[0] - 6.0,
            y + 4.0,
            100.0 * loss
        );
    }
    let line = |end: fn(&Point) -> f64| points.iter().enumerate().map(move |(i, p)| (i, end(p)));
    let forth = line(|p| p.range[1]).map(|(i, v)| format!("{:.1},{:.1}", scale.x(i), scale.y(v)));
    let back = line(|p| p.range[0])
        .collect::<Vec<_>>()
        .into_iter()
        .rev()
        .map(|(i, v)| format!("{:.1},{:.1}", scale.x(i), scale.y(v)));
    let _ = write!(
        out,
        "<polygon class=\"band\" fill=\"#6f97ad\" fill-opacity=\"0.4\" points=\"{}\"/>",
        forth.chain(back).collect::<Vec<_>>().join(" ")
    );
    let mean: Vec<String> = line(|p| p.mean)
        .map(|(i, v)| format!("{:.1},{:.1}", scale.x(i), scale.y(v)))
        .collect();
    let _ = write!(
        out,
        "<polyline class=\"mean\" fill=\"none\" stroke=\"#4a86a8\" stroke-width=\"1.5\" points=\"{}\"/><path class=\"axis\" stroke=\"currentColor\" stroke-opacity=\"0.6\" d=\"M{} {}H{}\"/>",
        mean.join(" "),
        PLOT[0],
        PLOT[3],
        PLOT[1]
    );
    for (i, p) in points.iter().enumerate() {
        let loss = if p.loss.is_nan() { scale.high } else { p.loss };
        mark(out, scale.x(i), scale.y(loss), p.outcome);
    }
    let _ = write!(
        out,
        "<text x=\"{}\" y=\"{}\" text-anchor=\"end\">batches in order of time</text>",
        PLOT[1],
        PLOT[3] + 16.0
    );
}

/// A picture of one or several lots: (title, batches in order of time).
#[must_use]
pub fn svg(title: &str, description: &str, lots: &[(String, Vec<Point>)]) -> String {
    let lots: Vec<&(String, Vec<Point>)> = lots
        .iter()
        .filter(|(_, points)| !points.is_empty())
        .collect();
    let height = HEIGHT * f64::from(u32::try_from(lots.len().max(1)).unwrap_or(1));
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" width=\"{WIDTH}\" height=\"{height}\" role=\"img\" \
         aria-labelledby=\"loss-title loss-desc\" font-family=\"system-ui, sans-serif\" font-size=\"12\" fill=\"currentColor\"><title id=\"loss-title\">{}</title><desc id=\"loss-desc\">{}</desc>",
        escape(title),
        escape(description)
    );
    let mut top = 0.0;
    for (name, points) in lots {
        let _ = write!(out, "<g transform=\"translate(0 {top})\">");
        panel(&mut out, name, points);
        out.push_str("</g>");
        top += HEIGHT;
    }
    out.push_str("</svg>\n");
    out
}

/// Picture of a replayed log: one panel per lot and style, in order of their first batch.
#[must_use]
pub fn of_log(batches: &[LoggedBatch], learner: &Learner) -> String {
    let mut lots: Vec<(String, Vec<Point>)> = Vec::new();
    let mut places = std::collections::HashMap::new();
    for (logged, judged) in batches.iter().zip(learner.judged()) {
        let name = format!("{}, {}", logged.batch.lot.id, logged.batch.style.id);
        let place = *places.entry(name.clone()).or_insert_with(|| {
            lots.push((name, Vec::new()));
            lots.len() - 1
        });
        lots[place].1.push(Point::from(judged));
    }
    let flagged = learner
        .judged()
        .iter()
        .filter(|judged| judged.verdict.outcome != Outcome::Ok)
        .count();
    let description = format!(
        "{} batches of {} lots and styles; {flagged} outside their expected range, marked by triangles and crosses.",
        batches.len(),
        lots.len()
    );
    svg(
        "Loss of each lot with its expected range",
        &description,
        &lots,
    )
}
