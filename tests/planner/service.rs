//! Instances as the service asks for them, of several sizes, through the independent verifier: every plan keeps every rule and says the levels that
//! it has, and each batch's cover is a plan's.

use outturn::planner::{Effort, Instance, Options, covers, plan_with, report};
use proptest::prelude::*;
use serde_json::Value;

use crate::roastery::{Size, roastery};
use crate::verify;

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn plans_of_invented_roasteries_keep_every_rule(
        days in 2_i64..8, roasters in 1_i64..4, coffees in 1_i64..14, seed: u64, units in 0_u64..40_000, allowance in 0_i64..3_000,
    ) {
        let draft = roastery(Size { days, roasters, coffees }, seed);
        let instance = Instance::new(draft).expect("an invented roastery is legal");
        let written: Value = serde_json::to_value(&instance).expect("JSON");
        let options = Options { effort: Effort::Units(units), short_allowance_g: allowance, ..Options::default() };
        let found = plan_with(&instance, &options);
        let said: Value = serde_json::from_str(&report::json(&instance, &found)).expect("JSON");
        let levels = verify::plan(&written, &said);
        for (level, proof) in levels.iter().zip(&found.proofs) {
            prop_assert_eq!(*level, i128::from(proof.value));
            prop_assert!(proof.bound <= proof.value);
        }
        for cover in covers(&instance, &found) {
            prop_assert!(cover.minutes > 0 && cover.short.iter().all(|missed| missed.units > 0));
        }
    }
}
