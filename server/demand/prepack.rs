//! Bags against their label: the tolerable deficiency and the average rule of OIML R 87. Pure; which edition binds, local law decides.
//!
//! A packer answers for three things: bags hold their label weight on average, few hold less than that by more than the tolerable
//! deficiency T, and none by more than twice T. Where only some bags of a packing are weighed, the average may fall short by as much as
//! chance explains: mean error + f s >= 0 with f = t(0.995; n - 1) / sqrt(n) * sqrt((N - n) / (N - 1)), s the standard deviation of the n
//! weighed of N bags.

use serde::{Deserialize, Serialize};

use crate::book::leaf::words;
use crate::loss::student::two_sided_quantile;
use crate::mass::Mass;

/// Up to and with this label weight in grams, so much may be missing: a share in thousandths, or milligrams.
const BANDS: [(i64, Allowance); 9] = [
    (50, Allowance::Thousandths(90)),
    (100, Allowance::Fixed(4_500)),
    (200, Allowance::Thousandths(45)),
    (300, Allowance::Fixed(9_000)),
    (500, Allowance::Thousandths(30)),
    (1_000, Allowance::Fixed(15_000)),
    (10_000, Allowance::Thousandths(15)),
    (15_000, Allowance::Fixed(150_000)),
    (25_000, Allowance::Thousandths(10)),
];

/// Sampling plan of the 2016 edition: up to so many bags in a packing, so many are weighed, and so many of them may be light.
const PLAN: [(u32, u32, u32); 12] = [
    (40, 32, 1),
    (60, 35, 1),
    (80, 47, 2),
    (100, 49, 2),
    (200, 64, 3),
    (300, 67, 3),
    (400, 81, 4),
    (500, 81, 4),
    (656, 98, 5),
    (1_261, 98, 5),
    (31_094, 98, 5),
    (100_000, 98, 5),
];

/// A packing of so few bags is weighed whole.
const WHOLE: u32 = 20;
/// The certainty with which the average rule refuses.
const CERTAINTY: f64 = 0.995;

#[derive(Clone, Copy)]
enum Allowance {
    Thousandths(i64),
    Fixed(i64),
}

/// By how much a bag of this label weight may fall short; none outside 5 g to 25 kg. A share is rounded up to the next 0.1 g, above 1 kg to
/// the next gram.
#[must_use]
pub fn tolerable_deficiency(nominal: Mass) -> Option<Mass> {
    if nominal.mg() < 5_000 {
        return None;
    }
    let (_, allowance) = BANDS
        .iter()
        .find(|(to, _)| nominal.mg() <= to.saturating_mul(1_000))?;
    let mg = match allowance {
        Allowance::Fixed(mg) => *mg,
        Allowance::Thousandths(share) => {
            let step = if nominal.mg() <= 1_000_000 {
                100
            } else {
                1_000
            };
            let exact = nominal.mg() * share;
            (exact + 1_000 * step - 1) / (1_000 * step) * step
        }
    };
    Mass::from_mg(mg).ok()
}

/// How many of so many bags are weighed, and how many of those may be short by more than the tolerable deficiency.
#[must_use]
pub fn sampling(bags: u32) -> (u32, u32) {
    if bags <= WHOLE {
        return (bags, 0);
    }
    let row = PLAN.iter().find(|(to, ..)| bags <= *to);
    row.map_or((98, 5), |(_, weighed, light)| (*weighed, *light))
}

/// The factor f of the average rule for `weighed` of `bags` bags; 0 where all are weighed.
#[must_use]
pub fn correction_factor(bags: u32, weighed: u32) -> f64 {
    if weighed >= bags || weighed < 2 {
        return 0.0;
    }
    let (n, all) = (f64::from(weighed), f64::from(bags));
    two_sided_quantile(2.0 * (1.0 - CERTAINTY), 1.0 / (n - 1.0)) / n.sqrt()
        * ((all - n) / (all - 1.0)).sqrt()
}

words! {
    /// What is wrong with the weights of bags.
    WeightFault {
        /// On average they hold less than their label.
        LightOnAverage = "light_on_average",
        /// More of them than may are short by more than the tolerable deficiency.
        TooManyLight = "too_many_light",
        /// One is short by more than twice the tolerable deficiency: it may not be sold.
        FarTooLight = "far_too_light",
    }
}

/// Weighed bags of a packing against their label.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct BagCheck {
    /// The label weight.
    pub nominal_g: Mass,
    /// By how much a bag may fall short; none where the rules do not reach (below 5 g, above 25 kg).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(required = false)]
    pub tolerable_g: Option<Mass>,
    /// Bags in the packing.
    pub bags: u32,
    /// Bags weighed.
    pub weighed: u32,
    /// Bags that the sampling plan asks to be weighed.
    pub to_weigh: u32,
    /// What they hold on average.
    pub mean_g: Mass,
    /// Their standard deviation.
    pub sd_g: Mass,
    /// How many are short by more than the tolerable deficiency.
    pub light: u32,
    /// How many of those may be.
    pub light_allowed: u32,
    /// How many are short by more than twice as much.
    pub far_too_light: u32,
    /// What is wrong; nothing where the bags may be sold.
    pub faults: Vec<WeightFault>,
}

impl BagCheck {
    /// Judges weighed bags by their net masses; none where no bag was weighed.
    #[must_use]
    pub fn of(nominal: Mass, bags: u32, nets: &[Mass]) -> Option<Self> {
        let weighed = u32::try_from(nets.len()).ok().filter(|n| *n > 0)?;
        let (to_weigh, allowed) = sampling(bags);
        let mean = mean(nets)?;
        let sd = deviation(nets);
        let tolerable = tolerable_deficiency(nominal);
        let light_by = |factor: i64| {
            let limit = tolerable.map(|t| nominal.mg() - factor * t.mg());
            let light = nets
                .iter()
                .filter(|net| limit.is_some_and(|limit| net.mg() < limit));
            u32::try_from(light.count()).unwrap_or(u32::MAX)
        };
        // A sample larger or smaller than the plan's is held to the plan's share, rounded down.
        let light_allowed = if weighed == to_weigh {
            allowed
        } else {
            weighed * allowed / to_weigh.max(1)
        };
        let mut check = Self {
            nominal_g: nominal,
            tolerable_g: tolerable,
            bags,
            weighed,
            to_weigh,
            mean_g: mean,
            sd_g: nearest(sd)?,
            light: light_by(1),
            light_allowed,
            far_too_light: light_by(2),
            faults: Vec::new(),
        };
        check.judge(nets, sd);
        Some(check)
    }

    /// What is wrong with the bags, in words; nothing where nothing is.
    #[must_use]
    pub fn sentence(&self) -> String {
        let said = self.faults.iter().map(|fault| match fault {
            WeightFault::LightOnAverage => format!(
                "the bags hold {} on average, less than the {} on their label",
                self.mean_g, self.nominal_g
            ),
            WeightFault::TooManyLight => format!(
                "{} of {} weighed bags are short by more than may be, {} may",
                self.light, self.weighed, self.light_allowed
            ),
            WeightFault::FarTooLight => format!(
                "{} weighed bags are short by more than twice what may be: fill them up or take them out",
                self.far_too_light
            ),
        });
        said.collect::<Vec<_>>().join("; ")
    }

    fn judge(&mut self, nets: &[Mass], sd: f64) {
        let errors: i128 = nets
            .iter()
            .map(|net| i128::from(net.mg() - self.nominal_g.mg()))
            .sum();
        #[expect(
            clippy::cast_precision_loss,
            reason = "a sum of errors in mg is far below 2^53"
        )]
        let mean_error = errors as f64 / f64::from(self.weighed);
        if mean_error + correction_factor(self.bags, self.weighed) * sd < 0.0 {
            self.faults.push(WeightFault::LightOnAverage);
        }
        if self.light > self.light_allowed {
            self.faults.push(WeightFault::TooManyLight);
        }
        if self.far_too_light > 0 {
            self.faults.push(WeightFault::FarTooLight);
        }
    }
}

/// The mean to the nearest milligram.
fn mean(nets: &[Mass]) -> Option<Mass> {
    let n = i64::try_from(nets.len()).ok().filter(|n| *n > 0)?;
    let sum = Mass::sum(nets.iter().copied()).ok()?;
    Mass::from_mg((sum.mg() + n / 2) / n).ok()
}

/// The standard deviation of the sample (n - 1), in milligrams.
#[expect(
    clippy::cast_precision_loss,
    reason = "masses of bags in mg are far below 2^53"
)]
fn deviation(nets: &[Mass]) -> f64 {
    if nets.len() < 2 {
        return 0.0;
    }
    let n = nets.len() as f64;
    let mean = nets.iter().map(|net| net.mg() as f64).sum::<f64>() / n;
    let squares: f64 = nets
        .iter()
        .map(|net| (net.mg() as f64 - mean).powi(2))
        .sum();
    (squares / (n - 1.0)).sqrt()
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "a deviation of bags in mg is far below 2^53"
)]
fn nearest(mg: f64) -> Option<Mass> {
    Mass::from_mg(mg.round() as i64).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Tolerable deficiencies: OIML R 87, table; the same bands in gov.uk "Packaged goods" and the Saint Lucia Metrology Act, schedule 5.
    const BANDS_PRINTED: &str =
        include_str!("../../tests/demand/data/prepack-tolerable-deficiency.csv");
    /// T, T1 and T2 for 32 label weights, worked out from that table and the rounding rule.
    const EXAMPLES: &str = include_str!("../../tests/demand/data/prepack-examples.csv");
    /// Sampling plan of OIML R 87:2016, table 6, as a public inspection script has it.
    const PLAN_2016: &str = include_str!("../../tests/demand/data/prepack-sampling-r87-2016.csv");
    /// Sampling plan of OIML R 87:2004, as in the Indian Packaged Commodities Rules (2017), fifth schedule.
    const PLAN_2004: &str = include_str!("../../tests/demand/data/prepack-sampling-r87-2004.csv");

    fn rows(text: &'static str) -> Vec<csv::StringRecord> {
        let rows: Vec<_> = csv::Reader::from_reader(text.as_bytes())
            .records()
            .map(Result::unwrap)
            .collect();
        assert!(!rows.is_empty());
        rows
    }

    fn grams(text: &str) -> Mass {
        serde_json::from_str(text).unwrap()
    }

    #[test]
    fn deficiencies_are_those_of_the_table() {
        for row in rows(EXAMPLES) {
            let nominal = grams(&row[0]);
            let t = tolerable_deficiency(nominal).unwrap();
            assert_eq!(t, grams(&row[1]), "{nominal}");
            assert_eq!(nominal.minus(t).unwrap(), grams(&row[2]), "T1 of {nominal}");
            let t2 = nominal.minus(t.times(2).unwrap()).unwrap();
            assert_eq!(t2, grams(&row[3]), "T2 of {nominal}");
        }
    }

    #[test]
    fn bands_meet_at_their_ends_and_end_where_the_rules_do() {
        for row in rows(BANDS_PRINTED) {
            let to = row[1].parse().unwrap_or(25_000);
            let t = tolerable_deficiency(Mass::from_grams(to).unwrap()).unwrap();
            let printed = match (&row[2], &row[3]) {
                ("", fixed) => grams(fixed).grams(),
                (percent, _) => {
                    percent.parse::<f64>().unwrap() / 100.0 * Mass::from_grams(to).unwrap().grams()
                }
            };
            assert!((t.grams() - printed).abs() < 1e-9, "{to} g: {t}");
        }
        assert_eq!(tolerable_deficiency(grams("4.999")), None);
        assert_eq!(tolerable_deficiency(grams("25000.001")), None);
    }

    #[test]
    fn the_factor_is_the_printed_one() {
        let mut checked = 0;
        for row in rows(PLAN_2016).iter().filter(|row| &row[1] != "all") {
            let (to, n, printed): (u32, u32, f64) = (
                row[0].parse().unwrap(),
                row[1].parse().unwrap(),
                row[3].parse().unwrap(),
            );
            assert_eq!(sampling(to), (n, row[2].parse().unwrap()));
            assert!(
                (correction_factor(to, n) - printed).abs() <= 0.005 + 1e-9,
                "{n} of {to}: {}",
                correction_factor(to, n)
            );
            checked += 1;
        }
        assert_eq!(checked, PLAN.len());
        // The edition of 2004 takes the packing to be large beside the sample.
        for row in rows(PLAN_2004) {
            let (n, printed): (u32, f64) = (row[2].parse().unwrap(), row[3].parse().unwrap());
            assert!(
                (correction_factor(u32::MAX, n) - printed).abs() <= 0.000_5 + 1e-9,
                "{n}"
            );
        }
    }

    /// 250 g bags: T 9 g, so below 241 g is light and below 232 g far too light (the row of 250 g in the examples).
    #[test]
    fn a_worked_example() {
        let bags = |nets: &[&str]| {
            let nets: Vec<Mass> = nets.iter().map(|net| grams(net)).collect();
            BagCheck::of(grams("250"), u32::try_from(nets.len()).unwrap(), &nets).unwrap()
        };
        let good = bags(&["251", "252", "249", "250", "253"]);
        assert_eq!(
            (good.mean_g, good.light, &good.faults),
            (grams("251"), 0, &Vec::new())
        );
        // sd of 1, 2, -1, 0, 3 about 1: sqrt((0 + 1 + 4 + 1 + 4) / 4) = 1.581 g.
        assert_eq!(good.sd_g, grams("1.581"));
        let light = bags(&["241", "240.9", "262", "262", "262"]);
        assert_eq!(
            (light.light, light.faults),
            (1, vec![WeightFault::TooManyLight])
        );
        let far = bags(&["231.9", "262", "262", "262", "262"]);
        assert_eq!(
            far.faults,
            [WeightFault::TooManyLight, WeightFault::FarTooLight]
        );
        let mean = bags(&["249", "250", "250.999", "250", "250"]);
        assert_eq!(mean.faults, [WeightFault::LightOnAverage]);
    }

    /// A sample of 32 of 40 bags may be 0.22 standard deviations short on average, and one of them light.
    #[test]
    fn a_sample_may_be_short_by_chance() {
        let sample = |short: i64| -> Vec<Mass> {
            let error = |i: i64| if i % 2 == 0 { 4_000 } else { -4_000 };
            (0..32)
                .map(|i| Mass::from_mg(250_000 + error(i) - short).unwrap())
                .collect()
        };
        // s = 4 g * sqrt(32 / 31) = 4.064 g; 0.2197 s = 893 mg.
        let fault = |short| {
            BagCheck::of(grams("250"), 40, &sample(short))
                .unwrap()
                .faults
        };
        assert_eq!(fault(880), []);
        assert_eq!(fault(905), [WeightFault::LightOnAverage]);
    }
}
