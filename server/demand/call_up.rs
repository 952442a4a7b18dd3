//! Standing orders become orders: each ship day's is written down, so that it can be changed, packed and shipped like any other.

use async_trait::async_trait;
use serde::Serialize;
use uuid::Uuid;

use super::coming::{Coming, write_down};
use crate::app::App;
use crate::book::Book;
use crate::command::{Command, Common, command};
use crate::day::Day;
use crate::ids::OrderId;
use crate::refusal::{Outcome, Refusal};

/// At most so many days ahead.
const MOST_DAYS: i64 = 366;

command! {
    /// Standing orders are written down as orders, for all ship days from today to a day.
    CallUp {
        /// The last ship day.
        until: Day,
    }
}

/// What was written down.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct CalledUp {
    /// The orders that are new.
    pub orders: Vec<OrderId>,
}

#[async_trait]
impl Command for CallUp {
    const NAME: &'static str = "call-ups";
    type Answer = CalledUp;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, _id: Uuid) -> Outcome<CalledUp> {
        let site = book.site();
        let today = book.zone().day(book.now());
        if self.until.since(today) > MOST_DAYS {
            return Err(Refusal::field("/until", "at most a year ahead"));
        }
        let coming = Coming::standing(book.tx(), site, today, self.until).await?;
        let orders = write_down(book, app, coming.orders).await?;
        Ok(CalledUp { orders })
    }
}
