//! Who may do what: one table of rights and the roles that have them. Each route names the right it needs where it is routed
//! (`web/routes.rs`), and the page of people shows this table.

use serde::{Deserialize, Serialize};

use super::Role::{self, Auditor, Operator, Owner, Planner};
use crate::book::leaf::{Kind, Posting};
use crate::book::place::Place;

/// What a route may need.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    utoipa::ToSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Right {
    /// Read the book and all that follows from it.
    Read,
    /// The floor: weigh, start, scrap, hold, undo, pack, ship.
    Floor,
    /// Green as it comes, moves and goes: receipts, returns, transfers, drying, blends, samples, waste.
    Green,
    /// Count green, and say that a lot is used up.
    Count,
    /// Pass, review and correct batches.
    Judge,
    /// Open and settle findings.
    Find,
    /// Orders, plans and cards.
    Plan,
    /// What the roastery is made of: coffees, lots, styles, roasters, scales, products.
    SetUp,
    /// Close periods, and open them again.
    Close,
    /// The site itself.
    Run,
    /// Who may come in: people, their invitations and PINs, tablets and tokens.
    People,
    /// One's own password and PIN.
    Own,
    /// How the service itself does: for a monitor, which needs nothing of the book.
    Watch,
}

/// Who has a right, and how surely they must be known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rule {
    /// The right.
    pub right: Right,
    /// The roles that have it.
    pub roles: &'static [Role],
    /// Whether a PIN on a paired tablet is enough.
    pub by_pin: bool,
    /// Whether a paired tablet without a network may say for whom it speaks.
    pub claimed: bool,
    /// Whether a program may have it: nobody is let in, and nobody is given more, but by a person.
    pub by_token: bool,
}

const EVERYONE: &[Role] = &[Owner, Planner, Operator, Auditor];
const HANDS: &[Role] = &[Owner, Planner, Operator];
const PLANNERS: &[Role] = &[Owner, Planner];

/// The one table of rights.
pub const RIGHTS: [Rule; 13] = [
    rule(Right::Read, EVERYONE).by_pin(),
    rule(Right::Floor, HANDS).by_pin().claimed(),
    rule(Right::Green, HANDS).by_pin().claimed(),
    rule(Right::Count, EVERYONE).by_pin().claimed(),
    rule(Right::Judge, PLANNERS).by_pin(),
    rule(Right::Find, &[Owner, Planner, Auditor]),
    rule(Right::Plan, PLANNERS),
    rule(Right::SetUp, PLANNERS),
    rule(Right::Close, &[Owner]),
    rule(Right::Run, &[Owner]),
    rule(Right::People, &[Owner]).in_person(),
    rule(Right::Own, EVERYONE).in_person(),
    rule(Right::Watch, &[Owner]),
];

const fn rule(right: Right, roles: &'static [Role]) -> Rule {
    Rule {
        right,
        roles,
        by_pin: false,
        claimed: false,
        by_token: true,
    }
}

impl Rule {
    const fn by_pin(self) -> Self {
        Self {
            by_pin: true,
            ..self
        }
    }

    const fn claimed(self) -> Self {
        Self {
            claimed: true,
            ..self
        }
    }

    const fn in_person(self) -> Self {
        Self {
            by_token: false,
            ..self
        }
    }
}

impl Right {
    /// Its line of the table.
    #[must_use]
    pub fn rule(self) -> Rule {
        let found = RIGHTS.into_iter().find(|rule| rule.right == self);
        found.unwrap_or_else(|| rule(self, &[]))
    }

    /// What undoing a posting needs: the right with which such a posting is booked. Whoever may not book it may not take it back either.
    #[must_use]
    pub fn to_undo(posting: &Posting) -> Self {
        let of_bags = |posting: &Posting| {
            let mut from = posting.movements.iter().map(|movement| movement.from);
            from.all(|from| matches!(from, Place::Packed(_)))
        };
        match posting.kind {
            Kind::Sample if posting.facts.get("cupping").is_some() => Self::Floor,
            Kind::Waste if of_bags(posting) => Self::Floor,
            Kind::Receive
            | Kind::Return
            | Kind::Transfer
            | Kind::Dispatch
            | Kind::Arrive
            | Kind::Sample
            | Kind::Waste
            | Kind::Dry
            | Kind::Blend => Self::Green,
            Kind::Count | Kind::UseUp => Self::Count,
            Kind::Correct => Self::Judge,
            Kind::WeighIn
            | Kind::WeighOut
            | Kind::Scrap
            | Kind::Pack
            | Kind::Ship
            | Kind::TakeBack
            | Kind::Allot
            | Kind::FinishRun
            | Kind::Reverse => Self::Floor,
        }
    }

    /// Whether a role has it.
    #[must_use]
    pub fn is_of(self, role: Role) -> bool {
        self.rule().roles.contains(&role)
    }
}
