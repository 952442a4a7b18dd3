//! The model as one Kalman filter, and nothing else: no verdicts, no rules.
//!
//! A batch has log-yield y = offset + theta(style) + b(roaster) + a age + d(delivery) + u(lot) + e. The effects theta, b and a are
//! shared by all batches (phi, with mean m and covariance Q). Given phi the deliveries are independent of each other, so each keeps its
//! own effects, v = delivery and lots, as a regression on phi with centre c, slope B and rest L:
//!
//! ```text
//!     v = c + B phi + N(0, L)
//!     f = h_phi + B'h_v          S = f'Q f + h_v'L h_v + R          innovation e = y - offset - h_v'c - f'm
//!     m += Q f e / S             Q -= (Q f)(Q f)'/S
//!     k = L h_v/(h_v'L h_v + R)  c += k (e + f'm before)   B -= k f'   L -= k (L h_v)'
//! ```
//!
//! where `h_phi` and `h_v` are the batch's design and R the variance of all that is new each time. This is the exact best linear
//! prediction of a full filter over all effects (Henderson 1975; Harvey 1989), at a cost that does not grow with the number of lots:
//! given phi, a batch tells nothing of other deliveries.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::moisture::Offset;
use super::settings::{Settings, Spreads};

/// Column of the ageing slope in phi.
const AGEING: usize = 0;

/// A batch as the filter sees it; effects by number.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Row {
    pub style: usize,
    pub roaster: usize,
    pub delivery: usize,
    pub lot: usize,
    /// Local minute, for the lot's random walk.
    pub minute: i64,
    /// ln(roasted/green).
    pub log_yield: f64,
    /// Moisture as known then.
    pub offset: Offset,
    /// Months of 30 days since the moisture was measured, or since receipt.
    pub age: f64,
    /// Prior mean of the style.
    pub style_prior: f64,
    /// Sum of squared shares of the batches weighed together: 1 for a single batch.
    pub shares: f64,
    /// Variance of the weighing.
    pub weighing: f64,
    /// False when the loss cannot be, or when people say that it teaches nothing.
    pub counts: bool,
}

/// A change of the state that is no batch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) enum Change {
    /// Variance added to a roaster's effect.
    OpenRoaster { roaster: usize, variance: f64 },
    /// Variance added to a lot's effect.
    OpenLot {
        delivery: usize,
        lot: usize,
        variance: f64,
    },
    /// The moisture of a lot that has batches was measured again.
    Remeasured {
        delivery: usize,
        lot: usize,
        before: Offset,
        after: f64,
        age: f64,
        reading: f64,
        reading_variance: f64,
    },
    /// The lot is used up, and perhaps its delivery with it.
    Leave {
        delivery: usize,
        lot: usize,
        with_delivery: bool,
    },
}

/// Effects of one delivery and its lots, given phi.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Block {
    /// Numbers of the lots; effect j + 1 is lot j, effect 0 the delivery.
    lots: Vec<usize>,
    /// Minute of each lot's last batch.
    last: Vec<i64>,
    /// c.
    centre: Vec<f64>,
    /// B, one row of `width` per effect.
    slope: Vec<f64>,
    width: usize,
    /// L, square.
    rest: Vec<f64>,
}

impl Block {
    fn new(width: usize, variance: f64) -> Self {
        Self {
            lots: Vec::new(),
            last: Vec::new(),
            centre: vec![0.0],
            slope: vec![0.0; width],
            width,
            rest: vec![variance],
        }
    }

    fn size(&self) -> usize {
        self.centre.len()
    }

    fn place(&self, lot: usize) -> Option<usize> {
        self.lots.iter().position(|&l| l == lot).map(|j| j + 1)
    }

    fn add_lot(&mut self, lot: usize, variance: f64, minute: i64) {
        let k = self.size();
        let mut rest = vec![0.0; (k + 1) * (k + 1)];
        for i in 0..k {
            rest[i * (k + 1)..i * (k + 1) + k].copy_from_slice(&self.rest[i * k..(i + 1) * k]);
        }
        rest[(k + 1) * (k + 1) - 1] = variance;
        self.rest = rest;
        self.centre.push(0.0);
        self.slope.resize((k + 1) * self.width, 0.0);
        self.lots.push(lot);
        self.last.push(minute);
    }

    fn drop_lot(&mut self, j: usize) {
        let k = self.size();
        let mut rest = Vec::with_capacity((k - 1) * (k - 1));
        for i in (0..k).filter(|&i| i != j) {
            rest.extend((0..k).filter(|&i2| i2 != j).map(|i2| self.rest[i * k + i2]));
        }
        self.rest = rest;
        self.centre.remove(j);
        self.slope.drain(j * self.width..(j + 1) * self.width);
        self.lots.remove(j - 1);
        self.last.remove(j - 1);
    }

    /// Makes room for columns of phi that came after this block was made.
    fn widen(&mut self, width: usize) {
        if self.width >= width {
            return;
        }
        let mut slope = vec![0.0; self.size() * width];
        for j in 0..self.size() {
            slope[j * width..j * width + self.width]
                .copy_from_slice(&self.slope[j * self.width..(j + 1) * self.width]);
        }
        self.slope = slope;
        self.width = width;
    }

    fn drop_column(&mut self, column: usize) {
        if column < self.width {
            for j in (0..self.size()).rev() {
                self.slope.remove(j * self.width + column);
            }
            self.width -= 1;
        }
    }

    fn uses(&self, column: usize) -> bool {
        column < self.width
            && (0..self.size()).any(|j| self.slope[j * self.width + column].to_bits() << 1 != 0)
    }
}

/// Prediction of a batch before its roasted weight counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Look {
    /// Mean of the log-yield.
    pub mean: f64,
    /// f'm, kept for learning.
    common: f64,
    /// h'Ph: variance from what is not known of the effects.
    pub state: f64,
    /// h'L h over the delivery's own effects, kept for learning.
    local: f64,
    /// Variance of delivery and lot effect together.
    pub lot: f64,
}

/// Means of a batch's effects on the log-yield.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Effects {
    pub style: f64,
    pub roaster: f64,
    pub ageing: f64,
    pub delivery: f64,
    pub lot: f64,
}

/// The state: shared effects, and per delivery its own.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct Filter {
    mean: Vec<f64>,
    /// Q, square.
    cov: Vec<f64>,
    styles: Vec<Option<usize>>,
    roasters: Vec<Option<usize>>,
    blocks: Vec<Option<Arc<Block>>>,
    /// f, Q f and L h of the last look.
    #[serde(skip)]
    f: Vec<f64>,
    #[serde(skip)]
    qf: Vec<f64>,
    #[serde(skip)]
    lh: Vec<f64>,
}

impl PartialEq for Filter {
    /// Equal to the last bit; the scratch of the last look does not count.
    fn eq(&self, other: &Self) -> bool {
        let bits = |a: &[f64], b: &[f64]| {
            a.len() == b.len() && a.iter().zip(b).all(|(a, b)| a.to_bits() == b.to_bits())
        };
        bits(&self.mean, &other.mean)
            && bits(&self.cov, &other.cov)
            && self.blocks_in_order() == other.blocks_in_order()
    }
}

fn grow<T: Clone>(list: &mut Vec<Option<T>>, place: usize) {
    if list.len() <= place {
        list.resize(place + 1, None);
    }
}

impl Filter {
    /// The state before any batch: only the ageing slope.
    pub fn new(settings: &Settings) -> Self {
        let mut filter = Self::default();
        filter.add_column(0.0, settings.ageing_sd * settings.ageing_sd);
        filter
    }

    /// Number of effects alive.
    pub fn effects(&self) -> usize {
        self.mean.len()
            + self
                .blocks
                .iter()
                .flatten()
                .map(|block| block.size())
                .sum::<usize>()
    }

    /// The smallest variance on any diagonal: positive as long as the arithmetic holds.
    pub fn smallest_variance(&self) -> f64 {
        let diagonal = |square: &[f64], n: usize| {
            (0..n)
                .map(|i| square[i * n + i])
                .fold(f64::INFINITY, f64::min)
        };
        self.blocks
            .iter()
            .flatten()
            .map(|block| diagonal(&block.rest, block.size()))
            .fold(diagonal(&self.cov, self.mean.len()), f64::min)
    }

    fn blocks_in_order(&self) -> Vec<(Vec<u64>, Vec<u64>, Vec<u64>)> {
        let bits = |list: &[f64]| list.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
        let mut blocks: Vec<_> = self
            .blocks
            .iter()
            .flatten()
            .map(|b| (bits(&b.centre), bits(&b.rest), bits(&b.slope)))
            .collect();
        blocks.sort();
        blocks
    }

    /// A filter with the shared effects and one delivery only: enough to predict a batch of it.
    pub fn narrowed(&self, delivery: usize) -> Self {
        let mut blocks = Vec::new();
        if let Some(Some(block)) = self.blocks.get(delivery) {
            grow(&mut blocks, delivery);
            blocks[delivery] = Some(Arc::clone(block));
        }
        Self {
            mean: self.mean.clone(),
            cov: self.cov.clone(),
            styles: self.styles.clone(),
            roasters: self.roasters.clone(),
            blocks,
            ..Self::default()
        }
    }

    fn add_column(&mut self, mean: f64, variance: f64) -> usize {
        let q = self.mean.len();
        self.enlarge();
        self.mean[q] = mean;
        self.cov[q * (q + 1) + q] = variance;
        q
    }

    /// One more column of phi, all zero.
    fn enlarge(&mut self) {
        let q = self.mean.len();
        let mut cov = vec![0.0; (q + 1) * (q + 1)];
        for i in 0..q {
            cov[i * (q + 1)..i * (q + 1) + q].copy_from_slice(&self.cov[i * q..(i + 1) * q]);
        }
        self.cov = cov;
        self.mean.push(0.0);
    }

    /// A roaster's effect with variance added is a new effect: what lots learned beside the old one stays tied to the old one.
    fn open_roaster(&mut self, roaster: usize, variance: f64) {
        let Some(&Some(old)) = self.roasters.get(roaster) else {
            return;
        };
        let q = self.mean.len();
        self.enlarge();
        self.mean[q] = self.mean[old];
        for j in 0..q {
            self.cov[q * (q + 1) + j] = self.cov[old * (q + 1) + j];
            self.cov[j * (q + 1) + q] = self.cov[old * (q + 1) + j];
        }
        self.cov[q * (q + 1) + q] = self.cov[old * (q + 1) + old] + variance;
        self.roasters[roaster] = Some(q);
    }

    /// Applies a change that is no batch.
    pub fn apply(&mut self, change: &Change, spreads: &Spreads) {
        match *change {
            Change::OpenRoaster { roaster, variance } => self.open_roaster(roaster, variance),
            Change::OpenLot {
                delivery,
                lot,
                variance,
            } => {
                if let Some((block, j)) = self.lot_mut(delivery, lot) {
                    let k = block.size();
                    block.rest[j * k + j] += variance;
                }
            }
            Change::Remeasured {
                delivery,
                lot,
                before,
                after,
                age,
                reading,
                reading_variance,
            } => {
                self.weigh_reading(
                    delivery,
                    lot,
                    &before,
                    age,
                    (reading, reading_variance),
                    spreads,
                );
                if let Some((block, j)) = self.lot_mut(delivery, lot) {
                    // The level that the batches taught stays: what the offset no longer says, the lot's effect says.
                    block.centre[j] += before.mean - after;
                    let width = block.width;
                    block.slope[j * width + AGEING] += age;
                }
            }
            Change::Leave {
                delivery,
                lot,
                with_delivery,
            } => self.leave(delivery, lot, with_delivery),
        }
    }

    fn lot_mut(&mut self, delivery: usize, lot: usize) -> Option<(&mut Block, usize)> {
        let block = self.blocks.get_mut(delivery)?.as_mut()?;
        let j = block.place(lot)?;
        Some((Arc::make_mut(block), j))
    }

    /// A later reading is one more observation of the moisture's share in the effects of delivery and lot, and of the ageing since.
    /// Shares: of an effect with prior variance s^2 + v, the moisture's part has regression v/(s^2 + v) on it, rest s^2 v/(s^2 + v).
    fn weigh_reading(
        &mut self,
        delivery: usize,
        lot: usize,
        before: &Offset,
        age: f64,
        (reading, variance): (f64, f64),
        spreads: &Spreads,
    ) {
        let Some(Some(block)) = self.blocks.get(delivery) else {
            return;
        };
        let Some(j) = block.place(lot) else { return };
        let block = Arc::clone(block);
        let mut shares = vec![0.0; block.size()];
        let split = |v: f64, s: f64| v / (s * s + v);
        (shares[0], shares[j]) = (
            split(before.shared, spreads.delivery),
            split(before.own, spreads.lot),
        );
        let rest = variance
            + shares[0] * spreads.delivery * spreads.delivery
            + shares[j] * spreads.lot * spreads.lot;
        self.set_f(&block, &shares);
        self.f[AGEING] += age;
        let look = self.finish_look(&block, &shares, 0.0);
        self.learn_block(delivery, reading - before.mean - look.mean, &look, rest);
    }

    fn leave(&mut self, delivery: usize, lot: usize, with_delivery: bool) {
        if let Some((block, j)) = self.lot_mut(delivery, lot) {
            block.drop_lot(j);
        }
        if let (true, Some(block)) = (with_delivery, self.blocks.get_mut(delivery)) {
            *block = None;
        }
        self.drop_dead_columns();
    }

    /// A roaster's effect that was opened is dropped once no lot refers to the old one: exact.
    fn drop_dead_columns(&mut self) {
        for column in (1..self.mean.len()).rev() {
            let current = self
                .styles
                .iter()
                .chain(&self.roasters)
                .any(|&c| c == Some(column));
            if !current && !self.blocks.iter().flatten().any(|block| block.uses(column)) {
                self.drop_column(column);
            }
        }
    }

    fn drop_column(&mut self, column: usize) {
        let q = self.mean.len();
        let mut cov = Vec::with_capacity((q - 1) * (q - 1));
        for i in (0..q).filter(|&i| i != column) {
            cov.extend((0..q).filter(|&j| j != column).map(|j| self.cov[i * q + j]));
        }
        self.cov = cov;
        self.mean.remove(column);
        for place in self.styles.iter_mut().chain(&mut self.roasters).flatten() {
            if *place > column {
                *place -= 1;
            }
        }
        for block in self.blocks.iter_mut().flatten() {
            if column < block.width {
                Arc::make_mut(block).drop_column(column);
            }
        }
    }

    /// Gives a batch's effects their places, with their priors, and lets its lot walk to its time. Returns whether the lot is new.
    pub fn open(&mut self, row: &Row, spreads: &Spreads, settings: &Settings) -> bool {
        grow(&mut self.styles, row.style);
        if self.styles[row.style].is_none() {
            self.styles[row.style] =
                Some(self.add_column(row.style_prior, settings.style_sd * settings.style_sd));
        }
        grow(&mut self.roasters, row.roaster);
        if self.roasters[row.roaster].is_none() {
            self.roasters[row.roaster] =
                Some(self.add_column(0.0, spreads.roaster * spreads.roaster));
        }
        grow(&mut self.blocks, row.delivery);
        let q = self.mean.len();
        let block = self.blocks[row.delivery].get_or_insert_with(|| {
            Arc::new(Block::new(
                q,
                spreads.delivery * spreads.delivery + row.offset.shared,
            ))
        });
        let block = Arc::make_mut(block);
        let Some(j) = block.place(row.lot) else {
            block.add_lot(
                row.lot,
                spreads.lot * spreads.lot + row.offset.own,
                row.minute,
            );
            return true;
        };
        let k = block.size();
        block.rest[j * k + j] += spreads.walk
            * spreads.walk
            * super::history::days(block.last[j - 1], row.minute).max(0.0);
        block.last[j - 1] = row.minute;
        false
    }

    /// Puts B'h into f for given shares h of the delivery's own effects.
    fn set_f(&mut self, block: &Block, shares: &[f64]) {
        self.f.clear();
        self.f.resize(self.mean.len(), 0.0);
        for (j, &share) in shares.iter().enumerate() {
            for (f, b) in self
                .f
                .iter_mut()
                .zip(&block.slope[j * block.width..(j + 1) * block.width])
            {
                *f += share * b;
            }
        }
    }

    /// With f ready: Q f, L h and the moments.
    fn finish_look(&mut self, block: &Block, shares: &[f64], offset: f64) -> Look {
        let q = self.mean.len();
        self.qf.clear();
        self.qf
            .extend(self.cov.chunks_exact(q).map(|line| dot(line, &self.f)));
        self.lh.clear();
        self.lh.extend(
            block
                .rest
                .chunks_exact(block.size())
                .map(|line| dot(line, shares)),
        );
        let (common, local) = (dot(&self.f, &self.mean), dot(&self.lh, shares));
        Look {
            mean: offset + dot(&block.centre, shares) + common,
            common,
            state: dot(&self.f, &self.qf) + local,
            local,
            lot: 0.0,
        }
    }

    /// Predicts a batch whose effects are open.
    pub fn look(&mut self, row: &Row) -> Look {
        let Self {
            mean,
            cov,
            styles,
            roasters,
            blocks,
            f,
            qf,
            lh,
        } = self;
        let (Some(Some(block)), Some(&Some(style)), Some(&Some(roaster))) = (
            blocks.get(row.delivery),
            styles.get(row.style),
            roasters.get(row.roaster),
        ) else {
            unreachable!("a batch is opened before it is looked at");
        };
        let Some(j) = block.place(row.lot) else {
            unreachable!("a lot is opened before it is looked at")
        };
        let q = mean.len();
        let own = |j: usize| &block.slope[j * block.width..(j + 1) * block.width];
        f.clear();
        f.extend(own(0).iter().zip(own(j)).map(|(d, u)| d + u));
        f.resize(q, 0.0);
        // Variance of d + u alone: f'Q f before the shared effects are added.
        qf.clear();
        qf.extend(cov.chunks_exact(q).map(|line| dot(line, f)));
        let alone = dot(f, qf);
        f[style] += 1.0;
        f[roaster] += 1.0;
        f[AGEING] += row.age;
        for (qf, line) in qf.iter_mut().zip(cov.chunks_exact(q)) {
            *qf += line[style] + line[roaster] + row.age * line[AGEING];
        }
        lh.clear();
        lh.extend(
            block
                .rest
                .chunks_exact(block.size())
                .map(|line| line[0] + line[j]),
        );
        let (common, local) = (dot(f, mean), lh[0] + lh[j]);
        Look {
            mean: row.offset.mean + block.centre[0] + block.centre[j] + common,
            common,
            state: dot(f, qf) + local,
            local,
            lot: alone + local,
        }
    }

    /// Covariance of the effects of two batches that are open.
    pub fn covariance(&mut self, first: &Row, second: &Row) -> f64 {
        self.look(first);
        let (qf, lh) = (self.qf.clone(), self.lh.clone());
        self.look(second);
        let mut covariance = dot(&qf, &self.f);
        if let (true, Some(Some(block))) = (
            first.delivery == second.delivery,
            self.blocks.get(second.delivery),
        ) {
            covariance += lh[0] + block.place(second.lot).map_or(0.0, |j| lh[j]);
        }
        covariance
    }

    /// Means of the effects of a batch that is open.
    pub fn effects_of(&self, row: &Row) -> Effects {
        let column = |list: &[Option<usize>], place: usize| {
            list.get(place)
                .copied()
                .flatten()
                .map_or(0.0, |column| self.mean[column])
        };
        let own = |block: &Block, j: usize| {
            block.centre[j]
                + dot(
                    &block.slope[j * block.width..(j + 1) * block.width],
                    &self.mean,
                )
        };
        let block = self.blocks.get(row.delivery).and_then(Option::as_ref);
        Effects {
            style: column(&self.styles, row.style),
            roaster: column(&self.roasters, row.roaster),
            ageing: row.age * self.mean[AGEING],
            delivery: block.map_or(0.0, |block| own(block, 0)),
            lot: block
                .and_then(|block| block.place(row.lot).map(|j| own(block, j)))
                .unwrap_or(0.0),
        }
    }

    /// Learns the batch last looked at: innovation e = y - mean, and the variance of all that is new each time.
    pub fn learn(&mut self, row: &Row, look: &Look, innovation: f64, noise: f64) {
        self.learn_block(row.delivery, innovation, look, noise);
    }

    fn learn_block(&mut self, delivery: usize, innovation: f64, look: &Look, noise: f64) {
        let q = self.mean.len();
        let root = (look.state + noise).sqrt();
        for qf in &mut self.qf {
            *qf /= root;
        }
        let scaled = innovation / root;
        for ((line, mean), &t) in self
            .cov
            .chunks_exact_mut(q)
            .zip(&mut self.mean)
            .zip(&self.qf)
        {
            *mean += t * scaled;
            for (cov, qf) in line.iter_mut().zip(&self.qf) {
                *cov -= t * qf;
            }
        }
        let Some(Some(block)) = self.blocks.get_mut(delivery) else {
            return;
        };
        let block = Arc::make_mut(block);
        block.widen(q);
        let (k, width) = (block.size(), block.width);
        let root = (look.local + noise).sqrt();
        for lh in &mut self.lh {
            *lh /= root;
        }
        let scaled = (innovation + look.common) / root;
        for j in 0..k {
            let gain = self.lh[j];
            block.centre[j] += gain * scaled;
            let step = gain / root;
            for (b, f) in block.slope[j * width..(j + 1) * width]
                .iter_mut()
                .zip(&self.f)
            {
                *b -= step * f;
            }
            for (rest, lh) in block.rest[j * k..(j + 1) * k].iter_mut().zip(&self.lh) {
                *rest -= gain * lh;
            }
        }
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}
