//! What planned batches will give: one law per (lot, style, roaster), sums of batches, green for a demand, and the words for why.
//!
//! A planned batch has ln(out/in) ~ N(eta, V + s^2): V, what is not known of the effects, is common to all batches of the plan; s is the
//! batch-to-batch sd. There is no weighing variance: these are true masses. For charges `g_j` with sum G
//!
//! ```text
//!     ln(total) ~ N(eta + ln G, V + s^2 sum g_j^2/G^2)
//!     green for demand D at service p in K equal batches   G = D / exp(eta - z_p sqrt(V + s^2/K))
//! ```

use serde::{Deserialize, Serialize};

use super::learner::{Learner, Question};
use super::student;
use super::uncertainty;

/// Expected output of planned batches of one lot, style and roaster.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Outlook {
    /// eta: expected ln(out/in).
    pub log_yield: f64,
    /// V: variance that the batches have in common.
    pub shared_variance: f64,
    /// s: batch-to-batch sd.
    pub noise_sd: f64,
}

/// A log-normal law of a mass, grams.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MassLaw {
    /// Mean of ln(mass in grams).
    pub log_mean: f64,
    /// Sd of it.
    pub log_sd: f64,
}

impl MassLaw {
    /// Mean mass, grams.
    #[must_use]
    pub fn mean_g(&self) -> f64 {
        libm::exp(self.log_mean + 0.5 * self.log_sd * self.log_sd)
    }

    /// Sd, grams.
    #[must_use]
    pub fn sd_g(&self) -> f64 {
        self.mean_g() * libm::expm1(self.log_sd * self.log_sd).sqrt()
    }

    /// Mass that is not reached with probability p, grams.
    #[must_use]
    pub fn quantile_g(&self, p: f64) -> f64 {
        libm::exp(self.log_mean + student::normal_quantile(p) * self.log_sd)
    }

    /// Probability of at least this mass.
    #[must_use]
    pub fn probability_of(&self, mass_g: f64) -> f64 {
        if mass_g <= 0.0 {
            return 1.0;
        }
        student::normal_tail((libm::log(mass_g) - self.log_mean) / self.log_sd.max(1e-12))
    }

    /// Whole bags at the low end, in the middle and at the high end of the central range of probability p.
    #[must_use]
    pub fn bags(&self, bag_g: f64, p: f64) -> [f64; 3] {
        [0.5 - 0.5 * p, 0.5, 0.5 + 0.5 * p].map(|at| (self.quantile_g(at) / bag_g).floor())
    }
}

impl Outlook {
    /// Mean of out/in.
    #[must_use]
    pub fn mean_yield(&self) -> f64 {
        libm::exp(self.log_yield + 0.5 * (self.shared_variance + self.noise_sd * self.noise_sd))
    }

    /// Yield of K equal batches together that is reached with probability `service`, floored to four decimals.
    #[must_use]
    pub fn safe_yield(&self, service: f64, batches: u32) -> f64 {
        (self.service_yield(service, batches) * 1e4).floor() / 1e4
    }

    fn service_yield(&self, service: f64, batches: u32) -> f64 {
        let variance =
            self.shared_variance + self.noise_sd * self.noise_sd / f64::from(batches.max(1));
        libm::exp(self.log_yield - student::normal_quantile(service) * variance.sqrt())
    }

    /// Green that gives a demand with probability `service` in K equal batches, grams.
    #[must_use]
    pub fn green_for(&self, demand_g: f64, service: f64, batches: u32) -> f64 {
        demand_g / self.service_yield(service, batches)
    }

    /// The same where so many grams of what each batch gives are kept back, for batches of about this charge.
    #[must_use]
    pub fn less(&self, kept_g: f64, charge_g: f64) -> Self {
        // A batch of which nothing would be left still gives a trace, so that every law stays one.
        let left = (1.0 - kept_g / (self.mean_yield() * charge_g)).max(1e-4);
        Self {
            log_yield: self.log_yield + libm::log(left),
            ..*self
        }
    }

    /// Law of the total output of charges, grams.
    #[must_use]
    pub fn output(&self, charges_g: &[f64]) -> MassLaw {
        let green: f64 = charges_g.iter().sum();
        let shares: f64 = charges_g.iter().map(|g| (g / green) * (g / green)).sum();
        MassLaw {
            log_mean: self.log_yield + libm::log(green),
            log_sd: (self.shared_variance + self.noise_sd * self.noise_sd * shares).sqrt(),
        }
    }
}

/// Law of the sum of several outputs, given the covariances of their shared parts (`Learner::covariances`): the log-normal with the
/// sum's exact mean and variance (Fenton 1960).
#[must_use]
pub fn total(parts: &[(Outlook, Vec<f64>)], covariances: &[Vec<f64>]) -> MassLaw {
    let laws: Vec<MassLaw> = parts
        .iter()
        .map(|(outlook, charges)| outlook.output(charges))
        .collect();
    let means: Vec<f64> = laws.iter().map(MassLaw::mean_g).collect();
    let mean: f64 = means.iter().sum();
    let shares: Vec<f64> = means.iter().map(|m| m / mean).collect();
    let relative: Vec<Vec<f64>> = (0..laws.len())
        .map(|i| {
            (0..laws.len())
                .map(|j| {
                    libm::expm1(if i == j {
                        laws[i].log_sd * laws[i].log_sd
                    } else {
                        covariances[i][j]
                    })
                })
                .collect()
        })
        .collect();
    let variance = libm::log1p(uncertainty::propagate(&shares, &relative));
    MassLaw {
        log_mean: libm::log(mean) - 0.5 * variance,
        log_sd: variance.sqrt(),
    }
}

/// How two lots differ in loss, fractions: first less second.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Contrast {
    /// Difference of the expected losses.
    pub loss: f64,
    /// Its sd.
    pub sd: f64,
}

/// Why a loss is expected: each effect as a change of the loss, fractions, in the order in which they are told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reasons {
    /// Expected loss.
    pub loss: f64,
    /// Its sd.
    pub sd: f64,
    /// Loss of the style on an average lot of average moisture.
    pub style: f64,
    /// Change by this lot's moisture.
    pub moisture: f64,
    /// Moisture used, mass fraction; it was measured if `measured`.
    pub moisture_used: f64,
    /// Whether the moisture was measured.
    pub measured: bool,
    /// Change by the delivery.
    pub delivery: f64,
    /// Change by the lot itself.
    pub lot: f64,
    /// Change by the roaster with its scales.
    pub roaster: f64,
    /// Change by ageing.
    pub ageing: f64,
    /// Batches of the lot learned.
    pub lot_batches: u32,
    /// Batches of the style learned.
    pub style_batches: u32,
}

impl Reasons {
    /// One sentence.
    #[must_use]
    pub fn sentence(&self) -> String {
        let percent = |fraction: f64| format!("{:.1} %", 100.0 * fraction);
        let change = |fraction: f64| {
            let text = format!("{:+.1}", 100.0 * fraction);
            if text == "-0.0" {
                "+0.0".to_owned()
            } else {
                text
            }
        };
        let moisture = if self.measured { "measured" } else { "assumed" };
        let own = match self.lot_batches {
            0 => "no batch of its own yet".to_owned(),
            1 => format!("its own batch {}", change(self.lot)),
            n => format!("its own {n} batches {}", change(self.lot)),
        };
        format!(
            "{} expected (sd {:.1}): style {} from {} batches, {moisture} moisture of {} {}, delivery {}, {own}, roaster {}, ageing {} points.",
            percent(self.loss),
            100.0 * self.sd,
            percent(self.style),
            self.style_batches,
            percent(self.moisture_used),
            change(self.moisture),
            change(self.delivery),
            change(self.roaster),
            change(self.ageing),
        )
    }
}

impl Learner {
    /// Output to expect of planned batches; the lot walks on to the question's time.
    #[must_use]
    pub fn outlook(&self, question: &Question) -> Outlook {
        let (row, look, _) = self.look_ahead(question);
        Outlook {
            log_yield: look.mean,
            shared_variance: look.state,
            noise_sd: self.spreads().of_style(row.style),
        }
    }

    /// Covariances of the shared parts of several planned batches (V on the diagonal).
    #[must_use]
    pub fn covariances(&self, questions: &[Question]) -> Vec<Vec<f64>> {
        let (rows, mut filter) = self.open_all(questions);
        rows.iter()
            .map(|a| rows.iter().map(|b| filter.covariance(a, b)).collect())
            .collect()
    }

    /// How two planned batches differ, for example a screen lot and its peaberry sibling.
    #[must_use]
    pub fn contrast(&self, first: &Question, second: &Question) -> Contrast {
        let both = [first.clone(), second.clone()];
        let v = self.covariances(&both);
        let [a, b] = [first, second].map(|question| self.outlook(question));
        let yields = [a.mean_yield(), b.mean_yield()];
        let variance = yields[0] * yields[0] * v[0][0] + yields[1] * yields[1] * v[1][1]
            - 2.0 * yields[0] * yields[1] * v[0][1];
        Contrast {
            loss: yields[1] - yields[0],
            sd: variance.max(0.0).sqrt(),
        }
    }

    /// Why a batch is expected to lose what it is expected to lose.
    #[must_use]
    pub fn reasons(&self, question: &Question) -> Reasons {
        let prediction = self.predict(question);
        let (row, _, filter) = self.look_ahead(question);
        let effects = filter.effects_of(&row);
        let average = libm::log1p(-self.settings().moisture);
        let [style_yield, level] = [
            libm::exp(average + effects.style),
            libm::exp(prediction.log_yield),
        ];
        let change = |effect: f64| -level * effect;
        let (lot_batches, style_batches, measured) = self.seen(&row);
        Reasons {
            loss: prediction.mean_loss,
            sd: prediction.sd_loss,
            style: 1.0 - style_yield,
            moisture: change(row.offset.mean - average),
            moisture_used: -libm::expm1(row.offset.mean),
            measured,
            delivery: change(effects.delivery),
            lot: change(effects.lot),
            roaster: change(effects.roaster),
            ageing: change(effects.ageing),
            lot_batches,
            style_batches,
        }
    }
}
