//! The invented municipality of Tarn Valley on one morning, as people of several roles see it.

use model::{Code, Hours, Instant, Label, LocalDate, OrganizationId, SiteId, UnitId, Zone, person::Role};
use report::digest::*;
use uuid::Uuid;

pub(crate) fn label(text: &str) -> Label {
    Label::parse(text).unwrap()
}

pub(crate) fn code(text: &str) -> Code {
    Code::parse(text).unwrap()
}

pub(crate) fn day(text: &str) -> LocalDate {
    LocalDate::parse(text).unwrap()
}

/// Ids are counted: sites from 1000, units from 2000.
pub(crate) fn site(number: u128, name: &str) -> SiteRef {
    SiteRef { id: SiteId::from_uuid(Uuid::from_u128(1000 + number)), name: label(name) }
}

pub(crate) fn unit(number: u128, name: &str) -> UnitRef {
    UnitRef { id: UnitId::from_uuid(Uuid::from_u128(2000 + number)), label: label(name) }
}

pub(crate) fn task(task: &str, title: &str) -> TaskRef {
    TaskRef { code: code(task), title: label(title), schedule: Some(label("Alder 7000 manual")) }
}

pub(crate) fn hours(low: i64, high: i64, used: i64) -> Option<HoursAxis> {
    let (late_low, late_high) = (Hours::from_hundredths(low), Hours::from_hundredths(high));
    Some(HoursAxis { late_low, late_high, used })
}

pub(crate) fn days(due: &str, late: i32, used: i64) -> Option<DaysAxis> {
    Some(DaysAxis { due: day(due), late, used })
}

/// A line in a state, with no limit yet.
pub(crate) fn line(unit: UnitRef, task: TaskRef, state: State) -> Line {
    Line {
        unit,
        task,
        state,
        reason: None,
        hours: None,
        days: None,
        due_on: None,
        since: None,
        deferred: None,
        grade: Grade::A,
        next: Next::DoTheWork,
    }
}

/// A list of nothing, on a Thursday in September 2025.
pub(crate) fn nothing() -> Facts {
    let monday = day("2025-06-23");
    let weeks = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11]
        .map(|week| Week { monday: monday.plus_days(7 * week), overdue: None });
    Facts {
        organization_id: OrganizationId::from_uuid(Uuid::from_u128(1)),
        organization_name: label("Tarn Valley"),
        list: ListFacts { id: Uuid::from_u128(2), name: label("Generators"), role: Role::Coordinator },
        local_date: day("2025-09-11"),
        zone: Zone::parse("America/Denver").unwrap(),
        as_of: Instant::parse("2025-09-11T06:00:00-06:00").unwrap(),
        due_by: day("2025-09-18"),
        link_base: Some(WebAddress::parse("https://keepstart.tarnvalley.example").unwrap()),
        previous: Some(day("2025-09-10")),
        heartbeat: false,
        missed_dates: Vec::new(),
        pending: false,
        sites: Vec::new(),
        clear_sites: Vec::new(),
        out_of_service: Vec::new(),
        changed: Changes::default(),
        quality: Vec::new(),
        waiting: None,
        silent_handsets: None,
        escalated: Vec::new(),
        acknowledged: Vec::new(),
        weeks,
    }
}

/// What the example of a subject tells: three overdue, two due this week, the oil of U7 the worst.
pub(crate) fn example() -> Facts {
    let (fire, pump) = (site(3, "FS-3"), site(2, "PS-2"));
    let oil = Line {
        hours: hours(900, 900, 10_900),
        days: days("2025-09-10", 1, 10_054),
        since: Some(day("2025-09-11")),
        ..line(unit(7, "U7"), task("oil_change", "Change the engine oil"), State::Overdue)
    };
    let load = Line {
        days: days("2025-08-31", 11, 10_300),
        since: Some(day("2025-09-01")),
        ..line(unit(2, "U2"), task("load_test", "Run under load"), State::Overdue)
    };
    let plug = Line {
        hours: hours(350, 905, 10_200),
        since: Some(day("2025-09-05")),
        grade: Grade::C,
        ..line(unit(2, "U2"), task("spark_plug_change", "Change the spark plug"), State::Overdue)
    };
    let filter = Line {
        days: days("2025-09-11", 0, 10_000),
        since: Some(day("2025-09-11")),
        grade: Grade::B,
        ..line(unit(7, "U7"), task("air_filter_clean", "Clean the air filter"), State::Due)
    };
    let battery = Line {
        days: days("2025-09-16", -5, 9_700),
        due_on: Some(day("2025-09-16")),
        ..line(unit(8, "U8"), task("battery_check", "Check the battery"), State::ComingDue)
    };
    Facts {
        sites: vec![
            SiteFacts { site: pump, lines: vec![load, plug] },
            SiteFacts { site: fire, lines: vec![filter, battery, oil] },
        ],
        clear_sites: vec![site(9, "Water Works"), site(10, "Library")],
        ..nothing()
    }
}

/// All that there is to tell: what a coordinator sees.
pub(crate) fn coordinator() -> Facts {
    let mut facts = example();
    let (fire, pump, yard) = (site(3, "FS-3"), site(2, "PS-2"), site(5, "Road Yard"));
    facts.sites.push(SiteFacts { site: yard.clone(), lines: yard_lines() });
    facts.out_of_service = vec![OutOfService {
        site: yard.clone(),
        unit: unit(12, "U12"),
        since: day("2025-08-20"),
        reason: code("locked_out"),
    }];
    facts.changed = changes(&fire, &pump);
    let record = |unit, code_text, since| QualityLine {
        site: yard.clone(),
        unit,
        code: code(code_text),
        since: day(since),
    };
    facts.quality = vec![
        record(unit(13, "U13"), "stop_missing", "2025-09-02"),
        record(unit(14, "U14"), "quiet", "2025-08-01"),
        record(unit(11, "U11"), "stale_reading", "2025-07-01"),
    ];
    facts.waiting = Some(Waiting { held: 1, contested: 2 });
    facts.silent_handsets = Some(1);
    facts.escalated = vec![Escalated {
        item: ItemRef { site: pump.clone(), unit: unit(2, "U2"), task: task("load_test", "Run under load") },
        overdue_days: 11,
        to: Role::Coordinator,
    }];
    facts.acknowledged = vec![Acknowledged {
        item: ItemRef { site: fire, unit: unit(8, "U8"), task: task("belt_check", "Check the belt") },
        until: day("2025-09-25"),
        by: Some(label("R. Okafor")),
    }];
    for (week, overdue) in facts.weeks.iter_mut().zip([4, 4, 5, 7, 6, 2, 1, 0, 1, 2, 2, 3]) {
        week.overdue = Some(overdue).filter(|count| *count != 7);
    }
    facts
}

fn yard_lines() -> Vec<Line> {
    let unknown = Line {
        reason: Some(Reason::PossiblyDue),
        hours: hours(-2760, 3990, 7_780),
        since: Some(day("2025-07-01")),
        grade: Grade::C,
        next: Next::ReadMeter,
        ..line(unit(11, "U11"), task("oil_change", "Change the engine oil"), State::Unknown)
    };
    let never = Line {
        reason: Some(Reason::NoHistory),
        grade: Grade::D,
        next: Next::BaselineService,
        ..line(unit(13, "U13"), task("oil_change", "Change the engine oil"), State::Unknown)
    };
    let later = Line {
        hours: hours(-2760, -2760, 7_240),
        days: days("2025-12-10", -90, 5_000),
        due_on: Some(day("2025-10-02")),
        ..line(unit(12, "U12"), task("oil_change", "Change the engine oil"), State::ComingDue)
    };
    let deferred = Line {
        reason: Some(Reason::Emergency),
        hours: hours(500, 500, 10_500),
        deferred: Some(Deferred {
            until_date: Some(day("2025-09-30")),
            until_hours: Some(Hours::from_hundredths(25500)),
        }),
        ..line(unit(11, "U11"), task("fuel_filter_change", "Change the fuel filter"), State::Deferred)
    };
    let fine = line(unit(11, "U11"), task("coolant_check", "Check the coolant"), State::Ok);
    vec![unknown, never, later, deferred, fine]
}

/// Worked example A36: the handset was offline for three days.
fn changes(fire: &SiteRef, pump: &SiteRef) -> Changes {
    let changed = |site: &SiteRef, unit, task, before, after, why| ChangedLine {
        item: ItemRef { site: site.clone(), unit, task },
        before,
        after,
        why,
    };
    let (overdue, ok) = (Some(State::Overdue), Some(State::Ok));
    Changes {
        lines: vec![
            changed(
                fire,
                unit(8, "U8"),
                task("oil_change", "Change the engine oil"),
                overdue,
                ok,
                Why::LateEntry,
            ),
            changed(fire, unit(9, "U9"), task("load_test", "Run under load"), overdue, ok, Why::LateEntry),
            changed(
                fire,
                unit(7, "U7"),
                task("oil_change", "Change the engine oil"),
                Some(State::Due),
                overdue,
                Why::LateEntry,
            ),
            changed(pump, unit(4, "U4"), task("oil_change", "Change the engine oil"), None, ok, Why::NewUnit),
        ],
        entries: 37,
        late_entries: 37,
        cleared_overdue: 2,
        new_overdue: 1,
    }
}

/// The custodian of one station sees that station, and nothing that waits for others to decide.
pub(crate) fn custodian() -> Facts {
    let mut facts = coordinator();
    facts.list = ListFacts { id: Uuid::from_u128(3), name: label("Fire Station 3"), role: Role::Custodian };
    let here = |site: &SiteRef| site.name.as_str() == "FS-3";
    facts.sites.retain(|facts| here(&facts.site));
    facts.clear_sites.clear();
    facts.out_of_service.retain(|tag| here(&tag.site));
    facts.changed.lines.retain(|line| here(&line.item.site));
    facts.quality.retain(|line| here(&line.site));
    facts.escalated.retain(|line| here(&line.item.site));
    facts.waiting = None;
    facts.silent_handsets = None;
    for acknowledged in &mut facts.acknowledged {
        acknowledged.by = None;
    }
    for week in &mut facts.weeks {
        week.overdue = None;
    }
    facts
}

/// The planner is told what has been overdue for long.
pub(crate) fn planner() -> Facts {
    let mut facts = coordinator();
    facts.list = ListFacts { id: Uuid::from_u128(4), name: label("Readiness"), role: Role::Planner };
    facts.waiting = None;
    facts.silent_handsets = None;
    facts.quality.clear();
    facts.changed = Changes::default();
    for escalated in &mut facts.escalated {
        escalated.overdue_days = 14;
        escalated.to = Role::Planner;
    }
    facts
}

/// A week without a change.
pub(crate) fn heartbeat() -> Facts {
    Facts {
        heartbeat: true,
        previous: Some(day("2025-09-04")),
        missed_dates: vec![day("2025-09-08"), day("2025-09-09")],
        ..example()
    }
}

/// Where nothing is wrong, and nothing can be linked to.
pub(crate) fn all_clear() -> Facts {
    Facts { clear_sites: vec![site(9, "Water Works")], link_base: None, previous: None, ..nothing() }
}

/// Every mail that is looked at, by name.
pub(crate) fn all() -> Vec<(&'static str, Facts)> {
    vec![
        ("example", example()),
        ("coordinator", coordinator()),
        ("custodian", custodian()),
        ("planner", planner()),
        ("heartbeat", heartbeat()),
        ("all_clear", all_clear()),
    ]
}

/// A mail to the one on duty.
pub(crate) fn envelope(facts: &Facts) -> Envelope {
    let address = |text| Address::parse(text).unwrap();
    let domain = Domain::parse("keepstart.tarnvalley.example").unwrap();
    let hash = LinesHash::parse("c40a8f9715e13779").unwrap();
    let id = |date| MessageId::of(facts.organization_id, facts.list.id, date, &hash, &domain);
    Envelope {
        from_name: Some(format!("Keepstart, {}", facts.organization_name)),
        from: address("digest@keepstart.tarnvalley.example"),
        to: address("duty@tarnvalley.example"),
        message_id: id(facts.local_date),
        date: facts.as_of,
        references: facts.previous.map(id),
        organization_id: facts.organization_id,
        list_id: facts.list.id,
        unsubscribe_url: WebAddress::parse(
            "https://keepstart.tarnvalley.example/v1/unsubscribe/AbCdEfGhIjKlMnOpQrStUv0123456789",
        )
        .unwrap(),
        unsubscribe_mailto: Some(address("unsubscribe+AbCdEf@keepstart.tarnvalley.example")),
        domain,
    }
}
