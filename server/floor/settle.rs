//! A command that a tablet kept, and that could not be booked, is settled: booked under another id, or put right in another way.

use async_trait::async_trait;
use serde::Serialize;
use uuid::Uuid;

use crate::app::App;
use crate::book::Book;
use crate::command::{Command, Common, command};
use crate::refusal::{Outcome, Refusal};

command! {
    /// A kept command that waited for a person was settled.
    Settlement {
        /// The command that waited.
        unsettled: Uuid,
        /// The command that booked what really happened, if one did; else `reason` says what was done.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        by: Option<Uuid>,
    }
}

/// The answer to a settlement.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Settled {
    /// The command that waits no more.
    pub unsettled: Uuid,
    /// The command that booked what really happened, if one did.
    pub by: Option<Uuid>,
}

#[async_trait]
impl Command for Settlement {
    const NAME: &'static str = "settlements";
    type Answer = Settled;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Settled> {
        let site = book.site();
        let waiting = book.tx().unsettled(site).await?;
        if waiting.iter().all(|row| row.id != self.unsettled) {
            return Err(Refusal::field(
                "/unsettled",
                "no kept command of this id waits: somebody may have settled it already",
            ));
        }
        let reason = self.common().why();
        match self.by {
            None if reason.is_none() => {
                return Err(Refusal::field(
                    "/reason",
                    "say in a few words how it was settled",
                ));
            }
            Some(by) if book.tx().command(by).await?.is_none() => {
                return Err(Refusal::field("/by", "nothing was booked under this id"));
            }
            _ => {}
        }
        book.settle(self.unsettled, id, self.happened_at, self.by, reason)
            .await?;
        Ok(Settled {
            unsettled: self.unsettled,
            by: self.by,
        })
    }
}
