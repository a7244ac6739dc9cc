//! Promises of spares: `tests/vectors/standby/promise.json`, and their laws.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod worked;

use std::{collections::BTreeSet, sync::LazyLock};

use model::{Code, Hours, Instant, SiteId, UnitId, Volts};
use proptest::prelude::*;
use serde_json::Value;
use standby::{
    promise::{
        Bridge, Counts, Fits, Need, Neutral, NeutralNeed, Phases, Promise, PromiseId, PromisePolicy, Ratings,
        Spare, WhyNot, fit, promises,
    },
    readiness::Verdict,
};
use worked::{cases, file, instant, kilowatts, matches_whole as matches, number, text, uuid};

fn over(base: &str, given: &Value) -> Value {
    static FILE: LazyLock<Value> = LazyLock::new(|| file("promise"));
    let mut whole = FILE[base].clone();
    for (name, value) in given.as_object().into_iter().flatten() {
        whole[name] = value.clone();
    }
    whole
}

fn unit(given: &Value) -> UnitId {
    UnitId::parse(&uuid(given.as_i64().unwrap())).unwrap()
}

fn site(given: &Value) -> Option<SiteId> {
    given.as_i64().map(|place| SiteId::parse(&uuid(place)).unwrap())
}

fn volts(given: &Value) -> Volts {
    Volts::from_hundredths(number(given, 2).unwrap())
}

fn codes(given: &Value) -> Option<BTreeSet<Code>> {
    let code = |code: &Value| Code::parse(code.as_str().unwrap()).unwrap();
    given.as_array().map(|list| list.iter().map(code).collect())
}

fn phases(given: &Value) -> Option<Phases> {
    given.as_str().map(|word| if word == "three" { Phases::Three } else { Phases::Single })
}

fn hours(given: &Value) -> Option<Hours> {
    number(given, 2).map(Hours::from_hundredths)
}

fn ratings(given: &Value) -> Ratings {
    let given = over("ratings", given);
    Ratings {
        capacity: kilowatts(&given["capacity_kw"]),
        volts: given["volts"].as_array().map(|list| list.iter().map(volts).collect()),
        phases: phases(&given["phases"]),
        connectors: codes(&given["connectors"]),
        neutral: given["neutral"].as_str().map(|word| match word {
            "bonded" => Neutral::Bonded,
            "floating" => Neutral::Floating,
            _ => Neutral::Either,
        }),
    }
}

fn need(given: &Value) -> Need {
    let given = over("need", given);
    Need {
        kw: kilowatts(&given["kw"]),
        volts: given["volts"].is_number().then(|| volts(&given["volts"])),
        phases: phases(&given["phases"]),
        connectors: codes(&given["connectors"]),
        neutral: given["neutral"].as_str().map(|word| match word {
            "bonded" => NeutralNeed::Bonded,
            _ => NeutralNeed::Floating,
        }),
    }
}

fn spare(given: &Value) -> Spare {
    let rated = ratings(given);
    let given = over("spare", given);
    Spare {
        unit: unit(&given["unit"]),
        ratings: rated,
        readiness: given["readiness"].as_str().map(|word| match word {
            "ready" => Verdict::Ready,
            "ready_with_limits" => Verdict::ReadyWithLimits,
            _ => Verdict::NotReady,
        }),
        serves: site(&given["serves"]),
    }
}

fn promise_id(place: i64) -> PromiseId {
    PromiseId::parse(&uuid(place)).unwrap()
}

fn promise(given: &Value) -> Promise {
    let given = over("promise", given);
    Promise {
        id: promise_id(given["id"].as_i64().unwrap()),
        spare: unit(&given["spare"]),
        site: site(&given["site"]).unwrap(),
        need: need(&given["need"]),
        made_at: instant(&given["made_at"]).unwrap(),
        from: instant(&given["from"]).unwrap(),
        until: instant(&given["until"]),
        there_after: hours(&given["there_after"]),
        bridge: match given["batteries"].as_str() {
            Some(_) => Bridge::NotNeeded,
            None => Bridge::Batteries(hours(&given["batteries"])),
        },
    }
}

fn all(given: &Value) -> (Vec<Spare>, Vec<Promise>, PromisePolicy) {
    let list = |name: &str| given[name].as_array().unwrap().clone();
    let standard = PromisePolicy::standard();
    let between = hours(&given["between"]).unwrap_or(standard.between);
    (
        list("spares").iter().map(spare).collect(),
        list("promises").iter().map(promise).collect(),
        PromisePolicy { between, ..standard },
    )
}

#[test]
fn whether_a_spare_fits() {
    for case in cases("promise", "fit") {
        let (ratings, need) = (ratings(&case["given"]["ratings"]), need(&case["given"]["need"]));
        let answer = fit(&ratings, &need).unwrap();
        matches(text(&case, "name"), &answer, &case["expect"]);
        assert_eq!(answer.cautions[0].caution, "back_feed");
        if answer.fits == Fits::Fits {
            assert_eq!(answer.fitting.len(), 5);
        }
    }
}

/// Ids in what is expected are numbers.
fn spelled(expect: &Value) -> Value {
    match expect {
        Value::Object(members) => {
            let member = |(name, value): (&String, &Value)| match value.as_i64() {
                Some(place) if name.ends_with("_id") => (name.clone(), uuid(place).into()),
                _ if name == "goes_before" => {
                    let ids: Vec<String> =
                        value.as_array().unwrap().iter().map(|place| uuid(place.as_i64().unwrap())).collect();
                    (name.clone(), ids.into())
                }
                _ => (name.clone(), spelled(value)),
            };
            members.iter().map(member).collect()
        }
        Value::Array(list) => list.iter().map(spelled).collect(),
        other => other.clone(),
    }
}

#[test]
fn which_promises_count() {
    for case in cases("promise", "promises") {
        let (spares, made, policy) = all(&case["given"]);
        let answer = promises(&spares, &made, &policy).unwrap();
        matches(text(&case, "name"), &answer.promises, &spelled(&case["expect"]));
    }
}

#[test]
fn what_cannot_be_is_refused() {
    for case in cases("promise", "refused") {
        let (spares, made, policy) = all(&case["given"]);
        let error = promises(&spares, &made, &policy).unwrap_err();
        let expect = &case["expect"];
        assert_eq!(
            (error.code(), error.pointer()),
            (text(expect, "code"), text(expect, "pointer")),
            "{case}"
        );
        assert!(error.to_string().ends_with('.'));
    }
}

fn any_promises() -> impl Strategy<Value = Vec<Promise>> {
    let one = (1_i64..4, 11_i64..14, 0_i64..50, 0_i64..40, proptest::option::of(1_i64..20), 0_i64..10);
    proptest::collection::vec(one, 1..12).prop_map(|list| {
        let day = |days: i64| Instant::FIRST.plus_seconds(days * 86_400);
        let promise =
            |(place, (spare, site, made, from, lasts, after)): (usize, (_, _, _, _, Option<i64>, i64))| {
                let base = promise(&serde_json::json!({"id": place + 21, "spare": spare, "site": site}));
                Promise {
                    made_at: day(made),
                    from: day(from),
                    until: lasts.map(|days| day(from + days)),
                    there_after: Some(Hours::from_seconds(after * 3600)),
                    ..base
                }
            };
        list.into_iter().enumerate().map(promise).collect()
    })
}

fn three_spares() -> Vec<Spare> {
    (1..4).map(|place| spare(&serde_json::json!({"unit": place}))).collect()
}

/// Whether both need the same spare at two sites at some instant, day by day.
fn clash(one: &Promise, other: &Promise) -> bool {
    let holds = |promise: &Promise, day: i64| {
        let at = Instant::FIRST.plus_seconds(day * 86_400);
        promise.from <= at && promise.until.is_none_or(|until| at < until)
    };
    one.spare == other.spare
        && one.site != other.site
        && (0..80).any(|day| holds(one, day) && holds(other, day))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn no_two_that_count_need_a_spare_in_two_places(made in any_promises()) {
        let answer = promises(&three_spares(), &made, &PromisePolicy::standard()).unwrap();
        let counting: Vec<&Promise> = answer
            .promises
            .iter()
            .filter(|told| told.counts == Counts::Counts)
            .map(|told| made.iter().find(|promise| promise.id == told.promise_id).unwrap())
            .collect();
        for (place, one) in counting.iter().enumerate() {
            prop_assert!(counting[place + 1..].iter().all(|other| !clash(one, other)));
        }
    }

    #[test]
    fn every_clash_is_told_to_both(made in any_promises()) {
        let answer = promises(&three_spares(), &made, &PromisePolicy::standard()).unwrap().promises;
        for (place, first) in answer.iter().enumerate() {
            for second in &answer[place + 1..] {
                let find = |id| made.iter().find(|promise| promise.id == id).unwrap();
                let clashes = clash(find(first.promise_id), find(second.promise_id));
                let told = second.reasons.iter().any(
                    |why| matches!(why, WhyNot::PromisedElsewhere { promise_id, .. } if *promise_id == first.promise_id),
                );
                prop_assert_eq!(clashes, told);
                prop_assert_eq!(clashes, first.goes_before.contains(&second.promise_id));
            }
        }
    }

    #[test]
    fn a_promise_more_never_makes_another_count(made in any_promises(), turn in 0_usize..12) {
        let (spares, policy) = (three_spares(), PromisePolicy::standard());
        let with = promises(&spares, &made, &policy).unwrap().promises;
        let without = promises(&spares, &made[1..], &policy).unwrap().promises;
        for told in without {
            let same = with.iter().find(|other| other.promise_id == told.promise_id).unwrap();
            prop_assert!(same.counts >= told.counts);
        }
        let mut turned = made.clone();
        turned.rotate_left(turn % made.len());
        prop_assert_eq!(promises(&spares, &turned, &policy).unwrap().promises, with);
    }
}
