//! Sets that stand by at sites which need them all: what they burn is known, they are filled and tested.

use anyhow::Result;
use model::event::ServiceEvent;
use serde_json::{Value, json};

use crate::unit::Unit;

/// Units of a site.
pub(crate) const AT_A_SITE: usize = 10;
/// When the first of them began.
pub(crate) const BEGIN: &str = "2026-04-20T08:00:00Z";
const DAY: i64 = 86_400;
/// Days in which it is tested evenly.
const TESTED: i64 = 40;

/// What is known of such a site: ten units of 5.5 kW carry its load, nine do not.
pub(crate) fn site() -> Value {
    json!({"needs_kw": 52, "needs_hours": 5, "elevation_metres": 0})
}

/// What is known of such a unit beside what is known of any.
pub(crate) fn fields() -> Value {
    json!({
        "burn_curve": [{"load_percent": 0, "litres_per_hour": 0.7}, {"load_percent": 100, "litres_per_hour": 3.2}],
        "electric_start": true, "battery_volts": 12, "oil_litres": 1.1, "oil_check_hours": 8,
    })
}

/// It comes into service, is seen to, tested and filled, so that it has been through so many events. If it is not ready, that is
/// since the last of them.
pub(crate) fn life(unit: &mut Unit, events: usize, ready: bool) -> Result<Vec<ServiceEvent>> {
    let mut life = Vec::from(unit.begins()?);
    life.push(unit.service_of("oil_change", DAY, 0)?);
    life.push(unit.happens(3600, json!({"kind": "battery", "result": "passed", "on_maintainer": true}))?);
    let tests = events.saturating_sub(life.len() + 3);
    let step = TESTED * DAY / i64::try_from(tests.max(1))?;
    for _ in 0..tests {
        life.push(unit.happens(step, test())?);
    }
    life.push(unit.happens(3600, json!({"kind": "fuel", "action": "measured", "litres": 2}))?);
    life.push(unit.happens(600, filled())?);
    let severity = if ready { "minor" } else { "critical" };
    life.push(unit.happens(3600, json!({"kind": "finding", "action": "opened", "severity": severity}))?);
    Ok(life)
}

fn filled() -> Value {
    json!({"kind": "fuel", "action": "filled", "litres": 21, "bought_on": "2026-05-28", "ethanol": "free"})
}

/// It starts at once and runs for half an hour with a load.
fn test() -> Value {
    json!({"kind": "run", "run_hours": 0.5, "load_kw": 2.5, "start_attempts": 1, "reason": "test"})
}

#[cfg(test)]
mod tests {
    use model::Instant;

    use super::*;
    use crate::town::Places;

    #[test]
    fn it_has_been_through_so_many_events() {
        for events in [8, 20] {
            let mut unit = Unit::new(&Places::new(), 0, Instant::parse(BEGIN).unwrap());
            assert_eq!(life(&mut unit, events, true).unwrap().len(), events);
        }
    }
}
