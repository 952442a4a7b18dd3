//! `outturn plan`: an instance from a file through the planner, and its plan on paper.

use std::path::{Path, PathBuf};

use crate::planner::{Instance, InstanceError, Options, plan_with, report};

/// Why an instance is not planned.
#[derive(Debug, thiserror::Error)]
pub enum PlanError {
    /// The file cannot be read.
    #[error("{0} cannot be read: {1}")]
    File(PathBuf, std::io::Error),
    /// Fields are wrong: all of them.
    #[error("nothing was planned; the instance is wrong:\n{0}")]
    Instance(#[from] InstanceError),
}

/// How a plan is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// As JSON for programs.
    Json,
    /// A table for people.
    Table,
    /// A picture (SVG).
    Svg,
}

/// Plans an instance and shows the plan. `short_allowance_g` weighted grams may be missing for the sake of fewer minutes.
///
/// # Errors
/// [`PlanError`] with every wrong field: its JSON Pointer, and what would be right.
pub fn plan(file: &Path, form: Form, short_allowance_g: u32) -> Result<String, PlanError> {
    let text = std::fs::read_to_string(file).map_err(|e| PlanError::File(file.to_owned(), e))?;
    let instance = Instance::from_json(&text)?;
    let options = Options {
        short_allowance_g: i64::from(short_allowance_g),
        ..Options::default()
    };
    let plan = plan_with(&instance, &options);
    Ok(match form {
        Form::Json => report::json(&instance, &plan),
        Form::Table => report::table(&instance, &plan),
        Form::Svg => report::svg(&instance, &plan),
    })
}
