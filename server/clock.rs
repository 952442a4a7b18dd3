//! Time and new ids, as arguments: the only file that asks the machine for either.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};

use sha2::{Digest, Sha256};
use uuid::{Builder, Uuid};

use crate::day::Instant;

/// Where the program takes the time and new ids from.
#[derive(Debug, Clone)]
pub enum Clock {
    /// The machine's clock and random ids.
    Machine,
    /// A clock that a test or the demo sets, with ids that follow from a seed.
    Set(Arc<SetClock>),
}

/// A clock that stands still, or runs from a point chosen in the past, with ids in a fixed sequence.
#[derive(Debug)]
pub struct SetClock {
    ms: AtomicI64,
    /// Machine time in ms at which the clock was let run; negative while it stands.
    running_since: AtomicI64,
    ids: AtomicU64,
    seed: u64,
}

impl Clock {
    /// A clock that stands at `at`; its ids follow from `seed`.
    #[must_use]
    pub fn set(at: Instant, seed: u64) -> Self {
        Self::Set(Arc::new(SetClock {
            ms: AtomicI64::new(at.ms()),
            running_since: AtomicI64::new(-1),
            ids: AtomicU64::new(0),
            seed,
        }))
    }

    /// The present instant.
    #[must_use]
    pub fn now(&self) -> Instant {
        match self {
            Self::Machine => machine_now(),
            Self::Set(clock) => clock.now(),
        }
    }

    /// Whether it was set, as in a test or the demo, rather than the machine's.
    #[must_use]
    pub const fn is_set(&self) -> bool {
        matches!(self, Self::Set(_))
    }

    /// A new UUID of version 7 (RFC 9562), whose first 48 bits are the present time.
    #[must_use]
    pub fn new_id(&self) -> Uuid {
        match self {
            #[expect(clippy::disallowed_methods, reason = "this is the one place")]
            Self::Machine => Uuid::now_v7(),
            Self::Set(clock) => clock.new_id(),
        }
    }
}

impl Clock {
    /// A secret of 32 bytes that nobody can guess; of a set clock, the same each time.
    ///
    /// # Errors
    /// When the machine has no source of chance.
    pub fn new_secret(&self) -> std::io::Result<[u8; 32]> {
        let mut secret = [0; 32];
        match self {
            Self::Machine => getrandom::fill(&mut secret)?,
            Self::Set(clock) => secret = Sha256::digest(clock.seed.to_be_bytes()).into(),
        }
        Ok(secret)
    }
}

impl SetClock {
    /// Sets the clock to `at`.
    pub fn set(&self, at: Instant) {
        self.ms.store(at.ms(), Ordering::SeqCst);
    }

    /// Moves the clock on by `ms` milliseconds (or back).
    pub fn advance_ms(&self, ms: i64) {
        self.ms.fetch_add(ms, Ordering::SeqCst);
    }

    /// Lets the clock run on from where it stands, at the machine's pace.
    pub fn run(&self) {
        self.running_since
            .store(machine_now().ms(), Ordering::SeqCst);
    }

    fn now(&self) -> Instant {
        let (stood, since) = (
            self.ms.load(Ordering::SeqCst),
            self.running_since.load(Ordering::SeqCst),
        );
        Instant::from_ms(if since < 0 {
            stood
        } else {
            stood + machine_now().ms() - since
        })
    }

    fn new_id(&self) -> Uuid {
        let n = self.ids.fetch_add(1, Ordering::SeqCst);
        let mut hash = Sha256::new();
        hash.update(self.seed.to_be_bytes());
        hash.update(n.to_be_bytes());
        let digest = hash.finalize();
        let mut random = [0; 10];
        random.copy_from_slice(&digest[..10]);
        Builder::from_unix_timestamp_millis(self.now().ms().unsigned_abs(), &random).into_uuid()
    }
}

fn machine_now() -> Instant {
    #[expect(clippy::disallowed_methods, reason = "this is the one place")]
    let now = std::time::SystemTime::now();
    let since = now
        .duration_since(std::time::UNIX_EPOCH)
        .unwrap_or_default();
    Instant::from_ms(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}
