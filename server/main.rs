//! The command line of Outturn, and nothing else.

use std::io::Write;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use outturn::clock::Clock;
use outturn::day::Zone;
use outturn::learn::Form;

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
    /// Check a whole book; exit 1 and say where if it does not hold.
    Verify(Database),
}

#[derive(clap::Args)]
struct Database {
    /// The database: sqlite:<file> or `postgres://<user>@<host>/<name>`.
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
    database: Database,
    /// Where to listen. Until people sign in, only addresses of this machine are taken.
    #[arg(long, env = "OUTTURN_LISTEN", default_value = "127.0.0.1:8080")]
    listen: SocketAddr,
    /// The time zone of a new book, such as Europe/Lisbon.
    #[arg(long, env = "OUTTURN_ZONE", default_value = "UTC")]
    zone: Zone,
}

#[tokio::main]
async fn main() -> ExitCode {
    let result = match Cli::parse().command {
        Command::Serve(options) => {
            outturn::serve::run(
                &options.database.url,
                options.listen,
                options.zone,
                Clock::Machine,
            )
            .await
        }
        Command::Learn { file, table, svg } => {
            let form = match (table, svg) {
                (true, _) => Form::Table,
                (_, true) => Form::Svg,
                _ => Form::Csv,
            };
            return print(outturn::learn::learn(&file, form));
        }
        Command::Verify(options) => outturn::serve::verify(&options.url).await,
    };
    result.unwrap_or_else(|error| {
        eprintln!("outturn: {error}");
        ExitCode::FAILURE
    })
}

/// Prints what a command made of a file, or why it did not.
fn print<E: std::fmt::Display>(made: Result<String, E>) -> ExitCode {
    match made {
        Ok(text) => {
            // Whoever reads may stop early, as `head` does.
            let _ = writeln!(std::io::stdout(), "{}", text.trim_end());
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("outturn: {error}");
            ExitCode::FAILURE
        }
    }
}
