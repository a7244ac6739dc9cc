//! Whether a unit is ready, how long it will last, and what must be staged: one module for each question.
//!
//! Pure functions of their arguments: no clock, no I/O, no order of arrival. Each answer says what it rests on and how well that is
//! known, and where too little is known it says what to enter instead.
//!
//! | question | module |
//! |---|---|
//! | is it ready, and what is in the way | [`readiness`] |
//! | what an outage takes: stops, work, fuel, oil and parts to stage | [`outage`], with [`burn`] and [`load`] |
//! | who runs out first, and by when a truck has to leave | [`endurance`] |
//! | how likely an outage is survived | [`mission`] |
//! | what an incident came to | [`incident`] |
//! | how old the fuel in a tank is | [`fuel`] |
//! | how a starting battery is | [`battery`] |
//! | which runs count as tests, and what is owed | [`exercise`] |
//! | what may be kept on a site and in a vehicle | [`storage`] |
//! | how many hours it may still run this year, and for what | [`ledger`] |
//! | whether a portable has stayed too long | [`residence`] |
//! | whether a spare fits, and is promised once | [`promise`] |
//! | whether a load can be carried and started | [`load_check`] |
//!
//! What each of them asks is read out of a unit's record by [`record`].
//!
//! How long what is there lasts:
//!
//! ```
//! use standby::{amount::{BurnRate, Volume}, asked::Asked};
//!
//! // 12 L in the tank and 20 L beside it, at 2.5 L/h: 12.8 hours.
//! let there = Volume::from_microlitres(32_000_000);
//! let rate = BurnRate::from_microlitres_per_hour(2_500_000);
//! assert_eq!(there.lasts_seconds(rate), Some(46_080));
//! assert_eq!(there.litres(), model::Litres::from_hundredths(3200));
//!
//! // What is not known is asked for, never guessed.
//! let asked = Asked::at("/tank_litres", "what the tank holds");
//! assert_eq!(asked.pointer, "/tank_litres");
//! ```

pub mod amount;
pub mod asked;
pub mod battery;
pub mod burn;
pub mod caution;
pub mod convert;
pub mod endurance;
pub mod exercise;
pub mod fuel;
pub mod incident;
pub mod ledger;
pub mod load;
pub mod load_check;
pub mod mission;
pub mod outage;
pub mod promise;
pub mod readiness;
pub mod record;
pub mod residence;
pub mod storage;
