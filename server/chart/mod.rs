//! Pictures (SVG) of the book. Each says the same in words, in its title and description, and reads on light and dark ground.
//!
//! Pictures are set into pages whose rules forbid styles from elsewhere, so everything is an attribute, and what is drawn takes the
//! page's own colour.

mod code;
mod drawdown;
mod trace;

pub use code::code;
pub use drawdown::{Drawdown, drawdown};
pub use trace::{Trace, TraceBox, TraceWay, trace};

/// Text as it may stand in an SVG document.
fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}
