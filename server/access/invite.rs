//! Invitations: a link by which a person chooses a password, once. The first owner's is printed on the terminal at the start.

use std::sync::Arc;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::caller::Shown;
use super::secret::{hash, keep, new_secret};
use super::sign_in::{Admitted, admit, fit_password, over, put_secret};
use crate::app::App;
use crate::book::Actor;
use crate::day::Instant;
use crate::ids::PersonId;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Expected, Kept, Person, Role};
use crate::text::{Name, Note};

/// How long an invitation lasts.
const MINUTES: i64 = 7 * 24 * 60;

/// A link to be handed to a person.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Invitation {
    /// Where it leads, on this service. What follows the `#` never leaves the browser but to be used.
    pub path: String,
    /// Until when.
    pub expires_at: Instant,
}

/// What a person chooses by it.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct InvitationUsed {
    /// What stands in the link after `invitation=`.
    pub code: Note,
    /// The password: at least 12 characters.
    pub password: Note,
    /// Their name, if it is not the one that is there.
    #[serde(default)]
    pub name: Option<Name>,
}

/// Invites a person, whether they are new or have forgotten their password. An earlier invitation is void.
///
/// # Errors
/// [`Refusal::NotFound`] if there is nobody of this id.
pub async fn invite(app: &App, id: Uuid) -> Outcome<Invitation> {
    let mut tx = app.read().await?;
    let person = setup::need::<Person>(&mut *tx, app.site, id).await?;
    drop(tx);
    if person.fields.retired {
        return Err(Refusal::conflict(
            "this person is no longer here: take them back first",
        ));
    }
    let code = new_secret()?;
    let expires_at = app.clock.now().plus_minutes(MINUTES);
    let mut tx = app.store.write().await?;
    tx.put_invitation(&hash(&code), PersonId(id), expires_at)
        .await?;
    tx.commit().await?;
    Ok(Invitation {
        path: format!("/sign-in#invitation={code}"),
        expires_at,
    })
}

/// Invites the first owner as long as no owner can sign in; none once one can.
///
/// # Errors
/// [`crate::store::StoreError`] when the database fails.
pub async fn invite_owner(app: &App) -> Outcome<Option<Invitation>> {
    let mut tx = app.read().await?;
    let people = setup::all::<Person>(&mut *tx, app.site).await?;
    let owners = people
        .iter()
        .filter(|one| one.fields.role == Role::Owner && !one.fields.retired);
    let mut first = None;
    for owner in owners {
        if tx.secret(PersonId(owner.id), "password").await?.is_some() {
            return Ok(None);
        }
        first = first.or(Some(owner.id));
    }
    drop(tx);
    match first {
        Some(owner) => invite(app, owner).await.map(Some),
        None => Ok(None),
    }
}

/// Lets the person of an invitation choose their password, and signs them in.
///
/// # Errors
/// [`Refusal::NotKnown`] for an invitation that was used or is over, [`Refusal::Invalid`] for a short password or a name that is taken.
pub async fn use_invitation(
    app: &Arc<App>,
    shown: &Shown,
    given: InvitationUsed,
) -> Outcome<Admitted> {
    const GONE: Refusal =
        Refusal::NotKnown("this link was used, or is too old: ask the owner for another");
    fit_password(&given.password, "/password")?;
    let code = hash(given.code.as_str());
    let mut tx = app.read().await?;
    let (person, end) = tx.invitation(&code).await?.ok_or(GONE)?;
    if over(end, app) {
        return Err(GONE);
    }
    let found = setup::need::<Person>(&mut *tx, app.site, person).await?;
    drop(tx);
    let name = renamed(app, found, given.name).await?;
    let kept = keep(given.password.to_string()).await?;
    let mut tx = app.store.write().await?;
    if !tx.take_invitation(&code).await? {
        return Err(GONE);
    }
    put_secret(app, &mut *tx, person, "password", kept).await?;
    tx.end_sessions_of(person, None).await?;
    tx.commit().await?;
    admit(app, person, shown, &name).await
}

async fn renamed(app: &Arc<App>, found: Kept<Person>, name: Option<Name>) -> Outcome<Name> {
    let Some(name) = name.filter(|name| *name != found.fields.name) else {
        return Ok(found.fields.name);
    };
    let actor = Actor::person(PersonId(found.id));
    let fields = Person {
        name: name.clone(),
        ..found.fields
    };
    app.put(actor, found.id, Expected::Revision(found.revision), fields)
        .await?;
    Ok(name)
}
