//! The queries, written once for both databases. `super::Db` is the driver they are compiled for.

mod access;
mod bags;
mod batches;
mod book;
mod counts;
mod findings;
mod flows;
mod learned;
mod movements;
mod records;
mod statements;
mod trace;
mod verify;

use std::collections::HashMap;
use std::ops::{Deref, DerefMut};

use async_trait::async_trait;
use uuid::Uuid;

use super::super::{RecordRow, Result, StoreError, Write};
use super::{Connection, Db};
use crate::book::place::Place;
use crate::day::Day;
use crate::ids::SiteId;
use crate::mass::Mass;

/// The most values of one list: both databases take that many.
const MOST_BOUND: usize = 10_000;

/// The most rows written at once, of ten columns at most.
const ROWS: usize = MOST_BOUND / 10;

/// A transaction of this database, with the records that it has read: what a command does asks for the same few again and again, and
/// while it runs they change by its own hand only.
#[derive(Debug)]
pub(super) struct Transaction {
    tx: super::Transaction,
    records: HashMap<(SiteId, Uuid), Option<RecordRow>>,
}

impl Transaction {
    pub(super) fn of(tx: super::Transaction) -> Self {
        Self {
            tx,
            records: HashMap::new(),
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
        Ok(self.tx.commit().await?)
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
