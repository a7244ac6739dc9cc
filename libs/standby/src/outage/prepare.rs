//! From what was entered to a set that can be run: everything that cannot be is refused, everything missing is named.

use interval::Grade;
use model::{Code, Hours, Instant, quantity::Litres};

use super::{
    Carried, EngineHours, OnSite, Outage, OutageError, Set, Supply, Task,
    course::{self, Stock, Work},
    rates::{Rates, Reading},
};
use crate::{
    amount::Volume,
    asked::Asked,
    burn::{Beyond, Burn},
    load::{Share, Timeline, Window},
};

/// A set that can be run, or what is missing.
pub(super) enum Prepared {
    /// It can be run.
    Ready(Box<Ready>),
    /// It cannot, without these.
    Missing(Vec<Asked>),
}

/// A set that can be run.
pub(super) struct Ready {
    pub seconds: i64,
    pub until: Instant,
    pub burn: Burn,
    pub rates: Rates,
    pub beyond: Vec<(Share, Beyond)>,
    /// How well the fuel is known: the worst of all its loads; not at all where it comes from a main.
    pub fuel_grade: Grade,
    /// Whether more than the rated output is carried.
    pub overload: bool,
    pub load: Carried,
    pub supply: course::Supply,
    pub check_every: Hours,
    /// The task whose interval that is.
    pub check_task: Option<Code>,
    pub since_check: i64,
    pub plain_stop: i64,
    /// Those that stops are made for: in the order of `places`.
    pub work: Vec<Work>,
    /// The place of each among the tasks of the set.
    pub places: Vec<usize>,
    /// Tasks that are left out, since engine hours are not known.
    pub left_out: Vec<usize>,
}

impl Ready {
    /// The set with what it is filled from.
    pub(super) fn set(&self, stock: Stock) -> course::Set<'_> {
        course::Set {
            duration: self.seconds,
            rates: &self.rates,
            supply: self.supply,
            stock,
            check_every: self.check_every.seconds(),
            since_check: self.since_check,
            plain_stop: self.plain_stop,
            work: self.work.clone(),
        }
    }
}

pub(super) fn prepare(outage: &Outage, set: &Set) -> Result<Prepared, OutageError> {
    let seconds = duration(outage)?;
    let mut missing = Vec::new();
    let supply = supply(set, &mut missing)?;
    on_site(set.on_site)?;
    let burn = Burn::of(&set.burn).map_err(|field| missing.push(field)).ok();
    if set.load.is_none() {
        missing.push(Asked::at("/load", "what the set has to carry"));
    }
    let window = Window { start: outage.start, seconds, zone: &outage.zone };
    let load = set.load.as_ref().map(|load| Timeline::of(load, set.burn.rated_kw, &window)).transpose()?;
    let (check_every, check_task) = check(outage, set)?;
    not_below(set.since_check.seconds(), "/since_check_hours")?;
    let plain_stop = set.plain_stop.unwrap_or(outage.policy.plain_stop).seconds();
    not_below(plain_stop, "/plain_stop_hours")?;
    let Tasks { work, places, left_out } = tasks(outage, set)?;
    let (Some(burn), Some(load), Some(supply), true) = (burn, load, supply, missing.is_empty()) else {
        return Ok(Prepared::Missing(missing));
    };
    let Reading { rates, beyond, grade: fuel_grade, overload, load } = Rates::of(&burn, &load, seconds);
    let supply = if burn == Burn::Piped { course::Supply::Fed } else { supply };
    let until = outage.start.plus_seconds(seconds);
    let since_check = set.since_check.seconds();
    Ok(Prepared::Ready(Box::new(Ready {
        seconds,
        until,
        burn,
        rates,
        beyond,
        fuel_grade,
        overload,
        load,
        supply,
        check_every,
        check_task,
        since_check,
        plain_stop,
        work,
        places,
        left_out,
    })))
}

/// Stock that can be.
pub(super) fn on_site(stock: OnSite) -> Result<(), OutageError> {
    not_below(stock.litres.hundredths(), "/on_site/litres")?;
    stock.can_size.map_or(Ok(()), |size| positive(size.hundredths(), "/on_site/can_litres"))
}

pub(super) fn duration(outage: &Outage) -> Result<i64, OutageError> {
    let seconds = outage.duration.seconds();
    if seconds <= 0 {
        return Err(OutageError::DurationNotPositive);
    }
    if outage.duration > outage.policy.longest {
        return Err(OutageError::DurationTooLong { most: outage.policy.longest });
    }
    if Instant::LAST.seconds_since(outage.start) < seconds {
        return Err(OutageError::EndsTooLate);
    }
    Ok(seconds)
}

/// Where the fuel comes from; nothing where it is not known.
fn supply(set: &Set, missing: &mut Vec<Asked>) -> Result<Option<course::Supply>, OutageError> {
    if set.burn.fuel == Some(model::unit::Fuel::NaturalGas) {
        return Ok(Some(course::Supply::Fed));
    }
    let Supply::OwnTank { capacity, start, reserve } = &set.supply else {
        return Ok(Some(course::Supply::Fed));
    };
    not_below(reserve.hundredths(), "/supply/reserve_litres")?;
    if let Some(start) = start {
        not_below(start.hundredths(), "/supply/start_litres")?;
    } else {
        missing.push(Asked::at("/supply/start_litres", "how much is in the tank"));
    }
    let Some(capacity) = capacity else {
        missing.push(Asked::at("/supply/tank_litres", "what the tank holds"));
        return Ok(None);
    };
    if capacity.hundredths() <= 0 {
        return Err(OutageError::TankHoldsNothing);
    }
    if reserve >= capacity {
        return Err(OutageError::ReserveFillsTheTank);
    }
    if start.is_some_and(|start| start > *capacity) {
        return Err(OutageError::MoreThanTheTankHolds);
    }
    let volume = |litres: &Litres| Volume::from(*litres);
    Ok(start.as_ref().map(|start| course::Supply::Tank {
        capacity: volume(capacity),
        start: volume(start),
        reserve: volume(reserve),
    }))
}

/// What stops keep to, and the task that says so.
fn check(outage: &Outage, set: &Set) -> Result<(Hours, Option<Code>), OutageError> {
    let mut checks = set.tasks.iter().enumerate().filter(|(_, task)| task.is_check);
    let first = checks.next();
    if let Some((place, _)) = checks.next() {
        return Err(OutageError::TwoChecks { pointer: format!("/tasks/{place}") });
    }
    if let Some(every) = set.check_every {
        positive(every.seconds(), "/check_every_hours")?;
        return Ok((every, None));
    }
    let of_task = first.and_then(|(_, task)| Some((task.hours?.interval, Some(task.task.clone()))));
    Ok(of_task.unwrap_or((outage.policy.check_every, None)))
}

struct Tasks {
    work: Vec<Work>,
    places: Vec<usize>,
    left_out: Vec<usize>,
}

fn tasks(outage: &Outage, set: &Set) -> Result<Tasks, OutageError> {
    if let Some(hours) = set.engine_hours {
        not_below(hours.nominal.seconds(), "/engine_hours/nominal")?;
        if hours.upper < hours.nominal {
            return Err(OutageError::UpperBelowNominal);
        }
    }
    let mut tasks = Tasks { work: Vec::new(), places: Vec::new(), left_out: Vec::new() };
    for (place, task) in set.tasks.iter().enumerate() {
        check_task(task, place)?;
        if task.is_check {
            continue;
        }
        if task.hours.is_some() && set.engine_hours.is_none() {
            tasks.left_out.push(place);
        }
        let work = work(outage, task, set.engine_hours);
        if work.due_run.is_some() || work.due_offset.is_some() {
            tasks.work.push(work);
            tasks.places.push(place);
        }
    }
    Ok(tasks)
}

fn check_task(task: &Task, place: usize) -> Result<(), OutageError> {
    if task.hours.is_none() && task.due_date.is_none() {
        return Err(OutageError::TaskWithoutLimit { pointer: format!("/tasks/{place}") });
    }
    if let Some(hours) = task.hours {
        positive(hours.interval.seconds(), &format!("/tasks/{place}/hours/interval"))?;
        not_below(hours.tolerance.seconds(), &format!("/tasks/{place}/hours/tolerance"))?;
    }
    not_below(task.stop.map_or(0, Hours::seconds), &format!("/tasks/{place}/stop_hours"))
}

/// When a task is due from the start on, by the most that engine hours may be.
fn work(outage: &Outage, task: &Task, hours: Option<EngineHours>) -> Work {
    let limit = task.hours.zip(hours);
    let past = task.due_date.map(|date| outage.zone.midnight(date.plus_days(1)).seconds_since(outage.start));
    Work {
        due_run: limit.map(|(limit, now)| (limit.due_at - now.upper).seconds()),
        interval: task.hours.map_or(0, |limit| limit.interval.seconds()),
        tolerance: task.hours.map_or(0, |limit| limit.tolerance.seconds()),
        due_offset: past,
        stop: task.stop.unwrap_or(outage.policy.work_stop).seconds(),
    }
}

pub(super) fn not_below(value: i64, pointer: &str) -> Result<(), OutageError> {
    if value < 0 { Err(OutageError::BelowNothing { pointer: pointer.to_owned() }) } else { Ok(()) }
}

fn positive(value: i64, pointer: &str) -> Result<(), OutageError> {
    if value <= 0 { Err(OutageError::NotPositive { pointer: pointer.to_owned() }) } else { Ok(()) }
}
