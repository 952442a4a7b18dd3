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

use async_trait::async_trait;
use uuid::Uuid;

use super::super::{Result, StoreError, Write};
use super::Db;
use crate::book::place::Place;
use crate::day::Day;
use crate::mass::Mass;

/// The most values of one list: both databases take that many.
const MOST_BOUND: usize = 10_000;

/// A transaction of this database.
type Transaction = sqlx::Transaction<'static, Db>;

#[async_trait]
impl Write for Transaction {
    async fn commit(self: Box<Self>) -> Result<()> {
        Ok((*self).commit().await?)
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
