//! Scales, and how a weight that a person gives becomes a mass with its weighing.

use serde::{Deserialize, Serialize};

use super::{Record, fault, named, unless};
use crate::book::leaf::{Basis, Reading, Source, Weighing};
use crate::ids::{ScaleId, SiteId};
use crate::mass::{Mass, Unit};
use crate::refusal::{FieldError, Outcome, Refusal};
use crate::store::Read;
use crate::text::Name;

/// More than any roastery weighs at once, one thousand tonnes: such a figure was mistyped.
const MOST: Mass = match Mass::from_mg(1_000_000_000_000) {
    Ok(mass) => mass,
    Err(_) => Mass::MAX,
};

/// Steps that a display counts up to the most it weighs. OIML R 76-1:2006, table 3 (clause 3.2): at least 100 verification intervals in any
/// class but the finest, at most 100,000 in classes II and III; a display may show tenths of one (clause 3.4.2, from memory).
const STEPS: std::ops::RangeInclusive<i64> = 100..=1_000_000;

/// A container that stands on a scale, with its mass.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Container {
    /// Its name.
    pub name: Name,
    /// Its mass, empty.
    pub tare_g: Mass,
}

/// A scale.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Scale {
    /// Its name.
    pub name: Name,
    /// The unit it shows.
    pub unit: Unit,
    /// The smallest step it shows.
    pub division_g: Mass,
    /// The most it weighs.
    pub max_g: Mass,
    /// Containers used on it.
    #[schema(max_items = 50)]
    pub containers: Vec<Container>,
    /// No longer used.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

impl Record for Scale {
    const KIND: &'static str = "scale";

    fn label(&self) -> Option<String> {
        Some(self.name.to_string())
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = Vec::new();
        if !self.division_g.is_positive() || self.division_g.whole_grams() > 10_000 {
            faults.push(fault(
                "/division_g",
                "the smallest step the scale shows, between 0.001 g and 10 kg",
            ));
        }
        if self.max_g < self.division_g || self.max_g.whole_grams() > 100_000_000 {
            faults.push(fault(
                "/max_g",
                "the most it weighs: at least one division, at most 100 t",
            ));
        }
        if faults.is_empty() {
            faults.extend(self.steps_fault());
        }
        if self.containers.len() > 50 {
            faults.push(fault("/containers", "at most 50 containers"));
        }
        for (i, container) in self.containers.iter().enumerate() {
            if container.tare_g < Mass::ZERO || container.tare_g > self.max_g {
                faults.push(fault(
                    format!("/containers/{i}/tare_g"),
                    "the container's mass when empty, at most what the scale weighs",
                ));
            }
            if self.containers[..i]
                .iter()
                .any(|other| other.name == container.name)
            {
                faults.push(fault(
                    format!("/containers/{i}/name"),
                    "two containers have this name",
                ));
            }
        }
        faults
    }
}

impl Scale {
    /// A step in one unit and a capacity in another.
    fn steps_fault(&self) -> Option<FieldError> {
        let steps = self.max_g.mg() / self.division_g.mg();
        (!STEPS.contains(&steps)).then(|| {
            fault(
                "/division_g",
                format!(
                    "{} in steps of {} would be {steps} steps, and scales show {} to {}: look at the unit of both",
                    self.max_g,
                    self.division_g,
                    STEPS.start(),
                    STEPS.end()
                ),
            )
        })
    }
}

/// A reading as typed or sent by the scale.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReadingInput {
    /// The digits, in the scale's unit.
    #[schema(
        min_length = 1,
        max_length = 20,
        pattern = r"^\s*-?[0-9]*[.,]?[0-9]*\s*$"
    )]
    pub gross: String,
    /// The container that stood on the scale.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub container: Option<Name>,
}

/// A weight as a person gives it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(tag = "basis", rename_all = "snake_case", try_from = "WeightForm")]
pub enum Weight {
    /// Read from a scale, in one or several crates.
    Weighed {
        /// The scale.
        scale: ScaleId,
        /// Typed, or sent by the scale.
        source: Source,
        /// Its readings.
        #[schema(min_items = 1, max_items = 100)]
        readings: Vec<ReadingInput>,
    },
    /// So many sacks of a stated weight.
    Nominal {
        /// Whole sacks.
        sacks: u32,
        /// What one holds.
        sack_g: Mass,
        /// Loose coffee beside them.
        #[serde(default)]
        loose_g: Mass,
    },
    /// Missed, and reckoned afterwards.
    Reckoned {
        /// How much, by reckoning.
        mass_g: Mass,
    },
}

/// A weight as it is sent: the fields of every basis. Read as one plain object, so that what is wrong with a reading is named at that reading.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WeightForm {
    basis: Basis,
    scale: Option<ScaleId>,
    source: Option<Source>,
    readings: Option<Vec<ReadingInput>>,
    sacks: Option<u32>,
    sack_g: Option<Mass>,
    #[serde(default)]
    loose_g: Mass,
    mass_g: Option<Mass>,
}

impl WeightForm {
    /// A field that is there and does not go with the basis.
    fn foreign(&self) -> Option<&'static str> {
        let fields = [
            (Basis::Weighed, "scale", self.scale.is_some()),
            (Basis::Weighed, "source", self.source.is_some()),
            (Basis::Weighed, "readings", self.readings.is_some()),
            (Basis::Nominal, "sacks", self.sacks.is_some()),
            (Basis::Nominal, "sack_g", self.sack_g.is_some()),
            (Basis::Nominal, "loose_g", self.loose_g != Mass::ZERO),
            (Basis::Reckoned, "mass_g", self.mass_g.is_some()),
        ];
        fields
            .into_iter()
            .find(|(basis, _, there)| *there && *basis != self.basis)
            .map(|(_, name, _)| name)
    }
}

impl TryFrom<WeightForm> for Weight {
    type Error = String;

    fn try_from(form: WeightForm) -> Result<Self, String> {
        fn need<T>(field: Option<T>, name: &str) -> Result<T, String> {
            field.ok_or_else(|| format!("missing field `{name}`"))
        }
        if let Some(name) = form.foreign() {
            return Err(format!(
                "{name} does not go with the basis {}",
                form.basis.word()
            ));
        }
        Ok(match form.basis {
            Basis::Weighed => Self::Weighed {
                scale: need(form.scale, "scale")?,
                source: need(form.source, "source")?,
                readings: need(form.readings, "readings")?,
            },
            Basis::Nominal => Self::Nominal {
                sacks: need(form.sacks, "sacks")?,
                sack_g: need(form.sack_g, "sack_g")?,
                loose_g: form.loose_g,
            },
            Basis::Reckoned => Self::Reckoned {
                mass_g: need(form.mass_g, "mass_g")?,
            },
        })
    }
}

/// A mass and how it is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Weighed {
    /// Net mass.
    pub mass: Mass,
    /// The scale's division; nothing where none was used.
    pub division: Mass,
    weighing: Weighing,
}

impl Weighed {
    /// The weighing, for the movement of this line.
    #[must_use]
    pub fn weighing(&self, movement: usize) -> Weighing {
        Weighing {
            movement,
            ..self.weighing.clone()
        }
    }

    /// The net mass of each reading; none where no scale was read.
    #[must_use]
    pub fn nets(&self) -> Vec<Mass> {
        let readings = self.weighing.readings.iter();
        readings
            .filter_map(|reading| Mass::from_mg(reading.net_mg).ok())
            .collect()
    }

    /// Whether the mass was reckoned.
    #[must_use]
    pub fn is_reckoned(&self) -> bool {
        self.weighing.basis == Basis::Reckoned
    }
}

impl Weight {
    /// The mass, which must be more than nothing.
    ///
    /// # Errors
    /// [`Refusal::Invalid`] below `pointer` for readings that cannot be.
    pub async fn positive(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        pointer: &str,
    ) -> Outcome<Weighed> {
        let weighed = self.resolve(tx, site, pointer).await?;
        if weighed.mass.is_positive() {
            Ok(weighed)
        } else {
            Err(Refusal::field(
                pointer,
                "the weight must be more than nothing",
            ))
        }
    }

    /// The mass, which may be nothing, as when an empty store is counted.
    ///
    /// # Errors
    /// [`Refusal::Invalid`] below `pointer` for readings that cannot be.
    pub async fn resolve(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        pointer: &str,
    ) -> Outcome<Weighed> {
        let weighed = match self {
            Self::Weighed {
                scale,
                source,
                readings,
            } => {
                let kept = named::<Scale>(tx, site, &format!("{pointer}/scale"), *scale).await?;
                kept.fields.read(*scale, *source, readings, pointer)?
            }
            Self::Nominal {
                sacks,
                sack_g,
                loose_g,
            } => {
                if *sack_g < Mass::ZERO || *loose_g < Mass::ZERO {
                    return Err(Refusal::field(
                        pointer,
                        "sacks and loose coffee cannot weigh less than nothing",
                    ));
                }
                let mass = sack_g
                    .times(i64::from(*sacks))
                    .and_then(|sacks| sacks.plus(*loose_g));
                stated(
                    mass.map_err(|e| Refusal::field(pointer, e.to_string()))?,
                    Basis::Nominal,
                    Source::Nominal,
                )
            }
            Self::Reckoned { mass_g } => stated(*mass_g, Basis::Reckoned, Source::Reckoned),
        };
        if weighed.mass > MOST {
            return Err(Refusal::field(
                pointer,
                format!("this is more than {MOST}: look at the figure and its unit again"),
            ));
        }
        if weighed.mass < Mass::ZERO {
            return Err(Refusal::field(
                pointer,
                "the weight is less than nothing: was the container's mass taken off twice?",
            ));
        }
        Ok(weighed)
    }
}

fn stated(mass: Mass, basis: Basis, source: Source) -> Weighed {
    let weighing = Weighing {
        movement: 0,
        basis,
        source,
        scale: None,
        unit: None,
        division_mg: None,
        net_mg: mass.mg(),
        readings: Vec::new(),
    };
    Weighed {
        mass,
        division: Mass::ZERO,
        weighing,
    }
}

impl Scale {
    /// The mass that readings of this scale give, container by container.
    fn read(
        &self,
        id: ScaleId,
        source: Source,
        inputs: &[ReadingInput],
        pointer: &str,
    ) -> Outcome<Weighed> {
        if !matches!(source, Source::Typed | Source::Scale) {
            return Err(Refusal::field(
                &format!("{pointer}/source"),
                "typed by a person or sent by the scale",
            ));
        }
        if inputs.is_empty() || inputs.len() > 100 {
            return Err(Refusal::field(
                &format!("{pointer}/readings"),
                "give one to a hundred readings",
            ));
        }
        let mut readings = Vec::with_capacity(inputs.len());
        let mut net = Mass::ZERO;
        for (i, input) in inputs.iter().enumerate() {
            let reading = self.read_one(input, &format!("{pointer}/readings/{i}"))?;
            net = net.plus(Mass::from_mg(reading.net_mg)?)?;
            readings.push(reading);
        }
        let weighing = Weighing {
            movement: 0,
            basis: Basis::Weighed,
            source,
            scale: Some(id),
            unit: Some(self.unit),
            division_mg: Some(self.division_g.mg()),
            net_mg: net.mg(),
            readings,
        };
        Ok(Weighed {
            mass: net,
            division: self.division_g,
            weighing,
        })
    }

    fn read_one(&self, input: &ReadingInput, pointer: &str) -> Outcome<Reading> {
        let refuse =
            |field: &str, detail: String| Refusal::field(&format!("{pointer}/{field}"), detail);
        let gross = self
            .unit
            .read(&input.gross)
            .map_err(|e| refuse("gross", e.to_string()))?;
        if gross > self.max_g {
            return Err(refuse(
                "gross",
                format!("{} weighs at most {}: read it again", self.name, self.max_g),
            ));
        }
        let tare = match &input.container {
            None => Mass::ZERO,
            Some(name) => {
                let known = self
                    .containers
                    .iter()
                    .find(|container| container.name == *name);
                known
                    .ok_or_else(|| {
                        refuse(
                            "container",
                            format!("{} has no container called {name}", self.name),
                        )
                    })?
                    .tare_g
            }
        };
        let net = gross.minus(tare)?;
        if net < Mass::ZERO {
            return Err(refuse(
                "gross",
                format!(
                    "the container alone weighs {tare}: read it again, or choose another container"
                ),
            ));
        }
        Ok(Reading {
            gross: input.gross.trim().to_owned(),
            gross_mg: gross.mg(),
            container: input.container.as_ref().map(ToString::to_string),
            tare_mg: tare.mg(),
            net_mg: net.mg(),
        })
    }
}
