//! Lasting shifts: the two-sided CUSUM of a channel (Page 1954), and the count of held batches that agree.

use serde::{Deserialize, Serialize};

use super::history::Channel;

/// One side of a CUSUM.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Side {
    /// C: height, in sds.
    pub height: f64,
    /// Place at which C left 0.
    pub since: usize,
    /// Steps since then.
    pub steps: u32,
    /// A notice was raised and C has not been back at 0.
    pub told: bool,
}

/// What one step of a side brought.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Step {
    /// C passed the height of a notice, for the first time since it left 0.
    pub notice: bool,
    /// C is above the height at which the effect is opened.
    pub open: bool,
    /// C is back at 0 after a notice.
    pub subsided: bool,
}

impl Side {
    /// C = max(0, C + z - k).
    pub fn step(
        &mut self,
        z: f64,
        place: usize,
        allowance: f64,
        notice_at: f64,
        open_at: f64,
    ) -> Step {
        let height = self.height + z - allowance;
        if height <= 0.0 {
            let subsided = self.told;
            *self = Self::default();
            return Step {
                subsided,
                ..Step::default()
            };
        }
        if self.steps == 0 {
            self.since = place;
        }
        self.height = height;
        self.steps += 1;
        let notice = height > notice_at && !self.told;
        self.told |= notice;
        Step {
            notice,
            open: height > open_at,
            subsided: false,
        }
    }

    /// Size of the shift in sds: k + C/n.
    #[must_use]
    pub fn size(&self, allowance: f64) -> f64 {
        allowance + self.height / f64::from(self.steps.max(1))
    }
}

/// Brings a Student-t score to normal, tail probability nearly kept: z sqrt(df ln(1 + z^2/df))/|z| (1 - 1/(4 df)).
#[must_use]
pub fn to_normal(z: f64, df: f64) -> f64 {
    if df >= 200.0 {
        return z;
    }
    (df * libm::log1p(z * z / df)).sqrt().copysign(z) * (1.0 - 0.25 / df)
}

/// Held batches in a row that must agree before a channel is followed without a person.
pub(super) const AGREEING: usize = 3;

/// Held batches of one channel in a row, on one side.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Pending {
    more: bool,
    places: [usize; AGREEING],
    count: usize,
}

impl Pending {
    /// Adds a held batch; returns the last three if they are three on one side.
    pub fn hold(&mut self, more: bool, place: usize, enough: usize) -> Option<&[usize]> {
        if more != self.more {
            *self = Self {
                more,
                ..Self::default()
            };
        }
        if self.count == AGREEING {
            self.places.rotate_left(1);
            self.count -= 1;
        }
        self.places[self.count] = place;
        self.count += 1;
        (self.count >= enough).then_some(&self.places[..self.count])
    }
}

/// State of a channel in the fold.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Watch {
    /// CUSUM of yields above (0) and below (1) what was expected.
    pub sides: [Side; 2],
    pub pending: Pending,
}

/// How a drift notice stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Standing {
    /// Waits for a person.
    Open,
    /// Nobody spoke and the effect was learned anew; still waits for a person.
    Followed,
    /// The CUSUM went back to 0 by itself.
    Subsided,
    /// A person dealt with it.
    Closed,
}

/// A lasting shift that was noticed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Notice {
    /// The lot, or the roaster with its scales.
    pub channel: Channel,
    /// True: more loss than expected.
    pub more_loss: bool,
    /// Batch since which.
    pub since: String,
    /// Batch at which the notice was raised.
    pub raised: String,
    /// Size on the log-yield scale, signed: negative is more loss.
    pub size: f64,
    /// The same as a change of the loss, a fraction.
    pub loss_change: f64,
    /// How it stands.
    pub standing: Standing,
    pub(super) since_place: usize,
    pub(super) raised_place: usize,
}

impl Notice {
    /// Whether it waits for a person.
    #[must_use]
    pub fn waits(&self) -> bool {
        matches!(self.standing, Standing::Open | Standing::Followed)
    }
}
