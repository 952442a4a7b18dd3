//! `outturn learn`: a roast log from a file through a learner of its own.

use std::path::{Path, PathBuf};

use crate::loss::csv::{self, BadCell};
use crate::loss::{Settings, chart, text_table};

/// Why a roast log is not replayed.
#[derive(Debug, thiserror::Error)]
pub enum LearnError {
    /// The file cannot be read.
    #[error("{0} cannot be read: {1}")]
    File(PathBuf, std::io::Error),
    /// Cells are bad: all of them.
    #[error("nothing was learned; {} cells are wrong:{}", .0.len(), list(.0))]
    Cells(Vec<BadCell>),
}

fn list(cells: &[BadCell]) -> String {
    cells.iter().fold(String::new(), |list, cell| {
        list + "\n  " + &cell.to_string()
    })
}

/// How a replayed log is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// For each batch what was expected before it and how it was judged, as CSV.
    Csv,
    /// Lots, odd batches and notices as a table for people.
    Table,
    /// A picture of each lot with its range (SVG).
    Svg,
}

/// Replays a roast log and shows what was learned.
///
/// # Errors
/// [`LearnError`] with every bad cell: line, column, value, and what would be right.
pub fn learn(file: &Path, form: Form) -> Result<String, LearnError> {
    let text = std::fs::read_to_string(file).map_err(|e| LearnError::File(file.to_owned(), e))?;
    let batches = csv::read_batches(&text).map_err(LearnError::Cells)?;
    let learner =
        csv::replay(&batches, Settings::default()).map_err(|cell| LearnError::Cells(vec![cell]))?;
    Ok(match form {
        Form::Csv => csv::learner_csv(&batches, &learner),
        Form::Table => text_table(&batches, &learner),
        Form::Svg => chart::of_log(&batches, &learner),
    })
}
