//! What a running service holds, and how a command is carried out: once, whole, and with the same answer however often it is sent.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::{Arc, OnceLock};

use serde_json::{Value, json};
use tokio::sync::{broadcast, watch};
use uuid::Uuid;

use crate::access::Access;
use crate::audit;
use crate::book::merkle::Hash;
use crate::book::seal::SealKey;
use crate::book::{Actor, Book, canonical};
use crate::clock::Clock;
use crate::command::Command;
use crate::counting;
use crate::day::Zone;
use crate::demand::Subscribers;
use crate::expect::Expect;
use crate::follow::{Changed, Follower};
use crate::ids::{PersonId, SiteId};
use crate::refusal::{Confirm, Outcome, Refusal};
use crate::setup::{self, Expected, Kept, Record, Site, WriteDown};
use crate::sites::{self, Founded, Neighbours};
use crate::store::{Read, Store, StoreError, UnsettledRow};

/// A running service.
#[derive(Debug)]
pub struct App {
    /// The database.
    pub store: Arc<dyn Store>,
    /// The time and new ids.
    pub clock: Clock,
    /// The site it serves.
    pub site: SiteId,
    /// The first owner, as whom everybody acts where nobody need sign in.
    pub owner: PersonId,
    /// What it remembers of who tried to come in.
    pub access: Access,
    /// What the roastery expects of its coffee.
    pub expect: Arc<Expect>,
    /// What closings are sealed with.
    pub seal_key: SealKey,
    /// The folder of daily copies, where one is set.
    pub copies: OnceLock<PathBuf>,
    /// Its subscribers as they were read last.
    pub subscribers: Subscribers,
    changes: broadcast::Sender<Changed>,
    /// Size of the log after the last commit of this process.
    written: watch::Sender<i64>,
}

/// What became of a command.
#[derive(Debug, Clone, PartialEq)]
pub enum Done {
    /// It was booked; the answer, as JSON.
    Booked(Value),
    /// It had been booked before; the answer given then.
    Repeated(Value),
    /// It was kept on a tablet and could not be booked: it waits for a person.
    Unsettled(Value),
}

/// What is kept of a tablet that was cut off: so many commands, each of so many bytes at most.
const CUT_OFF_COMMANDS: usize = 300;
const CUT_OFF_BYTES: usize = 16 * 1024;

/// How many changes a slow page may fall behind before it is told to read again.
const CHANGES_KEPT: usize = 256;

impl App {
    /// Opens the database's only site, or its oldest; makes one at the first start.
    ///
    /// # Errors
    /// [`StoreError`] when the database cannot be read.
    pub async fn open(
        store: Arc<dyn Store>,
        clock: Clock,
        zone: Zone,
        seal_key: SealKey,
    ) -> Result<Arc<Self>, StoreError> {
        let founded = match sites::oldest(&*store).await? {
            Some(founded) => founded,
            None => sites::found_first(&*store, &clock, zone).await?,
        };
        Self::open_site(store, clock, founded, seal_key).await
    }

    /// Opens a site that is there.
    ///
    /// # Errors
    /// [`StoreError`] when the database cannot be read.
    pub async fn open_site(
        store: Arc<dyn Store>,
        clock: Clock,
        Founded { site, owner }: Founded,
        seal_key: SealKey,
    ) -> Result<Arc<Self>, StoreError> {
        let (changes, _) = broadcast::channel(CHANGES_KEPT);
        let expect = Arc::new(Expect::open(&*store, site).await?);
        let (written, following) = watch::channel(0);
        let follower = Follower {
            store: Arc::clone(&store),
            site,
            expect: Arc::clone(&expect),
            changes: changes.clone(),
        };
        let commits = store.commits().await?;
        let neighbours = Neighbours::begin(Arc::clone(&store), site, changes.clone()).await?;
        tokio::spawn(neighbours.run(following.clone()));
        tokio::spawn(follower.run(following, commits));
        Ok(Arc::new(Self {
            store,
            clock,
            site,
            owner,
            access: Access::default(),
            expect,
            seal_key,
            copies: OnceLock::new(),
            subscribers: Subscribers::default(),
            changes,
            written,
        }))
    }

    /// Waits until the learner has followed everything that this process has booked.
    pub async fn learned(&self) {
        let written = *self.written.borrow();
        self.expect.caught_up(written).await;
    }

    /// Writes down what the learner knows, and lets go of the database.
    pub async fn stop(&self) {
        if let Err(error) = self.expect.write(&*self.store, self.site).await {
            tracing::warn!(%error, "what was learned could not be written down: the next start learns it again");
        }
        self.store.close().await;
    }

    /// Listens for changes.
    #[must_use]
    pub fn changes(&self) -> broadcast::Receiver<Changed> {
        self.changes.subscribe()
    }

    /// How many listen for changes.
    #[must_use]
    pub fn listening(&self) -> usize {
        self.changes.receiver_count()
    }

    /// A snapshot.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn read(&self) -> Result<Box<dyn Read>, StoreError> {
        self.store.read().await
    }

    /// The site's record.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn site_record(&self, tx: &mut dyn Read) -> Result<Kept<Site>, StoreError> {
        setup::site(tx, self.site).await
    }

    /// Carries out a command under the id its sender gave it.
    ///
    /// The command runs in a task of its own, so that a sender who hangs up cannot cut it in half. Sent again with the same content it
    /// answers what it answered; with other content it is refused. When it is refused, nothing has changed; what was kept on a tablet
    /// and cannot be booked is stored for a person to settle.
    ///
    /// # Errors
    /// What the command refuses, [`Refusal::IdTaken`], or [`Refusal::Store`].
    pub async fn carry_out<C: Command>(
        self: &Arc<Self>,
        actor: Actor,
        id: Uuid,
        command: C,
    ) -> Outcome<Done> {
        let app = Arc::clone(self);
        let task = tokio::spawn(async move {
            match app.carry_out_now(actor, id, &command).await {
                Err(refusal)
                    if command.common().kept
                        && !matches!(refusal, Refusal::Store(_) | Refusal::IdTaken) =>
                {
                    app.leave_unsettled(actor, id, &command, refusal).await
                }
                other => other,
            }
        });
        task.await.unwrap_or_else(|e| {
            Err(StoreError::Database(format!("the command's task failed: {e}")).into())
        })
    }

    async fn carry_out_now<C: Command>(
        &self,
        actor: Actor,
        id: Uuid,
        command: &C,
    ) -> Outcome<Done> {
        let mut book = self.begin(actor, digest_of(actor, command)).await?;
        if let Some(done) = done_before(&mut book, id, actor, command).await? {
            return Ok(done);
        }
        let answer = serde_json::to_value(command.perform(&mut book, self, id).await?)
            .map_err(crate::book::damaged)?;
        counting::recount(&mut book, self).await?;
        self.end(book, Some(id), &answer).await?;
        Ok(Done::Booked(answer))
    }

    /// Keeps what a tablet sends that was cut off, for a person to look at: it may have been weighed, or made up. What it had sent before is
    /// answered as before.
    ///
    /// # Errors
    /// [`Refusal::TooMuch`] when it sends more than a tablet keeps in a day.
    pub async fn set_aside<C: Command>(
        self: &Arc<Self>,
        actor: Actor,
        id: Uuid,
        command: C,
    ) -> Outcome<Done> {
        let app = Arc::clone(self);
        let task = tokio::spawn(async move {
            let mut tx = app.read().await?;
            if let Some(row) = tx.command(id).await? {
                return repeat(&row.digest, &digest_of(actor, &command), &row.answer);
            }
            let waiting = tx.unsettled(app.site).await?;
            drop(tx);
            let sent = waiting.iter().filter(|row| row.device == actor.device);
            if canonical::text(&command).len() > CUT_OFF_BYTES || sent.count() >= CUT_OFF_COMMANDS {
                return Err(Refusal::TooMuch(
                    "this tablet was cut off, and nothing more of it is kept",
                ));
            }
            let why = Refusal::conflict("the tablet that sent this had been cut off");
            app.leave_unsettled(actor, id, &command, why).await
        });
        task.await.unwrap_or_else(|e| {
            Err(StoreError::Database(format!("the command's task failed: {e}")).into())
        })
    }

    async fn leave_unsettled<C: Command>(
        &self,
        actor: Actor,
        id: Uuid,
        command: &C,
        refusal: Refusal,
    ) -> Outcome<Done> {
        let problem = json!({"sentence": refusal.to_string(), "errors": if let Refusal::Invalid(errors) = &refusal { json!(errors) } else { Value::Null }});
        let mut book = self.begin(actor, digest_of(actor, command)).await?;
        // Its twin may have been booked or kept while this one waited for its turn.
        if let Some(done) = done_before(&mut book, id, actor, command).await? {
            return Ok(done);
        }
        let row = UnsettledRow {
            id,
            command: C::NAME.to_owned(),
            person: actor.person,
            device: actor.device,
            received_at: book.now(),
            body: canonical::text(command),
            problem: canonical::text(&problem),
        };
        let entry = self.clock.new_id();
        book.keep(&row, entry, command.common().happened_at).await?;
        self.end(book, None, &Value::Null).await?;
        Ok(unsettled(id, &problem))
    }

    /// Writes a record under the id its writer gave it.
    ///
    /// # Errors
    /// As [`setup::put`].
    pub async fn put<R: Record>(
        self: &Arc<Self>,
        actor: Actor,
        id: Uuid,
        expected: Expected,
        fields: R,
    ) -> Outcome<Kept<R>> {
        self.write(actor, id, expected, fields, None).await
    }

    /// Writes a record as a person sends it: what is unusual about it is asked about once.
    ///
    /// # Errors
    /// As [`setup::put_asking`].
    pub async fn put_asking<R: Record>(
        self: &Arc<Self>,
        actor: Actor,
        id: Uuid,
        expected: Expected,
        fields: R,
        confirmed: Vec<Confirm>,
    ) -> Outcome<Kept<R>> {
        self.write(actor, id, expected, fields, Some(confirmed))
            .await
    }

    async fn write<R: Record>(
        self: &Arc<Self>,
        actor: Actor,
        id: Uuid,
        expected: Expected,
        fields: R,
        confirmed: Option<Vec<Confirm>>,
    ) -> Outcome<Kept<R>> {
        let app = Arc::clone(self);
        let task = tokio::spawn(async move {
            let digest = canonical::digest(
                &json!({"record": R::KIND, "person": actor.person, "device": actor.device, "id": id, "body": fields}),
            );
            let mut book = app.begin(actor, digest).await?;
            let entry = app.clock.new_id();
            let written = match &confirmed {
                Some(said) => setup::put_asking(&mut book, id, expected, fields, entry, said).await,
                None => setup::put(&mut book, id, expected, fields, entry).await,
            };
            let (kept, changed) = written?;
            if R::KIND == WriteDown::KIND {
                audit::value::check_write_down(&mut book, id).await?;
            }
            if changed {
                app.end(book, None, &Value::Null).await?;
            }
            Ok(kept)
        });
        task.await.unwrap_or_else(|e| {
            Err(StoreError::Database(format!("the writing task failed: {e}")).into())
        })
    }

    /// Tells that somebody may come in who could not, or no longer: open lines are asked again who they are.
    pub fn access_changed(&self) {
        let _ = self.changes.send(Changed {
            kinds: BTreeSet::from(["access".to_owned()]),
        });
    }

    async fn begin(&self, actor: Actor, digest: Hash) -> Outcome<Book> {
        let mut tx = self.store.write().await?;
        // Whoever has the head knows what the turn before knew.
        tx.lock_head(self.site).await?;
        let zone = self.site_record(&mut *tx).await?.fields.zone;
        Ok(Book::open(tx, self.site, zone, actor, digest, self.clock.now()).await?)
    }

    async fn end(&self, book: Book, id: Option<Uuid>, answer: &Value) -> Outcome<()> {
        let size = book.size();
        book.close(id, &answer.to_string()).await?;
        self.written.send_replace(size);
        Ok(())
    }
}

/// What tells a command from others of its id: what it says, who sends it and from which device.
fn digest_of<C: Command>(actor: Actor, command: &C) -> Hash {
    canonical::digest(
        &json!({"command": C::NAME, "person": actor.person, "device": actor.device, "body": command}),
    )
}

/// What came of a command that was sent under this id before.
async fn done_before<C: Command>(
    book: &mut Book,
    id: Uuid,
    actor: Actor,
    command: &C,
) -> Outcome<Option<Done>> {
    if book.tx().is_new(id).await? {
        return Ok(None);
    }
    if let Some(row) = book.tx().command(id).await? {
        return repeat(&row.digest, &digest_of(actor, command), &row.answer).map(Some);
    }
    let kept = book.tx().unbooked(id).await?;
    kept.map(|row| still_unbooked(&row, actor, command))
        .transpose()
}

fn repeat(stored: &[u8], digest: &Hash, answer: &str) -> Outcome<Done> {
    if stored != digest {
        return Err(Refusal::IdTaken);
    }
    Ok(Done::Repeated(
        serde_json::from_str(answer).map_err(crate::book::damaged)?,
    ))
}

fn unsettled(id: Uuid, problem: &Value) -> Done {
    Done::Unsettled(json!({"unsettled": id, "problem": problem}))
}

/// A kept command that is sent again after it could not be booked: it waits, or a person has settled it. Either way it is not booked
/// under this id any more.
fn still_unbooked<C: Command>(row: &UnsettledRow, actor: Actor, command: &C) -> Outcome<Done> {
    let same = row.command == C::NAME
        && (row.person, row.device) == (actor.person, actor.device)
        && row.body == canonical::text(command);
    if !same {
        return Err(Refusal::IdTaken);
    }
    let problem = serde_json::from_str(&row.problem).map_err(crate::book::damaged)?;
    Ok(unsettled(row.id, &problem))
}
