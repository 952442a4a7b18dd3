//! The book: every gram of a lot is always somewhere, and what was booked stays booked.
//!
//! One [`Book`] is one turn at writing: it holds the site's log head from [`Book::open`] to [`Book::close`], so turns follow one another.
//! Whatever is booked becomes a leaf of the log and, in the same transaction, the rows that follow from it. This module knows masses,
//! places, days and the log; it does not know what a roaster or an order is.

pub mod canonical;
pub mod leaf;
pub mod merkle;
pub mod place;
pub mod seal;

use std::collections::HashMap;

use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::day::{Day, Instant, Zone};
use crate::ids::{CardId, PersonId, PostingId, SiteId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::store::{
    Change, ClosingRow, HeadRow, LogRow, Read, RecordRow, StoreError, UnsettledRow, Write,
};
use leaf::{Act, Closing, Entry, Head, Kind, Leaf, Movement, Posting, Total, VERSION, Weighing};
use merkle::{Frontier, Hash, leaf_hash};
use place::Place;

/// Who books, and on what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Actor {
    /// The person.
    pub person: PersonId,
    /// The device, if it has a name of its own.
    pub device: Option<Uuid>,
    /// Whether the device alone is proved, and it says who the person is.
    pub claimed: bool,
}

impl Actor {
    /// A person without a device of its own.
    #[must_use]
    pub const fn person(person: PersonId) -> Self {
        Self {
            person,
            device: None,
            claimed: false,
        }
    }
}

/// A posting before it has its place in the log.
#[derive(Debug, Clone)]
pub struct Draft {
    /// The id its sender gave it.
    pub id: PostingId,
    /// What is done.
    pub kind: Kind,
    /// When it happened.
    pub happened_at: Instant,
    /// Why.
    pub reason: Option<String>,
    /// The card it carries out.
    pub card: Option<CardId>,
    /// The posting it mirrors.
    pub reverses: Option<PostingId>,
    /// What else is known.
    pub facts: Value,
    /// What moves.
    pub movements: Vec<Movement>,
    /// How the masses are known.
    pub weighings: Vec<Weighing>,
}

/// A journal entry before it has its place in the log.
#[derive(Debug, Clone)]
pub struct Remark {
    /// Its id.
    pub id: Uuid,
    /// What kind of thing it is about.
    pub kind: &'static str,
    /// Which one.
    pub subject: Uuid,
    /// What was done to it.
    pub act: Act,
    /// When it happened.
    pub happened_at: Instant,
    /// Why.
    pub reason: Option<String>,
    /// What it was before.
    pub before: Value,
    /// What it is now.
    pub after: Value,
}

/// Kinds of records whose change has a value, and so counts on open days only.
const OF_VALUE: [&str; 2] = ["cost_line", "write_down"];

/// One turn at writing in one site's book.
pub struct Book {
    tx: Box<dyn Write>,
    site: SiteId,
    zone: Zone,
    actor: Actor,
    digest: Hash,
    head: HeadRow,
    frontier: Frontier,
    closings: Vec<ClosingRow>,
    posted: Vec<Posting>,
}

impl Book {
    /// Takes the site's head; whoever else wants to write waits.
    ///
    /// `digest` is that of the command being carried out. `now` becomes `recorded_at`, unless the last leaf is later.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or the site has no log.
    pub async fn open(
        mut tx: Box<dyn Write>,
        site: SiteId,
        zone: Zone,
        actor: Actor,
        digest: Hash,
        now: Instant,
    ) -> Result<Self, StoreError> {
        let mut head = tx
            .lock_head(site)
            .await?
            .ok_or_else(|| StoreError::Damaged("the site has no log".to_owned()))?;
        let size = u64::try_from(head.size).unwrap_or(0);
        let frontier = Frontier::from_bytes(size, &head.frontier)
            .ok_or_else(|| StoreError::Damaged("the log's frontier".to_owned()))?;
        head.recorded_at = head.recorded_at.max(now);
        let closings = tx.closings(site).await?;
        Ok(Self {
            tx,
            site,
            zone,
            actor,
            digest,
            head,
            frontier,
            closings,
            posted: Vec::new(),
        })
    }

    /// The transaction, for reads and the tables of other areas.
    pub fn tx(&mut self) -> &mut dyn Write {
        &mut *self.tx
    }

    /// The site.
    #[must_use]
    pub const fn site(&self) -> SiteId {
        self.site
    }

    /// The site's zone.
    #[must_use]
    pub const fn zone(&self) -> Zone {
        self.zone
    }

    /// Leaves in the log, those of this turn included.
    #[must_use]
    pub const fn size(&self) -> i64 {
        self.head.size
    }

    /// The log's root, with the leaves of this turn.
    #[must_use]
    pub fn root(&self) -> Hash {
        self.frontier.root()
    }

    /// Who books.
    #[must_use]
    pub const fn actor(&self) -> Actor {
        self.actor
    }

    /// What this turn has as `recorded_at`.
    #[must_use]
    pub const fn now(&self) -> Instant {
        self.head.recorded_at
    }

    /// The postings of this turn.
    #[must_use]
    pub fn posted(&self) -> &[Posting] {
        &self.posted
    }

    /// The last closed day, if any period is closed.
    #[must_use]
    pub fn closed_through(&self) -> Option<Day> {
        self.closings
            .iter()
            .filter(|closing| !closing.reopened)
            .map(|closing| closing.to_day)
            .max()
    }

    /// Books a posting: its leaf, its movements and the balances they make.
    ///
    /// # Errors
    /// [`Refusal::Conflict`] when an account that cannot owe would fall below nothing; [`StoreError`] when the database fails.
    ///
    /// # Panics
    /// When a caller drafts what its kind does not allow: an error of the program, not of a person.
    pub async fn post(&mut self, draft: Draft) -> Outcome<Posting> {
        let posting = self.place_in_time(draft);
        assert_eq!(posting.fault(), None, "{posting:?}");
        self.append(&Leaf::Posting(posting.clone())).await?;
        self.follow_posting(&posting).await?;
        self.posted.push(posting.clone());
        Ok(posting)
    }

    /// Adds the next leaf of a copy of this book, byte for byte, and what follows from it in the book's own tables. What follows in
    /// those of other areas is theirs to add.
    ///
    /// # Errors
    /// [`Refusal::Conflict`] when the leaf says what cannot be, or is not the next; [`StoreError`] when the database fails.
    pub async fn take(&mut self, leaf: &Leaf) -> Outcome<()> {
        let head = leaf.head();
        let next = Instant::from_ms(head.recorded_at);
        if head.site != self.site || head.position != self.head.size || next < self.now() {
            return Err(Refusal::conflict("this leaf is not the next of this log"));
        }
        self.head.recorded_at = next;
        self.append(leaf).await?;
        match leaf {
            Leaf::Posting(posting) => {
                if let Some(fault) = posting.fault() {
                    return Err(Refusal::conflict(fault));
                }
                self.follow_posting(posting).await
            }
            Leaf::Entry(entry) => Ok(self.tx.insert_entry(entry).await?),
            Leaf::Closing(closing) => Ok(self.tx.insert_closing(closing).await?),
        }
    }

    /// The rows that follow from a posting.
    async fn follow_posting(&mut self, posting: &Posting) -> Outcome<()> {
        self.tx.insert_posting(posting).await?;
        let done = self.done(posting).await?;
        if posting.movements.is_empty() {
            return if done == Kind::Allot {
                Ok(())
            } else {
                Err(Refusal::conflict("a posting that moves nothing"))
            };
        }
        self.move_coffee(posting, done).await?;
        Ok(self.tx.insert_weighings(posting).await?)
    }

    /// Books a journal entry.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn remark(&mut self, remark: Remark) -> Outcome<Entry> {
        let entry = Entry {
            head: self.next_head(),
            id: remark.id,
            kind: remark.kind.to_owned(),
            subject: remark.subject,
            act: remark.act,
            happened_at: remark.happened_at.min(self.now()).ms(),
            reason: remark.reason,
            digest: Some(hex::encode(self.digest)),
            open_from: self
                .closed_through()
                .filter(|_| OF_VALUE.contains(&remark.kind))
                .map(|closed| closed.plus(1)),
            before: remark.before,
            after: remark.after,
        };
        self.append(&Leaf::Entry(entry.clone())).await?;
        self.tx.insert_entry(&entry).await?;
        Ok(entry)
    }

    /// Stores a kept command that could not be booked, and its journal entry: it waits for a person, and cannot vanish.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn keep(
        &mut self,
        row: &UnsettledRow,
        entry: Uuid,
        happened_at: Instant,
    ) -> Outcome<()> {
        self.tx.insert_unsettled(self.site, row).await?;
        let read = |text: &str| serde_json::from_str::<Value>(text).map_err(damaged);
        self.remark(Remark {
            id: entry,
            kind: "command",
            subject: row.id,
            act: Act::Keep,
            happened_at,
            reason: None,
            before: Value::Null,
            after: json!({"command": row.command, "body": read(&row.body)?, "problem": read(&row.problem)?}),
        })
        .await?;
        Ok(())
    }

    /// Notes how a kept command was settled, in its row and in the journal: by another command, or as the reason says.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn settle(
        &mut self,
        unsettled: Uuid,
        entry: Uuid,
        happened_at: Instant,
        by: Option<Uuid>,
        reason: Option<String>,
    ) -> Outcome<()> {
        let how = settled_how(&json!(by), reason.as_deref());
        let at = self.now();
        self.tx.settle(unsettled, at, &how).await?;
        self.remark(Remark {
            id: entry,
            kind: "command",
            subject: unsettled,
            act: Act::Settle,
            happened_at,
            reason,
            before: Value::Null,
            after: by.map_or(Value::Null, |by| json!({ "by": by })),
        })
        .await?;
        Ok(())
    }

    /// Writes a record and its journal entry. `before` is the record as it is, none if it is new.
    ///
    /// # Errors
    /// [`Refusal::Store`] with [`StoreError::Taken`] for a label already in use and [`StoreError::Dangling`] for a name of what is not there.
    pub async fn put_record(
        &mut self,
        kind: &'static str,
        before: Option<&RecordRow>,
        row: &RecordRow,
        names: &[Uuid],
        entry: Uuid,
        reason: Option<String>,
    ) -> Outcome<()> {
        self.tx.put_record(self.site, row, names).await?;
        let now = self.now();
        self.remark(Remark {
            id: entry,
            kind,
            subject: row.id,
            act: Act::Put,
            happened_at: now,
            reason,
            before: before
                .map_or(Ok(Value::Null), |before| serde_json::from_str(&before.body))
                .map_err(damaged)?,
            after: serde_json::from_str(&row.body).map_err(damaged)?,
        })
        .await?;
        Ok(())
    }

    /// The day it is at the site.
    #[must_use]
    pub fn today(&self) -> Day {
        self.zone.day(self.now())
    }

    /// Closes the period up to and with `to_day`: it takes nothing more.
    ///
    /// # Errors
    /// [`Refusal::Conflict`] when the day is not over, or closed already.
    pub async fn close_period(
        &mut self,
        id: Uuid,
        to_day: Day,
        reason: Option<String>,
    ) -> Outcome<Closing> {
        let today = self.today();
        if to_day >= today {
            return Err(Refusal::field(
                "/to_day",
                format!("close a day that is over: {} at the latest", today.plus(-1)),
            ));
        }
        let before = self.closed_through();
        if let Some(closed) = before.filter(|closed| *closed >= to_day) {
            return Err(Refusal::field(
                "/to_day",
                format!("everything up to {closed} is closed already: choose a later day"),
            ));
        }
        let totals = self.tx.totals_on(self.site, to_day).await?;
        let closing = Closing {
            head: self.next_head(),
            id,
            reopens: None,
            from_day: before.map(|day| day.plus(1)),
            to_day,
            reason,
            digest: hex::encode(self.digest),
            totals: totals
                .into_iter()
                .map(|(lot, place, mass)| Total {
                    lot,
                    place,
                    mass_mg: mass.mg(),
                })
                .collect(),
        };
        self.book_closing(closing).await
    }

    /// Opens the last closed period again.
    ///
    /// # Errors
    /// [`Refusal::Conflict`] when it is not the last closed one.
    pub async fn reopen_period(
        &mut self,
        id: Uuid,
        closing: Uuid,
        reason: String,
    ) -> Outcome<Closing> {
        let last = self
            .closings
            .iter()
            .filter(|c| !c.reopened)
            .max_by_key(|c| c.to_day);
        let Some(last) = last.filter(|last| last.id == closing).cloned() else {
            return Err(Refusal::conflict(
                "only the last closed period can be opened again",
            ));
        };
        let reopening = Closing {
            head: self.next_head(),
            id,
            reopens: Some(closing),
            from_day: last.from_day,
            to_day: last.to_day,
            reason: Some(reason),
            digest: hex::encode(self.digest),
            totals: Vec::new(),
        };
        self.book_closing(reopening).await
    }

    /// Stores the answer to the command and the new head, and makes the turn lasting.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn close(mut self, command: Option<Uuid>, answer: &str) -> Result<(), StoreError> {
        if let Some(id) = command {
            let hash = answer_hash(id, &self.digest, answer);
            self.tx
                .insert_command(id, self.site, &self.digest, answer, &hash)
                .await?;
        }
        self.hand_on().await?.commit().await
    }

    /// Stores the new head and hands the transaction on, for whoever has more to do before it is made lasting.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn hand_on(mut self) -> Result<Box<dyn Write>, StoreError> {
        if !self.is_unwritten() {
            self.head.frontier = self.frontier.bytes();
            self.head.root = self.frontier.root().to_vec();
            self.tx.update_head(self.site, &self.head).await?;
        }
        Ok(self.tx)
    }

    /// Whether this turn has added nothing to the log, whose head then stays as it is.
    fn is_unwritten(&self) -> bool {
        self.frontier.bytes() == self.head.frontier
    }

    async fn book_closing(&mut self, closing: Closing) -> Outcome<Closing> {
        self.append(&Leaf::Closing(closing.clone())).await?;
        self.tx.insert_closing(&closing).await?;
        self.closings = self.tx.closings(self.site).await?;
        Ok(closing)
    }

    /// The day and times of a posting: the future is clamped to now, a closed day to the first open one.
    fn place_in_time(&self, draft: Draft) -> Posting {
        let happened_at = draft.happened_at.min(self.now());
        let happened_on = self.zone.day(happened_at);
        let first_open = self
            .closed_through()
            .map(|closed| closed.plus(1))
            .filter(|open| *open > happened_on);
        let effective_at = first_open.map_or(happened_at, |open| self.zone.start_of(open));
        Posting {
            head: self.next_head(),
            id: draft.id,
            kind: draft.kind,
            happened_at: happened_at.ms(),
            effective_at: effective_at.ms(),
            day: first_open.unwrap_or(happened_on),
            late: first_open.is_some(),
            reason: draft.reason,
            card: draft.card,
            reverses: draft.reverses,
            facts: draft.facts,
            digest: hex::encode(self.digest),
            movements: draft.movements,
            weighings: draft.weighings,
        }
    }

    fn next_head(&self) -> Head {
        Head {
            v: VERSION,
            site: self.site,
            position: self.head.size,
            recorded_at: self.now().ms(),
            person: self.actor.person,
            device: self.actor.device,
            claimed: self.actor.claimed,
        }
    }

    async fn append(&mut self, leaf: &Leaf) -> Result<(), StoreError> {
        let text = canonical::text(leaf);
        let hash = leaf_hash(text.as_bytes());
        let row = LogRow {
            position: self.head.size,
            recorded_at: self.now(),
            hash: hash.to_vec(),
            leaf: text,
        };
        self.tx.insert_leaf(self.site, &row).await?;
        self.frontier.push(hash);
        self.head.size += 1;
        Ok(())
    }

    /// What a posting did, or undid.
    async fn done(&mut self, posting: &Posting) -> Result<Kind, StoreError> {
        let Some(undone) = posting.reverses else {
            return Ok(posting.kind);
        };
        Ok(need_posting(&mut *self.tx, self.site, undone).await?.kind)
    }

    async fn move_coffee(&mut self, posting: &Posting, done: Kind) -> Outcome<()> {
        let (changes, ends) = changes(&posting.movements)?;
        let accounts = self.tx.add_to_accounts(self.site, &changes).await?;
        // Judged when all lines stand: one posting may take from and give to the same account.
        for (change, (_, left)) in changes.iter().zip(&accounts) {
            let left = Mass::from_mg(*left)?;
            if left < Mass::ZERO && !change.place.may_owe() {
                return Err(short_of(change.place, left));
            }
        }
        let month = posting.day.month();
        let nets: Vec<(i64, Mass)> = changes
            .iter()
            .zip(&accounts)
            .map(|(change, (account, _))| (*account, change.mass))
            .collect();
        self.tx.add_to_month(&month, &nets).await?;
        self.tx
            .add_to_flows(self.site, done, &month, &posting.movements)
            .await?;
        let ends: Vec<(i64, i64)> = ends
            .into_iter()
            .map(|(from, to)| (accounts[from].0, accounts[to].0))
            .collect();
        Ok(self.tx.insert_movements(posting, &ends).await?)
    }
}

/// Which two of some changes a movement is part of.
type Ends = (usize, usize);

/// What movements add to each account that they touch, in the order in which they touch them, and between which of these each moves.
fn changes(movements: &[Movement]) -> Outcome<(Vec<Change>, Vec<Ends>)> {
    let mut changes: Vec<Change> = Vec::new();
    let mut index = HashMap::new();
    let mut add = |lot, place, mass: Mass| -> Outcome<usize> {
        let at = *index.entry((lot, place)).or_insert(changes.len());
        match changes.get_mut(at) {
            Some(change) => change.mass = change.mass.plus(mass)?,
            None => changes.push(Change { lot, place, mass }),
        }
        Ok(at)
    };
    let mut ends = Vec::with_capacity(movements.len());
    for movement in movements {
        let mass = Mass::from_mg(movement.mass_mg)?;
        let from = add(movement.lot, movement.from, Mass::ZERO.minus(mass)?)?;
        let to = add(movement.lot, movement.to, mass)?;
        ends.push((from, to));
    }
    Ok((changes, ends))
}

/// How a kept command was settled, as its row has it: the command that booked it, and the reason, where there are such.
#[must_use]
pub fn settled_how(by: &Value, reason: Option<&str>) -> String {
    let mut how = serde_json::Map::new();
    if !by.is_null() {
        how.insert("by".to_owned(), by.clone());
    }
    how.extend(reason.map(|reason| ("reason".to_owned(), json!(reason))));
    canonical::text(&how)
}

/// What binds a command's id, digest and answer together: an answer is not in the log, so this is what shows that it is unchanged.
#[must_use]
pub fn answer_hash(id: Uuid, digest: &[u8], answer: &str) -> Hash {
    let mut hash = Sha256::new();
    hash.update(id.as_bytes());
    hash.update(digest);
    hash.update(answer.as_bytes());
    hash.finalize().into()
}

fn short_of(place: Place, left: Mass) -> Refusal {
    let missing = Mass::from_mg(-left.mg()).unwrap_or(Mass::ZERO);
    let mut facts = serde_json::Map::new();
    facts.insert("missing_g".to_owned(), json!(missing));
    facts.insert("place".to_owned(), Value::from(place.word()));
    Refusal::Conflict {
        sentence: format!(
            "the book has {missing} too little of this lot ({})",
            place.label()
        ),
        facts,
    }
}

/// A posting of a site by its id; none where there is none.
///
/// # Errors
/// [`StoreError`] when the database fails, or what it has there is no posting.
pub async fn find_posting(
    tx: &mut dyn Read,
    site: SiteId,
    id: PostingId,
) -> Result<Option<Posting>, StoreError> {
    let Some(text) = tx.posting_leaf(site, id).await? else {
        return Ok(None);
    };
    match serde_json::from_str(&text).map_err(damaged)? {
        Leaf::Posting(posting) => Ok(Some(posting)),
        Leaf::Entry(_) | Leaf::Closing(_) => Err(no_posting(id)),
    }
}

/// A posting of a site that must be there.
///
/// # Errors
/// [`StoreError`] when the database fails, or has no posting of this id.
pub async fn need_posting(
    tx: &mut dyn Read,
    site: SiteId,
    id: PostingId,
) -> Result<Posting, StoreError> {
    let found = find_posting(tx, site, id).await?;
    found.ok_or_else(|| no_posting(id))
}

fn no_posting(id: PostingId) -> StoreError {
    StoreError::Damaged(format!("{id} is no posting"))
}

/// What stands in the store cannot be read.
#[expect(
    clippy::needless_pass_by_value,
    reason = "used as a function value in map_err"
)]
pub(crate) fn damaged(error: serde_json::Error) -> StoreError {
    StoreError::Damaged(error.to_string())
}
