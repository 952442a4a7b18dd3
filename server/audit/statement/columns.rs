//! The columns of a statement as a table: each once, for text and for workbooks.

use super::Line;
use super::batches::StatementBatch;
use crate::day::{Day, Instant};
use crate::fraction::Fraction;
use crate::mass::Mass;
use crate::text::Name;

/// What stands in a cell.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Cell {
    Nothing,
    Text(String),
    Mass(Mass),
    Share(Fraction),
    Day(Day),
    Time(Instant),
    Number(i64),
}

/// A row of the table.
#[derive(Default)]
pub(super) struct Row<'a> {
    /// Opening, line, closing, lot or place.
    pub is: &'static str,
    pub lot: Option<&'a Name>,
    pub day: Option<Day>,
    pub what: &'a str,
    pub place: &'a str,
    pub balance: Option<Mass>,
    /// The line, where it is one.
    pub line: Option<&'a Line>,
}

impl<'a> Row<'a> {
    /// The row of a line, of a lot where there are several.
    pub fn of_line(line: &'a Line, lot: Option<&'a Name>) -> Self {
        Self {
            is: "line",
            lot,
            day: Some(line.day),
            what: &line.text,
            balance: Some(line.balance_g),
            line: Some(line),
            ..Self::default()
        }
    }

    fn of_batch(&self, cell: impl Fn(&StatementBatch) -> Cell) -> Cell {
        let batch = self.line.and_then(|line| line.batch.as_ref());
        batch.map_or(Cell::Nothing, cell)
    }

    fn of(&self, cell: impl Fn(&Line) -> Cell) -> Cell {
        self.line.map_or(Cell::Nothing, cell)
    }
}

/// Where a column stands in a workbook, from 0, what heads it there, and how wide it is, in characters.
pub(super) type InSheet = (u16, &'static str, f64);

/// A column.
pub(super) struct Column {
    /// Its name in a table of text.
    pub name: &'static str,
    /// Whether a statement of one lot has it too.
    pub of_one: bool,
    /// Where it stands in a workbook; none where it does not.
    pub sheet: Option<InSheet>,
    /// What stands in it.
    pub cell: fn(&Row<'_>) -> Cell,
}

const fn column(name: &'static str, sheet: Option<InSheet>, cell: fn(&Row<'_>) -> Cell) -> Column {
    Column {
        name,
        of_one: true,
        sheet,
        cell,
    }
}

/// A column that a statement of many lots has and one of a single lot has not.
const fn of_many(name: &'static str, sheet: Option<InSheet>, cell: fn(&Row<'_>) -> Cell) -> Column {
    Column {
        of_one: false,
        ..column(name, sheet, cell)
    }
}

fn text(text: &(impl ToString + ?Sized)) -> Cell {
    Cell::Text(text.to_string())
}

fn yes(flag: bool) -> Cell {
    if flag { text("yes") } else { Cell::Nothing }
}

fn mass(mass: Option<Mass>) -> Cell {
    mass.map_or(Cell::Nothing, Cell::Mass)
}

fn share(share: Option<Fraction>) -> Cell {
    share.map_or(Cell::Nothing, Cell::Share)
}

/// All columns, in the order of a table of text.
#[rustfmt::skip]
pub(super) const COLUMNS: [Column; 24] = [
    column("row", None, |row| text(row.is)),
    of_many("lot", Some((1, "Lot", 24.0)), |row| row.lot.map_or(Cell::Nothing, text)),
    column("day", Some((0, "Day", 11.0)), |row| row.day.map_or(Cell::Nothing, Cell::Day)),
    column("what", Some((2, "What", 40.0)), |row| text(row.what)),
    column("place", None, |row| text(row.place)),
    column("change_g", Some((3, "Change g", 14.0)), |row| row.of(|line| Cell::Mass(line.change_g))),
    column("balance_g", Some((4, "In store g", 14.0)), |row| mass(row.balance)),
    column("late", Some((5, "Late", 6.0)), |row| row.of(|line| yes(line.late))),
    column("undone", Some((6, "Undone", 8.0)), |row| row.of(|line| yes(line.undone))),
    column("batch", Some((19, "Batch", 38.0)), |row| row.of_batch(|batch| text(&batch.id))),
    column("roaster", Some((15, "Roaster", 16.0)), |row| row.of_batch(|batch| text(&batch.roaster.name))),
    column("style", Some((16, "Style", 16.0)), |row| row.of_batch(|batch| text(&batch.style.name))),
    column("charge_g", Some((7, "Weighed in g", 14.0)), |row| row.of_batch(|batch| Cell::Mass(batch.charge_g))),
    column("roasted_g", Some((8, "Weighed out g", 14.0)), |row| row.of_batch(|batch| mass(batch.roasted_g))),
    column("sample_g", Some((9, "Samples g", 12.0)), |row| row.of_batch(|batch| Cell::Mass(batch.sample_g))),
    column("loss", Some((10, "Loss", 8.0)), |row| row.of_batch(|batch| share(batch.loss))),
    column("expected", Some((11, "Expected", 9.0)), |row| row.of_batch(|batch| share(batch.mean))),
    column("lowest", Some((12, "Lowest", 8.0)), |row| row.of_batch(|batch| share(batch.lo))),
    column("highest", Some((13, "Highest", 8.0)), |row| row.of_batch(|batch| share(batch.hi))),
    column("judgement", Some((14, "Judgement", 11.0)), |row| row.of_batch(|batch| batch.judgement.map_or(Cell::Nothing, |of| text(of.word())))),
    column("happened_at", Some((17, "Happened (UTC)", 20.0)), |row| row.of(|line| Cell::Time(line.happened_at))),
    column("recorded_at", Some((18, "Recorded (UTC)", 20.0)), |row| row.of(|line| Cell::Time(line.recorded_at))),
    column("posting", Some((20, "Posting", 38.0)), |row| row.of(|line| text(&line.posting))),
    of_many("movement", Some((21, "Movement", 10.0)), |row| row.of(|line| Cell::Number(line.line))),
];

/// The columns of a workbook in their order there, with their heads and widths.
pub(super) fn in_sheet() -> Vec<(&'static Column, InSheet)> {
    let mut columns: Vec<_> = COLUMNS
        .iter()
        .filter_map(|column| Some((column, column.sheet?)))
        .collect();
    columns.sort_by_key(|(_, (place, ..))| *place);
    columns
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sheet_has_no_gap_and_names_are_there_once() {
        let places: Vec<u16> = in_sheet().iter().map(|(_, (place, ..))| *place).collect();
        let all: Vec<u16> = (0..).take(places.len()).collect();
        assert_eq!(places, all);
        let mut names = COLUMNS.map(|column| column.name).to_vec();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), COLUMNS.len());
    }
}
