//! Signing in and out, and what a person knows.

use std::net::IpAddr;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::Guess;
use super::caller::Shown;
use super::secret::{self, hash, keep, matches, new_secret};
use crate::app::App;
use crate::book::Actor;
use crate::day::Instant;
use crate::ids::{DeviceId, PersonId};
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Device, DeviceKind, Expected, Person, Record};
use crate::store::{KeyRow, Read, SecretRow, SessionRow, StoreError, Write};
use crate::text::{Name, Note};
use uuid::Uuid;

/// How long somebody stays signed in: a week in their own browser, a shift on a tablet, which many hands share.
const BROWSER_MINUTES: i64 = 7 * 24 * 60;
const TABLET_MINUTES: i64 = 14 * 60;
/// Length of a password in characters.
const SHORTEST: usize = 12;

/// A name and its password.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PasswordGiven {
    /// The person's name.
    pub name: Name,
    /// Their password.
    pub password: Note,
}

/// A person and their PIN.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PinGiven {
    /// The person.
    pub person: PersonId,
    /// Their PIN.
    pub pin: Note,
}

/// A new password, and the one before.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPassword {
    /// The present one.
    pub old: Note,
    /// The new one: at least 12 characters.
    pub new: Note,
}

/// A new PIN, and the one before.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPin {
    /// The present one; the owner gives a person the first.
    #[serde(default)]
    pub old: Option<Note>,
    /// The new one: 4 to 8 digits.
    pub new: Note,
}

/// Somebody who was let in: what their browser shows from now on.
#[derive(Debug)]
pub struct Admitted {
    /// Who.
    pub person: PersonId,
    /// The session, to be shown with each request.
    pub session: String,
    /// The device's key, if it has a new one.
    pub device: Option<String>,
    /// How long the session lasts, in seconds.
    pub seconds: i64,
}

/// What the body of an answer says.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct SignedIn {
    /// Who.
    pub person: PersonId,
}

const WRONG: &str = "that name and password do not belong together";

/// Signs a person in by name and password. The browser becomes a device of its own at the first time.
///
/// # Errors
/// [`Refusal::NotKnown`] for a wrong name or password alike, [`Refusal::Wait`] after several.
pub async fn sign_in(
    app: &Arc<App>,
    shown: &Shown,
    from: Option<IpAddr>,
    given: PasswordGiven,
) -> Outcome<Admitted> {
    let guess = Guess::Password(given.name.to_string().to_lowercase(), from);
    app.access.take(&guess, app.clock.now())?;
    let mut tx = app.read().await?;
    let found = by_name(&mut *tx, app, &given.name).await?;
    let kept = match found {
        Some(person) => tx.secret(person, "password").await?,
        None => None,
    };
    drop(tx);
    let known = matches(kept.map(|row| row.hash), given.password.to_string()).await?;
    let Some(person) = found.filter(|_| known) else {
        tracing::warn!(?from, "a sign-in failed");
        return Err(Refusal::NotKnown(WRONG));
    };
    app.access.right(&guess);
    admit(app, person, shown, &given.name).await
}

async fn by_name(tx: &mut dyn Read, app: &App, name: &Name) -> Outcome<Option<PersonId>> {
    let row = tx
        .record_labelled(app.site, Person::KIND, name.as_str())
        .await?;
    let Some(row) = row else { return Ok(None) };
    let person = setup::find::<Person>(tx, app.site, row.id).await?;
    Ok(person
        .filter(|person| !person.fields.retired)
        .map(|person| PersonId(person.id)))
}

/// Lets a person in whose password is known to be right: on the device that asks, made a browser of its own if it is none. A paired tablet stays
/// one: another key would take it off the floor.
pub(super) async fn admit(
    app: &Arc<App>,
    person: PersonId,
    shown: &Shown,
    name: &Name,
) -> Outcome<Admitted> {
    let mut tx = app.read().await?;
    let known = match shown.device.as_deref() {
        Some(key) => standing_device(&mut *tx, app, key).await?,
        None => None,
    };
    drop(tx);
    let minutes = match known {
        Some((_, DeviceKind::Tablet)) => TABLET_MINUTES,
        _ => BROWSER_MINUTES,
    };
    let (device, key) = match known {
        Some((id, DeviceKind::Browser | DeviceKind::Tablet)) => (id, None),
        _ => new_browser(app, person, name, shown.agent.as_deref()).await?,
    };
    let session = begin_session(app, person, device, minutes).await?;
    tracing::info!(%person, %device, "signed in with a password");
    Ok(Admitted {
        person,
        session,
        device: key,
        seconds: minutes * 60,
    })
}

/// The device of a key, unless it was cut off.
pub(super) async fn standing_device(
    tx: &mut dyn Read,
    app: &App,
    key: &str,
) -> Outcome<Option<(DeviceId, DeviceKind)>> {
    let Some(row) = tx.device_key(&hash(key)).await? else {
        return Ok(None);
    };
    let device = setup::find::<Device>(tx, app.site, row.device).await?;
    let standing = device.filter(|device| !device.fields.retired);
    Ok(standing.map(|device| (row.device, device.fields.kind)))
}

async fn new_browser(
    app: &Arc<App>,
    person: PersonId,
    name: &Name,
    agent: Option<&str>,
) -> Outcome<(DeviceId, Option<String>)> {
    let mut tx = app.read().await?;
    let zone = app.site_record(&mut *tx).await?.fields.zone;
    drop(tx);
    let now = app.clock.now();
    let since = format!("{} {}", zone.day(now), zone.time_of_day(now));
    let device = Device::new(browser_of(name, agent, &since)?, DeviceKind::Browser);
    let actor = Actor::person(person);
    let (id, key) = new_device(app, actor, device).await?;
    Ok((id, Some(key)))
}

/// A browser's name in the list of devices: whose it is, the system it runs on, and since when, so that the one that was lost can be told from
/// the others of the same person.
fn browser_of(name: &Name, agent: Option<&str>, since: &str) -> Outcome<Name> {
    let short: String = name.as_str().chars().take(60).collect();
    let system = agent.and_then(system_of);
    let system = system.map_or(String::new(), |system| format!(" on {system}"));
    let text = format!("Browser of {short}{system}, since {since}");
    Name::new(&text).map_err(|e| Refusal::field("/name", e.to_string()))
}

/// The system that a browser says it runs on. The first word that is found counts: those of phones name those of computers too.
fn system_of(agent: &str) -> Option<&'static str> {
    const SYSTEMS: [(&str, &str); 7] = [
        ("iPhone", "iPhone"),
        ("iPad", "iPad"),
        ("Android", "Android"),
        ("CrOS", "ChromeOS"),
        ("Windows", "Windows"),
        ("Macintosh", "Mac"),
        ("Linux", "Linux"),
    ];
    let found = SYSTEMS.into_iter().find(|(word, _)| agent.contains(word));
    found.map(|(_, system)| system)
}

/// Makes a device and its key.
pub(super) async fn new_device(
    app: &Arc<App>,
    actor: Actor,
    device: Device,
) -> Outcome<(DeviceId, String)> {
    let id = app.clock.new_id();
    app.put(actor, id, Expected::Nothing, device).await?;
    let key = new_secret()?;
    let row = KeyRow {
        device: DeviceId(id),
        seen_at: app.clock.now(),
    };
    let mut tx = app.store.write().await?;
    tx.insert_device_key(&hash(&key), &row).await?;
    tx.commit().await?;
    Ok((DeviceId(id), key))
}

async fn begin_session(
    app: &App,
    person: PersonId,
    device: DeviceId,
    minutes: i64,
) -> Result<String, StoreError> {
    let session = new_secret()?;
    let now = app.clock.now();
    let row = SessionRow {
        person,
        device,
        expires_at: now.plus_minutes(minutes),
    };
    let mut tx = app.store.write().await?;
    tx.forget_expired(now).await?;
    tx.insert_session(&hash(&session), &row).await?;
    tx.commit().await?;
    Ok(session)
}

/// Signs a person in by PIN, on a paired tablet only.
///
/// # Errors
/// [`Refusal::NotKnown`] elsewhere or for a wrong PIN, [`Refusal::Wait`] after several.
pub async fn sign_in_by_pin(
    app: &Arc<App>,
    device: Option<&str>,
    given: PinGiven,
) -> Outcome<Admitted> {
    let mut tx = app.read().await?;
    let tablet = match device {
        Some(key) => standing_device(&mut *tx, app, key).await?,
        None => None,
    };
    let Some((device, DeviceKind::Tablet)) = tablet else {
        return Err(Refusal::NotKnown(
            "a PIN is for paired tablets: sign in with your password",
        ));
    };
    let here = setup::find::<Person>(&mut *tx, app.site, given.person).await?;
    let kept = match here.filter(|person| !person.fields.retired) {
        Some(_) => tx.secret(given.person, "pin").await?,
        None => None,
    };
    drop(tx);
    let guess = Guess::Pin(device, given.person);
    app.access.take(&guess, app.clock.now())?;
    if !matches(kept.map(|row| row.hash), given.pin.to_string()).await? {
        tracing::warn!(%device, person = %given.person, "a PIN was wrong");
        return Err(Refusal::NotKnown("that is not the PIN"));
    }
    app.access.right(&guess);
    let session = begin_session(app, given.person, device, TABLET_MINUTES).await?;
    tracing::info!(person = %given.person, %device, "signed in with a PIN");
    Ok(Admitted {
        person: given.person,
        session,
        device: None,
        seconds: TABLET_MINUTES * 60,
    })
}

/// Ends a session.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn sign_out(app: &App, session: Option<&str>) -> Outcome<()> {
    if let Some(session) = session {
        let mut tx = app.store.write().await?;
        tx.end_session(&hash(session)).await?;
        tx.commit().await?;
        app.access_changed();
    }
    Ok(())
}

/// Stores what a person knows.
pub(super) async fn put_secret(
    app: &App,
    tx: &mut dyn Write,
    person: PersonId,
    kind: &str,
    hash: String,
) -> Outcome<()> {
    let row = SecretRow {
        person,
        kind: kind.to_owned(),
        hash,
        set_at: app.clock.now(),
    };
    Ok(tx.put_secret(&row).await?)
}

/// A password that may be chosen.
pub(super) fn fit_password(password: &Note, pointer: &str) -> Outcome<()> {
    if password.as_str().chars().count() < SHORTEST {
        let detail = format!("at least {SHORTEST} characters: a few words in a row do well");
        return Err(Refusal::field(pointer, detail));
    }
    Ok(())
}

/// Changes one's own password; everybody else who is signed in as this person is signed out.
///
/// # Errors
/// [`Refusal::Invalid`] for a wrong present one or a short new one.
pub async fn change_password(
    app: &App,
    actor: Actor,
    session: Option<&str>,
    given: NewPassword,
) -> Outcome<()> {
    fit_password(&given.new, "/new")?;
    check_own(app, actor.person, "password", Some(&given.old)).await?;
    let kept = keep(given.new.to_string()).await?;
    let mut tx = app.store.write().await?;
    put_secret(app, &mut *tx, actor.person, "password", kept).await?;
    tx.end_sessions_of(actor.person, session.map(secret::hash).as_ref())
        .await?;
    tx.commit().await?;
    app.access_changed();
    Ok(())
}

/// Changes one's own PIN.
///
/// # Errors
/// [`Refusal::Invalid`] for a wrong present one or one that is too simple.
pub async fn change_pin(app: &App, actor: Actor, given: NewPin) -> Outcome<()> {
    fit_pin(&given.new, "/new")?;
    check_own(app, actor.person, "pin", given.old.as_ref()).await?;
    store_pin(app, actor.person, given.new).await
}

/// Gives a person a PIN.
///
/// # Errors
/// [`Refusal::NotFound`] if there is nobody of this id, [`Refusal::Invalid`] for a PIN that is too simple.
pub async fn set_pin(app: &App, id: Uuid, given: NewPin) -> Outcome<()> {
    fit_pin(&given.new, "/new")?;
    let mut tx = app.read().await?;
    setup::need::<Person>(&mut *tx, app.site, id).await?;
    drop(tx);
    store_pin(app, PersonId(id), given.new).await
}

async fn store_pin(app: &App, person: PersonId, pin: Note) -> Outcome<()> {
    let kept = keep(pin.to_string()).await?;
    let mut tx = app.store.write().await?;
    put_secret(app, &mut *tx, person, "pin", kept).await?;
    tx.commit().await?;
    app.access_changed();
    Ok(())
}

async fn check_own(app: &App, person: PersonId, kind: &str, old: Option<&Note>) -> Outcome<()> {
    let guess = Guess::Own(person);
    app.access.take(&guess, app.clock.now())?;
    let mut tx = app.read().await?;
    let kept = tx.secret(person, kind).await?.map(|row| row.hash);
    drop(tx);
    if !matches(kept, old.map(ToString::to_string).unwrap_or_default()).await? {
        return Err(Refusal::field("/old", "that is not the present one"));
    }
    app.access.right(&guess);
    Ok(())
}

/// A PIN that may be chosen: 4 to 8 digits, not all alike and not in a row.
fn fit_pin(pin: &Note, pointer: &str) -> Outcome<()> {
    let digits = pin.as_str().as_bytes();
    if !(4..=8).contains(&digits.len()) || !digits.iter().all(u8::is_ascii_digit) {
        return Err(Refusal::field(pointer, "4 to 8 digits"));
    }
    let steps = |by: i16| {
        digits
            .windows(2)
            .all(|two| i16::from(two[1]) - i16::from(two[0]) == by)
    };
    if steps(0) || steps(1) || steps(-1) {
        return Err(Refusal::field(
            pointer,
            "too easy to guess: not all alike, and not in a row",
        ));
    }
    Ok(())
}

/// Whether somebody's time is over.
#[must_use]
pub(super) fn over(end: Instant, app: &App) -> bool {
    end <= app.clock.now()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9110, section 10.1.5: a product and what is said of it; browsers write their system into the first comment.
    #[test]
    fn browsers_of_one_person_are_told_apart() {
        let ana = Name::new("Ana").unwrap();
        let phone = "Mozilla/5.0 (Linux; Android 14; K) AppleWebKit/537.36 (KHTML, like Gecko)";
        let desk = "Mozilla/5.0 (X11; Linux x86_64; rv:140.0)";
        let of = |agent| {
            browser_of(&ana, agent, "2026-11-25 09:14")
                .unwrap()
                .to_string()
        };
        assert_eq!(
            of(Some(phone)),
            "Browser of Ana on Android, since 2026-11-25 09:14"
        );
        assert_eq!(
            of(Some(desk)),
            "Browser of Ana on Linux, since 2026-11-25 09:14"
        );
        assert_eq!(of(None), "Browser of Ana, since 2026-11-25 09:14");
    }
}
