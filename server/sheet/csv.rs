//! Sheets as text, in the forms that spreadsheets save.

use super::{Row, Sheet, wrong};
use crate::refusal::LineError;

/// Stands before the first line, where a program has written one.
pub const BYTE_ORDER_MARK: char = '\u{feff}';

/// Bytes as text: UTF-8, or UTF-16 with its mark, which some spreadsheets call Unicode text.
pub fn decode(bytes: &[u8]) -> Result<String, LineError> {
    let units = |read: fn([u8; 2]) -> u16| {
        let units: Vec<u16> = bytes[2..]
            .as_chunks::<2>()
            .0
            .iter()
            .map(|two| read(*two))
            .collect();
        String::from_utf16(&units).ok()
    };
    let text = match bytes {
        [0xff, 0xfe, ..] => units(u16::from_le_bytes),
        [0xfe, 0xff, ..] => units(u16::from_be_bytes),
        _ => std::str::from_utf8(bytes).ok().map(ToOwned::to_owned),
    };
    text.filter(|text| !text.contains('\0'))
        .ok_or_else(|| wrong(1, "", "", "save the table as CSV in UTF-8, or as XLSX"))
}

/// Reads text.
pub fn read(text: &str) -> Result<Sheet, LineError> {
    let text = text.trim_start_matches(BYTE_ORDER_MARK);
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(separator(text))
        .flexible(true)
        .has_headers(false)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let (mut rows, mut unreadable) = (Vec::new(), Vec::new());
    let mut lines = Lines::of(text);
    for record in reader.records() {
        match record {
            Ok(record) => rows.push(Row {
                line: lines.at(record.position()),
                cells: record.iter().map(ToOwned::to_owned).collect(),
            }),
            Err(error) => {
                let line = lines.at(error.position());
                let detail = format!("this line cannot be read as a table: {error}");
                unreadable.push(wrong(line, "", "", detail));
            }
        }
    }
    Sheet::of_rows(rows, unreadable)
}

/// Counts lines as a person does. The reader's own count stops before the empty lines and line ends that it skips ahead of a record.
struct Lines<'a> {
    text: &'a [u8],
    counted_to: usize,
    line: u64,
}

impl<'a> Lines<'a> {
    const fn of(text: &'a str) -> Self {
        Self {
            text: text.as_bytes(),
            counted_to: 0,
            line: 1,
        }
    }

    /// The line on which a record begins; positions come in order.
    fn at(&mut self, position: Option<&csv::Position>) -> u64 {
        let byte = position.map_or(0, csv::Position::byte);
        let mut to = usize::try_from(byte).unwrap_or(0).min(self.text.len());
        while matches!(self.text.get(to), Some(b'\r' | b'\n')) {
            to += 1;
        }
        for at in self.counted_to..to {
            let ends = self.text[at] == b'\n'
                || (self.text[at] == b'\r' && self.text.get(at + 1) != Some(&b'\n'));
            self.line += u64::from(ends);
        }
        self.counted_to = self.counted_to.max(to);
        self.line
    }
}

/// The sign that stands most often between the names of the first line with anything in it.
fn separator(text: &str) -> u8 {
    let header = text.lines().find(|line| !line.trim().is_empty());
    let count = |sign: u8| {
        let mut quoted = false;
        let bytes = header.unwrap_or_default().bytes();
        bytes
            .filter(|byte| {
                quoted ^= *byte == b'"';
                !quoted && *byte == sign
            })
            .count()
    };
    [b',', b';', b'\t']
        .into_iter()
        .rev()
        .max_by_key(|sign| count(*sign))
        .unwrap_or(b',')
}

/// Writes a sheet so that every row stands on its own line; breaks inside a cell become blanks.
pub fn write(sheet: &Sheet) -> String {
    let mut text = String::new();
    let mut line = 1;
    let head = (sheet.heading_line, &sheet.headings);
    let rows = sheet.rows.iter().map(|row| (row.line, &row.cells));
    for (at, cells) in std::iter::once(head).chain(rows) {
        while line < at {
            text.push('\n');
            line += 1;
        }
        let quoted: Vec<String> = cells.iter().map(|cell| quote(cell)).collect();
        text.push_str(&quoted.join(","));
        text.push('\n');
        line += 1;
    }
    text
}

fn quote(cell: &str) -> String {
    let cell = cell.replace(['\r', '\n'], " ");
    if cell.contains([',', ';', '\t', '"']) {
        format!("\"{}\"", cell.replace('"', "\"\""))
    } else {
        cell
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_table_in_the_forms_that_spreadsheets_save() {
        let plain = read("day,coffee,green\n2026-11-25,Kivu,12.5\n").unwrap();
        for text in [
            "\u{feff}day;coffee;green\r\n2026-11-25;Kivu;12.5\r\n",
            "day\tcoffee\tgreen\n2026-11-25\t Kivu \t12.5\n",
            "day,coffee,green\n2026-11-25,\"Kivu\",12.5",
            "\"\u{feff}day\",coffee,green\n2026-11-25,Kivu\u{feff},12.5\n",
        ] {
            assert_eq!(read(text).unwrap(), plain, "{text}");
        }
        for utf16 in [u16::to_le_bytes as fn(u16) -> [u8; 2], u16::to_be_bytes] {
            let text = "\u{feff}day\tcoffee\tgreen\n2026-11-25\tKivu\t12.5\n";
            let bytes: Vec<u8> = text.encode_utf16().flat_map(utf16).collect();
            assert_eq!(Sheet::of_file(&bytes).unwrap(), plain);
        }
    }

    #[test]
    fn lines_are_those_a_person_sees() {
        let sheet = read("\n\na;b\n\n1;2\n;\n\"x\ny\";4\n5;6\n").unwrap();
        let lines: Vec<u64> = sheet.rows.iter().map(|row| row.line).collect();
        assert_eq!((sheet.heading_line, lines), (3, vec![5, 7, 9]));
    }

    #[test]
    fn text_keeps_lines_and_cells() {
        let sheet = read("a,b\n\n\"x, \"\"y\"\"\",2\n\n\n3,4\n").unwrap();
        assert_eq!(read(&sheet.text()).unwrap(), sheet);
    }

    #[test]
    fn what_is_no_table_is_said() {
        for bytes in [&b""[..], b"\n\n", b"\xff\x00\x12", b"a\0b", b"\xff\xfe\x00"] {
            assert!(Sheet::of_file(bytes).is_err(), "{bytes:?}");
        }
    }
}
