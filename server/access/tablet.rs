//! Pairing a tablet by a short code that the owner reads out.

use std::net::IpAddr;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::Guess;
use super::secret::{new_code, of_code, plain_code};
use super::sign_in::{new_device, over};
use crate::app::App;
use crate::book::Actor;
use crate::day::Instant;
use crate::ids::DeviceId;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{Device, DeviceKind};
use crate::store::PairingRow;
use crate::text::{Name, Note};

/// How long a code may be used.
const MINUTES: i64 = 10;

/// What the tablet is to be called.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PairingAsked {
    /// Its name, such as where it hangs.
    pub name: Name,
}

/// The code to be typed on the tablet.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct PairingCode {
    /// The code.
    pub code: String,
    /// Until when.
    pub expires_at: Instant,
}

/// A code as typed on the tablet.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CodeTyped {
    /// The code.
    pub code: Note,
}

/// A tablet that was paired.
#[derive(Debug)]
pub struct Paired {
    /// The tablet.
    pub device: DeviceId,
    /// The key that it shows from now on.
    pub key: String,
}

/// Makes a code.
///
/// # Errors
/// [`crate::store::StoreError`] when the database fails.
pub async fn allow_pairing(app: &App, actor: Actor, asked: PairingAsked) -> Outcome<PairingCode> {
    let code = new_code()?;
    let hash = of_code(plain_code(&code), app.site).await?;
    let now = app.clock.now();
    let row = PairingRow {
        name: asked.name.to_string(),
        made_by: actor.person,
        expires_at: now.plus_minutes(MINUTES),
    };
    let mut tx = app.store.write().await?;
    tx.forget_expired(now).await?;
    tx.insert_pairing(app.site, &hash, &row).await?;
    tx.commit().await?;
    Ok(PairingCode {
        code,
        expires_at: row.expires_at,
    })
}

/// Pairs the tablet on which the code was typed.
///
/// # Errors
/// [`Refusal::NotKnown`] for a wrong code, [`Refusal::Wait`] after several.
pub async fn pair(app: &Arc<App>, from: Option<IpAddr>, typed: CodeTyped) -> Outcome<Paired> {
    const WRONG: Refusal = Refusal::NotKnown(
        "that is no code, or its ten minutes are over: ask the owner for another",
    );
    let guess = Guess::Code(from);
    app.access.take(&guess, app.clock.now())?;
    let code = of_code(plain_code(typed.code.as_str()), app.site).await?;
    let mut tx = app.store.write().await?;
    let row = tx.pairing(app.site, &code).await?.ok_or(WRONG)?;
    if !tx.take_pairing(&code).await? || over(row.expires_at, app) {
        return Err(WRONG);
    }
    tx.commit().await?;
    app.access.right(&guess);
    let name = Name::new(&row.name).map_err(|e| Refusal::field("/name", e.to_string()))?;
    let actor = Actor::person(row.made_by);
    let (device, key) = new_device(app, actor, Device::new(name, DeviceKind::Tablet)).await?;
    tracing::info!(%device, by = %row.made_by, "a tablet was paired");
    Ok(Paired { device, key })
}
