//! The ladder: how many bags of each coffee a subscriber of so many bags gets.

use serde::{Deserialize, Serialize};

/// At most so many rungs.
const MOST_RUNGS: usize = 60;
/// At most so many coffees in a dispatch.
pub const MOST_COFFEES: usize = 12;

/// Rung b says how many bags of each coffee, in the order of the dispatch, a subscriber of b bags gets; above the last rung the last is
/// given again and again, and the rung of what is left with it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(transparent)]
pub struct Ladder(Vec<Vec<u16>>);

impl Ladder {
    /// The usual ladder for so many coffees (common practice, no source). Of three: one bag is the first coffee, two the first and second,
    /// three all three; four and six are the two and three bags doubled, five is the three and the first two again. Of other numbers: one
    /// bag of each in their order, then from the first again.
    #[must_use]
    pub fn usual(coffees: usize) -> Self {
        if coffees == 3 {
            let rungs = [
                [1, 0, 0],
                [1, 1, 0],
                [1, 1, 1],
                [2, 2, 0],
                [2, 2, 1],
                [2, 2, 2],
            ];
            return Self(rungs.map(Vec::from).to_vec());
        }
        let coffees = coffees.clamp(1, MOST_COFFEES);
        let rung = |bags: usize| (0..coffees).map(|at| u16::from(at < bags)).collect();
        Self((1..=coffees).map(rung).collect())
    }

    /// How many coffees it is for.
    #[must_use]
    pub fn coffees(&self) -> usize {
        self.0.first().map_or(0, Vec::len)
    }

    /// What is wrong with it, and at which rung (from 0); nothing if it will do.
    #[must_use]
    pub fn fault(&self) -> Option<(usize, String)> {
        let coffees = self.coffees();
        if self.0.is_empty() || self.0.len() > MOST_RUNGS {
            return Some((0, "a ladder has one to 60 rungs".to_owned()));
        }
        self.0.iter().enumerate().find_map(|(at, rung)| {
            let bags: usize = rung.iter().copied().map(usize::from).sum();
            if rung.len() != coffees || !(1..=MOST_COFFEES).contains(&coffees) {
                Some((
                    at,
                    "each rung has a number for each coffee, of 1 to 12".to_owned(),
                ))
            } else if bags == at + 1 {
                None
            } else {
                Some((at, format!("the rung of {} bags gives {bags}", at + 1)))
            }
        })
    }

    /// Bags of each coffee for a subscriber of so many; they sum to them.
    #[must_use]
    pub fn rung(&self, bags: u16) -> Vec<u32> {
        let top = self.0.len();
        let (times, rest) = (usize::from(bags) / top, usize::from(bags) % top);
        let times = u32::try_from(times).unwrap_or(u32::MAX);
        (0..self.coffees())
            .map(|coffee| {
                let of = |rung: usize| u32::from(self.0[rung - 1][coffee]);
                times * of(top) + if rest > 0 { of(rest) } else { 0 }
            })
            .collect()
    }

    /// Bags of each coffee where some cannot be had: the coffees that can move up in their order, and what then stands on no coffee is
    /// dealt out one by one from the first. They sum to the bags; none where no coffee can be had.
    #[must_use]
    pub fn deal(&self, bags: u16, open: &[bool]) -> Option<Vec<u32>> {
        let rung = self.rung(bags);
        let left: Vec<usize> = (0..rung.len())
            .filter(|at| open.get(*at).copied().unwrap_or(false))
            .collect();
        if left.is_empty() {
            return None;
        }
        let mut dealt = vec![0; rung.len()];
        for (place, at) in left.iter().enumerate() {
            dealt[*at] = rung[place];
        }
        let over: u32 = rung[left.len()..].iter().sum();
        for n in 0..over {
            let turn = usize::try_from(n).unwrap_or(0) % left.len();
            dealt[left[turn]] += 1;
        }
        Some(dealt)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_usual_ladder_of_three_coffees() {
        // Common practice, no source.
        let ladder = Ladder::usual(3);
        let rungs: Vec<Vec<u32>> = (1..=8).map(|bags| ladder.rung(bags)).collect();
        assert_eq!(
            rungs,
            [
                [1, 0, 0],
                [1, 1, 0],
                [1, 1, 1],
                [2, 2, 0],
                [2, 2, 1],
                [2, 2, 2],
                [3, 2, 2],
                [3, 3, 2]
            ]
        );
    }

    #[test]
    fn coffees_that_are_left_move_up() {
        let ladder = Ladder::usual(3);
        assert_eq!(ladder.deal(1, &[false, true, true]).unwrap(), [0, 1, 0]);
        assert_eq!(ladder.deal(3, &[true, false, true]).unwrap(), [2, 0, 1]);
        assert_eq!(ladder.deal(5, &[false, false, true]).unwrap(), [0, 0, 5]);
        assert_eq!(ladder.deal(2, &[false; 3]), None);
    }

    #[test]
    fn a_rung_must_give_its_bags() {
        let rungs = |rungs: &[&[u16]]| Ladder(rungs.iter().map(|rung| rung.to_vec()).collect());
        assert_eq!(rungs(&[&[1, 0], &[1, 1]]).fault(), None);
        assert_eq!(rungs(&[&[1, 0], &[1, 0]]).fault().unwrap().0, 1);
        assert_eq!(rungs(&[&[1, 0], &[2]]).fault().unwrap().0, 1);
        assert!(rungs(&[]).fault().is_some());
        assert!(rungs(&[&[]]).fault().is_some());
        assert!((1..=MOST_COFFEES).all(|n| Ladder::usual(n).fault().is_none()));
    }

    /// A ladder of so many coffees: each rung deals its bags out at random.
    fn ladders() -> impl Strategy<Value = Ladder> {
        (1_usize..=MOST_COFFEES, 1_usize..=MOST_RUNGS).prop_flat_map(|(coffees, rungs)| {
            let rung = move |bags: usize| {
                proptest::collection::vec(0..coffees, bags).prop_map(move |dealt| {
                    let mut rung = vec![0_u16; coffees];
                    for at in dealt {
                        rung[at] += 1;
                    }
                    rung
                })
            };
            (1..=rungs).map(rung).collect::<Vec<_>>().prop_map(Ladder)
        })
    }

    proptest! {
        /// Every ladder gives b bags to a subscriber of b bags, whatever coffees are left out.
        #[test]
        fn a_ladder_gives_all_bags(ladder in ladders(), bags in 1_u16..=1_000, open in proptest::collection::vec(proptest::bool::ANY, MOST_COFFEES)) {
            prop_assert_eq!(ladder.fault(), None);
            prop_assert_eq!(ladder.rung(bags).iter().sum::<u32>(), u32::from(bags));
            let open = &open[..ladder.coffees()];
            match ladder.deal(bags, open) {
                None => prop_assert!(open.iter().all(|open| !open)),
                Some(dealt) => {
                    prop_assert_eq!(dealt.iter().sum::<u32>(), u32::from(bags));
                    prop_assert!(dealt.iter().zip(open).all(|(bags, open)| *open || *bags == 0));
                }
            }
            let all = vec![true; ladder.coffees()];
            prop_assert_eq!(ladder.deal(bags, &all), Some(ladder.rung(bags)));
        }
    }
}
