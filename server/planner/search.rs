//! Greedy first, then ruin and recreate.

use super::greedy::{self, Open};
use super::plan::Options;
use super::problem::Problem;
use super::random::Random;
use super::state::State;

/// The best plan found, and whether the search was stopped from outside.
pub(super) fn best<'p>(problem: &'p Problem<'p>, _options: &Options) -> (State<'p>, bool) {
    let mut state = State::new(problem);
    let mut random = Random::seeded(&problem.instance.name);
    let mut open = Open::new();
    for f in greedy::order(problem) {
        greedy::build(&mut state, f, &mut open, &mut random, 0);
    }
    (state, false)
}
