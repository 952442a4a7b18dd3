//! The store: what the areas may ask of the database, and the two databases that answer.
//!
//! A query is written once, in `sql/`, and compiled for both native drivers: `sqlite.rs` and `postgres.rs` each name their driver `Db` and
//! take the same `sql/` folder in as a module. So a text cannot drift between the two, and each database keeps its own types.
//! Areas see the traits only.
//!
//! To add a query: a method in the trait of its area below, its text in `sql/<area>.rs`. A change of tables is a new file of the same
//! number and name in `migrations/sqlite` and `migrations/postgres`; a test compares what the two make.

mod audit;
mod bags;
mod error;
mod learned;
mod open;
mod postgres;
mod sqlite;
mod trace;

pub use error::StoreError;
pub use learned::{ReadLearned, WriteLearned};
pub use open::{open, open_there};
pub use trace::{PostedBags, ReadTrace, Way};

use async_trait::async_trait;
use uuid::Uuid;

use crate::book::leaf::{Act, Kind, Movement, Posting};
use crate::book::merkle::Hash;
use crate::book::place::Place;
use crate::day::{Day, Instant};
use crate::ids::{BatchId, CardId, DeviceId, LotId, PersonId, PostingId, SiteId};
use crate::mass::Mass;
pub use bags::{
    BagsAllotted, BagsFilled, BagsRow, BagsShipped, BagsStanding, BagsSum, ReadBags, WriteBags,
};

pub use audit::{
    CountRow, FlaggedRow, Flow, LotFlow, Mark, Period, ReadCounts, ReadFindings, ReadFlows,
    ReadStatements, ReadStored, RoomLine, Since, StoreLine, StoredCommand, StoredFlow, TakenIn,
    WeighedMove, Within, WriteCounts,
};

/// Shorthand of this module.
pub type Result<T> = std::result::Result<T, StoreError>;

/// Says each time that another server may have written.
pub type Commits = std::pin::Pin<Box<dyn futures_util::Stream<Item = ()> + Send>>;

/// A database with its pools.
#[async_trait]
pub trait Store: Send + Sync + std::fmt::Debug {
    /// Begins the only kind of transaction that can change anything. Dropping it undoes all.
    async fn write(&self) -> Result<Box<dyn Write>>;
    /// Begins a snapshot: all that is read through it is of one moment.
    async fn read(&self) -> Result<Box<dyn Read>>;
    /// Says that another server may have written; never ends.
    async fn commits(&self) -> Result<Commits>;
    /// Lets go of all connections.
    async fn close(&self);
}

/// Everything that can be read.
pub trait Read:
    ReadBook
    + ReadRecords
    + ReadBatches
    + ReadMovements
    + ReadBags
    + ReadStatements
    + ReadFlows
    + ReadCounts
    + ReadFindings
    + ReadStored
    + ReadAccess
    + ReadTrace
    + ReadLearned
    + Send
{
}
impl<
    T: ReadBook
        + ReadRecords
        + ReadBatches
        + ReadMovements
        + ReadBags
        + ReadStatements
        + ReadFlows
        + ReadCounts
        + ReadFindings
        + ReadStored
        + ReadAccess
        + ReadTrace
        + ReadLearned
        + Send,
> Read for T
{
}

/// Everything that can be changed.
#[async_trait]
pub trait Write:
    Read
    + WriteBook
    + WriteRecords
    + WriteBatches
    + WriteBags
    + WriteCounts
    + WriteAccess
    + WriteLearned
{
    /// Makes it lasting.
    async fn commit(self: Box<Self>) -> Result<()>;
}

/// The head of a site's log.
#[derive(Debug, Clone)]
pub struct HeadRow {
    /// Leaves in the log.
    pub size: i64,
    /// When the last one was recorded.
    pub recorded_at: Instant,
    /// The tree's frontier.
    pub frontier: Vec<u8>,
    /// The tree's root.
    pub root: Vec<u8>,
}

/// A leaf as it lies in the log.
#[derive(Debug, Clone)]
pub struct LogRow {
    /// Place in the log.
    pub position: i64,
    /// When the book learned it.
    pub recorded_at: Instant,
    /// The leaf's hash as stored.
    pub hash: Vec<u8>,
    /// The leaf's own text.
    pub leaf: String,
}

/// A command that was carried out.
#[derive(Debug, Clone)]
pub struct CommandRow {
    /// SHA-256 of the command.
    pub digest: Vec<u8>,
    /// What was answered, as JSON.
    pub answer: String,
}

/// A line of the journal.
#[derive(Debug, Clone)]
pub struct JournalRow {
    /// Place in the log.
    pub position: i64,
    /// The entry's own text.
    pub leaf: String,
}

/// A closing as the tables have it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClosingRow {
    /// Its id.
    pub id: Uuid,
    /// Place in the log.
    pub position: i64,
    /// First day; none for all before.
    pub from_day: Option<Day>,
    /// Last day.
    pub to_day: Day,
    /// Whether it has been opened again.
    pub reopened: bool,
}

/// Which journal entries are wanted, newest first.
#[derive(Debug, Clone, Default)]
pub struct JournalFilter {
    /// Of one kind of thing.
    pub kind: Option<String>,
    /// Of one thing.
    pub subject: Option<Uuid>,
    /// Those before this place in the log.
    pub before: Option<i64>,
}

/// Reads of the log and its commands.
#[async_trait]
pub trait ReadBook {
    /// All sites that have a log.
    async fn sites(&mut self) -> Result<Vec<SiteId>>;
    /// How many leaves the log of each site has.
    async fn log_sizes(&mut self) -> Result<Vec<(SiteId, i64)>>;
    /// Whether anything went between sites, or was taken back, by the leaves of a site from a place in its log on.
    async fn went_between(&mut self, site: SiteId, from: i64) -> Result<bool>;
    /// The head of a site's log.
    async fn head(&mut self, site: SiteId) -> Result<Option<HeadRow>>;
    /// Leaves from a place in the log on, in order.
    async fn leaves(&mut self, site: SiteId, from: i64, limit: i64) -> Result<Vec<LogRow>>;
    /// How many leaves had been recorded by an instant.
    async fn size_at(&mut self, site: SiteId, at: Instant) -> Result<i64>;
    /// Whether nothing was booked or kept under this id of a command.
    async fn is_new(&mut self, id: Uuid) -> Result<bool>;
    /// A command by its id.
    async fn command(&mut self, id: Uuid) -> Result<Option<CommandRow>>;
    /// The text of the leaf of a site's posting.
    async fn posting_leaf(&mut self, site: SiteId, id: PostingId) -> Result<Option<String>>;
    /// The text of the leaf of a site's journal entry.
    async fn entry_leaf(&mut self, site: SiteId, id: Uuid) -> Result<Option<String>>;
    /// The posting that undid another.
    async fn reversal_of(&mut self, id: PostingId) -> Result<Option<PostingId>>;
    /// The journal, newest first.
    async fn journal(
        &mut self,
        site: SiteId,
        filter: &JournalFilter,
        limit: i64,
    ) -> Result<Vec<JournalRow>>;
    /// The texts of the journal entries' leaves in which one of these things was done, in log order.
    async fn entries(&mut self, site: SiteId, acts: &[Act]) -> Result<Vec<String>>;
    /// All closings, in log order.
    async fn closings(&mut self, site: SiteId) -> Result<Vec<ClosingRow>>;
    /// Whether anything has moved at a site.
    async fn has_postings(&mut self, site: SiteId) -> Result<bool>;
}

/// What a posting adds to an account.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Change {
    /// Whose coffee.
    pub lot: LotId,
    /// Where.
    pub place: Place,
    /// How much comes; less than nothing where it goes.
    pub mass: Mass,
}

/// Changes of the log and what follows from postings.
#[async_trait]
pub trait WriteBook: ReadBook {
    /// Takes the list of sites for this transaction: whoever founds one waits here.
    async fn hold_sites(&mut self) -> Result<()>;
    /// Makes a site's empty log.
    async fn insert_head(&mut self, site: SiteId, root: &[u8]) -> Result<()>;
    /// Takes the head for this transaction: whoever writes waits here.
    async fn lock_head(&mut self, site: SiteId) -> Result<Option<HeadRow>>;
    /// Stores the new head.
    async fn update_head(&mut self, site: SiteId, head: &HeadRow) -> Result<()>;
    /// Stores a leaf.
    async fn insert_leaf(&mut self, site: SiteId, row: &LogRow) -> Result<()>;
    /// Stores what was answered to a command.
    async fn insert_command(
        &mut self,
        id: Uuid,
        site: SiteId,
        digest: &Hash,
        answer: &str,
        answer_hash: &Hash,
    ) -> Result<()>;
    /// Stores a posting's own columns.
    async fn insert_posting(&mut self, posting: &Posting) -> Result<()>;
    /// Adds to accounts, each named once, making those that are not there; answers each one's id and milligrams afterwards, which may be
    /// more than a mass can be.
    async fn add_to_accounts(
        &mut self,
        site: SiteId,
        changes: &[Change],
    ) -> Result<Vec<(i64, i64)>>;
    /// Adds to what moved on accounts in a month, each named once.
    async fn add_to_month(&mut self, month: &str, changes: &[(i64, Mass)]) -> Result<()>;
    /// Adds to what went from one kind of place to another in a month, by what was done; an undo counts as what it undid.
    async fn add_to_flows(
        &mut self,
        site: SiteId,
        done: Kind,
        month: &str,
        movements: &[Movement],
    ) -> Result<()>;
    /// Stores a posting's movements, each between two accounts.
    async fn insert_movements(&mut self, posting: &Posting, accounts: &[(i64, i64)]) -> Result<()>;
    /// Takes what was sent to another site for this transaction: whoever wants to take it in, or to call it back, waits here.
    async fn hold_sending(&mut self, sending: PostingId) -> Result<()>;
    /// Stores how the masses of a posting were known.
    async fn insert_weighings(&mut self, posting: &Posting) -> Result<()>;
    /// Stores a journal entry's own columns.
    async fn insert_entry(&mut self, entry: &crate::book::leaf::Entry) -> Result<()>;
    /// Stores a closing, or marks one as opened again.
    async fn insert_closing(&mut self, closing: &crate::book::leaf::Closing) -> Result<()>;
    /// Stores a kept command that could not be booked.
    async fn insert_unsettled(&mut self, site: SiteId, row: &UnsettledRow) -> Result<()>;
    /// Notes how and when a kept command was settled.
    async fn settle(&mut self, unsettled: Uuid, at: Instant, how: &str) -> Result<()>;
}

/// A kept command that could not be booked.
#[derive(Debug, Clone)]
pub struct UnsettledRow {
    /// The command's id.
    pub id: Uuid,
    /// Its name, such as `weigh-ins`.
    pub command: String,
    /// Who sent it.
    pub person: PersonId,
    /// From which device.
    pub device: Option<Uuid>,
    /// When it came.
    pub received_at: Instant,
    /// The command's body as sent.
    pub body: String,
    /// Why it could not be booked, as JSON.
    pub problem: String,
}

/// A record as the table has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordRow {
    /// Its id.
    pub id: Uuid,
    /// Its kind's word.
    pub kind: String,
    /// How often it has been written, from 1.
    pub revision: i64,
    /// Its name among its kind.
    pub label: Option<String>,
    /// The day it is about.
    pub day: Option<Day>,
    /// Its fields as canonical JSON.
    pub body: String,
}

/// Reads of records.
#[async_trait]
pub trait ReadRecords {
    /// One record of a site.
    async fn record(&mut self, site: SiteId, id: Uuid) -> Result<Option<RecordRow>>;
    /// Records of one kind by id, after one.
    async fn records(
        &mut self,
        site: SiteId,
        kind: &str,
        after: Option<Uuid>,
        limit: i64,
    ) -> Result<Vec<RecordRow>>;
    /// Those of these records that there are.
    async fn records_by_id(&mut self, site: SiteId, ids: &[Uuid]) -> Result<Vec<RecordRow>>;
    /// Records of one kind about the days from one to another.
    async fn records_of_days(
        &mut self,
        site: SiteId,
        kind: &str,
        from: Day,
        to: Day,
    ) -> Result<Vec<RecordRow>>;
    /// How many records of a kind there are, and their revisions together: while both stay the same, nothing of the kind has changed.
    async fn record_state(&mut self, site: SiteId, kind: &str) -> Result<(i64, i64)>;
    /// A record by its label.
    async fn record_labelled(
        &mut self,
        site: SiteId,
        kind: &str,
        label: &str,
    ) -> Result<Option<RecordRow>>;
    /// What a record names.
    async fn links(&mut self, record: Uuid) -> Result<Vec<Uuid>>;
    /// Cards on which no batch stands that was not undone.
    async fn open_cards(&mut self, site: SiteId) -> Result<Vec<RecordRow>>;
    /// Commands that wait to be settled.
    async fn unsettled(&mut self, site: SiteId) -> Result<Vec<UnsettledRow>>;
    /// A kept command that could not be booked, settled or not.
    async fn unbooked(&mut self, id: Uuid) -> Result<Option<UnsettledRow>>;
}

/// Changes of records.
#[async_trait]
pub trait WriteRecords: ReadRecords {
    /// Stores a record, new or changed, with what it names.
    async fn put_record(&mut self, site: SiteId, row: &RecordRow, names: &[Uuid]) -> Result<()>;
}

/// A batch as the table has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BatchRow {
    /// Its id.
    pub id: BatchId,
    /// Its lot.
    pub lot: LotId,
    /// Its style.
    pub style: Uuid,
    /// Its roaster.
    pub roaster: Uuid,
    /// The card it carries out.
    pub card: Option<CardId>,
    /// Its state's word.
    pub state: String,
    /// Whether it is on hold.
    pub held: bool,
    /// The day it was weighed out, or else weighed in.
    pub day: Day,
    /// Local minute of the weigh-out.
    pub out_minute: Option<i64>,
    /// Its steps as JSON.
    pub steps: String,
}

/// Which batches are wanted, newest first.
#[derive(Debug, Clone, Default)]
pub struct BatchFilter {
    /// In one of these states; empty: in any.
    pub states: Vec<String>,
    /// Only those on hold.
    pub held: bool,
    /// Only those under way: weighed in, or in the drum.
    pub under_way: bool,
    /// Of one lot.
    pub lot: Option<LotId>,
    /// From this day on.
    pub from: Option<Day>,
    /// Up to this day.
    pub to: Option<Day>,
    /// Older than this batch, by day and id.
    pub before: Option<(Day, BatchId)>,
}

/// Reads of batches.
#[async_trait]
pub trait ReadBatches {
    /// One batch of a site.
    async fn batch(&mut self, site: SiteId, id: BatchId) -> Result<Option<BatchRow>>;
    /// Batches, newest first.
    async fn batches(
        &mut self,
        site: SiteId,
        filter: &BatchFilter,
        limit: i64,
    ) -> Result<Vec<BatchRow>>;
    /// Batches of a site by their ids.
    async fn batches_by_id(&mut self, site: SiteId, ids: &[BatchId]) -> Result<Vec<BatchRow>>;
    /// Batches of cards.
    async fn batches_of_cards(&mut self, site: SiteId, cards: &[CardId]) -> Result<Vec<BatchRow>>;
    /// Weighed-out batches in the learner's order: by local minute, then id.
    async fn weighed_out(
        &mut self,
        site: SiteId,
        after: Option<(i64, BatchId)>,
        limit: i64,
    ) -> Result<Vec<BatchRow>>;
}

/// Changes of batches.
#[async_trait]
pub trait WriteBatches: ReadBatches {
    /// Stores a batch, new or changed.
    async fn put_batch(&mut self, site: SiteId, row: &BatchRow) -> Result<()>;
}

/// What stands on an account.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Standing {
    /// Whose coffee.
    pub lot: LotId,
    /// Where.
    pub place: Place,
    /// How much.
    pub mass: Mass,
}

/// What came of a lot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Receipts {
    /// The lot.
    pub lot: LotId,
    /// From where: a supplier, other lots as whose blend it was made up, or another site.
    pub from: Place,
    /// The first day on which any came that was not undone.
    pub first_day: Option<Day>,
    /// The day from which it ages: the first day, or, of what came from another site, the one that its arrival says.
    pub ages_from: Option<Day>,
    /// How much in all, less what went back or was undone.
    pub mass: Mass,
}

/// Whether all that came of a lot came from other sites.
#[must_use]
pub fn is_of_sites(receipts: &[Receipts]) -> bool {
    let from_site = |one: &Receipts| matches!(one.from, Place::Transit(_));
    !receipts.is_empty() && receipts.iter().all(from_site)
}

/// Which postings are wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PostingFilter {
    /// Those that moved coffee of a lot.
    pub lot: Option<LotId>,
    /// Those that moved coffee of or to a batch.
    pub batch: Option<BatchId>,
    /// Those at or after this place in the log.
    pub from: i64,
}

/// An account with its derived figures, for verifying.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AccountRow {
    /// Its number.
    pub id: i64,
    /// Whose coffee.
    pub lot: LotId,
    /// The place's word and key, as stored.
    pub place: (String, Uuid),
    /// Its balance as stored, in milligrams.
    pub balance_mg: i64,
}

/// Which of the sendings between sites are wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sendings {
    /// All.
    All,
    /// One.
    One(PostingId),
    /// Those from a site, those that it took in, and all that are on the way.
    Of(SiteId),
}

/// Reads of balances and movements.
#[async_trait]
pub trait ReadMovements {
    /// What stands on one account now.
    async fn balance(&mut self, site: SiteId, lot: LotId, place: Place) -> Result<Mass>;
    /// Where coffee of an account went and how much in all, less what came back from there.
    async fn counterparts(
        &mut self,
        site: SiteId,
        lot: LotId,
        place: Place,
    ) -> Result<Vec<(Place, Mass)>>;
    /// All accounts at one kind of place on which something stands now.
    async fn standing(&mut self, site: SiteId, place: &str) -> Result<Vec<Standing>>;
    /// What stands now at one place, lot by lot.
    async fn standing_at(&mut self, site: SiteId, place: Place) -> Result<Vec<Standing>>;
    /// All accounts of a lot on which something stands now.
    async fn standing_of_lot(&mut self, site: SiteId, lot: LotId) -> Result<Vec<Standing>>;
    /// Whether a storeroom has green of a lot, or owes some.
    async fn in_store(&mut self, site: SiteId, lot: LotId) -> Result<bool>;
    /// What stood at each kind of place at the end of a day, by lot, as known now.
    async fn totals_on(&mut self, site: SiteId, day: Day) -> Result<Vec<(LotId, String, Mass)>>;
    /// What stood on a lot's accounts at one kind of place, or at all, at the end of a day, as the first `known` leaves say; as known now
    /// where `known` is none: then it reads whole months, and its cost does not grow with the movements.
    async fn standing_on(
        &mut self,
        site: SiteId,
        lot: LotId,
        place: Option<&str>,
        day: Day,
        known: Option<i64>,
    ) -> Result<Vec<Standing>>;
    /// Green of each lot that was weighed in, drawn, spilled or blended on each day from one on, less what came back.
    async fn green_used(&mut self, site: SiteId, from: Day) -> Result<Vec<(LotId, Day, Mass)>>;
    /// What came of each lot, or of one, from suppliers, as a blend and from other sites.
    async fn receipts(&mut self, site: SiteId, lot: Option<LotId>) -> Result<Vec<Receipts>>;
    /// What sites sent to one another, and against it, less than nothing, what they took in.
    async fn in_transit(&mut self, which: Sendings) -> Result<Vec<(SiteId, Standing)>>;
    /// The posting by which a site took in what was sent to it, unless that was undone.
    async fn arrival_of(&mut self, site: SiteId, sending: PostingId) -> Result<Option<PostingId>>;
    /// The lot of a site that coffee of another site's lot was there, or has been taken in as, by whatever ways; the first of several.
    async fn same_lot(&mut self, lot: LotId, site: SiteId) -> Result<Option<LotId>>;
    /// The leaves of postings, in the order of the log.
    async fn posting_leaves(
        &mut self,
        site: SiteId,
        filter: &PostingFilter,
        limit: i64,
    ) -> Result<Vec<LogRow>>;
}

/// What a person knows, as it is kept.
#[derive(Debug, Clone)]
pub struct SecretRow {
    /// Whose.
    pub person: PersonId,
    /// `password` or `pin`.
    pub kind: String,
    /// The text of an Argon2id hash.
    pub hash: String,
    /// When it was chosen.
    pub set_at: Instant,
}

/// A person signed in on a device.
#[derive(Debug, Clone, Copy)]
pub struct SessionRow {
    /// Who.
    pub person: PersonId,
    /// On which device.
    pub device: DeviceId,
    /// Until when.
    pub expires_at: Instant,
}

/// A device's key.
#[derive(Debug, Clone, Copy)]
pub struct KeyRow {
    /// The device.
    pub device: DeviceId,
    /// When it was last shown, give or take some minutes.
    pub seen_at: Instant,
}

/// A code by which a tablet may be paired.
#[derive(Debug, Clone)]
pub struct PairingRow {
    /// The tablet's name.
    pub name: String,
    /// Who allows it.
    pub made_by: PersonId,
    /// Until when.
    pub expires_at: Instant,
}

/// Reads of who may come in. What people and devices show is looked up by its SHA-256.
#[async_trait]
pub trait ReadAccess {
    /// What a person knows, of one kind.
    async fn secret(&mut self, person: PersonId, kind: &str) -> Result<Option<SecretRow>>;
    /// What the people of a site know.
    async fn secrets(&mut self, site: SiteId) -> Result<Vec<SecretRow>>;
    /// A session.
    async fn session(&mut self, hash: &Hash) -> Result<Option<SessionRow>>;
    /// A device's key.
    async fn device_key(&mut self, hash: &Hash) -> Result<Option<KeyRow>>;
    /// The keys of a site's devices.
    async fn device_keys(&mut self, site: SiteId) -> Result<Vec<KeyRow>>;
    /// Whom an invitation is for, and until when.
    async fn invitation(&mut self, hash: &Hash) -> Result<Option<(PersonId, Instant)>>;
    /// A pairing.
    async fn pairing(&mut self, site: SiteId, hash: &Hash) -> Result<Option<PairingRow>>;
}

/// Changes of who may come in.
#[async_trait]
pub trait WriteAccess: ReadAccess {
    /// Stores what a person knows.
    async fn put_secret(&mut self, row: &SecretRow) -> Result<()>;
    /// Stores a session.
    async fn insert_session(&mut self, hash: &Hash, row: &SessionRow) -> Result<()>;
    /// Ends a session.
    async fn end_session(&mut self, hash: &Hash) -> Result<()>;
    /// Ends all sessions of a person but one.
    async fn end_sessions_of(&mut self, person: PersonId, but: Option<&Hash>) -> Result<()>;
    /// Stores a device's key.
    async fn insert_device_key(&mut self, hash: &Hash, row: &KeyRow) -> Result<()>;
    /// Notes that a device was seen.
    async fn see_device(&mut self, hash: &Hash, at: Instant) -> Result<()>;
    /// Stores an invitation instead of those that the person had.
    async fn put_invitation(
        &mut self,
        hash: &Hash,
        person: PersonId,
        expires_at: Instant,
    ) -> Result<()>;
    /// Takes an invitation away; false if it is gone already.
    async fn take_invitation(&mut self, hash: &Hash) -> Result<bool>;
    /// Stores a pairing.
    async fn insert_pairing(&mut self, site: SiteId, hash: &Hash, row: &PairingRow) -> Result<()>;
    /// Takes a pairing away; false if it is gone already.
    async fn take_pairing(&mut self, hash: &Hash) -> Result<bool>;
    /// Forgets sessions, invitations and pairings whose time is over.
    async fn forget_expired(&mut self, now: Instant) -> Result<()>;
}
