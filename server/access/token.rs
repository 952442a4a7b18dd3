//! Tokens of programs: each a device of its own, with some rights and an end.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::caller::rights_of_actor;
use super::sign_in::new_device;
use crate::app::App;
use crate::book::Actor;
use crate::day::Instant;
use crate::ids::DeviceId;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{Device, DeviceKind, Right};
use crate::text::Name;

/// Days that a token may live.
const MOST_DAYS: u32 = 400;

/// What a token is to be for.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TokenAsked {
    /// What the program is called.
    pub name: Name,
    /// What it may do.
    #[schema(min_items = 1)]
    pub rights: Vec<Right>,
    /// For how many days.
    #[schema(minimum = 1, maximum = 400)]
    pub days: u32,
}

/// A new token: shown this once.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Token {
    /// To be sent as `Authorization: Bearer <token>`.
    pub token: String,
    /// Its device, by which it can be cut off.
    pub device: DeviceId,
    /// Until when it is good.
    pub expires_at: Instant,
}

/// Makes a token for a program that acts as whoever makes it, and may do no more than they may.
///
/// # Errors
/// [`Refusal::Invalid`] for rights that its maker has not, or for a longer time than 400 days.
pub async fn make_token(app: &Arc<App>, actor: Actor, asked: TokenAsked) -> Outcome<Token> {
    if !(1..=MOST_DAYS).contains(&asked.days) {
        return Err(Refusal::field(
            "/days",
            format!("between 1 and {MOST_DAYS}"),
        ));
    }
    if asked.rights.iter().any(|right| !right.rule().by_token) {
        return Err(Refusal::field(
            "/rights",
            "people let people in and change passwords and PINs: no token does",
        ));
    }
    let mut tx = app.read().await?;
    let own = rights_of_actor(&mut *tx, app.site, actor).await?;
    drop(tx);
    if !asked.rights.iter().all(|right| own.contains(right)) {
        return Err(Refusal::field(
            "/rights",
            "a token may do no more than whoever makes it: leave out what you may not do yourself",
        ));
    }
    let mut rights = asked.rights;
    rights.sort_unstable();
    rights.dedup();
    let expires_at = app
        .clock
        .now()
        .plus_minutes(i64::from(asked.days) * 24 * 60);
    let device = Device {
        person: Some(actor.person),
        rights,
        expires_at: Some(expires_at),
        ..Device::new(asked.name, DeviceKind::Program)
    };
    let (device, token) = new_device(app, actor, device).await?;
    Ok(Token {
        token,
        device,
        expires_at,
    })
}
