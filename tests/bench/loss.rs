//! Speed of the loss learner. Targets: an update with its prediction under 2 us at 60 live effects; a refit of 4,000 batches under 50 ms;
//! a replay of 40,000 batches with 300 lots and all refits under 5 s.

use std::sync::Arc;

use divan::{Bencher, black_box};
use outturn::loss::{
    Batch, Fact, Happening, History, Learner, Lot, Question, Review, Settings, Style, Weights, csv,
};

fn main() {
    divan::main();
}

/// Seeded made batches: three styles, two roasters, lots in deliveries of two, `alive` lots at a time.
struct Made {
    state: u64,
    lots: u32,
    alive: u32,
    total: u32,
}

impl Made {
    fn draw(&mut self, below: u32) -> u32 {
        self.state ^= self.state << 13;
        self.state ^= self.state >> 7;
        self.state ^= self.state << 17;
        u32::try_from(self.state >> 33).expect("31 bits") % below
    }

    /// Roughly normal, sd 1.
    fn noise(&mut self) -> f64 {
        (0..12)
            .map(|_| f64::from(self.draw(1 << 20)) / f64::from(1 << 20))
            .sum::<f64>()
            - 6.0
    }

    fn lot(number: u32) -> Lot {
        Lot {
            id: format!("lot {number}"),
            delivery: format!("delivery {}", number / 2),
            grade: String::new(),
            received_day: -10,
        }
    }

    fn batch(&mut self, i: u32) -> Batch {
        let first = u32::try_from(
            u64::from(i) * u64::from(self.lots - self.alive + 1) / u64::from(self.total),
        )
        .expect("small");
        let number = first + self.draw(self.alive);
        let (style, roaster) = (self.draw(3), self.draw(2));
        let effect = 0.004 * f64::from(number.wrapping_mul(2_654_435_761) % 1000) / 300.0;
        let log_yield =
            (1.0 - 0.135 - 0.016 * f64::from(style)).ln() + effect + 0.004 * self.noise();
        Batch {
            id: format!("{i:08}"),
            minute: i64::from(i) * 50,
            millisecond: 0,
            lot: Self::lot(number).into(),
            style: Arc::new(Style {
                id: format!("style {style}"),
                nominal_loss: 0.135 + 0.016 * f64::from(style),
            }),
            roaster: format!("roaster {roaster}").into(),
            weights: Weights {
                charges_g: vec![12_000.0],
                roasted_g: 12_000.0 * log_yield.exp(),
                division_in_g: 20.0,
                division_out_g: 10.0,
            },
            teaches: true,
            review: Review::None,
        }
    }
}

/// A history in which lots leave once they are no longer roasted.
fn history(total: u32, lots: u32, alive: u32) -> History {
    let mut made = Made {
        state: 0x2545_f491_4f6c_dd1d,
        lots,
        alive,
        total,
    };
    let batches: Vec<Batch> = (0..total).map(|i| made.batch(i)).collect();
    let last: std::collections::HashMap<String, i64> = batches
        .iter()
        .map(|b| (b.lot.id.clone(), b.minute))
        .collect();
    let leaves = last
        .into_iter()
        .filter(|(_, minute)| *minute < i64::from(total) * 45)
        .map(|(lot, minute)| Fact::Event {
            id: lot.clone(),
            minute,
            millisecond: 0,
            what: Happening::LotLeft {
                lot,
                with_delivery: false,
            },
        });
    leaves.chain(batches.into_iter().map(Fact::Batch)).collect()
}

fn learner(history: &History) -> Learner {
    let mut learner = Learner::new(Settings::default());
    learner.replay(history.clone());
    learner
}

/// One update and one prediction at about 60 live effects (36 lots of 18 deliveries, 3 styles, 2 roasters, ageing), 100 at a time.
#[divan::bench(sample_count = 50)]
fn update_and_predict_100_times(bencher: Bencher<'_, '_>) {
    let base = learner(&history(3_600, 36, 36));
    println!("{} effects", base.effects());
    let mut made = Made {
        state: 7,
        lots: 36,
        alive: 36,
        total: 3_600,
    };
    let facts: Vec<(Fact, Question)> = (3_600..3_700)
        .map(|i| {
            let batch = made.batch(i);
            let question = Question {
                lot: Lot::clone(&batch.lot),
                style: Style::clone(&batch.style),
                roaster: batch.roaster.to_string(),
                minute: batch.minute,
                charges_g: batch.weights.charges_g.clone(),
                division_in_g: 20.0,
                division_out_g: 10.0,
            };
            (Fact::Batch(batch), question)
        })
        .collect();
    bencher
        .with_inputs(|| (base.clone(), facts.clone()))
        .bench_local_values(|(mut learner, facts)| {
            for (fact, question) in facts {
                black_box(learner.predict(&question));
                learner.append(fact);
            }
            learner
        });
}

/// The batch at which the fold refits its spreads on the last 4,000 batches, from the last estimates, and rebuilds its state.
#[divan::bench(sample_count = 20)]
fn refit_4000(bencher: Bencher<'_, '_>) {
    let mut facts: Vec<Fact> = history(5_166, 100, 12)
        .facts()
        .iter()
        .map(|fact| (**fact).clone())
        .collect();
    let Some(Fact::Batch(last)) = facts
        .iter()
        .rposition(|f| matches!(f, Fact::Batch(_)))
        .map(|i| facts.remove(i))
    else {
        unreachable!("the history has batches")
    };
    let base = learner(&facts.into_iter().collect());
    bencher
        .with_inputs(|| (base.clone(), last.clone()))
        .bench_local_values(|(mut learner, last)| {
            learner.append(Fact::Batch(last));
            learner
        });
}

/// The spreads of 4,000 batches estimated from the starting values, to nine digits of the likelihood.
#[divan::bench(sample_count = 10)]
fn estimate_4000_from_nothing(bencher: Bencher<'_, '_>) {
    let learner = learner(&history(4_000, 80, 12));
    let settings = Settings::default();
    bencher.bench_local(|| learner.estimate(black_box(&settings)));
}

/// 40,000 batches of 300 lots from nothing, with every refit, notice and checkpoint.
#[divan::bench(sample_count = 3)]
fn replay_40000(bencher: Bencher<'_, '_>) {
    let history = history(40_000, 300, 12);
    bencher
        .with_inputs(|| history.clone())
        .bench_local_values(|history| {
            let mut learner = Learner::new(Settings::default());
            learner.replay(history);
            learner
        });
}

/// A review of a batch 300 batches ago.
#[divan::bench(sample_count = 10)]
fn review_300_batches_back(bencher: Bencher<'_, '_>) {
    let history = history(40_000, 300, 12);
    let base = learner(&history);
    let facts = history.facts();
    let fact = facts.iter().rev().skip(300).find_map(|fact| match &**fact {
        Fact::Batch(batch) => Some(Fact::Batch(Batch {
            review: Review::SetAside,
            ..batch.clone()
        })),
        Fact::Event { .. } => None,
    });
    let fact = fact.expect("a batch");
    bencher
        .with_inputs(|| base.clone())
        .bench_local_values(|learner| learner.preview(fact.clone()));
}

/// REML of the 800 batches that tests/reference/loss/mixedlm.py gives to statsmodels.
#[divan::bench(sample_count = 10)]
fn reml_of_mixedlm(bencher: Bencher<'_, '_>) {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/loss/data/mixedlm.csv");
    let batches = csv::read_batches(&std::fs::read_to_string(path).expect("file")).expect("sound");
    let learner = csv::replay(&batches, Settings::default()).expect("in order");
    let settings = Settings {
        spread_log_sd: [1e-9, 30.0, 1e-9, 1e-9, 30.0],
        ..Settings::default()
    };
    bencher.bench_local(|| learner.estimate(black_box(&settings)));
}
