//! Readiness: `tests/vectors/standby/readiness.json`, and the laws of verdicts.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod worked;

use interval::{DueState, Fraction};
use model::{Code, Hours, Instant, LocalDate, Metres, UnitId, Zone, id::EventId, id::SiteId};
use proptest::prelude::*;
use serde_json::Value;
use standby::readiness::{
    BatteryFact, Bound, DueFact, EnduranceFact, Fact, Facts, Known, LoadFact, PolicyError, Readiness,
    ReadinessPolicy, Reason, Recommission, Rule, SiteUnit, StartOutcome, Trace, Verdict,
    binomial::{ONE_SIDED_95, TWO_SIDED_95, Trials, TrialsError, straight_successes_for},
    judge, site_readiness,
};
use worked::{cases, file, instant, kilowatts, matches_whole as matches, number, text, uuid};

fn event(place: &Value) -> EventId {
    EventId::parse(&uuid(place.as_i64().unwrap())).unwrap()
}

fn events(list: &Value) -> Vec<EventId> {
    list.as_array().map(|list| list.iter().map(event).collect()).unwrap_or_default()
}

fn unit(place: i64) -> UnitId {
    UnitId::parse(&uuid(place)).unwrap()
}

fn fact<T>(given: &Value, read: impl Fn(&Value) -> T) -> Fact<T> {
    match given {
        Value::Null => Fact::NotKnown,
        Value::String(word) if word == "does_not_apply" => Fact::DoesNotApply,
        Value::Object(members) if members.contains_key("changes_at") => {
            let changes_at = instant(&given["changes_at"]);
            Fact::Known(Known { changes_at, ..Known::lasting(read(&given["value"])) })
        }
        given => Fact::Known(Known::lasting(read(given))),
    }
}

fn date(given: &Value) -> Option<LocalDate> {
    given.as_str().map(|text| LocalDate::parse(text).unwrap())
}

fn hours(given: &Value) -> Option<Hours> {
    number(given, 2).map(Hours::from_hundredths)
}

fn due(item: &Value) -> DueFact {
    DueFact {
        job: Code::parse(text(item, "job")).unwrap(),
        state: DueState::parse(text(item, "state")).unwrap(),
        past_hours: hours(&item["past_hours"]),
        past_days: item["past_days"].as_i64(),
        tolerance_hours: hours(&item["tolerance_hours"]),
        tolerance_days: item["tolerance_days"].as_i64(),
        evidence: events(&item["evidence"]),
        changes_at: instant(&item["changes_at"]),
    }
}

fn start(word: &Value) -> StartOutcome {
    match word.as_str().unwrap() {
        "first_try" => StartOutcome::FirstTry,
        "later_try" => StartOutcome::LaterTry,
        "failed" => StartOutcome::Failed,
        "failed_then_recovered" => StartOutcome::FailedThenRecovered,
        other => panic!("{other}"),
    }
}

fn trials(given: &Value, succeeded: &str, trials: &str) -> Trials {
    let count = |name: &str| u32::try_from(given[name].as_i64().unwrap()).unwrap();
    Trials::new(count(succeeded), count(trials)).unwrap()
}

fn facts(given: &Value) -> Facts {
    Facts {
        unit: unit(77),
        critical_findings: events(&given["critical_findings"]),
        tags: events(&given["tags"]),
        due: fact(&given["due"], |items| items.as_array().unwrap().iter().map(due).collect()),
        last_start: fact(&given["last_start"], start),
        battery: fact(&given["battery"], |battery| BatteryFact {
            passed: battery["passed"].as_bool(),
            check_due_on: date(&battery["check_due_on"]),
        }),
        recommission: fact(&given["recommission"], |word| match word.as_str().unwrap() {
            "open" => Recommission::Open,
            _ => Recommission::Closed,
        }),
        endurance: fact(&given["endurance"], |lasts| EnduranceFact {
            hours: hours(&lasts["hours"]).unwrap(),
            needed: hours(&lasts["needed"]),
        }),
        stale_fuel: fact(&given["stale_fuel"], |share| Fraction::of(number(share, 4).unwrap(), 10_000)),
        last_test: fact(&given["last_test"], |day| date(day).unwrap()),
        starts: fact(&given["starts"], |starts| trials(starts, "started", "demands")),
        load: fact(&given["load"], |load| LoadFact {
            load: kilowatts(&load["load"]).unwrap(),
            capacity: kilowatts(&load["capacity"]).unwrap(),
        }),
        newest_reading: fact(&given["newest_reading"], |at| instant(at).unwrap()),
        co_alarm_works: fact(&given["co_alarm_works"], |works| works.as_bool().unwrap()),
        from_openings: fact(&given["from_openings"], |far| Metres::from_hundredths(number(far, 2).unwrap())),
    }
}

/// The base with what a case replaces.
fn given(case: &Value) -> Value {
    let mut given = file("readiness")["base"].clone();
    for (name, value) in case["given"].as_object().unwrap() {
        given[name] = value.clone();
    }
    given
}

fn answer(given: &Value) -> Readiness {
    let zone = Zone::parse(text(given, "zone")).unwrap();
    judge(&ReadinessPolicy::standard(), &facts(given), instant(&given["at"]).unwrap(), &zone)
}

#[test]
fn verdicts_on_sets() {
    for case in cases("readiness", "units") {
        let answer = answer(&given(&case));
        matches(text(&case, "name"), &answer, &case["expect"]);
        assert!(answer.reasons.iter().all(|reason| reason.clears.ends_with('.')), "{case}");
    }
}

#[test]
fn evidence_is_named() {
    let cases = cases("readiness", "units");
    let named = |name: &str| cases.iter().find(|case| text(case, "name") == name).unwrap();
    let answer = answer(&given(named("U7 with a critical finding open")));
    assert_eq!(answer.reasons[0].evidence, [event(&2.into()), event(&3.into())]);
    assert_eq!(answer.reasons[1].evidence, [event(&7.into())]);
    let weighed = Trace::StartsWeighed { started: 23, demands: 24, bound: Bound::ClopperPearson95 };
    assert!(answer.trace.contains(&weighed));
}

#[test]
fn what_does_not_apply_and_what_is_left_out_is_told() {
    let base = file("readiness")["base"].clone();
    let mut by_hand = base.clone();
    by_hand["battery"] = "does_not_apply".into();
    by_hand["co_alarm_works"] = Value::Null;
    let answer = answer(&by_hand);
    assert!(answer.trace.contains(&Trace::RuleDoesNotApply { rule: "battery".into() }));
    let left_out =
        |entry: &Trace| matches!(entry, Trace::RuleLeftOut { rule, .. } if rule.as_ref() == "co_alarm");
    assert_eq!(answer.trace.iter().filter(|entry| left_out(entry)).count(), 1);
    assert_eq!(answer.verdict, Verdict::Ready);
}

#[test]
fn verdicts_on_sites() {
    let site = SiteId::parse(&uuid(5)).unwrap();
    for case in cases("readiness", "sites") {
        let units: Vec<SiteUnit> = case["given"]["units"].as_array().unwrap().iter().map(site_unit).collect();
        let mut expect = case["expect"].clone();
        if let Some(counted) = expect.get_mut("counted").and_then(Value::as_array_mut) {
            counted.iter_mut().for_each(|place| *place = uuid(place.as_i64().unwrap()).into());
        }
        for _ in 0..units.len().max(1) {
            let mut turned = units.clone();
            turned.rotate_left(1.min(units.len()));
            let answer = site_readiness(site, kilowatts(&case["given"]["needs_kw"]), &turned);
            matches(text(&case, "name"), &answer, &expect);
        }
    }
}

fn site_unit(given: &Value) -> SiteUnit {
    let verdict = match given[1].as_str().unwrap() {
        "ready" => Verdict::Ready,
        "ready_with_limits" => Verdict::ReadyWithLimits,
        "unknown" => Verdict::Unknown,
        _ => Verdict::NotReady,
    };
    let unit = unit(given[0].as_i64().unwrap());
    SiteUnit { unit, verdict, capacity: kilowatts(&given[2]), until: instant(&given[3]) }
}

fn close(name: &str, found: f64, expect: &Value) {
    let expect = expect.as_f64().unwrap();
    assert!((found - expect).abs() <= 0.000_050_001, "{name}: {found}, not {expect}");
}

#[test]
fn bounds_of_shares() {
    for case in cases("readiness", "bounds") {
        let (name, of, expect) =
            (text(&case, "name"), trials(&case["given"], "succeeded", "trials"), &case["expect"]);
        if expect["exact"].is_array() {
            close(name, of.exact_lower(TWO_SIDED_95), &expect["exact"][0]);
            close(name, of.exact_upper(TWO_SIDED_95), &expect["exact"][1]);
        }
        if expect["wilson"].is_array() {
            close(name, of.wilson_95().0, &expect["wilson"][0]);
            close(name, of.wilson_95().1, &expect["wilson"][1]);
        }
    }
    for case in cases("readiness", "one_sided") {
        let (name, of, expect) =
            (text(&case, "name"), trials(&case["given"], "succeeded", "trials"), &case["expect"]);
        match expect.get("lower") {
            Some(lower) => close(name, of.exact_lower(ONE_SIDED_95), lower),
            None => close(name, of.exact_upper(ONE_SIDED_95), &expect["upper"]),
        }
    }
    for case in cases("readiness", "straight") {
        let share = case["given"]["share"].as_f64().unwrap();
        assert_eq!(straight_successes_for(share).map(i64::from), case["expect"].as_i64(), "{case}");
    }
    assert_eq!(Trials::new(0, 20).unwrap().wilson_95().0.to_bits(), 0.0_f64.to_bits());
}

#[test]
fn counts_that_cannot_be_are_refused() {
    let errors = [(0, 0, "no_trials", "/trials"), (2, 1, "more_successes_than_trials", "/succeeded")];
    for (succeeded, trials, code, pointer) in errors {
        let error: TrialsError = Trials::new(succeeded, trials).unwrap_err();
        assert_eq!((error.code(), error.pointer()), (code, pointer));
    }
}

#[test]
fn policies_that_cannot_be_are_refused() {
    for case in cases("readiness", "policies") {
        let error = serde_json::from_str::<ReadinessPolicy>(&case["given"].to_string()).unwrap_err();
        let says = text(&case["expect"], "says");
        assert!(error.to_string().contains(says), "{case}: {error}");
        let Some(code) = case["expect"]["code"].as_str() else { continue };
        let rules: Vec<Rule> = serde_json::from_str(&case["given"]["rules"].to_string()).unwrap();
        let error: PolicyError = ReadinessPolicy::new("p".into(), "1".into(), rules).unwrap_err();
        assert_eq!((error.code(), error.pointer().as_str()), (code, text(&case["expect"], "pointer")));
    }
}

/// The file that a municipality begins with to make rules of its own says what holds without one.
#[test]
fn the_standard_policy_is_a_file() {
    let file =
        std::path::PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../deploy/readiness/standard.json");
    let read: ReadinessPolicy = serde_json::from_slice(&std::fs::read(file).unwrap()).unwrap();
    assert_eq!(read, ReadinessPolicy::standard());
}

#[test]
fn the_standard_policy_is_one() {
    let standard = ReadinessPolicy::standard();
    let again = |rules| ReadinessPolicy::new(standard.policy().clone(), standard.edition().clone(), rules);
    assert_eq!(again(standard.rules().to_vec()).as_ref(), Ok(&standard));
    assert_eq!(standard.rules().len(), 15);
}

#[test]
fn a_pack_brings_its_own_rules() {
    let pack = r#"{"policy": "tarn_valley", "edition": "2025", "rules": [
        {"rule": "fresh_fuel", "check": {"stale_fuel": {"most_percent": 10, "more": "block"}}, "not_known": "leave_out",
         "source": "Tarn Valley"}]}"#;
    let policy: ReadinessPolicy = serde_json::from_str(pack).unwrap();
    let judged = |facts: &Facts| judge(&policy, facts, Instant::FIRST, &Zone::utc()).verdict;
    let mut facts = Facts::nothing(unit(1));
    assert_eq!(judged(&facts), Verdict::Ready);
    facts.stale_fuel = Fact::Known(Known::lasting(Fraction::of(11, 100)));
    assert_eq!(judged(&facts), Verdict::NotReady);
}

/// What must not change between two change points: the verdict, and which reasons there are.
fn gist(answer: &Readiness) -> (Verdict, Vec<impl PartialEq + std::fmt::Debug>) {
    let reason = |reason: &Reason| {
        (reason.severity, reason.code, reason.rule.clone(), reason.job.clone(), reason.since)
    };
    (answer.verdict, answer.reasons.iter().map(reason).collect())
}

/// A set somewhere in 2025, of which some things are known and some are not.
fn any_set() -> impl Strategy<Value = (Value, i64)> {
    let some = |choices: Vec<Value>| proptest::sample::select(choices);
    let json = |text: &str| -> Vec<Value> { serde_json::from_str(text).unwrap() };
    (
        some(json(r#"[[], [4], [9, 4]]"#)),
        some(json(
            r#"[null, [], [{"job": "oil_change", "state": "due", "past_hours": 1, "changes_at": "2025-07-09T10:00:00Z"},
                {"job": "air_filter", "state": "overdue", "past_days": 4},
                {"job": "air_filter", "state": "overdue", "past_days": 9}, {"job": "fuel_filter", "state": "unknown"}],
                [{"job": "oil_change", "state": "ok"}]]"#,
        )),
        some(json(r#"[null, "does_not_apply", {"passed": true, "check_due_on": "2025-07-20"}, {"passed": false}]"#)),
        some(json(r#"[null, "2025-06-10", "2025-03-08", "2025-07-31"]"#)),
        some(json(r#"[null, "2025-06-01T00:00:00Z", "2025-07-02T13:00:00Z"]"#)),
        some(json(r#"[null, 0.3, {"value": 0.2, "changes_at": "2025-07-15T00:00:00Z"}]"#)),
        some(json(r#"["first_try", "failed", "later_try", null]"#)),
        0_i64..120 * 86_400,
    )
        .prop_map(|(findings, due, battery, test, reading, stale, start, after)| {
            let mut given = file("readiness")["base"].clone();
            given["critical_findings"] = findings;
            given["due"] = due;
            given["battery"] = battery;
            given["last_test"] = test;
            given["newest_reading"] = reading;
            given["stale_fuel"] = stale;
            given["last_start"] = start;
            (given, after)
        })
}

fn begin() -> Instant {
    Instant::parse("2025-06-01T00:00:00Z").unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn nothing_changes_before_it_is_said_to((given, after) in any_set(), part in 0_i64..1_000_000) {
        let (facts, zone, policy) =
            (facts(&given), Zone::parse("America/Denver").unwrap(), ReadinessPolicy::standard());
        let at = begin().plus_seconds(after);
        let now = judge(&policy, &facts, at, &zone);
        let until = now.until.unwrap_or(Instant::LAST);
        prop_assert!(until > at);
        let span = until.micros() - at.micros() - 1;
        let between = at.micros() + i64::try_from(i128::from(span) * i128::from(part) / 999_999).unwrap();
        for then in [between, until.micros() - 1] {
            let then = judge(&policy, &facts, Instant::from_micros(then), &zone);
            prop_assert_eq!(gist(&now), gist(&then));
        }
    }

    #[test]
    fn a_block_more_never_makes_it_better((given, after) in any_set(), place in 100_i64..200) {
        let (before, zone, policy) = (facts(&given), Zone::utc(), ReadinessPolicy::standard());
        let at = begin().plus_seconds(after);
        let mut worse = before.clone();
        worse.critical_findings.push(event(&place.into()));
        let (before, worse) = (judge(&policy, &before, at, &zone), judge(&policy, &worse, at, &zone));
        prop_assert!(worse.verdict >= before.verdict);
        prop_assert_eq!(worse.verdict, Verdict::NotReady);
    }

    #[test]
    fn the_order_of_facts_and_rules_does_not_matter((given, after) in any_set(), turn in 0_usize..15) {
        let (facts, zone, policy) = (facts(&given), Zone::utc(), ReadinessPolicy::standard());
        let at = begin().plus_seconds(after);
        let mut turned = facts.clone();
        turned.critical_findings.reverse();
        if let Fact::Known(due) = &mut turned.due {
            due.value.reverse();
        }
        let mut rules = policy.rules().to_vec();
        rules.rotate_left(turn);
        let other =
            ReadinessPolicy::new(policy.policy().clone(), policy.edition().clone(), rules).unwrap();
        let (one, other) = (judge(&policy, &facts, at, &zone), judge(&other, &turned, at, &zone));
        prop_assert_eq!((one.verdict, &one.reasons, one.until), (other.verdict, &other.reasons, other.until));
    }

    #[test]
    fn forgetting_a_fact_never_makes_it_ready((given, after) in any_set(), which in 0_usize..9) {
        let needed = ["due", "last_start", "battery", "recommission", "endurance", "stale_fuel", "last_test", "load",
            "newest_reading"];
        let mut without = given;
        without[needed[which]] = Value::Null;
        let at = begin().plus_seconds(after);
        let verdict = judge(&ReadinessPolicy::standard(), &facts(&without), at, &Zone::utc()).verdict;
        prop_assert!(verdict >= Verdict::Unknown, "{verdict:?}");
    }

    #[test]
    fn bounds_hold_what_was_seen(trials in 1_u32..400, of in 0_u32..=400) {
        let seen = Trials::new(of.min(trials), trials).unwrap();
        let share = f64::from(seen.succeeded()) / f64::from(seen.trials());
        let ((low, high), exact_low, exact_high) =
            (seen.wilson_95(), seen.exact_lower(TWO_SIDED_95), seen.exact_upper(TWO_SIDED_95));
        prop_assert!(0.0 <= low && low <= share && share <= high && high <= 1.0);
        prop_assert!(0.0 <= exact_low && exact_low <= share && share <= exact_high && exact_high <= 1.0);
    }
}
