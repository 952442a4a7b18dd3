//! `outturn verify`: a live book, a copy of one, or two seals with a proof between them.

use std::fs::File;
use std::io::{BufReader, Write as _};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use crate::audit::copy::{self, CopyError};
use crate::audit::seal::{self, Consistency};
use crate::audit::verify::verify;
use crate::book::seal::{Checkpoint, PublicKey, SealError, origin};
use crate::store::{self, StoreError};

/// What is to be checked.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Options {
    /// A copy of a book (`outturn export book`), instead of a database.
    #[arg(long, value_name = "FILE", conflicts_with = "proof")]
    pub book: Option<PathBuf>,
    /// A seal that the book must begin with; may be given several times.
    #[arg(long = "seal", value_name = "FILE", requires = "key")]
    pub seals: Vec<PathBuf>,
    /// The public key of the seals, or a file that holds it.
    #[arg(long, value_name = "KEY")]
    pub key: Option<String>,
    /// A proof (`/api/log/consistency`) that the later of two seals only added to the earlier: checked without any book.
    #[arg(long, value_name = "FILE", requires = "seals")]
    pub proof: Option<PathBuf>,
}

/// Why nothing can be said.
#[derive(Debug, thiserror::Error)]
pub enum ProofError {
    /// A file cannot be read.
    #[error("{0} cannot be read: {1}")]
    Read(PathBuf, std::io::Error),
    /// A file is no seal of this key.
    #[error("{0}: {1}")]
    Seal(PathBuf, SealError),
    /// The key is none.
    #[error(transparent)]
    Key(SealError),
    /// A file is no copy of a book.
    #[error("{0}: {1}")]
    Copy(PathBuf, CopyError),
    /// A file is no proof.
    #[error("{0} is no proof: {1}")]
    Proof(PathBuf, serde_json::Error),
    /// A proof stands between two seals.
    #[error("a proof is checked between two seals: give --seal twice")]
    NotTwo,
    /// The database failed.
    #[error("the book cannot be read: {0}")]
    Store(#[from] StoreError),
}

/// What was found, and whether all of it holds.
struct Found {
    ok: bool,
    text: String,
}

/// Checks what is named, says what was found, and fails if something does not hold.
///
/// # Errors
/// [`ProofError`] when something cannot be read.
pub async fn run(options: &Options, url: &str) -> Result<ExitCode, ProofError> {
    let seals = seals(options)?;
    let found = match (&options.proof, &options.book) {
        (Some(file), _) => between(file, &seals)?,
        (None, Some(file)) => of_copy(file, &seals)?,
        (None, None) => of_database(url, &seals).await?,
    };
    // Whoever reads may stop early, as `head` does.
    let _ = write!(std::io::stdout(), "{}", found.text);
    Ok(if found.ok {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    })
}

fn read(file: &Path) -> Result<String, ProofError> {
    std::fs::read_to_string(file).map_err(|e| ProofError::Read(file.to_owned(), e))
}

/// The seals that were given, each signed with the key.
fn seals(options: &Options) -> Result<Vec<Checkpoint>, ProofError> {
    let Some(key) = &options.key else {
        return Ok(Vec::new());
    };
    let key: PublicKey = match key.parse() {
        Ok(key) => key,
        Err(_) if Path::new(key).exists() => {
            read(Path::new(key))?.parse().map_err(ProofError::Key)?
        }
        Err(error) => return Err(ProofError::Key(error)),
    };
    let seal = |file: &PathBuf| {
        let note = read(file)?;
        let text = key.open(&note);
        text.and_then(Checkpoint::read)
            .map_err(|e| ProofError::Seal(file.clone(), e))
    };
    options.seals.iter().map(seal).collect()
}

/// Whether the later of two seals only added to the earlier.
fn between(file: &Path, seals: &[Checkpoint]) -> Result<Found, ProofError> {
    let proof: Consistency =
        serde_json::from_str(&read(file)?).map_err(|e| ProofError::Proof(file.to_owned(), e))?;
    let [one, two] = seals else {
        return Err(ProofError::NotTwo);
    };
    let (old, new) = if one.size <= two.size {
        (one, two)
    } else {
        (two, one)
    };
    let ok = old.origin == new.origin && proof.shows((old.size, old.root), (new.size, new.root));
    let said = if ok {
        "only adds"
    } else {
        "does NOT only add, by this proof,"
    };
    Ok(Found {
        ok,
        text: format!(
            "The seal at {} leaves {said} to the seal at {} leaves\n",
            new.size, old.size
        ),
    })
}

fn of_copy(file: &Path, seals: &[Checkpoint]) -> Result<Found, ProofError> {
    let from = File::open(file).map_err(|e| ProofError::Read(file.to_owned(), e))?;
    let checked = copy::check(BufReader::new(from), seals)
        .map_err(|e| ProofError::Copy(file.to_owned(), e))?;
    let mut found = Found {
        ok: true,
        text: String::new(),
    };
    for book in &checked {
        found.add(book.report.ok, &book.report);
        for seal in &book.seals {
            found.add(seal.fault.is_none(), seal);
        }
    }
    found.foreign(
        seals,
        &checked
            .iter()
            .map(|book| origin(book.site))
            .collect::<Vec<_>>(),
    );
    Ok(found)
}

async fn of_database(url: &str, seals: &[Checkpoint]) -> Result<Found, ProofError> {
    let store = store::open_there(url).await?;
    let mut tx = store.read().await?;
    let mut found = Found {
        ok: true,
        text: String::new(),
    };
    let sites = tx.sites().await?;
    for site in &sites {
        let report = verify(&mut *tx, *site).await?;
        found.add(report.ok, &report);
        let name = origin(*site);
        let ours: Vec<Checkpoint> = seals.iter().filter(|s| s.origin == name).cloned().collect();
        if ours.is_empty() {
            continue;
        }
        for seal in seal::check(&mut *tx, *site, ours).await? {
            found.add(seal.fault.is_none(), &seal);
        }
    }
    found.foreign(seals, &sites.into_iter().map(origin).collect::<Vec<_>>());
    Ok(found)
}

impl Found {
    fn add(&mut self, ok: bool, said: &dyn std::fmt::Display) {
        self.ok &= ok;
        self.text.push_str(&said.to_string());
    }

    /// Seals of logs that are not here.
    fn foreign(&mut self, seals: &[Checkpoint], here: &[String]) {
        for seal in seals.iter().filter(|seal| !here.contains(&seal.origin)) {
            self.add(
                false,
                &format_args!(
                    "Seal at {} leaves: does NOT hold: it is of another log, {}\n",
                    seal.size, seal.origin
                ),
            );
        }
    }
}
