//! Where coffee came from and where it went: places from left to right, and the mass on every way between them.

use std::fmt::Write as _;

use super::escape;
use crate::mass::Mass;

/// What the picture is drawn from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trace {
    /// What it begins with.
    pub name: String,
    /// Places where the coffee was.
    pub boxes: Vec<TraceBox>,
    /// What went between them.
    pub ways: Vec<TraceWay>,
}

/// A place, or several that are drawn as one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TraceBox {
    /// How far from the left, from 0.
    pub column: u8,
    /// What kind of place.
    pub kind: String,
    /// What it is called.
    pub name: String,
    /// How many places it stands for.
    pub stops: u32,
    /// Whether the trace begins here.
    pub start: bool,
    /// What stands there now.
    pub stands: Mass,
}

/// What went from one box to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TraceWay {
    /// The number of the box it left.
    pub from: usize,
    /// The number of the box it came to.
    pub to: usize,
    /// How much.
    pub mass: Mass,
}

const BOX: (f64, f64) = (176.0, 46.0);
const GAP: (f64, f64) = (84.0, 16.0);
const TOP: f64 = 40.0;
/// Letters of a name that fit into a box.
const LETTERS: usize = 25;

/// The picture as one SVG document without script or styles.
#[must_use]
pub fn trace(of: &Trace) -> String {
    let placed = Placed::new(of);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {:.0} {:.0}\" role=\"img\" aria-labelledby=\"trace-title trace-desc\" \
         font-family=\"system-ui, sans-serif\" font-size=\"12\" fill=\"currentColor\">\n<title id=\"trace-title\">{}</title>\n\
         <desc id=\"trace-desc\">{}</desc>\n<text x=\"8\" y=\"20\" font-size=\"14\" font-weight=\"600\">{}</text>\n",
        placed.width,
        placed.height,
        escape(&title(of)),
        escape(&describe(of)),
        escape(&title(of)),
    );
    for way in &of.ways {
        placed.way(&mut out, of, way);
    }
    for (at, place) in of.boxes.iter().enumerate() {
        placed.draw(&mut out, at, place);
    }
    out.push_str("</svg>\n");
    out
}

fn title(of: &Trace) -> String {
    format!("Trace of {}", of.name)
}

/// Every way in words.
fn describe(of: &Trace) -> String {
    let said = |at: usize| format!("{} {}", of.boxes[at].kind, of.boxes[at].name);
    let ways = of
        .ways
        .iter()
        .map(|way| format!("{} from {} to {}", way.mass, said(way.from), said(way.to)));
    let ways: Vec<String> = ways.collect();
    if ways.is_empty() {
        "Nothing has moved.".to_owned()
    } else {
        format!("{}.", ways.join("; "))
    }
}

/// Where each box stands.
struct Placed {
    at: Vec<(f64, f64)>,
    /// How many ways come to each box.
    coming: Vec<usize>,
    most: i64,
    width: f64,
    height: f64,
}

impl Placed {
    fn new(of: &Trace) -> Self {
        let mut used: Vec<u8> = of.boxes.iter().map(|place| place.column).collect();
        used.sort_unstable();
        used.dedup();
        let mut rows = vec![0.0; used.len()];
        let mut at = Vec::with_capacity(of.boxes.len());
        let mut across = 0.0_f64;
        for place in &of.boxes {
            let column = used.iter().position(|c| *c == place.column).unwrap_or(0);
            let x = 8.0 + (BOX.0 + GAP.0) * steps(column);
            at.push((x, TOP + (BOX.1 + GAP.1) * rows[column]));
            rows[column] += 1.0;
            across = across.max(x + BOX.0 + 8.0);
        }
        let down = rows.iter().copied().fold(1.0, f64::max);
        let mut coming = vec![0; of.boxes.len()];
        for way in &of.ways {
            coming[way.to] += 1;
        }
        Self {
            at,
            coming,
            most: of.ways.iter().map(|way| way.mass.mg()).max().unwrap_or(1),
            width: across.max(360.0),
            height: TOP + (BOX.1 + GAP.1) * down,
        }
    }

    fn draw(&self, out: &mut String, at: usize, place: &TraceBox) {
        let (x, y) = self.at[at];
        let stroke = if place.start { "2.5" } else { "1" };
        let kind = if place.stops > 1 {
            format!("{} × {}", place.stops, place.kind)
        } else {
            place.kind.clone()
        };
        let stands = if place.stands.is_positive() {
            format!(" · {} here", place.stands)
        } else {
            String::new()
        };
        let _ = writeln!(
            out,
            "<g><title>{}</title><rect x=\"{x:.0}\" y=\"{y:.0}\" width=\"{}\" height=\"{}\" rx=\"5\" fill=\"none\" stroke=\"currentColor\" \
             stroke-width=\"{stroke}\"/><text x=\"{:.0}\" y=\"{:.0}\" fill-opacity=\"0.75\">{}</text><text x=\"{:.0}\" y=\"{:.0}\" \
             font-weight=\"600\">{}</text></g>",
            escape(&format!("{kind}: {}{stands}", place.name)),
            BOX.0,
            BOX.1,
            x + 9.0,
            y + 18.0,
            escape(&short(&format!("{kind}{stands}"))),
            x + 9.0,
            y + 36.0,
            escape(&short(&place.name)),
        );
    }

    /// A way as a band as wide as its mass, with the mass where no other is written: before the box if no other way comes to it, else
    /// behind the box it left.
    fn way(&self, out: &mut String, of: &Trace, way: &TraceWay) {
        let ((x1, y1), (x2, y2)) = (self.at[way.from], self.at[way.to]);
        let (x1, y1, y2) = (x1 + BOX.0, y1 + BOX.1 / 2.0, y2 + BOX.1 / 2.0);
        let bend = (x2 - x1).abs().max(60.0) / 2.0;
        let width = 1.5
            + 8.0 * way.mass.grams().max(0.0).sqrt()
                / Mass::from_mg(self.most).unwrap_or(Mass::MAX).grams().sqrt();
        let told = format!(
            "{}: {} to {}",
            way.mass, of.boxes[way.from].name, of.boxes[way.to].name
        );
        let _ = writeln!(
            out,
            "<path d=\"M{x1:.0} {y1:.1}C{:.0} {y1:.1} {:.0} {y2:.1} {x2:.0} {y2:.1}\" fill=\"none\" stroke=\"currentColor\" \
             stroke-opacity=\"0.22\" stroke-width=\"{width:.1}\"><title>{}</title></path>",
            x1 + bend,
            x2 - bend,
            escape(&told),
        );
        let (x, y, anchor) = if self.coming[way.to] == 1 {
            (x2 - 6.0, y2 - 5.0, "end")
        } else {
            (x1 + 6.0, y1 - 5.0, "start")
        };
        let _ = writeln!(
            out,
            "<text x=\"{x:.0}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{}</text>",
            way.mass
        );
    }
}

fn steps(column: usize) -> f64 {
    u32::try_from(column).map_or(0.0, f64::from)
}

/// A name as far as it fits.
fn short(name: &str) -> String {
    if name.chars().count() <= LETTERS {
        return name.to_owned();
    }
    let kept: String = name.chars().take(LETTERS - 1).collect();
    format!("{kept}…")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(column: u8, name: &str) -> TraceBox {
        TraceBox {
            column,
            kind: "roasted".to_owned(),
            name: name.to_owned(),
            stops: 1,
            start: column == 0,
            stands: Mass::ZERO,
        }
    }

    #[test]
    fn says_every_way_in_words_and_escapes_names() {
        let of = Trace {
            name: "Lot <1>".to_owned(),
            boxes: vec![
                place(0, "A & B"),
                place(3, "a name that is much longer than any box is wide"),
            ],
            ways: vec![TraceWay {
                from: 0,
                to: 1,
                mass: Mass::from_grams(8_650).unwrap(),
            }],
        };
        let drawn = trace(&of);
        assert!(
            drawn.contains("<title id=\"trace-title\">Trace of Lot &lt;1&gt;</title>"),
            "{drawn}"
        );
        assert!(
            drawn.contains("8.65 kg from roasted A &amp; B to roasted a name that is"),
            "{drawn}"
        );
        assert!(drawn.contains("a name that is much long…"), "{drawn}");
        assert!(!drawn.contains("<style") && !drawn.contains("<script"));
    }
}
