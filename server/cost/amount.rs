//! Amounts on their way: whole millionths of a minor unit, so that a gram's share of a container's bill is not lost; rounded once, at the end.

use std::iter::Sum;

use crate::mass::Mass;
use crate::money::half_even;

/// Millionths of a minor unit.
const MILLION: i128 = 1_000_000;

/// An amount to the millionth of a minor unit; may be less than nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Amount(i128);

impl Amount {
    /// So many minor units.
    #[must_use]
    pub const fn minor(minor: i64) -> Self {
        Self(minor as i128 * MILLION)
    }

    /// To the nearest minor unit; halves to the even one.
    #[must_use]
    pub fn rounded(self) -> i64 {
        i64::try_from(half_even(self.0, MILLION)).unwrap_or(i64::MAX)
    }

    /// This times a part of a whole; nothing where the whole is nothing.
    #[must_use]
    pub fn part(self, part: Mass, whole: Mass) -> Self {
        if !whole.is_positive() {
            return Self::default();
        }
        Self(half_even(
            self.0.saturating_mul(i128::from(part.mg())),
            i128::from(whole.mg()),
        ))
    }

    /// This so many times.
    #[must_use]
    pub fn times(self, n: i64) -> Self {
        Self(self.0.saturating_mul(i128::from(n)))
    }

    /// The sum.
    #[must_use]
    pub const fn plus(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }

    /// The difference.
    #[must_use]
    pub const fn minus(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

impl Sum for Amount {
    fn sum<I: Iterator<Item = Self>>(amounts: I) -> Self {
        amounts.fold(Self::default(), Self::plus)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grams(grams: i64) -> Mass {
        Mass::from_grams(grams).unwrap()
    }

    #[test]
    fn a_share_is_rounded_once() {
        // 100.00 for 3 kg: a third each, and three thirds are all of it.
        let third = Amount::minor(10_000).part(grams(1_000), grams(3_000));
        assert_eq!(third.rounded(), 3_333);
        assert_eq!(third.times(3).rounded(), 10_000);
        assert_eq!(
            Amount::minor(5).part(grams(1), grams(2)).rounded(),
            2,
            "2.5 to the even"
        );
        assert_eq!(
            Amount::minor(7).part(grams(1), grams(2)).rounded(),
            4,
            "3.5 to the even"
        );
        assert_eq!(
            Amount::minor(1).part(grams(1), Mass::ZERO),
            Amount::default()
        );
    }
}
