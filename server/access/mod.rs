//! Who may come in: people with passwords and PINs, paired tablets, tokens of programs.
//!
//! Three things are asked of whoever calls: *which device* (a key that the browser or program shows), *which person* (a session that
//! began with a password, or with a PIN on a paired tablet), and *which right* (`setup/rights.rs`). What is shown is looked up by its hash and
//! kept in tables that are no part of the book; people and devices themselves are records, so the journal says who paired and who cut off.

mod caller;
mod invite;
mod secret;
mod sign_in;
mod tablet;
mod throttle;
mod token;
mod view;

use std::net::IpAddr;

pub use caller::{Caller, Shown, Standing, Stranger, caller, check, rights_of};
pub use invite::{Invitation, InvitationUsed, invite, invite_owner, use_invitation};
pub use sign_in::{
    Admitted, NewPassword, NewPin, PasswordGiven, PinGiven, SignedIn, change_password, change_pin,
    set_pin, sign_in, sign_in_by_pin, sign_out,
};
pub use tablet::{CodeTyped, Paired, PairingAsked, PairingCode, allow_pairing, pair};
pub use token::{Token, TokenAsked, make_token};
pub use view::{
    AccessView, DeviceSeen, Entrance, PersonKnows, PersonNamed, RightView, entrance, rights, view,
};

use crate::day::Instant;
use crate::ids::{DeviceId, PersonId};
use crate::refusal::Refusal;
use throttle::Throttle;

/// What a guess is made on.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
enum Guess {
    /// A name's password, from an address.
    Password(String, Option<IpAddr>),
    /// A person's own password or PIN, by whoever is signed in as them.
    Own(PersonId),
    /// A person's PIN on a tablet.
    Pin(DeviceId, PersonId),
    /// A pairing code, from an address.
    Code(Option<IpAddr>),
}

/// What a running service remembers of who tried to come in.
#[derive(Debug, Default)]
pub struct Access {
    guesses: Throttle<Guess>,
    seen: caller::Seen,
}

impl Access {
    fn take(&self, guess: &Guess, now: Instant) -> Result<(), Refusal> {
        let taken = self.guesses.take(guess, now);
        taken.map_err(|seconds| Refusal::Wait { seconds })
    }

    fn right(&self, guess: &Guess) {
        self.guesses.right(guess);
    }
}
