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
    /// Name the sites with their ids, the oldest first; an id goes wherever a name does.
    List,
    /// Found another site, with storerooms, roasters, people and plans of its own; serve it with `outturn serve --site NAME`.
    Add {
        /// Its name.
        name: String,
        /// Its time zone, such as Europe/Lisbon; that of the oldest site unless said.
        #[arg(long)]
        zone: Option<Zone>,
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
                let _ = writeln!(said, "{site} {} ({})", record.name, record.zone);
            }
            said
        }
        Task::Add { name, zone } => {
            let name = Name::new(&name).map_err(|e| SiteError::Refused(format!("the name {e}")))?;
            let oldest = sites::which(&*store, None).await?.site;
            let like = sites::record(&mut *store.read().await?, oldest).await?;
            let zone = zone.unwrap_or(like.zone);
            sites::found(&*store, &Clock::Machine, zone, name.clone()).await?;
            format!("{name} ({zone}) is founded. Serve it: outturn serve --site \"{name}\"")
        }
    };
    store.close().await;
    Ok(said)
}
