//! A copy of a book as one file of JSON Lines: its log in order, each leaf as its own bytes, and the answers to its commands. It carries a
//! book from one database to another with the same head, is a backup, and is what an auditor checks on a machine that has nothing else.
//!
//! A copy holds, for each site:
//!
//! 1. `{"book":1,"root":..,"site":..,"size":..}`: the version of this form, and the head of the log;
//! 2. the leaves, one a line, as they lie in the log: `SHA-256(0x00 || line)` is a leaf's hash. Before each 256 of them
//!    `{"hashes":[..]}` says what these are, so that a damaged line can be named;
//! 3. the commands by id, `{"answer":..,"command":..,"digest":..,"hash":..}`: answers are not in the log, and who sends a command again
//!    must be answered the same from the copy;
//! 4. `{"commands":..,"sha256":..}`: how many they are, and the hash of all lines of this site before this one.
//!
//! Every table follows from the leaves, so taking a copy in is folding them into an empty book by the rules that wrote them.

mod check;
mod follow;
mod read;
mod take;
mod write;

pub use check::{Checked, check};
pub use read::{CopyError, Item, Reader};
pub use take::take;
pub use write::write;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::ids::SiteId;

/// The version of the form that this release writes and reads.
const FORM: u32 = 1;

/// Leaves whose hashes stand before them in one line.
const AT_ONCE: usize = 256;

/// The first line of a site.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// Version of the form.
    book: u32,
    /// Root of the log, hex.
    pub root: String,
    /// The site.
    pub site: SiteId,
    /// Leaves in the log.
    pub size: u64,
}

/// Hashes of the leaves in the lines that follow, hex.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Hashes {
    hashes: Vec<String>,
}

/// A command that was carried out, with what was answered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct CommandLine {
    answer: String,
    command: Uuid,
    digest: String,
    hash: String,
}

/// The last line of a site.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct End {
    commands: u64,
    sha256: String,
}
