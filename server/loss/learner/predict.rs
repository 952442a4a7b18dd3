//! From a batch to come to its expected range.

use super::{Learner, Question, count};
use crate::loss::explain::{self, Explanation, Habits, Odd};
use crate::loss::filter::{Filter, Look, Row};
use crate::loss::history::{self, Batch, Lot, Review};
use crate::loss::range::{self, Prediction};
use crate::loss::{moisture, weighing};

/// Prior degrees of freedom of a spread.
const PRIOR_DF: f64 = 3.0;

impl Learner {
    /// Known quantities of a batch. `numbers` are those of style, roaster, lot, delivery; `readings` the charges, the roasted mass and
    /// the divisions of the two scales.
    pub(super) fn row_of(
        &self,
        numbers: [usize; 4],
        lot: &Lot,
        nominal_loss: f64,
        minute: i64,
        readings: (&[f64], f64, [f64; 2]),
    ) -> Row {
        let [style, roaster, lot_number, delivery] = numbers;
        let (charges_g, roasted_g, divisions_g) = readings;
        let green: f64 = charges_g.iter().sum();
        let loss = 1.0 - roasted_g / green;
        let possible = green > 0.0
            && roasted_g > 0.0
            && loss >= self.settings.possible_loss[0]
            && loss <= self.settings.possible_loss[1];
        let reading = self
            .state
            .lots
            .get(lot_number)
            .and_then(|known| known.reading);
        let received = lot.received_day.saturating_mul(history::DAY);
        let since = reading.map_or(received, |r| r.minute.max(received));
        Row {
            style,
            roaster,
            delivery,
            lot: lot_number,
            minute,
            log_yield: if possible {
                libm::log(roasted_g / green)
            } else {
                0.0
            },
            offset: moisture::offset(&self.settings, reading.map(|r| (r.value, r.sd))),
            age: history::days(since, minute) / 30.0,
            style_prior: libm::log1p(-nominal_loss) - libm::log1p(-self.settings.moisture),
            shares: if charges_g.len() == 1 {
                1.0
            } else {
                charges_g.iter().map(|g| (g / green) * (g / green)).sum()
            },
            weighing: if possible {
                weighing::variance(
                    charges_g.len(),
                    green,
                    divisions_g[0],
                    roasted_g,
                    divisions_g[1],
                )
            } else {
                0.0
            },
            counts: possible,
        }
    }

    pub(super) fn row_of_batch(&mut self, batch: &Batch) -> Row {
        let lot = batch.true_lot();
        let numbers = [
            self.names.styles.number(&batch.style.id),
            self.names.roasters.number(&batch.roaster),
            self.names.lots.number(&lot.id),
            self.names.deliveries.number(&lot.delivery),
        ];
        let (charges, roasted) = batch.true_weights();
        let divisions = [batch.weights.division_in_g, batch.weights.division_out_g];
        let mut row = self.row_of(
            numbers,
            lot,
            batch.style.nominal_loss,
            batch.minute,
            (charges, roasted, divisions),
        );
        row.counts &=
            batch.teaches && !matches!(batch.review, Review::CarriedOver | Review::SetAside);
        row
    }

    /// Range of a batch that was looked at.
    pub(super) fn prediction(
        &self,
        row: &Row,
        look: &Look,
        readings: usize,
        green_g: f64,
        divisions_g: [f64; 2],
    ) -> Prediction {
        let (spreads, tail) = (&self.state.fit.spreads, self.state.fit.tail);
        let noise_sd = spreads.of_style(row.style);
        let noise = noise_sd * noise_sd * row.shares;
        let variance = look.state + noise;
        let expected = variance
            + weighing::variance(
                readings,
                green_g,
                divisions_g[0],
                green_g * libm::exp(look.mean),
                divisions_g[1],
            );
        let effects = spreads.delivery * spreads.delivery + spreads.lot * spreads.lot;
        let lot =
            look.lot.min(look.state) * effects / (effects + row.offset.shared + row.offset.own);
        let batches = self
            .state
            .style_batches
            .get(row.style)
            .copied()
            .unwrap_or(0);
        let doubt = lot * lot / (PRIOR_DF + count(self.state.lots_seen))
            + noise * noise / (PRIOR_DF + count(batches));
        let df = (1.0 / (doubt / (expected * expected) + tail.inverse_df)).max(3.0);
        let reach = self.quantiles.at(df) * tail.scale;
        let [mean_loss, sd_loss, lo, hi] =
            range::loss_law(look.mean, expected, tail.scale, reach, df);
        Prediction {
            mean_loss,
            sd_loss,
            lo,
            hi,
            alpha: self.settings.alpha,
            log_yield: look.mean,
            variance,
            shared_variance: look.state,
            noise_sd,
            reach,
            scale: tail.scale,
            df,
            moisture_offset: row.offset.mean,
            readings,
            division_in_g: divisions_g[0],
            division_out_g: divisions_g[1],
            possible_loss: self.settings.possible_loss,
            state_key: String::new(),
        }
    }

    /// What a batch to come is expected to lose.
    #[must_use]
    pub fn predict(&self, question: &Question) -> Prediction {
        let (row, look, _) = self.look_ahead(question);
        let divisions = [question.division_in_g, question.division_out_g];
        let mut prediction = self.prediction(
            &row,
            &look,
            question.charges_g.len(),
            question.charges_g.iter().sum(),
            divisions,
        );
        prediction.state_key = self.state_key();
        prediction
    }

    /// What may have happened to odd weights of a batch to come, likeliest first: a look before they are saved.
    #[must_use]
    pub fn explain(&self, question: &Question, roasted_g: f64) -> Vec<Explanation> {
        let verdict = self
            .predict(question)
            .judge(question.charges_g.iter().sum(), roasted_g);
        let roaster = self.names.roasters.look_up(&question.roaster);
        let unknown = Habits::default();
        let habits = self
            .state
            .roasters
            .get(roaster)
            .map_or(&unknown, |known| &known.habits);
        let odd = Odd {
            green_g: question.charges_g.iter().sum(),
            roasted_g,
            division_in_g: question.division_in_g,
            division_out_g: question.division_out_g,
            log_yield: libm::log1p(-verdict.mean),
            sd: verdict.sd / (1.0 - verdict.mean),
        };
        explain::rank(&odd, habits)
    }

    /// Batches learned of a row's lot and style, and whether the lot's moisture was measured.
    pub(in crate::loss) fn seen(&self, row: &Row) -> (u32, u32, bool) {
        let lot = self.state.lots.get(row.lot);
        let style = self
            .state
            .style_batches
            .get(row.style)
            .copied()
            .unwrap_or(0);
        (
            lot.map_or(0, |lot| lot.batches),
            style,
            lot.is_some_and(|lot| lot.reading.is_some()),
        )
    }

    /// Rows of batches to come, and one filter in which all their effects are open. Unknown ids get numbers beyond the known ones.
    pub(in crate::loss) fn open_all(&self, questions: &[Question]) -> (Vec<Row>, Filter) {
        let mut names = self.names.clone();
        let mut filter = self.state.filter.clone();
        let rows: Vec<Row> = questions
            .iter()
            .map(|question| self.row_of_question(question, names.numbers(question)))
            .collect();
        for row in &rows {
            filter.open(row, &self.state.fit.spreads, &self.settings);
        }
        (rows, filter)
    }

    fn row_of_question(&self, question: &Question, numbers: [usize; 4]) -> Row {
        let divisions = [question.division_in_g, question.division_out_g];
        self.row_of(
            numbers,
            &question.lot,
            question.style.nominal_loss,
            question.minute,
            (&question.charges_g, 0.0, divisions),
        )
    }

    /// Row, moments, and the filter after opening the effects of a batch to come.
    pub(in crate::loss) fn look_ahead(&self, question: &Question) -> (Row, Look, Filter) {
        let numbers = [
            self.names.styles.look_up(&question.style.id),
            self.names.roasters.look_up(&question.roaster),
            self.names.lots.look_up(&question.lot.id),
            self.names.deliveries.look_up(&question.lot.delivery),
        ];
        let row = self.row_of_question(question, numbers);
        let mut filter = self.state.filter.narrowed(row.delivery);
        filter.open(&row, &self.state.fit.spreads, &self.settings);
        let look = filter.look(&row);
        (row, look, filter)
    }
}
