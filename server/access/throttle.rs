//! How fast somebody may guess: after a few wrong tries each next one waits twice as long. Names that nobody has are slowed down alike.

use std::collections::HashMap;
use std::hash::Hash;
use std::sync::Mutex;

use crate::day::Instant;

/// Wrong tries that are forgiven before the waiting begins.
const FORGIVEN: u32 = 5;
const FIRST_WAIT_MS: i64 = 15_000;
const LONGEST_WAIT_MS: i64 = 3_600_000;
/// After so long without a wrong try, all is forgotten.
const FORGET_MS: i64 = 24 * 3_600_000;
/// Names remembered at most: whoever makes up more only makes others be forgotten that were made up.
const MOST: usize = 10_000;

#[derive(Debug, Clone, Copy)]
struct Tries {
    wrong: u32,
    last: Instant,
    not_before: Instant,
}

/// Wrong tries by what they were made on: a name, an address, a person on a tablet.
#[derive(Debug)]
pub struct Throttle<K> {
    tries: Mutex<HashMap<K, Tries>>,
}

impl<K> Default for Throttle<K> {
    fn default() -> Self {
        Self {
            tries: Mutex::new(HashMap::new()),
        }
    }
}

impl<K: Hash + Eq + Clone> Throttle<K> {
    /// Takes a try: it counts as wrong until [`Throttle::right`] says otherwise, so that many at once are no way around.
    ///
    /// # Errors
    /// The whole seconds to wait.
    ///
    /// # Panics
    /// When a thread panicked inside: the program is broken then.
    pub fn take(&self, key: &K, now: Instant) -> Result<(), i64> {
        let mut all = self.tries.lock().expect("the tries are whole");
        if all.len() >= MOST && !all.contains_key(key) {
            make_room(&mut all, now);
        }
        let tries = all.entry(key.clone()).or_insert(Tries {
            wrong: 0,
            last: now,
            not_before: now,
        });
        if now.ms() - tries.last.ms() > FORGET_MS {
            tries.wrong = 0;
        }
        let wait = tries.not_before.ms() - now.ms();
        // A clock that was set back must not lock anybody out for longer than the longest wait.
        if wait > 0 && wait <= LONGEST_WAIT_MS {
            return Err((wait + 999) / 1_000);
        }
        tries.wrong = tries.wrong.saturating_add(1);
        tries.last = now;
        tries.not_before = Instant::from_ms(now.ms() + wait_after(tries.wrong));
        Ok(())
    }

    /// The try was right: all is forgotten.
    ///
    /// # Panics
    /// As [`Throttle::take`].
    pub fn right(&self, key: &K) {
        self.tries.lock().expect("the tries are whole").remove(key);
    }
}

/// How long to wait after so many wrong tries.
fn wait_after(wrong: u32) -> i64 {
    if wrong < FORGIVEN {
        return 0;
    }
    let doubled = FIRST_WAIT_MS.checked_shl((wrong - FORGIVEN).min(20));
    doubled.unwrap_or(LONGEST_WAIT_MS).min(LONGEST_WAIT_MS)
}

/// Forgets what is over, and where that is not enough, the older half.
fn make_room<K: Hash + Eq + Clone>(all: &mut HashMap<K, Tries>, now: Instant) {
    all.retain(|_, tries| now.ms() - tries.last.ms() <= FORGET_MS);
    if all.len() < MOST {
        return;
    }
    let mut times: Vec<i64> = all.values().map(|tries| tries.last.ms()).collect();
    let (_, middle, _) = times.select_nth_unstable(MOST / 2);
    let middle = *middle;
    all.retain(|_, tries| tries.last.ms() > middle);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> Instant {
        Instant::from_ms(1_764_000_000_000 + seconds * 1_000)
    }

    #[test]
    fn waiting_begins_after_five_wrong_tries_and_doubles() {
        let throttle = Throttle::default();
        for _ in 0..5 {
            assert_eq!(throttle.take(&"Ana", at(0)), Ok(()));
        }
        assert_eq!(throttle.take(&"Ana", at(0)), Err(15));
        assert_eq!(throttle.take(&"Ana", at(14)), Err(1));
        assert_eq!(throttle.take(&"Ana", at(15)), Ok(()));
        assert_eq!(throttle.take(&"Ana", at(15)), Err(30));
        assert_eq!(throttle.take(&"Rui", at(15)), Ok(()), "others do not wait");
    }

    #[test]
    fn nobody_waits_longer_than_an_hour_and_a_right_try_ends_it() {
        let throttle = Throttle::default();
        let mut now = 0;
        for _ in 0..40 {
            while let Err(seconds) = throttle.take(&1, at(now)) {
                assert!(seconds <= 3_600);
                now += seconds;
            }
        }
        throttle.right(&1);
        assert_eq!(throttle.take(&1, at(now)), Ok(()));
    }

    #[test]
    fn made_up_names_fill_no_memory() {
        let throttle = Throttle::default();
        for i in 0..30_000_i64 {
            assert_eq!(throttle.take(&i, at(i)), Ok(()));
        }
        assert!(throttle.tries.lock().unwrap().len() <= MOST);
    }

    #[test]
    fn a_clock_set_back_locks_nobody_out() {
        let throttle = Throttle::default();
        for _ in 0..5 {
            assert_eq!(throttle.take(&"Ana", at(100_000)), Ok(()));
        }
        assert_eq!(throttle.take(&"Ana", at(0)), Ok(()));
    }
}
