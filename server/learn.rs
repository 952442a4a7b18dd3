//! `outturn learn`: a roast log from a file through a learner of its own.

use std::path::{Path, PathBuf};

use crate::loss::Settings;
use crate::loss::csv::{self, BadCell};

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
    cells.iter().map(|cell| format!("\n  {cell}")).collect()
}

/// Replays a roast log and gives, for each batch, what was expected before it and how it was judged, as CSV.
///
/// # Errors
/// [`LearnError`] with every bad cell: line, column, value, and what would be right.
pub fn learn(file: &Path) -> Result<String, LearnError> {
    let text = std::fs::read_to_string(file).map_err(|e| LearnError::File(file.to_owned(), e))?;
    let batches = csv::read_batches(&text).map_err(LearnError::Cells)?;
    let learner =
        csv::replay(&batches, Settings::default()).map_err(|cell| LearnError::Cells(vec![cell]))?;
    Ok(csv::learner_csv(&batches, &learner))
}
