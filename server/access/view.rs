//! What the pages show of who may come in.

use serde::Serialize;

use super::caller::Shown;
use super::secret::hash;
use crate::app::App;
use crate::day::Instant;
use crate::ids::{DeviceId, PersonId};
use crate::refusal::Outcome;
use crate::setup::{self, Device, DeviceKind, Person, RIGHTS, Right, Role};
use crate::store::Read;

/// What the page for signing in needs to know.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Entrance {
    /// Whether an owner can sign in; before that the link on the terminal is the only way in.
    pub set_up: bool,
    /// The paired tablet that asks, if it is one.
    pub tablet: Option<String>,
    /// Whether the tablet that asks was cut off.
    pub cut_off: bool,
    /// Who may sign in by PIN on the paired tablet that asks.
    pub people: Vec<PersonNamed>,
}

/// A person to choose.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct PersonNamed {
    /// Who.
    pub id: PersonId,
    /// Their name.
    pub name: String,
}

/// What the page for signing in needs to know, asked by anybody: names are told to paired tablets only.
///
/// # Errors
/// [`crate::store::StoreError`] when the database fails.
pub async fn entrance(app: &App, shown: &Shown) -> Outcome<Entrance> {
    let mut tx = app.read().await?;
    let device = match &shown.device {
        Some(key) => tx.device_key(&hash(key)).await?,
        None => None,
    };
    let device = match device {
        Some(row) => setup::find::<Device>(&mut *tx, app.site, row.device).await?,
        None => None,
    };
    let tablet = device.filter(|device| device.fields.kind == DeviceKind::Tablet);
    let cut_off = tablet.as_ref().is_some_and(|tablet| tablet.fields.retired);
    let paired = tablet.filter(|_| !cut_off);
    let knowing = knowing(app, &mut *tx).await?;
    let set_up = knowing
        .iter()
        .any(|(person, knows)| person.fields.role == Role::Owner && knows.password);
    let may = knowing
        .into_iter()
        .filter(|(_, knows)| knows.pin && paired.is_some());
    Ok(Entrance {
        set_up,
        cut_off,
        people: may
            .map(|(person, knows)| PersonNamed {
                id: knows.person,
                name: person.fields.name.to_string(),
            })
            .collect(),
        tablet: paired.map(|tablet| tablet.fields.name.to_string()),
    })
}

/// What a person can show.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct PersonKnows {
    /// Who.
    pub person: PersonId,
    /// Whether they have a password.
    pub password: bool,
    /// Whether they have a PIN.
    pub pin: bool,
}

/// When a device was last seen.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct DeviceSeen {
    /// Which.
    pub device: DeviceId,
    /// When, give or take ten minutes.
    pub seen_at: Instant,
}

/// Who may come in, and by what.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct AccessView {
    /// The people who work here.
    pub people: Vec<PersonKnows>,
    /// The devices that have a key.
    pub devices: Vec<DeviceSeen>,
}

/// Who may come in, and by what.
///
/// # Errors
/// [`crate::store::StoreError`] when the database fails.
pub async fn view(app: &App) -> Outcome<AccessView> {
    let mut tx = app.read().await?;
    let people = knowing(app, &mut *tx).await?;
    let keys = tx.device_keys(app.site).await?;
    Ok(AccessView {
        people: people.into_iter().map(|(_, knows)| knows).collect(),
        devices: keys
            .into_iter()
            .map(|key| DeviceSeen {
                device: key.device,
                seen_at: key.seen_at,
            })
            .collect(),
    })
}

async fn knowing(app: &App, tx: &mut dyn Read) -> Outcome<Vec<(setup::Kept<Person>, PersonKnows)>> {
    let secrets = tx.secrets(app.site).await?;
    let people = setup::all::<Person>(tx, app.site).await?;
    let here = people.into_iter().filter(|person| !person.fields.retired);
    let knows = |id: PersonId, kind: &str| {
        secrets
            .iter()
            .any(|row| row.person == id && row.kind == kind)
    };
    let with = |person: setup::Kept<Person>| {
        let id = PersonId(person.id);
        let knows = PersonKnows {
            person: id,
            password: knows(id, "password"),
            pin: knows(id, "pin"),
        };
        (person, knows)
    };
    Ok(here.map(with).collect())
}

/// A line of the table of rights.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct RightView {
    /// The right.
    pub right: Right,
    /// The roles that have it.
    pub roles: Vec<Role>,
    /// Whether a PIN on a paired tablet is enough.
    pub by_pin: bool,
    /// Whether a paired tablet without a network may say for whom it speaks.
    pub claimed: bool,
    /// Whether a program with a token may have it.
    pub by_token: bool,
}

/// The table of rights.
#[must_use]
pub fn rights() -> Vec<RightView> {
    let line = |rule: setup::Rule| RightView {
        right: rule.right,
        roles: rule.roles.to_vec(),
        by_pin: rule.by_pin,
        claimed: rule.claimed,
        by_token: rule.by_token,
    };
    RIGHTS.into_iter().map(line).collect()
}
