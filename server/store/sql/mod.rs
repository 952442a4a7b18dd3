//! The queries, written once for both databases. `super::Db` is the driver they are compiled for.

mod access;
mod bags;
mod batches;
mod book;
mod counts;
mod findings;
mod flows;
mod known;
mod learned;
mod movements;
mod records;
mod statements;
mod trace;
mod verify;

use async_trait::async_trait;
use sqlx::QueryBuilder;
use sqlx::query_builder::Separated;
use uuid::Uuid;

use super::super::{Result, StoreError, Write};
use super::{Connection, Db, TOGETHER};
use crate::book::place::Place;
use crate::day::Day;
use crate::mass::Mass;
pub(super) use known::Keeper;
use known::Known;

/// The most values of one list: both databases take that many.
const MOST_BOUND: usize = 10_000;

/// The most rows written at once, of ten columns at most.
const ROWS: usize = MOST_BOUND / 10;

/// A transaction of this database, with what it knows already: what a command does asks for the same few things again and again, and
/// while it runs they change by its own hand only.
pub(super) struct Transaction {
    tx: super::Transaction,
    known: Known,
    keeper: Keeper,
    /// What is written with the next statement whose answer is wanted: each way to the database's thread and back takes its time.
    waiting: Option<QueryBuilder<Db>>,
    /// How many statements that is.
    together: usize,
}

impl Transaction {
    /// One whose turn goes on from what the turn before knew, if that still holds. Where it is still to be begun, that goes with its first statement.
    pub(super) fn of(
        tx: super::Transaction,
        keeper: &Keeper,
        begins: Option<&'static str>,
    ) -> Self {
        Self {
            tx,
            known: Known::default(),
            keeper: keeper.clone(),
            waiting: begins.map(QueryBuilder::new),
            together: 1,
        }
    }

    /// The connection, for a statement whose answer is wanted now. What waits is written first.
    async fn now(&mut self) -> Result<&mut Connection> {
        if let Some(mut waiting) = self.waiting.take() {
            waiting.build().execute(&mut *self.tx).await?;
        }
        Ok(&mut self.tx)
    }

    /// Begins a statement behind what waits.
    fn behind(&mut self, text: &str) -> QueryBuilder<Db> {
        let Some(mut waiting) = self.waiting.take() else {
            self.together = 1;
            return QueryBuilder::new(text);
        };
        self.together += 1;
        waiting.push(";\n").push(text);
        waiting
    }

    /// Writes what nothing need be answered to, with what comes next or when the turn ends. That it cannot be written is said then, and ends the turn.
    async fn later(&mut self, statement: QueryBuilder<Db>) -> Result<()> {
        self.waiting = Some(statement);
        if self.together >= TOGETHER {
            self.now().await?;
        }
        Ok(())
    }

    /// Writes a row later: `INSERT INTO ` what, and its values.
    async fn insert_later(
        &mut self,
        what: &'static str,
        mut values: impl FnMut(Separated<'_, Db, &'static str>),
    ) -> Result<()> {
        let mut insert = self.behind("INSERT INTO ");
        insert.push(what).push(" ");
        insert.push_values([()], |row, ()| values(row));
        self.later(insert).await
    }
}

#[async_trait]
impl Write for Transaction {
    async fn commit(mut self: Box<Self>) -> Result<()> {
        let commit = self.behind("COMMIT");
        let Self {
            tx, known, keeper, ..
        } = *self;
        tx.commit(commit).await?;
        keeper.keep(known);
        Ok(())
    }
}

fn day(text: &str) -> Result<Day> {
    text.parse()
        .map_err(|_| StoreError::Damaged(format!("no day: {text}")))
}

fn mass(mg: i64) -> Result<Mass> {
    Mass::from_mg(mg).map_err(|_| StoreError::Damaged(format!("no mass: {mg} mg")))
}

fn place(word: &str, key: Uuid) -> Result<Place> {
    Place::new(word, key).ok_or_else(|| StoreError::Damaged(format!("no place: {word} {key}")))
}

/// A line's number as the tables have it.
fn number(line: usize) -> i64 {
    i64::try_from(line).unwrap_or(i64::MAX)
}
