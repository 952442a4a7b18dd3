//! Cards are taken back: their green is free again.

use async_trait::async_trait;
use serde::Serialize;
use uuid::Uuid;

use super::cards::{CardView, cards};
use super::facts::open_cards;
use super::release::withdraw;
use crate::app::App;
use crate::book::Book;
use crate::command::{Command, Common, command};
use crate::ids::CardId;
use crate::refusal::{Outcome, Refusal};
use crate::setup;

command! {
    /// Cards were taken back.
    Withdrawal {
        /// Which.
        #[schema(min_items = 1, max_items = 500)]
        cards: Vec<CardId>,
    }
}

/// The answer to a withdrawal.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Withdrawn {
    /// The cards as they are now.
    pub cards: Vec<CardView>,
}

#[async_trait]
impl Command for Withdrawal {
    const NAME: &'static str = "withdrawals";
    type Answer = Withdrawn;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, _id: Uuid) -> Outcome<Withdrawn> {
        if self.cards.is_empty() || self.cards.len() > 500 {
            return Err(Refusal::field("/cards", "name one to 500 cards"));
        }
        let site = book.site();
        let open = open_cards(book.tx(), site).await?;
        let mut done = Vec::new();
        for (i, id) in self.cards.iter().enumerate() {
            let at = format!("/cards/{i}");
            if self.cards[..i].contains(id) {
                return Err(Refusal::field(&at, "this card is named twice"));
            }
            let known = setup::named::<super::Card>(book.tx(), site, &at, *id).await?;
            if !open.iter().any(|(open, _)| open == id) {
                return Err(Refusal::conflict(
                    "a card of these has been weighed in or taken back: read them again",
                ));
            }
            done.push(withdraw(book, app, *id, known.fields).await?);
        }
        Ok(Withdrawn {
            cards: cards(app, book.tx(), done).await?,
        })
    }
}
