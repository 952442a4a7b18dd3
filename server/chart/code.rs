//! A text as a code that cameras read (ISO/IEC 18004), with its quiet zone of four modules.

use std::fmt::Write as _;

use qrcodegen::{QrCode, QrCodeEcc};

const QUIET: i32 = 4;

/// The code of a text as a picture; none where the text is too long for one (about two thousand characters).
#[must_use]
pub fn code(text: &str) -> Option<String> {
    let code = QrCode::encode_text(text, QrCodeEcc::Medium).ok()?;
    let size = code.size();
    let mut path = String::new();
    for y in 0..size {
        for x in (0..size).filter(|x| code.get_module(*x, y)) {
            let _ = write!(path, "M{},{}h1v1h-1z", x + QUIET, y + QUIET);
        }
    }
    let side = size + 2 * QUIET;
    Some(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {side} {side}\" role=\"img\" shape-rendering=\"crispEdges\">\
         <title>{}</title><rect width=\"{side}\" height=\"{side}\" fill=\"#fff\"/><path d=\"{path}\" fill=\"#000\"/></svg>",
        super::escape(text)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Version 1 has 21 modules a side (ISO/IEC 18004, table 1); three corners hold the finder: seven dark modules in a row.
    #[test]
    fn a_short_text_is_the_smallest_code() {
        let svg = code("7K3M-Q2XD").unwrap();
        assert!(svg.contains("viewBox=\"0 0 29 29\""), "{svg}");
        for x in 4..11 {
            assert!(svg.contains(&format!("M{x},4h1v1h-1z")), "{x}");
        }
        assert!(!svg.contains("M11,4h1"), "the finder stands apart");
        assert!(code(&"x".repeat(5_000)).is_none());
    }
}
