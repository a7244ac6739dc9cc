//! What a set can give, and what its loads take.

use std::cmp::Reverse;

use model::Kilowatts;

use super::{
    Load, Place, Set, Watts,
    answer::{LoadTrace, StartStep},
    derate::{DerateRule, Factor},
};
use crate::asked::Asked;

/// What height and heat leave of a rating: this, or at most that where one of them is not known.
#[derive(Clone, Copy)]
pub(super) struct Left {
    pub(super) sure: Option<Factor>,
    pub(super) most: Factor,
}

/// What a set can give: this much for sure, and no more than that.
#[derive(Clone, Copy)]
pub(super) struct Limit {
    pub(super) sure: Option<Watts>,
    pub(super) most: Option<Watts>,
}

pub(super) struct Limits {
    pub(super) nameplate: Option<Watts>,
    pub(super) run: Limit,
    pub(super) start: Limit,
}

#[derive(Clone, Copy)]
pub(super) enum Holds {
    Within,
    Over(Watts),
    Unknown,
}

impl Holds {
    pub(super) const fn known(self) -> Option<bool> {
        match self {
            Self::Within => Some(true),
            Self::Over(_) => Some(false),
            Self::Unknown => None,
        }
    }
}

impl Limit {
    /// Whether a load, or at least that much of it as is known, can be given.
    pub(super) fn holds(self, load: Watts, all_known: bool) -> Holds {
        match (self.most, self.sure) {
            (Some(most), _) if load > most => Holds::Over(most),
            (_, Some(sure)) if all_known && load <= sure => Holds::Within,
            _ => Holds::Unknown,
        }
    }
}

pub(super) struct Sums {
    pub(super) running: Watts,
    pub(super) running_known: bool,
    pub(super) worst_order: Watts,
    pub(super) at_once: Watts,
}

pub(super) struct Told {
    pub(super) missing: Vec<Asked>,
    pub(super) trace: Vec<LoadTrace>,
}

impl Told {
    fn ask(&mut self, pointer: impl Into<String>, enter: &'static str) {
        self.missing.push(Asked::at(pointer, enter));
    }

    /// What height and heat leave of the nameplate.
    pub(super) fn left(&mut self, set: &Set, place: &Place) -> Left {
        if place.elevation.is_none() {
            self.ask("/elevation_metres", "How high the site lies.");
        }
        if place.air.is_none() {
            self.ask("/air_celsius", "How warm the air is that the set draws, on the hottest day.");
        }
        let Some(rule) = &set.rule else {
            self.ask(
                "/derating",
                "What the model's manual takes off for height and heat; no rule holds for all models.",
            );
            return Left { sure: None, most: Factor::ALL };
        };
        let DerateRule { rule: name, source, of, together, .. } = rule.clone();
        self.trace.push(LoadTrace::RuleUsed { rule: name, source, of, together });
        let altitude = place.elevation.and_then(|metres| {
            let factor = rule.altitude.at_metres(metres);
            self.beyond(factor, "/derating", "What the maker says of this height: its rule ends below it.")
        });
        let temperature = place.air.and_then(|air| {
            let factor = rule.temperature.at_celsius(air);
            self.beyond(factor, "/derating", "What the maker says of such heat: its rule ends below it.")
        });
        self.trace.extend(altitude.map(|factor| LoadTrace::AltitudeFactor { factor }));
        self.trace.extend(temperature.map(|factor| LoadTrace::TemperatureFactor { factor }));
        let sure =
            altitude.zip(temperature).map(|(altitude, temperature)| together.of(altitude, temperature));
        self.trace.extend(sure.map(|factor| LoadTrace::Factor { factor }));
        let most = together.of(altitude.unwrap_or(Factor::ALL), temperature.unwrap_or(Factor::ALL));
        Left { sure, most }
    }

    fn beyond(
        &mut self,
        factor: Option<Factor>,
        pointer: &'static str,
        enter: &'static str,
    ) -> Option<Factor> {
        if factor.is_none() {
            self.ask(pointer, enter);
        }
        factor
    }

    pub(super) fn limits(&mut self, set: &Set, left: Left) -> Limits {
        if set.nameplate.is_none() {
            self.ask("/rated_kw", "The rated continuous output.");
        }
        let (nameplate, start) = (set.nameplate.map(watts), set.start.map(watts));
        let limit = |rating: Option<Watts>| Limit {
            sure: left.sure.zip(rating).map(|(factor, rating)| factor.of(rating)),
            most: rating.map(|rating| left.most.of(rating)),
        };
        let (run, start) = (limit(nameplate), limit(start));
        Limits { nameplate, run, start: Limit { sure: start.sure.or(run.sure), ..start } }
    }

    /// Asks for the start rating only where it would make a difference.
    pub(super) fn start_asked(&mut self, set: &Set, starting: Holds) {
        if set.start.is_none() {
            match starting {
                Holds::Within => self.trace.push(LoadTrace::StartNotNeeded),
                _ => self.ask("/start_kw", "What the set can give for the moment in which something starts."),
            }
        }
    }

    pub(super) fn sums(&mut self, loads: &[Load]) -> Sums {
        if loads.is_empty() {
            self.ask("/loads", "What the set has to run.");
        }
        for (place, load) in loads.iter().enumerate() {
            if load.running.is_none() {
                self.ask(format!("/loads/{place}/running_watts"), "What it takes while it runs.");
            }
            if load.surge.is_none() {
                let enter = "What it takes on top of that while it starts; 0 for lights and heaters.";
                self.ask(format!("/loads/{place}/surge_watts"), enter);
            }
        }
        let running: Watts = loads.iter().filter_map(|load| load.running).sum();
        let surges = || loads.iter().filter_map(|load| load.surge);
        Sums {
            running,
            running_known: !loads.is_empty() && loads.iter().all(|load| load.running.is_some()),
            worst_order: running.plus(surges().max().unwrap_or_default()),
            at_once: running.plus(surges().sum()),
        }
    }

    /// The largest surge first, which keeps the peak lowest: of any two neighbours, the one with the larger surge finds less
    /// running before it. Also whether all loads are in it.
    pub(super) fn order(&mut self, loads: &[Load]) -> (Vec<StartStep>, bool) {
        let mut known: Vec<(usize, &Load, Watts, Watts)> = Vec::with_capacity(loads.len());
        for (place, load) in loads.iter().enumerate() {
            match load.running.zip(load.surge) {
                Some((running, surge)) => known.push((place, load, running, surge)),
                None => self.trace.push(LoadTrace::LeftOutOfOrder { place }),
            }
        }
        known.sort_by_key(|(place, _, running, surge)| (Reverse(*surge), Reverse(*running), *place));
        let all_known = !loads.is_empty() && known.len() == loads.len();
        let mut before = Watts::default();
        let step = |(place, load, running, surge): (usize, &Load, Watts, Watts)| {
            let then_watts = before.plus(running);
            let peak_watts = then_watts.plus(surge);
            before = then_watts;
            StartStep { place, name: load.name.clone(), peak_watts, then_watts }
        };
        (known.into_iter().map(step).collect(), all_known)
    }
}

fn watts(kilowatts: Kilowatts) -> Watts {
    Watts::from_whole(u32::try_from(kilowatts.hundredths().saturating_mul(10)).unwrap_or(u32::MAX))
}
