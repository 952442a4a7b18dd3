//! What statements, counts, findings and verifying ask of the database.

use async_trait::async_trait;
use uuid::Uuid;

use super::{AccountRow, LogRow, Result};
use crate::book::place::Place;
use crate::day::{Day, Instant};
use crate::ids::{BatchId, LotId, PersonId, PostingId, SiteId, StoreroomId};
use crate::mass::Mass;

/// Which movements of a lot a statement is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Period {
    /// The lot.
    pub lot: LotId,
    /// The first day; none for the beginning.
    pub from: Option<Day>,
    /// The last day.
    pub to: Day,
    /// As the first so many leaves of the log say.
    pub known: i64,
}

/// A movement into, out of or between storerooms, as a statement needs it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoreLine {
    /// The posting.
    pub posting: PostingId,
    /// Its line.
    pub line: i64,
    /// The day it counts.
    pub day: Day,
    /// What was done.
    pub kind: String,
    /// What the posting that it undoes did; none if it undoes none.
    pub undoes: Option<String>,
    /// Whether the posting was undone later.
    pub undone: bool,
    /// When it happened.
    pub happened_at: Instant,
    /// When the book learned it.
    pub recorded_at: Instant,
    /// Whether it came after its day was closed.
    pub late: bool,
    /// Why, in a person's words.
    pub reason: Option<String>,
    /// The account it left.
    pub from: i64,
    /// The account it went to.
    pub to: i64,
    /// How much.
    pub mass: Mass,
}

/// How much went from one kind of place to another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Flow {
    /// Where it was: the place's word.
    pub from: String,
    /// Where it went.
    pub to: String,
    /// How much.
    pub mass: Mass,
}

/// Reads for statements and pictures of a lot.
#[async_trait]
pub trait ReadStatements {
    /// All accounts of a lot.
    async fn accounts_of_lot(&mut self, site: SiteId, lot: LotId) -> Result<Vec<AccountRow>>;
    /// What moved into, out of and between storerooms, in order of day and log.
    async fn store_lines(&mut self, site: SiteId, period: &Period) -> Result<Vec<StoreLine>>;
    /// What moved between all other places, summed.
    async fn flows(&mut self, site: SiteId, period: &Period) -> Result<Vec<Flow>>;
    /// What came into the storerooms less what left them, by day.
    async fn store_days(&mut self, site: SiteId, lot: LotId) -> Result<Vec<(Day, Mass)>>;
    /// The leaves of the postings that moved coffee of some batches, among the first `known` of the log.
    async fn leaves_of_batches(
        &mut self,
        site: SiteId,
        batches: &[BatchId],
        known: i64,
    ) -> Result<Vec<LogRow>>;
}

/// How much of a lot went from one kind of place to another, by what was done; an undo counts as what it undid, the other way round.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LotFlow {
    /// Whose coffee.
    pub lot: LotId,
    /// What was done: the kind's word.
    pub kind: String,
    /// Where it was: the place's word.
    pub from: String,
    /// The storeroom or blend lot it was in; nil elsewhere.
    pub from_key: Uuid,
    /// Where it went.
    pub to: String,
    /// The storeroom or blend lot it went to; nil elsewhere.
    pub to_key: Uuid,
    /// How much.
    pub mass: Mass,
}

/// Green of a lot that another site took in; less than nothing where that was undone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TakenIn {
    /// The sender's lot.
    pub lot: LotId,
    /// Who took it in.
    pub by: SiteId,
    /// How much.
    pub mass: Mass,
    /// When that was written.
    pub recorded_at: Instant,
    /// What the posting that took it in says besides, as JSON.
    pub facts: String,
}

/// Which storeroom movements a statement of many lots is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Within<'a> {
    /// The lots; all where none are named.
    pub lots: Option<&'a [LotId]>,
    /// The one storeroom; all unless said.
    pub room: Option<StoreroomId>,
    /// The first day; none for the beginning.
    pub from: Option<Day>,
    /// The last day.
    pub to: Day,
    /// As the first so many leaves of the log say; none for all of them.
    pub known: Option<i64>,
}

/// Where a page of movements begins: after this day, place in the log and line.
pub type Mark = (Day, i64, i64);

/// A movement into, out of or between storerooms, with its lot and places.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RoomLine {
    /// Whose coffee.
    pub lot: LotId,
    /// Its posting's place in the log.
    pub position: i64,
    /// Where it was.
    pub from: Place,
    /// Where it went.
    pub to: Place,
    /// The line as a lot's statement has it.
    pub line: StoreLine,
}

/// Reads of what went from one kind of place to another, over many lots.
#[async_trait]
pub trait ReadFlows {
    /// What went where up to the end of a day, lot by lot, as the first `known` leaves say; as known now where `known` is none: then it
    /// reads whole months.
    async fn flows_on(
        &mut self,
        site: SiteId,
        day: Day,
        known: Option<i64>,
    ) -> Result<Vec<LotFlow>>;
    /// The first day on which each lot came, from a supplier, another site or as a blend, as the first `known` leaves say; receipts that were
    /// undone are none.
    async fn first_came(&mut self, site: SiteId, known: Option<i64>) -> Result<Vec<(LotId, Day)>>;
    /// What other sites took in of what a site sent, and undid of that, in the order in which they wrote it.
    async fn taken_in(&mut self, from: SiteId) -> Result<Vec<TakenIn>>;
    /// What moved into, out of and between storerooms, in order of day and log, after a mark.
    async fn room_lines(
        &mut self,
        site: SiteId,
        within: &Within<'_>,
        after: Option<Mark>,
        limit: i64,
    ) -> Result<Vec<RoomLine>>;
}

/// A count as the table has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CountRow {
    /// Its id.
    pub id: Uuid,
    /// Its state's word.
    pub state: String,
    /// The frozen moment.
    pub frozen_at: Instant,
    /// Its steps as JSON.
    pub steps: String,
}

/// What a posting that was not undone did to an account.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Since {
    /// Whose coffee.
    pub lot: LotId,
    /// Where.
    pub place: Place,
    /// The posting.
    pub posting: PostingId,
    /// Its place in the log.
    pub position: i64,
    /// What was done.
    pub kind: String,
    /// When it happened.
    pub happened_at: Instant,
    /// What it added; negative what it took.
    pub change: Mass,
}

/// What a posting that was not undone did to one account, and how its mass is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WeighedMove {
    /// The posting.
    pub posting: PostingId,
    /// What was done.
    pub kind: String,
    /// When it happened.
    pub happened_at: Instant,
    /// What it added; negative what it took.
    pub change: Mass,
    /// How its mass is known: the basis's word; none where nobody weighed.
    pub basis: Option<String>,
    /// The scale.
    pub scale: Option<Uuid>,
    /// Its division.
    pub division: Option<Mass>,
}

/// Reads of counts.
#[async_trait]
pub trait ReadCounts {
    /// One count.
    async fn count_session(&mut self, site: SiteId, id: Uuid) -> Result<Option<CountRow>>;
    /// Counts whose moment is not before one, in order of their moments.
    async fn count_sessions(&mut self, site: SiteId, from: Instant) -> Result<Vec<CountRow>>;
    /// What counts from a day on, on accounts of storerooms, roasted coffee and bags; what was undone is left out.
    async fn changes_since(&mut self, site: SiteId, from: Day) -> Result<Vec<Since>>;
    /// All that moved on one account, in the order of the log; what was undone is left out.
    async fn weighed_moves(
        &mut self,
        site: SiteId,
        lot: LotId,
        place: Place,
    ) -> Result<Vec<WeighedMove>>;
}

/// Changes of counts.
#[async_trait]
pub trait WriteCounts: ReadCounts {
    /// Stores a count, new or changed.
    async fn put_count(&mut self, site: SiteId, row: &CountRow) -> Result<()>;
}

/// A posting that an auditor must look at, for one of its lots.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FlaggedRow {
    /// Why: beyond the book, a count, a lot used up, late, a reversal, reckoned.
    pub why: String,
    /// The posting.
    pub posting: PostingId,
    /// What was done.
    pub kind: String,
    /// The day it counts.
    pub day: Day,
    /// When it happened.
    pub happened_at: Instant,
    /// Who booked it.
    pub person: PersonId,
    /// What else is known of it, as JSON.
    pub facts: String,
    /// Whose coffee.
    pub lot: LotId,
    /// How much; negative what went to the count difference.
    pub mass: Mass,
}

/// Reads of what an auditor must look at.
#[async_trait]
pub trait ReadFindings {
    /// Postings beyond the book, of counts, of lots used up, late, undoing others or with reckoned weights, in the order of the log.
    async fn flagged(&mut self, site: SiteId) -> Result<Vec<FlaggedRow>>;
}

/// A command with its answer, as stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredCommand {
    /// Its id.
    pub id: Uuid,
    /// SHA-256 of the command.
    pub digest: Vec<u8>,
    /// What was answered, as JSON.
    pub answer: String,
    /// What binds the three together.
    pub answer_hash: Vec<u8>,
}

/// A row of the monthly flows: lot, what was done, from with its key, to with its key, month; and its milligrams.
pub type StoredFlow = ((Uuid, String, String, Uuid, String, Uuid, String), i64);

/// Reads of what is stored, as it is stored: for verifying. Rows are JSON objects by column, text as text and flags as 0 or 1.
#[async_trait]
pub trait ReadStored {
    /// All accounts.
    async fn accounts(&mut self, site: SiteId) -> Result<Vec<AccountRow>>;
    /// All monthly figures.
    async fn months(&mut self, site: SiteId) -> Result<Vec<(i64, String, i64)>>;
    /// The columns of postings, movements, weighings, bags and journal entries from a place in the log on, by position.
    async fn stored(
        &mut self,
        site: SiteId,
        from: i64,
        to: i64,
    ) -> Result<Vec<(i64, serde_json::Value)>>;
    /// The columns of records by id, after one.
    async fn stored_records(
        &mut self,
        site: SiteId,
        after: Option<Uuid>,
        limit: i64,
    ) -> Result<Vec<serde_json::Value>>;
    /// What each record names.
    async fn stored_links(&mut self, site: SiteId) -> Result<Vec<(Uuid, Uuid)>>;
    /// The columns of closings.
    async fn stored_closings(&mut self, site: SiteId) -> Result<Vec<serde_json::Value>>;
    /// The columns of batches by id, after one.
    async fn stored_batches(
        &mut self,
        site: SiteId,
        after: Option<Uuid>,
        limit: i64,
    ) -> Result<Vec<serde_json::Value>>;
    /// Commands by id, after one.
    async fn stored_commands(
        &mut self,
        site: SiteId,
        after: Option<Uuid>,
        limit: i64,
    ) -> Result<Vec<StoredCommand>>;
    /// The columns of counts.
    async fn stored_counts(&mut self, site: SiteId) -> Result<Vec<serde_json::Value>>;
    /// The columns of monthly flows.
    async fn stored_flows(&mut self, site: SiteId) -> Result<Vec<StoredFlow>>;
    /// Tables with rows of a site that has no log, and how many.
    async fn strays(&mut self) -> Result<Vec<(String, i64)>>;
    /// The columns of kept commands.
    async fn stored_unsettled(&mut self, site: SiteId) -> Result<Vec<serde_json::Value>>;
}
