//! From what a request shows to who calls.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use super::secret::hash;
use crate::app::App;
use crate::book::Actor;
use crate::book::merkle::Hash;
use crate::day::Instant;
use crate::ids::{DeviceId, PersonId, SiteId};
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Device, DeviceKind, Person, RIGHTS, Right, Role};
use crate::store::{KeyRow, Read, StoreError};

/// What a request shows.
#[derive(Debug, Clone, Default)]
pub struct Shown {
    /// The device's key.
    pub device: Option<String>,
    /// The session.
    pub session: Option<String>,
    /// A program's token.
    pub token: Option<String>,
    /// For whom a tablet says that it speaks.
    pub claims: Option<PersonId>,
    /// What a browser says of itself.
    pub agent: Option<String>,
}

/// How surely the person is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// They showed a password, a PIN or a token.
    Proved,
    /// A paired tablet says so, on which they are not signed in.
    Claimed,
    /// A tablet that was cut off says so: nothing is booked for it.
    CutOff,
}

/// Who calls.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Caller {
    /// Person and device.
    pub actor: Actor,
    /// How surely the person is known.
    pub standing: Standing,
}

/// Why somebody is not let in.
#[derive(Debug, thiserror::Error)]
pub enum Stranger {
    /// Nothing shown is known here, or its time is over.
    #[error("sign in first")]
    Unknown,
    /// The tablet was cut off.
    #[error("this tablet was cut off: ask the owner to pair it again")]
    CutOff,
    /// The role, the token or the way of signing in does not reach so far.
    #[error("{0}")]
    NotAllowed(&'static str),
    /// Below.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// How somebody proved who they are.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Proof {
    Password,
    Pin,
    Claim,
    Token(Vec<Right>),
}

/// How long a device may go unnoticed before its key's row is written again.
const SEEN_EVERY_MS: i64 = 10 * 60_000;

/// Who calls, if they have a right.
///
/// # Errors
/// [`Stranger`] when they are not known or have not that right.
pub async fn caller(app: &Arc<App>, shown: &Shown, right: Right) -> Result<Caller, Stranger> {
    let mut tx = app.read().await?;
    let key = shown.token.as_ref().or(shown.device.as_ref());
    let key = hash(key.ok_or(Stranger::Unknown)?);
    let row = tx.device_key(&key).await?.ok_or(Stranger::Unknown)?;
    let device = setup::find::<Device>(&mut *tx, app.site, row.device).await?;
    let device = device.ok_or(Stranger::Unknown)?.fields;
    let (person, proof) = if device.retired {
        (cut_off(shown, &device, right)?, Proof::Claim)
    } else if shown.token.is_some() {
        by_token(&device, app.clock.now())?
    } else {
        by_session(app, &mut *tx, shown, (row.device, device.kind)).await?
    };
    let role = role(app, &mut *tx, person).await?;
    allowed(right, role, &proof)?;
    drop(tx);
    see(app, key, row);
    let standing = match proof {
        _ if device.retired => Standing::CutOff,
        Proof::Claim => Standing::Claimed,
        _ => Standing::Proved,
    };
    let actor = Actor {
        person,
        device: Some(row.device.0),
        claimed: standing != Standing::Proved,
    };
    Ok(Caller { actor, standing })
}

/// For whom a tablet speaks that was cut off: only what happened on the floor is still taken, and only to be looked at.
fn cut_off(shown: &Shown, device: &Device, right: Right) -> Result<PersonId, Stranger> {
    let tablet = device.kind == DeviceKind::Tablet && shown.token.is_none();
    let person = shown.claims.filter(|_| tablet && right.rule().claimed);
    person.ok_or(if tablet {
        Stranger::CutOff
    } else {
        Stranger::Unknown
    })
}

fn by_token(device: &Device, now: Instant) -> Result<(PersonId, Proof), Stranger> {
    let alive = device.expires_at.is_some_and(|end| end > now);
    let person = device
        .person
        .filter(|_| alive && device.kind == DeviceKind::Program);
    let person = person.ok_or(Stranger::Unknown)?;
    Ok((person, Proof::Token(device.rights.clone())))
}

/// A session is worth something on its own device only. On a tablet a kept command names the person who typed it, whoever is signed in now.
async fn by_session(
    app: &App,
    tx: &mut dyn Read,
    shown: &Shown,
    (device, kind): (DeviceId, DeviceKind),
) -> Result<(PersonId, Proof), Stranger> {
    let session = match &shown.session {
        Some(session) => tx.session(&hash(session)).await?,
        None => None,
    };
    let now = app.clock.now();
    let signed_in = session.filter(|row| row.device == device && row.expires_at > now);
    match (signed_in.map(|row| row.person), shown.claims) {
        (Some(person), None) => Ok((person, proof_of(kind))),
        (Some(person), Some(claimed)) if person == claimed => Ok((person, proof_of(kind))),
        (_, Some(claimed)) if kind == DeviceKind::Tablet => {
            match tx.secret(claimed, "pin").await? {
                Some(_) => Ok((claimed, Proof::Claim)),
                None => Err(Stranger::NotAllowed(
                    "a tablet speaks for people with a PIN only",
                )),
            }
        }
        _ => Err(Stranger::Unknown),
    }
}

const fn proof_of(kind: DeviceKind) -> Proof {
    match kind {
        DeviceKind::Tablet => Proof::Pin,
        DeviceKind::Browser | DeviceKind::Program => Proof::Password,
    }
}

async fn role(app: &App, tx: &mut dyn Read, person: PersonId) -> Result<Role, Stranger> {
    let person = setup::find::<Person>(tx, app.site, person).await?;
    let person = person.filter(|person| !person.fields.retired);
    Ok(person.ok_or(Stranger::Unknown)?.fields.role)
}

/// What a role may do with a device.
#[must_use]
pub fn rights_of(role: Role, device: Option<&Device>) -> Vec<Right> {
    let proof = device.map_or(Proof::Password, proof_on);
    rights_by(role, &proof)
}

fn proof_on(device: &Device) -> Proof {
    match device.kind {
        DeviceKind::Program => Proof::Token(device.rights.clone()),
        other => proof_of(other),
    }
}

/// That whoever acts has a further right, beside the one that the route needed: where only the command knows what it is about.
///
/// # Errors
/// [`Refusal::NotAllowed`] if they have not.
pub async fn check(tx: &mut dyn Read, site: SiteId, actor: Actor, right: Right) -> Outcome<()> {
    let (role, proof) = known_as(tx, site, actor).await?;
    allowed(right, role, &proof).map_err(|stranger| match stranger {
        Stranger::NotAllowed(why) => Refusal::NotAllowed(why),
        Stranger::Store(error) => error.into(),
        Stranger::Unknown | Stranger::CutOff => {
            Refusal::NotAllowed("a tablet's word is not enough for this: sign in first")
        }
    })
}

/// What whoever acts may do.
pub(super) async fn rights_of_actor(
    tx: &mut dyn Read,
    site: SiteId,
    actor: Actor,
) -> Outcome<Vec<Right>> {
    let (role, proof) = known_as(tx, site, actor).await?;
    Ok(rights_by(role, &proof))
}

async fn known_as(tx: &mut dyn Read, site: SiteId, actor: Actor) -> Outcome<(Role, Proof)> {
    let person = setup::need::<Person>(tx, site, actor.person).await?;
    let proof = match actor.device {
        _ if actor.claimed => Proof::Claim,
        Some(device) => proof_on(&setup::need::<Device>(tx, site, device).await?.fields),
        None => Proof::Password,
    };
    Ok((person.fields.role, proof))
}

fn rights_by(role: Role, proof: &Proof) -> Vec<Right> {
    let rights = RIGHTS.into_iter().map(|rule| rule.right);
    rights
        .filter(|right| allowed(*right, role, proof).is_ok())
        .collect()
}

fn allowed(right: Right, role: Role, proof: &Proof) -> Result<(), Stranger> {
    let rule = right.rule();
    if !right.is_of(role) {
        return Err(Stranger::NotAllowed(
            "your role may not do this: People shows who may",
        ));
    }
    match proof {
        Proof::Pin if !rule.by_pin => Err(Stranger::NotAllowed(
            "a paired tablet is for the floor: do this on another device, signed in with your password",
        )),
        Proof::Claim if !rule.claimed => Err(Stranger::Unknown),
        Proof::Token(_) if !rule.by_token => Err(Stranger::NotAllowed(
            "a program lets nobody in and gives nobody more: a person does this, signed in with their password",
        )),
        Proof::Token(rights) if !rights.contains(&right) => {
            Err(Stranger::NotAllowed("this token was not made for that"))
        }
        _ => Ok(()),
    }
}

/// Notes that the device was seen, beside the request: who only reads does not wait for the one who writes.
fn see(app: &Arc<App>, key: Hash, row: KeyRow) {
    let now = app.clock.now();
    let lately = now.ms() - row.seen_at.ms() < SEEN_EVERY_MS;
    if !lately && app.access.seen.add(key, now) {
        tokio::spawn(note(Arc::clone(app)));
    }
}

/// Writes down which devices were seen, all that wait in one turn. That it fails is no reason to turn anybody away: the device's next request
/// has it noted again.
async fn note(app: Arc<App>) {
    while let Some(seen) = app.access.seen.take() {
        let noted = async {
            let mut tx = app.store.write().await?;
            for (key, at) in &seen {
                tx.see_device(key, *at).await?;
            }
            tx.commit().await
        };
        if let Err(error) = noted.await {
            tracing::warn!(%error, "a device was seen, and that could not be noted");
        }
    }
}

/// Devices that were seen and are still to be noted: each once, by one task, however many requests come meanwhile.
#[derive(Debug, Default)]
pub(super) struct Seen(Mutex<Waiting>);

#[derive(Debug, Default)]
struct Waiting {
    devices: HashMap<Hash, Instant>,
    /// Whether a task writes them down.
    noting: bool,
}

impl Seen {
    /// Adds a device; answers whether a task has to be started for it.
    fn add(&self, key: Hash, at: Instant) -> bool {
        let mut waiting = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        waiting.devices.insert(key, at);
        !std::mem::replace(&mut waiting.noting, true)
    }

    /// Takes all that wait; none where the task is done.
    fn take(&self) -> Option<HashMap<Hash, Instant>> {
        let mut waiting = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        waiting.noting = !waiting.devices.is_empty();
        waiting.noting.then(|| std::mem::take(&mut waiting.devices))
    }
}
