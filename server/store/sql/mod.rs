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

use std::ops::{Deref, DerefMut};

use async_trait::async_trait;
use uuid::Uuid;

use super::super::{Result, StoreError, Write};
use super::{Connection, Db};
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
#[derive(Debug)]
pub(super) struct Transaction {
    tx: super::Transaction,
    known: Known,
    keeper: Keeper,
}

impl Transaction {
    /// One whose turn goes on from what the turn before knew, if that still holds.
    pub(super) fn of(tx: super::Transaction, keeper: &Keeper) -> Self {
        Self {
            tx,
            known: Known::default(),
            keeper: keeper.clone(),
        }
    }
}

impl Deref for Transaction {
    type Target = Connection;

    fn deref(&self) -> &Self::Target {
        &self.tx
    }
}

impl DerefMut for Transaction {
    fn deref_mut(&mut self) -> &mut Self::Target {
        &mut self.tx
    }
}

#[async_trait]
impl Write for Transaction {
    async fn commit(self: Box<Self>) -> Result<()> {
        let Self { tx, known, keeper } = *self;
        tx.commit().await?;
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
