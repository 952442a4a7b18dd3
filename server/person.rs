//! People from the command line: whoever can read the database may let people in, also when every password is forgotten.

use crate::access::{self, TokenAsked};
use crate::app::App;
use crate::book::Actor;
use crate::book::seal::SealKey;
use crate::clock::Clock;
use crate::ids::PersonId;
use crate::refusal::Refusal;
use crate::setup::{Person, Record, Right};
use crate::sites::{self, SiteError};
use crate::store::{self, StoreError};
use crate::text::{LineText, Name};

/// What is to be done.
#[derive(Debug, Clone, clap::Subcommand)]
pub enum Task {
    /// Print a link by which a person chooses a password, once; an earlier one is void.
    Invite {
        /// The person's name.
        name: String,
    },
    /// Print a token with which a program acts as a person.
    Token {
        /// The person's name.
        name: String,
        /// What the program is called.
        #[arg(long, default_value = "Program")]
        program: String,
        /// What it may do, such as read,plan.
        #[arg(long, value_delimiter = ',', default_value = "read", value_parser = right)]
        rights: Vec<Right>,
        /// For how many days.
        #[arg(long, default_value_t = 30)]
        days: u32,
    },
}

fn right(word: &str) -> Result<Right, String> {
    let read = serde_json::from_value(serde_json::Value::String(word.to_owned()));
    read.map_err(|error| error.to_string())
}

/// Why it was not done.
#[derive(Debug, thiserror::Error)]
pub enum PersonError {
    /// The book cannot be opened.
    #[error("the book cannot be opened: {0}")]
    Store(#[from] StoreError),
    /// The machine gives no random bytes.
    #[error("the machine gives no random bytes: {0}")]
    Random(#[from] std::io::Error),
    /// There is no such site, or none yet.
    #[error(transparent)]
    Site(#[from] SiteError),
    /// The name is no name.
    #[error("the name {0}")]
    Name(#[from] LineText),
    /// There is nobody of that name.
    #[error("there is nobody called {0}")]
    Nobody(Name),
    /// The service refuses it.
    #[error(transparent)]
    Refused(#[from] Refusal),
}

/// Does it, and says what is to be passed on.
///
/// # Errors
/// [`PersonError`].
pub async fn run(url: &str, site: Option<&str>, task: Task) -> Result<String, PersonError> {
    let store = store::open(url).await?;
    let site = site.map(Name::new).transpose()?;
    let founded = sites::which(&*store, site.as_ref()).await?;
    // Nothing is closed here, so nothing is sealed.
    let unused = SealKey::of_secret(&Clock::Machine.new_secret()?);
    let app = App::open_site(store, Clock::Machine, founded, unused).await?;
    let said = match task {
        Task::Invite { name } => {
            let person = find(&app, &name).await?;
            access::invite(&app, person.0).await?.path
        }
        Task::Token {
            name,
            program,
            rights,
            days,
        } => {
            let actor = Actor::person(find(&app, &name).await?);
            let name = Name::new(&program)?;
            let asked = TokenAsked { name, rights, days };
            access::make_token(&app, actor, asked).await?.token
        }
    };
    app.store.close().await;
    Ok(said)
}

async fn find(app: &App, name: &str) -> Result<PersonId, PersonError> {
    let name = Name::new(name)?;
    let mut tx = app.read().await?;
    let row = tx
        .record_labelled(app.site, Person::KIND, name.as_str())
        .await?;
    row.map(|row| PersonId(row.id))
        .ok_or(PersonError::Nobody(name))
}
