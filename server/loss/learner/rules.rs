//! What is done with a weighed batch: learned or held, followed when three held ones agree, shown to the CUSUMs, noticed.

use super::{Judged, Learner, Released, at, entry};
use crate::loss::drift::{self, AGREEING, Notice, Pending, Side, Standing, Watch};
use crate::loss::explain::{self, Odd, Previous};
use crate::loss::filter::Look;
use crate::loss::history::{self, Batch, Channel, Fact, Review, Weights};
use crate::loss::range::{Outcome, Prediction};
use crate::loss::tails;

/// A batch that a person confirmed counts in the CUSUM at most so many sds: one batch is no lasting shift.
const MOST_SDS: f64 = 4.0;
/// A lot that has taught no more than so many batches is young: what flags its batches is a prior, or one batch that may itself be wrong.
const FEW_BATCHES: u32 = 1;
/// Held batches of a young lot that must agree.
const NEW_AGREEING: usize = 2;
/// Held batches agree when they lie within so many noise sds of each other.
const AGREE_WITHIN: f64 = 4.5;

impl Learner {
    pub(super) fn fold_batch(&mut self, batch: &Batch) {
        let row = self.row_of_batch(batch);
        let place = self.rows.len();
        let new_lot = self
            .state
            .filter
            .open(&row, &self.state.fit.spreads, &self.settings);
        let known = entry(&mut self.state.lots, row.lot);
        if new_lot {
            known.watch = Watch::default();
            known.delivery = Some(row.delivery);
            known.received = Some(batch.true_lot().received_day.saturating_mul(history::DAY));
            self.state.lots_seen += 1;
        }
        let look = self.state.filter.look(&row);
        let (charges, roasted) = batch.true_weights();
        let divisions = [batch.weights.division_in_g, batch.weights.division_out_g];
        let green: f64 = charges.iter().sum();
        let prediction = self.prediction(&row, &look, charges.len(), green, divisions);
        let verdict = prediction.judge(green, roasted);
        let sd = (prediction.variance + row.weighing).sqrt();
        self.digest(look.mean.to_bits());
        self.digest(sd.to_bits());
        self.judged.push_back_mut(Judged {
            fact: self.folded,
            verdict,
            log_yield: look.mean,
            sd,
            learned: false,
            lot_notice: false,
            roaster_notice: false,
            explanations: Vec::new(),
            dilution: tails::dilution(self.state.fit.tail, (row.log_yield - look.mean) / sd),
        });
        self.rows.push_back_mut(row);
        self.explain_or_note(place, &batch.weights, green, roasted);
        if self.rows[place].counts {
            // What was put right is judged as if it had been right from the start.
            if verdict.outcome == Outcome::Ok || batch.review == Review::Sound {
                self.take_in(place, &look, &prediction);
            } else {
                self.hold(place);
            }
        }
        self.folded += 1;
        self.after_batch();
    }

    /// Explains a flagged batch from the roaster's habits, or adds a sound one to them.
    fn explain_or_note(&mut self, place: usize, weights: &Weights, green_g: f64, roasted_g: f64) {
        let judged = at(&mut self.judged, place);
        let habits = &mut entry(&mut self.state.roasters, self.rows[place].roaster).habits;
        let sd = judged.verdict.sd / (1.0 - judged.verdict.mean);
        if judged.verdict.outcome == Outcome::Ok {
            habits.note(green_g);
        } else {
            let odd = Odd {
                green_g,
                roasted_g,
                division_in_g: weights.division_in_g,
                division_out_g: weights.division_out_g,
                log_yield: judged.log_yield,
                sd,
            };
            judged.explanations = explain::rank(&odd, habits);
        }
        habits.previous = Some(Previous {
            green_g,
            roasted_g,
            log_yield: judged.log_yield,
            sd,
            more: judged.verdict.outcome == Outcome::More,
        });
    }

    /// Learns a batch, and shows it to the CUSUMs.
    pub(super) fn take_in(&mut self, place: usize, look: &Look, prediction: &Prediction) {
        let (row, judged) = (&self.rows[place], &self.judged[place]);
        let innovation = row.log_yield - look.mean;
        let noise = self.noise(place) * judged.dilution;
        let z = innovation / (judged.sd * prediction.scale);
        self.state.filter.learn(row, look, innovation, noise);
        at(&mut self.judged, place).learned = true;
        let row = &self.rows[place];
        let (lot, roaster, style) = (row.lot, row.roaster, row.style);
        *entry(&mut self.state.style_batches, style) += 1;
        let known = entry(&mut self.state.lots, lot);
        known.batches += 1;
        known.watch.pending = Pending::default();
        entry(&mut self.state.roasters, roaster).watch.pending = Pending::default();
        let z = drift::to_normal(z, prediction.df).clamp(-MOST_SDS, MOST_SDS);
        self.watch(place, z);
    }

    pub(super) fn noise(&self, place: usize) -> f64 {
        let row = &self.rows[place];
        let sd = self.state.fit.spreads.of_style(row.style);
        sd * sd * row.shares + row.weighing
    }

    /// A held batch: three in a row that agree are followed, two if the lot is young.
    pub(super) fn hold(&mut self, place: usize) {
        let more = self.judged[place].verdict.outcome == Outcome::More;
        let (lot, roaster) = (self.rows[place].lot, self.rows[place].roaster);
        let known = entry(&mut self.state.lots, lot);
        let enough = if known.batches <= FEW_BATCHES {
            NEW_AGREEING
        } else {
            AGREEING
        };
        let by_lot = known
            .watch
            .pending
            .hold(more, place, enough)
            .map(<[usize]>::to_vec);
        let watch = &mut entry(&mut self.state.roasters, roaster).watch;
        let by_roaster = watch
            .pending
            .hold(more, place, AGREEING)
            .map(<[usize]>::to_vec);
        for (is_lot, places) in [(true, by_lot), (false, by_roaster)] {
            let Some(places) = places else { continue };
            let one_lot = places.iter().all(|&p| self.rows[p].lot == lot);
            if let (true, Some(size)) = (is_lot || !one_lot, self.agreed_size(&places)) {
                self.follow(place, is_lot, &places, size);
                return;
            }
        }
    }

    /// Largest residual of held batches, if they lie close together.
    fn agreed_size(&self, places: &[usize]) -> Option<f64> {
        let residual = |&p: &usize| self.rows[p].log_yield - self.judged[p].log_yield;
        let low = places.iter().map(residual).fold(f64::INFINITY, f64::min);
        let high = places
            .iter()
            .map(residual)
            .fold(f64::NEG_INFINITY, f64::max);
        let noise = self.noise(*places.last()?);
        let size = if low.abs() > high.abs() { low } else { high };
        (high - low <= AGREE_WITHIN * noise.sqrt()).then_some(size)
    }

    /// Releases held batches that agree, with the effect of their channel opened before the first of them.
    fn follow(&mut self, place: usize, is_lot: bool, places: &[usize], size: f64) {
        let (lot, roaster) = (self.rows[place].lot, self.rows[place].roaster);
        self.open_at(places[0], is_lot, size * size);
        for &p in places {
            let judged = at(&mut self.judged, p);
            self.released.push(Released {
                fact: self.folded,
                row: p,
                dilution: judged.dilution,
            });
            (judged.learned, judged.dilution) = (true, 1.0);
        }
        let lot_watch = &mut self.state.lots[lot].watch;
        let roaster_watch = &mut self.state.roasters[roaster].watch;
        lot_watch.pending = Pending::default();
        roaster_watch.pending = Pending::default();
        *(if is_lot { lot_watch } else { roaster_watch }) = Watch::default();
        self.raise(place, is_lot, places[0], size, Standing::Followed);
        self.rebuild(places[0]);
    }

    /// Shows a sound batch to the CUSUMs of its lot and its roaster.
    pub(super) fn watch(&mut self, place: usize, z: f64) {
        let (lot, roaster) = (self.rows[place].lot, self.rows[place].roaster);
        let sd = self.noise(place).sqrt();
        let mut reopened = None;
        for (is_lot, side) in [(true, 0), (true, 1), (false, 0), (false, 1)] {
            let settings = &self.settings;
            let (allowance, notice_at, open_at) =
                (settings.allowance, settings.notice_at, settings.open_at);
            let watch = if is_lot {
                &mut self.state.lots[lot].watch
            } else {
                &mut self.state.roasters[roaster].watch
            };
            let sides = &mut watch.sides[side];
            let step = sides.step(
                if side == 0 { z } else { -z },
                place,
                allowance,
                notice_at,
                open_at,
            );
            let (since, size) = (
                sides.since,
                sides.size(allowance) * sd * if side == 0 { 1.0 } else { -1.0 },
            );
            if step.open {
                *sides = Side::default();
            }
            if step.subsided {
                self.subside(is_lot, place);
            }
            if step.notice {
                self.raise(place, is_lot, since, size, Standing::Open);
            }
            if step.open {
                self.open_at(since, is_lot, size * size);
                self.follow_notice(is_lot, place);
                reopened = Some(reopened.map_or(since, |earlier: usize| earlier.min(since)));
            }
        }
        if let Some(since) = reopened {
            self.rebuild(since);
        }
    }

    pub(super) fn batch_at(&self, place: usize) -> &Batch {
        let Fact::Batch(batch) = &*self.history.facts()[self.judged[place].fact] else {
            unreachable!("a judged place is a batch")
        };
        batch
    }

    pub(super) fn channel_of(&self, place: usize, is_lot: bool) -> Channel {
        let batch = self.batch_at(place);
        if is_lot {
            Channel::Lot(batch.true_lot().id.clone())
        } else {
            Channel::Roaster(batch.roaster.to_string())
        }
    }

    pub(super) fn raise(
        &mut self,
        place: usize,
        is_lot: bool,
        since: usize,
        size: f64,
        standing: Standing,
    ) {
        let channel = self.channel_of(place, is_lot);
        let judged = at(&mut self.judged, place);
        if is_lot {
            judged.lot_notice = true;
        } else {
            judged.roaster_notice = true;
        }
        let level = judged.log_yield;
        let notice = Notice {
            channel,
            more_loss: size < 0.0,
            since: self.batch_at(since).id.clone(),
            raised: self.batch_at(place).id.clone(),
            size,
            loss_change: -libm::exp(level) * libm::expm1(size),
            standing,
            since_place: since,
            raised_place: place,
        };
        self.state.notices.push(notice);
    }

    pub(super) fn standing_notice(&mut self, place: usize, is_lot: bool) -> Option<&mut Notice> {
        let channel = self.channel_of(place, is_lot);
        self.state
            .notices
            .iter_mut()
            .rev()
            .find(|notice| notice.channel == channel && notice.standing == Standing::Open)
    }

    pub(super) fn subside(&mut self, is_lot: bool, place: usize) {
        if let Some(notice) = self.standing_notice(place, is_lot) {
            notice.standing = Standing::Subsided;
        }
    }

    pub(super) fn follow_notice(&mut self, is_lot: bool, place: usize) {
        if let Some(notice) = self.standing_notice(place, is_lot) {
            notice.standing = Standing::Followed;
        }
    }
}
