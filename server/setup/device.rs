//! What people book with: a paired tablet, a browser in which somebody signed in with a password, a program with a token. What each shows to
//! be let in is no part of the record, and not of the book.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::{Link, Person, Record, Right, fault, unless};
use crate::day::Instant;
use crate::ids::{PersonId, SiteId};
use crate::refusal::FieldError;
use crate::store::{Read, StoreError};
use crate::text::Name;

/// What kind of thing it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum DeviceKind {
    /// A tablet paired by a code: people pick their name and type their PIN.
    Tablet,
    /// A browser in which somebody signed in with a password.
    Browser,
    /// A program with a token.
    Program,
}

/// Something that people book with.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Device {
    /// Its name.
    pub name: Name,
    /// What it is.
    pub kind: DeviceKind,
    /// As whom a program acts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub person: Option<PersonId>,
    /// What a program may do, if that person may.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub rights: Vec<Right>,
    /// Until when a program may do it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expires_at: Option<Instant>,
    /// Cut off.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

impl Device {
    /// A tablet or browser.
    #[must_use]
    pub const fn new(name: Name, kind: DeviceKind) -> Self {
        Self {
            name,
            kind,
            person: None,
            rights: Vec::new(),
            expires_at: None,
            retired: false,
        }
    }
}

#[async_trait]
impl Record for Device {
    const KIND: &'static str = "device";

    fn label(&self) -> Option<String> {
        None
    }

    fn links(&self) -> Vec<Link> {
        let person = self.person.iter();
        person
            .map(|id| Link::new("/person", Person::KIND, *id))
            .collect()
    }

    fn faults(&self) -> Vec<FieldError> {
        let program = self.kind == DeviceKind::Program;
        let mut faults = Vec::new();
        if program != self.person.is_some() {
            faults.push(fault(
                "/person",
                "a program acts as one person; tablets and browsers as whoever signs in",
            ));
        }
        if program == self.rights.is_empty() {
            faults.push(fault(
                "/rights",
                "a program has at least one right of its own; tablets and browsers none",
            ));
        }
        if program != self.expires_at.is_some() {
            faults.push(fault(
                "/expires_at",
                "a program's token ends one day; tablets and browsers are cut off",
            ));
        }
        faults
    }

    async fn faults_beside(
        &self,
        _tx: &mut dyn Read,
        _site: SiteId,
        _id: Uuid,
        before: Option<&Self>,
    ) -> Result<Vec<FieldError>, StoreError> {
        let Some(before) = before else {
            return Ok(Vec::new());
        };
        let mut faults = Vec::new();
        if before.kind != self.kind {
            faults.push(fault("/kind", "a device stays what it is"));
        }
        if before.person != self.person
            || before.rights != self.rights
            || before.expires_at != self.expires_at
        {
            faults.push(fault(
                "",
                "what a token is for stays as it was made: make another and cut this one off",
            ));
        }
        if before.retired && !self.retired {
            faults.push(fault(
                "/retired",
                "what was cut off stays so: pair the tablet again, or make a new token",
            ));
        }
        Ok(faults)
    }
}
