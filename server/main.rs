//! The command line of Outturn, and nothing else.

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use mimalloc::MiMalloc;
use outturn::clock::Clock;
use outturn::learn::Form;
use outturn::settings::Given;
use outturn::{copies, plan, proof};

/// Gives back what a plan took, whichever thread made it: glibc's keeps in each of its arenas the most that was ever in it.
#[global_allocator]
static ALLOCATOR: MiMalloc = MiMalloc;

/// Plans a small coffee roastery's batches, weighs them, learns each lot's loss and accounts for every gram of green.
#[derive(Parser)]
#[command(version, arg_required_else_help = true)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Run the service with its pages.
    Serve(Serve),
    /// Plan an instance (JSON): batches, what each is for, what is short and why.
    Plan {
        /// The instance.
        file: PathBuf,
        /// Show a table for people.
        #[arg(long, conflicts_with = "svg")]
        table: bool,
        /// Draw the days.
        #[arg(long)]
        svg: bool,
        /// Weighted grams that may be missing for the sake of fewer minutes.
        #[arg(long, value_name = "G", default_value_t = 0)]
        short_allowance: u32,
    },
    /// Replay a roast log (CSV) through the learner: expected ranges and verdicts.
    Learn {
        /// The roast log.
        file: PathBuf,
        /// Show a table for people.
        #[arg(long, conflicts_with = "svg")]
        table: bool,
        /// Draw each lot with its range.
        #[arg(long)]
        svg: bool,
    },
    /// Show the whole job on an invented roastery, then serve it.
    Demo(outturn::demo::Options),
    /// Sites that share one database: which there are, and another one.
    Site {
        #[command(flatten)]
        database: Database,
        #[command(subcommand)]
        task: outturn::site::Task,
    },
    /// Let people in: a link to choose a password, a token for a program.
    Person {
        #[command(flatten)]
        database: Database,
        /// Their site, where the database has several; the oldest unless said.
        #[arg(long, env = "OUTTURN_SITE")]
        site: Option<String>,
        #[command(subcommand)]
        task: outturn::person::Task,
    },
    /// Check a book, a copy of one, or seals; exit 1 and say where if it does not hold.
    Verify {
        #[command(flatten)]
        options: proof::Options,
        #[command(flatten)]
        database: Database,
    },
    /// Write what the book holds into a file.
    #[command(subcommand)]
    Export(Export),
    /// Take in what a file holds.
    #[command(subcommand)]
    Import(Import),
}

#[derive(Subcommand)]
enum Export {
    /// The whole book: a backup, what an auditor verifies, or the way to another database. People may go on working.
    Book {
        /// The file; standard output unless said.
        file: Option<PathBuf>,
        #[command(flatten)]
        database: Database,
    },
}

#[derive(Subcommand)]
enum Import {
    /// A whole book, into an empty database. A damaged or cut file is refused, with the line.
    Book {
        /// The file.
        file: PathBuf,
        #[command(flatten)]
        database: Database,
    },
}

#[derive(clap::Args)]
struct Database {
    /// The database: `sqlite:<file>` or `postgres://<user>@<host>/<name>`.
    #[arg(
        long = "database",
        env = "DATABASE_URL",
        default_value = "sqlite:outturn.sqlite"
    )]
    url: String,
}

#[derive(clap::Args)]
struct Serve {
    #[command(flatten)]
    given: Given,
    /// A TOML file with the same settings; flags and environment outweigh it.
    #[arg(long = "settings", env = "OUTTURN_SETTINGS")]
    file: Option<PathBuf>,
}

#[tokio::main]
async fn main() -> ExitCode {
    let result = match Cli::parse().command {
        Command::Serve(options) => {
            let file = options.file.as_deref().map(Given::from_file).transpose();
            match file {
                Ok(file) => {
                    let settings = options.given.or(file.unwrap_or_default());
                    outturn::serve::run(&settings, Clock::Machine).await
                }
                Err(error) => return fail(&error),
            }
        }
        Command::Plan {
            file,
            table,
            svg,
            short_allowance,
        } => {
            let form = match (table, svg) {
                (true, _) => plan::Form::Table,
                (_, true) => plan::Form::Svg,
                _ => plan::Form::Json,
            };
            return print(plan::plan(&file, form, short_allowance));
        }
        Command::Learn { file, table, svg } => {
            let form = match (table, svg) {
                (true, _) => Form::Table,
                (_, true) => Form::Svg,
                _ => Form::Csv,
            };
            return print(outturn::learn::learn(&file, form));
        }
        Command::Demo(options) => {
            return outturn::demo::run(options)
                .await
                .unwrap_or_else(|error| fail(&error));
        }
        Command::Site { database, task } => {
            return print(outturn::site::run(&database.url, task).await);
        }
        Command::Person {
            database,
            site,
            task,
        } => {
            return print(outturn::person::run(&database.url, site.as_deref(), task).await);
        }
        Command::Verify { options, database } => {
            let checked = proof::run(&options, &database.url).await;
            return checked.unwrap_or_else(|error| fail(&error));
        }
        Command::Export(Export::Book { file, database }) => {
            return print(copies::export(&database.url, file.as_deref()).await);
        }
        Command::Import(Import::Book { file, database }) => {
            return print(copies::import(&database.url, &file).await);
        }
    };
    result.unwrap_or_else(|error| fail(&error))
}

fn fail(error: &dyn std::fmt::Display) -> ExitCode {
    eprintln!("outturn: {error}");
    ExitCode::FAILURE
}

/// Prints what a command made of a file, or why it did not.
fn print<E: std::fmt::Display>(made: Result<String, E>) -> ExitCode {
    match made {
        Ok(text) if text.is_empty() => ExitCode::SUCCESS,
        Ok(text) => {
            // Whoever reads may stop early, as `head` does.
            let _ = writeln!(std::io::stdout(), "{}", text.trim_end());
            ExitCode::SUCCESS
        }
        Err(error) => fail(&error),
    }
}
