//! Many questions at once: plans, cards and tables ask about every lot, style and roaster of a moment.

use std::collections::HashMap;
use std::sync::Arc;

use serde::Serialize;

use super::Range;
use super::history::{self, Beside};
use crate::fraction::Fraction;
use crate::ids::{LotId, RoasterId, ScaleId, SiteId, StyleId};
use crate::loss::{Learner, Prediction, Question, weighing};
use crate::mass::Mass;
use crate::setup::{self, Scale};
use crate::store::{Read, StoreError};
use crate::text::Name;

/// The learner and what its questions are made from, of one moment.
pub struct Questions {
    pub(super) learner: Arc<Learner>,
    pub(super) beside: Beside,
    divisions: HashMap<ScaleId, Mass>,
    minute: i64,
}

/// What a tablet without a network needs to judge a batch of one lot by itself.
///
/// With y = ln(out/in), m = `mean_log_yield` and S = `variance` + (1/12 + `repeatability`^2)((division in/in)^2 + (division out/out)^2), the
/// range of the loss is 1 - exp(m +- `quantile` `spread` sqrt(S)).
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct RangeCard {
    /// The lot.
    pub lot: LotId,
    /// Its name.
    pub lot_name: Name,
    /// Expected ln(out/in).
    pub mean_log_yield: f64,
    /// Its variance, without the scales.
    pub variance: f64,
    /// Quantile of the range.
    pub quantile: f64,
    /// Scale of the tails.
    pub spread: f64,
    /// Division of the scale for green.
    pub green_division_g: Mass,
    /// Division of the scale for roasted coffee.
    pub roasted_division_g: Mass,
    /// Repeatability of a scale, in divisions.
    pub repeatability: f64,
    /// Losses that can be, from and to.
    pub possible: (Fraction, Fraction),
    /// Probability of a sound batch outside the range.
    pub alpha: Fraction,
    /// The expected loss at the charge asked about.
    pub expected: Range,
    /// The state of the learner.
    pub state_key: String,
}

impl Questions {
    pub(super) async fn read(
        learner: Arc<Learner>,
        tx: &mut dyn Read,
        site: SiteId,
    ) -> Result<Self, StoreError> {
        let beside = Beside::read(tx, site).await?;
        let scales = setup::all::<Scale>(tx, site).await?;
        let head = tx
            .head(site)
            .await?
            .ok_or_else(|| StoreError::Damaged("the site has no log".to_owned()))?;
        Ok(Self {
            learner,
            minute: beside.zone.local_minute(head.recorded_at),
            divisions: scales
                .into_iter()
                .map(|scale| (scale.id.into(), scale.fields.division_g))
                .collect(),
            beside,
        })
    }

    /// What is expected of a charge; none where lot, style or roaster are not there.
    #[must_use]
    pub fn predict(
        &self,
        lot: LotId,
        style: StyleId,
        roaster: RoasterId,
        charge: Mass,
    ) -> Option<Prediction> {
        self.question(lot, style, roaster, charge)
            .map(|question| self.learner.predict(&question))
    }

    /// The expected loss of a charge with its range.
    #[must_use]
    pub fn range(
        &self,
        lot: LotId,
        style: StyleId,
        roaster: RoasterId,
        charge: Mass,
    ) -> Option<Range> {
        self.predict(lot, style, roaster, charge)
            .as_ref()
            .map(Range::of)
    }

    /// What a tablet needs to judge a batch by itself; none where lot, style or roaster are not there.
    #[must_use]
    pub fn card(
        &self,
        lot: LotId,
        style: StyleId,
        roaster: RoasterId,
        charge: Mass,
    ) -> Option<RangeCard> {
        let prediction = self.predict(lot, style, roaster, charge)?;
        let (green_division_g, roasted_division_g) = self.scales(roaster)?;
        Some(RangeCard {
            lot,
            lot_name: self.beside.lots.get(&lot)?.fields.name.clone(),
            mean_log_yield: prediction.log_yield,
            variance: prediction.variance,
            quantile: prediction.reach / prediction.scale,
            spread: prediction.scale,
            green_division_g,
            roasted_division_g,
            repeatability: weighing::REPEATABILITY,
            possible: (
                Fraction::nearest(prediction.possible_loss[0]),
                Fraction::nearest(prediction.possible_loss[1]),
            ),
            alpha: Fraction::nearest(prediction.alpha),
            expected: Range::of(&prediction),
            state_key: prediction.state_key.clone(),
        })
    }

    /// The question about a charge of green on a roaster's own scales.
    #[must_use]
    pub fn question(
        &self,
        lot: LotId,
        style: StyleId,
        roaster: RoasterId,
        charge: Mass,
    ) -> Option<Question> {
        let (green, roasted) = self.scales(roaster)?;
        Some(Question {
            lot: history::lot(
                self.beside.lots.get(&lot)?,
                self.beside.received.get(&lot).copied(),
            ),
            style: history::style(self.beside.styles.get(&style)?),
            roaster: roaster.to_string(),
            minute: self.minute,
            charges_g: vec![charge.grams()],
            division_in_g: green.grams(),
            division_out_g: roasted.grams(),
        })
    }

    /// The learner they are put to.
    #[must_use]
    pub fn learner(&self) -> &Learner {
        &self.learner
    }

    fn scales(&self, roaster: RoasterId) -> Option<(Mass, Mass)> {
        let roaster = &self.beside.roasters.get(&roaster)?.fields;
        Some((
            *self.divisions.get(&roaster.green_scale)?,
            *self.divisions.get(&roaster.roasted_scale)?,
        ))
    }
}
