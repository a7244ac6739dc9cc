//! A course in the words of the answer.

use std::iter;

use model::{Hours, Instant, quantity::Litres};

use super::{
    After, Filling, OnSiteLasts, Outage, RunThrough, Set, Stop, StopReason, Supply, TraceEntry, Work,
    cautions,
    course::{self, Cause, Course},
    prepare::Ready,
    stage,
};
use crate::burn::Burn;

/// The ways in which a set may go.
pub(super) struct Courses<'a> {
    pub staged: &'a Course,
    pub with_stock: &'a Course,
}

pub(super) fn plan(
    outage: &Outage,
    set: &Set,
    ready: &Ready,
    filling: Filling,
    courses: &Courses<'_>,
) -> RunThrough {
    let course = match filling {
        Filling::Staged => courses.staged,
        Filling::FromSite => courses.with_stock,
    };
    let own_tank = matches!(ready.supply, course::Supply::Tank { .. });
    let liquid = ready.burn != Burn::Piped;
    RunThrough {
        from: outage.start,
        until: ready.until,
        load: ready.load,
        stops: course.stops.iter().map(|told| stop(outage, set, ready, told)).collect(),
        run_hours: Hours::from_seconds(course.run),
        down_hours: Hours::from_seconds(course.down),
        out_hours: Hours::from_seconds(ready.seconds - course.run - course.down),
        fuel_burned_litres: liquid.then(|| course.burned.litres()),
        fuel_added_litres: own_tank.then(|| course.added.litres()),
        fuel_at_end_litres: own_tank.then(|| course.end.litres()),
        fuel_without_stops_litres: liquid.then(|| ready.rates.burned(0, ready.seconds).litres()),
        engine_hours_at_end: hours_after(set, course.run),
        fuel_grade: ready.fuel_grade,
        // What is short must not be reckoned from a run that was cut short.
        stage: stage::stage(outage, set, ready, courses.staged),
        on_site: on_site(outage.start, set, ready, courses.with_stock),
        after: after(set, ready, course),
        trace: trace(outage, set, ready, filling, course),
        cautions: cautions::of(set.burn.fuel, course, set, ready),
    }
}

fn hours_after(set: &Set, run: i64) -> Option<Hours> {
    set.engine_hours.map(|hours| hours.nominal + Hours::from_seconds(run))
}

fn stop(outage: &Outage, set: &Set, ready: &Ready, told: &course::Stop) -> Stop {
    let refuel = (told.added.microlitres() > 0).then_some(Work::Refuel);
    let tasks = (!told.work.is_empty()).then_some(Work::Tasks);
    let task = |work: &usize| set.tasks.get(*ready.places.get(*work)?).map(|task| task.task.clone());
    Stop {
        at: outage.start.plus_seconds(told.offset),
        lasts_hours: Hours::from_seconds(told.seconds),
        run_hours: Hours::from_seconds(told.run),
        engine_hours: hours_after(set, told.run),
        add_litres: told.added.litres(),
        work: iter::once(Work::CheckOil).chain(refuel).chain(tasks).collect(),
        tasks: told.work.iter().filter_map(task).collect(),
        reason: match told.cause {
            _ if told.offset == 0 && !set.running => StopReason::BeforeStart,
            Cause::Reserve => StopReason::ReserveReached,
            Cause::Task => StopReason::TaskDue,
            Cause::Check | Cause::End => StopReason::OilCheck,
        },
    }
}

fn on_site(start: Instant, set: &Set, ready: &Ready, with_stock: &Course) -> OnSiteLasts {
    match (&ready.burn, &set.supply, with_stock.ran_dry) {
        (Burn::Piped, ..) => OnSiteLasts::Piped,
        (_, Supply::SiteTank, _) => OnSiteLasts::OfTheSite,
        (.., None) => OnSiteLasts::Suffices,
        (.., Some(offset)) => OnSiteLasts::RunsOut {
            at: start.plus_seconds(offset),
            run_hours: Hours::from_seconds(with_stock.run),
        },
    }
}

/// What falls due after: hours first, the soonest first.
fn after(set: &Set, ready: &Ready, course: &Course) -> Vec<After> {
    let after = |(nth, (work, place)): (usize, (&course::Work, &usize))| {
        let task = set.tasks.get(*place)?;
        let left = work.due_run.map(|due| Hours::from_seconds(due.saturating_sub(course.run)));
        let due_at = if is_done(course, nth) {
            work.due_run.and_then(|due| hours_after(set, due))
        } else {
            left.and(task.hours).map(|limit| limit.due_at)
        };
        let due_date = work.due_offset.and(task.due_date);
        (left.is_some() || due_date.is_some()).then(|| After {
            task: task.task.clone(),
            due_at_hours: due_at,
            left_hours: left,
            due_date,
        })
    };
    let mut after: Vec<After> = course.work.iter().zip(&ready.places).enumerate().filter_map(after).collect();
    after.sort_by_key(|after| (after.left_hours.is_none(), after.left_hours, after.due_date));
    after
}

/// Whether some work was done at a stop.
fn is_done(course: &Course, work: usize) -> bool {
    course.stops.iter().any(|stop| stop.work.contains(&work))
}

/// Tasks with a date that were done: when they are due again nobody said.
fn once<'a>(set: &'a Set, ready: &'a Ready, course: &'a Course) -> impl Iterator<Item = TraceEntry> + 'a {
    let done = ready.places.iter().enumerate().filter(|(nth, _)| is_done(course, *nth));
    let dated = done.filter(|(_, place)| set.tasks.get(**place).is_some_and(|task| task.due_date.is_some()));
    dated.map(|(_, place)| TraceEntry::LeftOut {
        pointer: format!("/tasks/{place}/due_date"),
        enter: "the date on which it is due again: a date is planned once",
    })
}

fn trace(outage: &Outage, set: &Set, ready: &Ready, filling: Filling, course: &Course) -> Vec<TraceEntry> {
    let mut trace = vec![TraceEntry::PolicyUsed { policy: outage.policy.name }];
    match &ready.burn {
        Burn::Tank { basis, grade, .. } => trace.push(TraceEntry::BurnUsed { basis: *basis, grade: *grade }),
        Burn::Piped => trace.push(TraceEntry::PipedFuel),
    }
    trace.extend(
        ready.beyond.iter().map(|(load, side)| TraceEntry::BeyondCurve { load_share: *load, side: *side }),
    );
    trace.push(TraceEntry::ChecksEvery { hours: ready.check_every, task: ready.check_task.clone() });
    if let Some(hours) = set.engine_hours {
        let (nominal_hours, upper_hours, grade) = (hours.nominal, hours.upper, hours.grade);
        trace.push(TraceEntry::HoursUsed { nominal_hours, upper_hours, grade });
    }
    trace.push(match filling {
        Filling::Staged => TraceEntry::FilledAtEachStop,
        Filling::FromSite => TraceEntry::FilledFromSiteOnly,
    });
    trace.push(TraceEntry::LongestWorkCounts);
    let left_out = |place: &usize| TraceEntry::LeftOut {
        pointer: format!("/tasks/{place}/hours"),
        enter: "a reading of the hour meter, without which a limit in hours says nothing",
    };
    trace.extend(ready.left_out.iter().map(left_out));
    trace.extend(stage::not_told(set));
    trace.extend(once(set, ready, course));
    trace.extend(stage::left_out(set));
    trace
}

/// How many of some size an amount takes, rounded up.
pub(super) fn up(part: Litres, size: Litres) -> i64 {
    let size = size.hundredths().max(1);
    let part = part.hundredths().max(0);
    part / size + i64::from(part % size > 0)
}
