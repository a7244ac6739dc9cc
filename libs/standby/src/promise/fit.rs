//! Whether a spare fits what a site needs.

use std::collections::BTreeSet;

use model::{Code, Kilowatts, Volts};
pub use model::{
    site::NeutralNeed,
    unit::{Neutral, Phases},
};
use serde::Serialize;
use utoipa::ToSchema;

use super::PromiseError;
use crate::{
    asked::Asked,
    caution::{BACK_FEED, CARBON_MONOXIDE, Caution},
};

/// What a set can do.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ratings {
    /// What it can carry where it would stand: its nameplate less what height and heat take.
    pub capacity: Option<Kilowatts>,
    /// The voltages that it can be set to.
    pub volts: Option<BTreeSet<Volts>>,
    /// Its phases.
    pub phases: Option<Phases>,
    /// The connectors that it has, cables with it.
    pub connectors: Option<BTreeSet<Code>>,
    /// How its neutral is.
    pub neutral: Option<Neutral>,
}

/// What a site needs.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Need {
    /// The least power.
    pub kw: Option<Kilowatts>,
    /// The voltage of its wiring.
    pub volts: Option<Volts>,
    /// The phases of its wiring.
    pub phases: Option<Phases>,
    /// The connectors that its inlet takes; any of them will do.
    pub connectors: Option<BTreeSet<Code>>,
    /// What its transfer equipment asks of the neutral.
    pub neutral: Option<NeutralNeed>,
}

/// Whether it fits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = SpareFits)]
pub enum Fits {
    /// In everything.
    Fits,
    /// In something it does not.
    DoesNotFit,
    /// Something is not known.
    Unknown,
}

/// What is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = SpareFitAspect)]
pub enum Aspect {
    /// Kilowatts.
    Power,
    /// Volts.
    Voltage,
    /// Phases.
    Phases,
    /// Plugs and inlets.
    Connector,
    /// How the neutral is bonded.
    Neutral,
}

/// Something that does not fit: what the set has, and what is needed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
#[schema(as = SpareMisfit)]
pub enum Misfit {
    /// It is too weak.
    Power {
        /// What it can carry where it would stand.
        #[schema(value_type = f64)]
        value: Kilowatts,
        /// What is needed at least.
        #[schema(value_type = f64)]
        threshold: Kilowatts,
    },
    /// It has another voltage.
    Voltage {
        /// Those that it can be set to.
        #[schema(value_type = Vec<f64>)]
        value: Vec<Volts>,
        /// What is needed.
        #[schema(value_type = f64)]
        threshold: Volts,
    },
    /// It has other phases.
    Phases {
        /// Its own.
        value: Phases,
        /// What is needed.
        threshold: Phases,
    },
    /// None of its connectors goes into the inlet.
    Connector {
        /// Its own.
        #[schema(value_type = Vec<String>)]
        value: Vec<Code>,
        /// Any of these is needed.
        #[schema(value_type = Vec<String>)]
        threshold: Vec<Code>,
    },
    /// Its neutral is bonded where it must not be, or the other way round.
    Neutral {
        /// As it is.
        value: Neutral,
        /// As it must be.
        threshold: NeutralNeed,
    },
}

/// Whether a spare fits, and in what it does not.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = SpareFit)]
pub struct Fit {
    /// Whether it fits.
    pub fits: Fits,
    /// Everything that does not.
    pub misfits: Vec<Misfit>,
    /// What was compared and fits.
    pub fitting: Vec<Aspect>,
    /// What to enter where something is not known.
    pub missing: Vec<Asked>,
    /// What to heed when it is connected.
    pub cautions: Vec<Caution>,
}

const CAUTIONS: [Caution; 2] = [BACK_FEED, CARBON_MONOXIDE];

/// Compares a spare with what a site needs, everything with everything.
///
/// # Errors
/// Where a power is below nothing.
pub fn fit(ratings: &Ratings, need: &Need) -> Result<Fit, PromiseError> {
    for (power, pointer) in [(ratings.capacity, "/capacity_kw"), (need.kw, "/need/kw")] {
        if power.is_some_and(|power| power.hundredths() < 0) {
            return Err(PromiseError::BelowNothing { pointer: pointer.to_owned() });
        }
    }
    let mut told = Told { misfits: Vec::new(), fitting: Vec::new(), missing: Vec::new() };
    told.power(ratings.capacity, need.kw);
    told.voltage(ratings.volts.as_ref(), need.volts);
    told.phases(ratings.phases, need.phases);
    told.connector(ratings.connectors.as_ref(), need.connectors.as_ref());
    told.neutral(ratings.neutral, need.neutral);
    let fits = match (told.misfits.is_empty(), told.missing.is_empty()) {
        (false, _) => Fits::DoesNotFit,
        (true, false) => Fits::Unknown,
        (true, true) => Fits::Fits,
    };
    let Told { misfits, fitting, missing } = told;
    Ok(Fit { fits, misfits, fitting, missing, cautions: CAUTIONS.to_vec() })
}

struct Told {
    misfits: Vec<Misfit>,
    fitting: Vec<Aspect>,
    missing: Vec<Asked>,
}

type Ask = (&'static str, &'static str);

impl Told {
    /// What the set has and what is needed, where both are known.
    fn both<H, N>(&mut self, has: (Option<H>, Ask), needs: (Option<N>, Ask)) -> Option<(H, N)> {
        if has.0.is_none() {
            self.missing.push(Asked::at(has.1.0, has.1.1));
        }
        if needs.0.is_none() {
            self.missing.push(Asked::at(needs.1.0, needs.1.1));
        }
        has.0.zip(needs.0)
    }

    fn compared(&mut self, fits: bool, aspect: Aspect, misfit: Misfit) {
        if fits { self.fitting.push(aspect) } else { self.misfits.push(misfit) }
    }

    fn power(&mut self, has: Option<Kilowatts>, needs: Option<Kilowatts>) {
        let has = (has, ("/capacity_kw", "What the set can carry where it would stand."));
        let needs = (needs, ("/need/kw", "The least power that the site needs."));
        let Some((value, threshold)) = self.both(has, needs) else { return };
        self.compared(value >= threshold, Aspect::Power, Misfit::Power { value, threshold });
    }

    fn voltage(&mut self, has: Option<&BTreeSet<Volts>>, needs: Option<Volts>) {
        let has = (has, ("/volts", "The voltages that the set can be set to."));
        let needs = (needs, ("/need/volts", "The voltage of the site's wiring."));
        let Some((has, threshold)) = self.both(has, needs) else { return };
        let value = has.iter().copied().collect();
        self.compared(has.contains(&threshold), Aspect::Voltage, Misfit::Voltage { value, threshold });
    }

    fn phases(&mut self, has: Option<Phases>, needs: Option<Phases>) {
        let has = (has, ("/phases", "Whether the set has one phase or three."));
        let needs = (needs, ("/need/phases", "Whether the site is wired with one phase or three."));
        let Some((value, threshold)) = self.both(has, needs) else { return };
        self.compared(value == threshold, Aspect::Phases, Misfit::Phases { value, threshold });
    }

    fn connector(&mut self, has: Option<&BTreeSet<Code>>, needs: Option<&BTreeSet<Code>>) {
        let has = (has, ("/connectors", "The connectors that the set has."));
        let needs = (needs, ("/need/connectors", "The connectors that the site's inlet takes."));
        let Some((has, accepted)) = self.both(has, needs) else { return };
        let list = |codes: &BTreeSet<Code>| codes.iter().cloned().collect();
        let misfit = Misfit::Connector { value: list(has), threshold: list(accepted) };
        self.compared(!has.is_disjoint(accepted), Aspect::Connector, misfit);
    }

    fn neutral(&mut self, has: Option<Neutral>, needs: Option<NeutralNeed>) {
        let has = (has, ("/neutral", "Whether the set's neutral is bonded to its frame."));
        let needs = (needs, ("/need/neutral", "Whether the site's transfer equipment switches the neutral."));
        let Some((value, threshold)) = self.both(has, needs) else { return };
        let fits = match value {
            Neutral::Either => true,
            Neutral::Bonded => threshold == NeutralNeed::Bonded,
            Neutral::Floating => threshold == NeutralNeed::Floating,
        };
        self.compared(fits, Aspect::Neutral, Misfit::Neutral { value, threshold });
    }
}
