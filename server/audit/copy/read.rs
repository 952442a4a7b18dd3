//! Reading a copy, line by line: whatever was damaged or cut off is named by its line.

use std::io::{BufRead, Read};

use serde::de::DeserializeOwned;
use sha2::{Digest, Sha256};

use super::{AT_ONCE, CommandLine, End, FORM, Hashes, Head};
use crate::book::leaf::Leaf;
use crate::book::merkle::{Frontier, Hash, leaf_hash};
use crate::book::{answer_hash, canonical};
use crate::store::{StoreError, StoredCommand};

/// The longest line that is taken for one.
const LONGEST: u64 = 64 << 20;

/// Why a copy is not written, taken in or held for whole.
#[derive(Debug, thiserror::Error)]
pub enum CopyError {
    /// Something in it does not hold.
    #[error("line {line}: {what}")]
    Line {
        /// The line, from 1.
        line: u64,
        /// What does not hold there.
        what: String,
    },
    /// It cannot be read.
    #[error("line {line} cannot be read: {error}")]
    Read {
        /// The line, from 1.
        line: u64,
        /// Why.
        error: std::io::Error,
    },
    /// It cannot be written.
    #[error("the copy cannot be written: {0}")]
    Write(std::io::Error),
    /// The database that it is to be taken into has a book.
    #[error("there is a book in this database already: name an empty one")]
    NotEmpty,
    /// What was taken in does not hold.
    #[error("nothing was taken in: {0}")]
    Unsound(String),
    /// The database failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// What stands in a copy, in order.
#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    /// A site's log begins.
    Head(Head),
    /// The next leaf, and its hash.
    Leaf(Box<Leaf>, Hash),
    /// A command with its answer.
    Command(StoredCommand),
    /// The site's book is whole.
    End,
}

/// Reads a copy and checks it as far as each line can be checked: hashes, canonical form, order, the root in the end.
pub struct Reader<R> {
    lines: Lines<R>,
    state: State,
}

/// Where in a site's book the reader stands.
enum State {
    /// Before the first line of a site.
    Between,
    /// In the log.
    Log(Log),
    /// Behind the log: so many commands were read.
    Commands(u64),
}

/// How far the log was read.
struct Log {
    head: Head,
    frontier: Frontier,
    /// Hashes of the leaves to come, the next one last, and the line that says so.
    hashes: Vec<String>,
    said_in: u64,
    recorded_at: i64,
}

impl<R: BufRead> Reader<R> {
    /// A reader from the beginning.
    pub fn new(from: R) -> Self {
        let lines = Lines {
            from,
            line: 0,
            hash: Sha256::new(),
            sites: 0,
        };
        Self {
            lines,
            state: State::Between,
        }
    }

    /// The number of the line that was read last, from 1.
    #[must_use]
    pub const fn line(&self) -> u64 {
        self.lines.line
    }

    /// What is wrong with the line that was read last.
    #[must_use]
    pub fn wrong(&self, what: impl Into<String>) -> CopyError {
        self.lines.wrong(what)
    }

    /// The next item; none behind the last.
    ///
    /// # Errors
    /// [`CopyError`] with the line that does not hold.
    #[expect(
        clippy::should_implement_trait,
        reason = "an iterator would go on after an error"
    )]
    pub fn next(&mut self) -> Result<Option<Item>, CopyError> {
        match &mut self.state {
            State::Between => self.head(),
            State::Log(log) if log.frontier.size() < log.head.size => {
                let (leaf, hash) = log.leaf(&mut self.lines)?;
                Ok(Some(Item::Leaf(Box::new(leaf), hash)))
            }
            State::Log(log) => {
                if hex::encode(log.frontier.root()) != log.head.root {
                    return Err(self
                        .lines
                        .wrong("the leaves up to here do not give the root in the first line"));
                }
                self.state = State::Commands(0);
                self.next()
            }
            State::Commands(read) => {
                *read += 1;
                self.command()
            }
        }
    }

    fn head(&mut self) -> Result<Option<Item>, CopyError> {
        self.lines.hash = Sha256::new();
        let Some(text) = self.lines.next()? else {
            return if self.lines.sites > 0 {
                Ok(None)
            } else {
                Err(self.lines.cut_off())
            };
        };
        let head: Head = self.lines.parse(&text, "the first line of a copied book")?;
        if head.book != FORM {
            let what = format!(
                "this release reads form {FORM} of a copy, not {}",
                head.book
            );
            return Err(self.lines.wrong(what));
        }
        self.lines.sites += 1;
        self.state = State::Log(Log {
            head: head.clone(),
            frontier: Frontier::default(),
            hashes: Vec::new(),
            said_in: 0,
            recorded_at: 0,
        });
        Ok(Some(Item::Head(head)))
    }

    fn command(&mut self) -> Result<Option<Item>, CopyError> {
        let before = hex::encode(self.lines.hash.clone().finalize());
        let text = self.lines.need()?;
        let State::Commands(read) = self.state else {
            return Ok(None);
        };
        if text.starts_with("{\"commands\":") {
            let end: End = self.lines.parse(&text, "the end of a copied book")?;
            if (end.commands, end.sha256) != (read - 1, before) {
                return Err(self.lines.wrong(
                    "the lines before are not those that were written: one is missing, added or changed",
                ));
            }
            self.state = State::Between;
            return Ok(Some(Item::End));
        }
        let said: CommandLine = self.lines.parse(&text, "a command with its answer")?;
        let bytes = |text: &str| hex::decode(text).unwrap_or_default();
        let command = StoredCommand {
            id: said.command,
            digest: bytes(&said.digest),
            answer: said.answer,
            answer_hash: bytes(&said.hash),
        };
        let hash = answer_hash(command.id, &command.digest, &command.answer);
        if hash.as_slice() != command.answer_hash {
            return Err(self
                .lines
                .wrong("its digest and answer are not those that were answered"));
        }
        Ok(Some(Item::Command(command)))
    }
}

impl Log {
    fn leaf<R: BufRead>(&mut self, lines: &mut Lines<R>) -> Result<(Leaf, Hash), CopyError> {
        if self.hashes.is_empty() {
            let text = lines.need()?;
            let said: Hashes = lines.parse(&text, "the hashes of the leaves that follow")?;
            let left = self.head.size - self.frontier.size();
            let wanted = usize::try_from(left).map_or(AT_ONCE, |left| left.min(AT_ONCE));
            if said.hashes.len() != wanted {
                return Err(lines.wrong(format!("{wanted} hashes should stand here")));
            }
            self.hashes = said.hashes;
            self.hashes.reverse();
            self.said_in = lines.line;
        }
        let text = lines.need()?;
        let hash: Hash = leaf_hash(text.as_bytes());
        if self.hashes.pop() != Some(hex::encode(hash)) {
            return Err(lines.wrong(format!(
                "this leaf is not the one whose hash stands in line {}",
                self.said_in
            )));
        }
        let leaf: Leaf = lines.parse(&text, "a leaf")?;
        if canonical::text(&leaf) != text {
            return Err(lines.wrong(
                "this leaf says what this release does not know: take it in with the release that wrote it",
            ));
        }
        let head = leaf.head();
        if u64::try_from(head.position) != Ok(self.frontier.size())
            || head.site != self.head.site
            || head.recorded_at < self.recorded_at
        {
            return Err(lines.wrong("this leaf's site, place or recording time is out of order"));
        }
        self.recorded_at = head.recorded_at;
        self.frontier.push(hash);
        Ok((leaf, hash))
    }
}

/// The lines of a file, counted and hashed.
struct Lines<R> {
    from: R,
    line: u64,
    hash: Sha256,
    sites: u64,
}

impl<R: BufRead> Lines<R> {
    fn wrong(&self, what: impl Into<String>) -> CopyError {
        CopyError::Line {
            line: self.line,
            what: what.into(),
        }
    }

    fn cut_off(&self) -> CopyError {
        CopyError::Line {
            line: self.line + 1,
            what: "the copy ends here, and is not whole".to_owned(),
        }
    }

    /// The next line without its end; none behind the last.
    fn next(&mut self) -> Result<Option<String>, CopyError> {
        let mut bytes = Vec::new();
        let read = (&mut self.from).take(LONGEST).read_until(b'\n', &mut bytes);
        read.map_err(|error| CopyError::Read {
            line: self.line + 1,
            error,
        })?;
        if bytes.is_empty() {
            return Ok(None);
        }
        if bytes.last() != Some(&b'\n') {
            return Err(self.cut_off());
        }
        self.line += 1;
        self.hash.update(&bytes);
        bytes.pop();
        String::from_utf8(bytes)
            .map(Some)
            .map_err(|_| self.wrong("this is no text in UTF-8"))
    }

    /// The next line, which must be there.
    fn need(&mut self) -> Result<String, CopyError> {
        self.next()?.ok_or_else(|| self.cut_off())
    }

    fn parse<T: DeserializeOwned>(&self, text: &str, what: &str) -> Result<T, CopyError> {
        serde_json::from_str(text)
            .map_err(|error| self.wrong(format!("{what} should stand here ({error})")))
    }
}
