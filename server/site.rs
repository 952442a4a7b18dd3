//! Sites from the command line: which there are, and another one.

use std::fmt::Write as _;

use crate::clock::Clock;
use crate::day::Zone;
use crate::sites::{self, SiteError};
use crate::store;
use crate::text::Name;

/// What is to be done.
#[derive(Debug, Clone, clap::Subcommand)]
pub enum Task {
    /// Name the sites, the oldest first.
    List,
    /// Found another site, with storerooms, roasters, people and plans of its own; serve it with `outturn serve --site NAME`.
    Add {
        /// Its name.
        name: String,
        /// Its time zone, such as Europe/Lisbon.
        #[arg(long, default_value = "UTC")]
        zone: Zone,
    },
}

/// Does it, and says what there is now.
///
/// # Errors
/// [`SiteError`].
pub async fn run(url: &str, task: Task) -> Result<String, SiteError> {
    let store = store::open_there(url).await?;
    let said = match task {
        Task::List => {
            let mut tx = store.read().await?;
            let mut said = String::new();
            for site in tx.sites().await? {
                let record = sites::record(&mut *tx, site).await?;
                let _ = writeln!(said, "{} ({})", record.name, record.zone);
            }
            said
        }
        Task::Add { name, zone } => {
            let name = Name::new(&name).map_err(|e| SiteError::Refused(format!("the name {e}")))?;
            sites::which(&*store, None).await?;
            sites::found(&*store, &Clock::Machine, zone, name.clone()).await?;
            format!("{name} is founded. Serve it: outturn serve --site \"{name}\"")
        }
    };
    store.close().await;
    Ok(said)
}
