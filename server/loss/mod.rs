//! What each lot loses in roasting, learned from the batches weighed: expected ranges, verdicts, lasting shifts.
//!
//! Pure: a history goes in, judgements come out. No input or output, no clock, no threads, no web types. `ln` and `exp` are those of
//! the `libm` crate, so that the same history gives the same bits on every machine. Masses are grams, losses and moistures are
//! fractions, effects are on the log-yield scale y = ln(roasted/green), where the mass balance is additive.
//!
//! Read in this order: `history` (the facts), `filter` (the model), `fit` (its standard deviations), `learner` (the fold and its
//! rules), `range` (verdicts), then what is built on them.

pub mod chart;
pub mod csv;
mod drift;
mod explain;
mod filter;
mod fit;
mod history;
mod learner;
pub mod moisture;
mod range;
mod settings;
pub mod stock;
pub mod student;
mod table;
mod tails;
pub mod uncertainty;
pub mod weighing;
mod yields;

pub use drift::{Notice, Side, Standing, Step, to_normal};
pub use explain::{Cause, Explanation};
pub use history::{Batch, Channel, Fact, Happening, History, Lot, Review, Style, Weights};
pub use learner::{Judged, Learner, Question};
pub use range::{Outcome, Prediction, Verdict};
pub use settings::{Settings, Spreads};
pub use table::text_table;
pub use yields::{Contrast, MassLaw, Outlook, Reasons, total};
