//! Daily copies of the book in a folder: made while people work, checked before they bear their name, and kept by a rule.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use serde::Serialize;

use crate::app::App;
use crate::audit::copy;
use crate::copies::{CopiesError, write_file};
use crate::day::{Day, Instant};
use crate::store::StoreError;

/// How often it is looked whether a copy is due.
const LOOK: Duration = Duration::from_mins(10);
/// All copies of so many days are kept, then the last of each month.
const DAYS: i64 = 14;
/// For so many months the last copy of each is kept.
const MONTHS: usize = 24;

/// A copy in the folder. It was whole when it was made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct DailyCopy {
    /// The file's name.
    pub file: String,
    /// The day it is of.
    pub day: Day,
    /// When it was made.
    pub made_at: Instant,
    /// Its bytes.
    pub bytes: u64,
}

/// Makes a copy each day for as long as the service runs. What fails is in the log, and tried again.
pub async fn keep(app: Arc<App>, folder: PathBuf) {
    loop {
        match make(&app, &folder).await {
            Ok(None) => {}
            Ok(Some(made)) => tracing::info!(file = made.file, "the book was copied"),
            Err(error) => tracing::error!(%error, "the book could not be copied"),
        }
        tokio::time::sleep(LOOK).await;
    }
}

/// Makes today's copy if there is none yet, and removes those that the rule does not keep. Answers what it made.
///
/// # Errors
/// [`CopiesError`] when the copy cannot be made; none is removed then.
pub async fn make(app: &App, folder: &Path) -> Result<Option<DailyCopy>, CopiesError> {
    let mut tx = app.read().await?;
    let today = app
        .site_record(&mut *tx)
        .await?
        .fields
        .zone
        .day(app.clock.now());
    std::fs::create_dir_all(folder).map_err(|e| CopiesError::Write(folder.to_owned(), e))?;
    if copies(folder)?.iter().any(|copy| copy.day == today) {
        return Ok(None);
    }
    let file = folder.join(name(today));
    write_file(&mut *tx, &file, |part| {
        let from = File::open(part).map_err(|e| CopiesError::Open(part.to_owned(), e))?;
        let checked = copy::check(BufReader::new(from), &[])?;
        match checked.iter().find(|book| !book.report.ok) {
            Some(book) => Err(CopiesError::Unsound(book.report.to_string())),
            None => Ok(()),
        }
    })
    .await?;
    let there = copies(folder)?;
    let days: Vec<Day> = there.iter().map(|copy| copy.day).collect();
    for day in superfluous(&days, today) {
        let old = folder.join(name(day));
        std::fs::remove_file(&old).map_err(|e| CopiesError::Write(old, e))?;
    }
    Ok(there.into_iter().find(|copy| copy.day == today))
}

/// The copies in a folder, newest first; none where there is no folder.
///
/// # Errors
/// [`CopiesError`] when the folder cannot be read.
pub fn copies(folder: &Path) -> Result<Vec<DailyCopy>, CopiesError> {
    let wrong = |error| CopiesError::Open(folder.to_owned(), error);
    let mut found = Vec::new();
    if !folder.exists() {
        return Ok(found);
    }
    for entry in std::fs::read_dir(folder).map_err(wrong)? {
        let entry = entry.map_err(wrong)?;
        let file = entry.file_name().to_string_lossy().into_owned();
        let Some(day) = day_of(&file) else { continue };
        let about = entry.metadata().map_err(wrong)?;
        let since = about.modified().map_err(wrong)?;
        let since = since
            .duration_since(std::time::UNIX_EPOCH)
            .unwrap_or_default();
        found.push(DailyCopy {
            file,
            day,
            made_at: Instant::from_ms(i64::try_from(since.as_millis()).unwrap_or(0)),
            bytes: about.len(),
        });
    }
    found.sort_by_key(|copy| std::cmp::Reverse(copy.day));
    Ok(found)
}

fn name(day: Day) -> String {
    format!("outturn-{day}.jsonl")
}

fn day_of(file: &str) -> Option<Day> {
    let day = file.strip_prefix("outturn-")?.strip_suffix(".jsonl")?;
    day.parse().ok().filter(|day| name(*day) == file)
}

/// The days whose copies the rule does not keep: older than two weeks, and not the last of one of the last months.
fn superfluous(days: &[Day], today: Day) -> Vec<Day> {
    let mut last: BTreeMap<String, Day> = BTreeMap::new();
    for day in days {
        let of = last.entry(day.month()).or_insert(*day);
        *of = (*day).max(*of);
    }
    let monthly: BTreeSet<Day> = last.into_values().rev().take(MONTHS).collect();
    let kept = |day: &Day| today.since(*day) < DAYS || monthly.contains(day);
    days.iter().filter(|day| !kept(day)).copied().collect()
}

/// What the pages show of copies.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct DailyCopies {
    /// Whether a folder for them is set.
    pub kept: bool,
    /// The copies, newest first.
    pub items: Vec<DailyCopy>,
}

/// The copies of a service.
///
/// # Errors
/// [`StoreError`] when the folder cannot be read.
pub fn of(app: &App) -> Result<DailyCopies, StoreError> {
    let items = app.copies.get().map(|folder| copies(folder)).transpose();
    let items = items.map_err(|e| StoreError::Database(e.to_string()))?;
    Ok(DailyCopies {
        kept: items.is_some(),
        items: items.unwrap_or_default(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_weeks_of_days_and_two_years_of_months_are_kept() {
        let today: Day = "2026-11-25".parse().unwrap();
        let mut there: Vec<Day> = Vec::new();
        for n in (0..1_200).rev() {
            let day = today.plus(-n);
            there.push(day);
            let gone = superfluous(&there, day);
            there.retain(|day| !gone.contains(day));
        }
        let recent = (0..14).map(|n| today.plus(-n));
        assert!(recent.into_iter().all(|day| there.contains(&day)));
        let months: BTreeSet<String> = there.iter().map(|day| day.month()).collect();
        assert_eq!(months.len(), 24);
        assert_eq!(there.len(), 14 + 23);
        let old: Vec<String> = there
            .iter()
            .rev()
            .skip(14)
            .take(2)
            .map(ToString::to_string)
            .collect();
        assert_eq!(old, ["2026-10-31", "2026-09-30"]);
    }

    #[test]
    fn only_copies_are_copies() {
        assert_eq!(
            day_of("outturn-2026-11-25.jsonl"),
            "2026-11-25".parse().ok()
        );
        for other in [
            "outturn-2026-11-25.part",
            "outturn-2026-11-32.jsonl",
            "outturn-.jsonl",
            "notes.jsonl",
            "outturn-2026-1-5.jsonl",
        ] {
            assert_eq!(day_of(other), None, "{other}");
        }
    }
}
