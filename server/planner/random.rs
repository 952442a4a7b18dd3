//! A small seeded stream of numbers, so that the same instance always gets the same plan.

/// The splitmix64 generator (Steele, Lea, Flood 2014).
#[derive(Clone)]
pub(super) struct Random(u64);

impl Random {
    /// A stream that depends on the text alone (FNV-1a hash of its bytes).
    pub(super) fn seeded(text: &str) -> Self {
        Self(text.bytes().fold(0xcbf2_9ce4_8422_2325, |h, b| {
            (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3)
        }))
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A whole number from 0 to n - 1; 0 for n = 0.
    pub(super) fn below(&mut self, n: usize) -> usize {
        let wide = u128::from(self.next()) * u128::try_from(n).unwrap_or(0);
        usize::try_from(wide >> 64).unwrap_or(0)
    }

    /// A whole number from 0 to n - 1.
    pub(super) fn whole(&mut self, n: i64) -> i64 {
        let n = usize::try_from(n).unwrap_or(0);
        i64::try_from(self.below(n)).unwrap_or(0)
    }

    /// Happens `hits` times in `of`.
    pub(super) fn chance(&mut self, hits: usize, of: usize) -> bool {
        self.below(of) < hits
    }

    /// Puts a list in random order.
    pub(super) fn shuffle<T>(&mut self, list: &mut [T]) {
        for n in (1..list.len()).rev() {
            list.swap(n, self.below(n + 1));
        }
    }
}
