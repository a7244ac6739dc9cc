use std::collections::BTreeSet;

use model::{
    event::EVENT_KINDS,
    person::{ROLES, Role},
};
use proptest::prelude::*;

use super::*;

fn id<K: model::id::Kind>(n: u32) -> model::Id<K> {
    model::Id::parse(&format!("019a0b5e-7c00-7000-8000-{n:012x}")).unwrap()
}

fn site(n: u32) -> SiteId {
    id(100 + n)
}

fn at(seconds: i64) -> Instant {
    Instant::FIRST.plus_seconds(seconds)
}

fn home() -> OrganizationId {
    id(1)
}

fn grant(role: Role, sites: SiteScope) -> Grant {
    Grant { role, sites, from: at(10), until: Some(at(20)) }
}

fn with(grants: Vec<Grant>) -> Principal {
    Principal { person: id(2), organization: home(), grants }
}

fn only(sites: &[u32]) -> SiteScope {
    SiteScope::Only(sites.iter().copied().map(site).collect())
}

/// Every action, in a chain that does not compile when one is missing.
fn all_actions() -> Vec<Action> {
    fn after(action: Action) -> Option<Action> {
        use EventKind as K;
        Some(match action {
            Action::ReadSite => Action::CreateSite,
            Action::CreateSite => Action::EditSite,
            Action::EditSite => Action::ReadUnit,
            Action::ReadUnit => Action::CreateUnit,
            Action::CreateUnit => Action::EditUnit,
            Action::EditUnit => Action::ReadSchedule,
            Action::ReadSchedule => Action::CreateSchedule,
            Action::CreateSchedule => Action::ReadEvent,
            Action::ReadEvent => Action::ReadDue,
            Action::ReadDue => Action::ManagePeople,
            Action::ManagePeople => Action::ManageMail,
            Action::ManageMail => Action::ReadOutage,
            Action::ReadOutage => Action::ManageOutage,
            Action::ManageOutage => Action::MakeHandsetCode,
            Action::MakeHandsetCode => Action::EnrolHandset,
            Action::EnrolHandset => Action::ReadHandset { own: true },
            Action::ReadHandset { own: true } => Action::ReadHandset { own: false },
            Action::ReadHandset { own: false } => Action::RevokeHandset,
            Action::RevokeHandset => Action::ReadHeld,
            Action::ReadHeld => Action::DecideHeld,
            Action::DecideHeld => Action::Import,
            Action::Import => Action::ReadImport { own: true },
            Action::ReadImport { own: true } => Action::ReadImport { own: false },
            Action::ReadImport { own: false } => Action::Correct { own: false },
            Action::Correct { own: false } => Action::Correct { own: true },
            Action::Correct { own: true } => Action::RecordEvent(K::Commissioning),
            Action::RecordEvent(K::Commissioning) => Action::RecordEvent(K::Service),
            Action::RecordEvent(K::Service) => Action::RecordEvent(K::Reading),
            Action::RecordEvent(K::Reading) => Action::RecordEvent(K::Component),
            Action::RecordEvent(K::Component) => Action::RecordEvent(K::Placement),
            Action::RecordEvent(K::Placement) => Action::RecordEvent(K::Adoption),
            Action::RecordEvent(K::Adoption) => Action::RecordEvent(K::Correction),
            Action::RecordEvent(K::Correction) => Action::RecordEvent(K::Run),
            Action::RecordEvent(K::Run) => Action::RecordEvent(K::Storage),
            Action::RecordEvent(K::Storage) => Action::RecordEvent(K::Duty),
            Action::RecordEvent(K::Duty) => Action::RecordEvent(K::Setting),
            Action::RecordEvent(K::Setting) => Action::RecordEvent(K::Deferral),
            Action::RecordEvent(K::Deferral) => Action::RecordEvent(K::Tag),
            Action::RecordEvent(K::Tag) => Action::RecordEvent(K::Fuel),
            Action::RecordEvent(K::Fuel) => Action::RecordEvent(K::Battery),
            Action::RecordEvent(K::Battery) => Action::RecordEvent(K::Finding),
            Action::RecordEvent(K::Finding) => return None,
        })
    }
    std::iter::successors(Some(Action::ReadSite), |action| after(*action)).collect()
}

/// What every role may.
const READS: &[Action] = &[
    Action::ReadSite,
    Action::ReadUnit,
    Action::ReadSchedule,
    Action::ReadEvent,
    Action::ReadDue,
    Action::ReadOutage,
    Action::EnrolHandset,
    Action::ReadHandset { own: true },
    Action::ReadImport { own: true },
];

/// What touches the whole organization.
const WHOLE: &[Action] = &[
    Action::ReadSchedule,
    Action::CreateSite,
    Action::CreateSchedule,
    Action::ManagePeople,
    Action::ManageMail,
    Action::MakeHandsetCode,
    Action::EnrolHandset,
    Action::ReadHandset { own: true },
    Action::ReadHandset { own: false },
    Action::RevokeHandset,
    Action::Import,
    Action::ReadImport { own: true },
    Action::ReadImport { own: false },
];

/// What of that a grant on some sites, or on none, is enough for.
const ANYWHERE: &[Action] = &[
    Action::ReadSchedule,
    Action::MakeHandsetCode,
    Action::EnrolHandset,
    Action::ReadHandset { own: true },
    Action::Import,
    Action::ReadImport { own: true },
];

/// What each role may do beyond reading, told role by role where the rules are told action by action.
fn beyond_reading(role: Role) -> Vec<Action> {
    use Action::{
        Correct, CreateSchedule, CreateSite, CreateUnit, DecideHeld, EditSite, EditUnit, Import,
        MakeHandsetCode, ManageMail, ManageOutage, ManagePeople, ReadHandset, ReadHeld, ReadImport,
        RecordEvent, RevokeHandset,
    };
    let others_file = ReadImport { own: false };
    let handsets = [MakeHandsetCode, ReadHandset { own: false }, RevokeHandset, ReadHeld, DecideHeld];
    let own = Correct { own: true };
    match role {
        Role::Viewer => vec![],
        Role::Auditor => vec![ReadHeld],
        Role::Planner => vec![RecordEvent(EventKind::Deferral), ReadHeld, ManageOutage],
        Role::Custodian => vec![
            RecordEvent(EventKind::Reading),
            RecordEvent(EventKind::Run),
            RecordEvent(EventKind::Fuel),
            RecordEvent(EventKind::Battery),
            RecordEvent(EventKind::Finding),
            own,
        ],
        Role::Technician => vec![
            RecordEvent(EventKind::Commissioning),
            RecordEvent(EventKind::Service),
            RecordEvent(EventKind::Reading),
            RecordEvent(EventKind::Component),
            RecordEvent(EventKind::Placement),
            RecordEvent(EventKind::Run),
            RecordEvent(EventKind::Storage),
            RecordEvent(EventKind::Tag),
            RecordEvent(EventKind::Fuel),
            RecordEvent(EventKind::Battery),
            RecordEvent(EventKind::Finding),
            own,
        ],
        Role::Coordinator => EVENT_KINDS
            .iter()
            .map(|(_, kind)| RecordEvent(*kind))
            .chain([own, Correct { own: false }, CreateSchedule])
            .chain([
                CreateSite,
                EditSite,
                CreateUnit,
                EditUnit,
                Import,
                others_file,
                ManageMail,
                ManageOutage,
            ])
            .chain(handsets)
            .collect(),
        Role::Integrator => vec![CreateSite, EditSite, CreateUnit, EditUnit, Import],
        Role::Admin => [CreateSite, ManagePeople, ManageMail, ManageOutage, others_file]
            .into_iter()
            .chain(handsets)
            .collect(),
    }
}

#[test]
fn every_role_and_action() {
    let mut pairs = BTreeSet::new();
    for (word, role) in ROLES {
        for action in all_actions() {
            pairs.insert(format!("{word} {action:?}"));
            let may = READS.contains(&action) || beyond_reading(*role).contains(&action);
            let or = |found: bool, otherwise| if found { Decision::Allow } else { otherwise };
            let whole = WHOLE.contains(&action);
            let object = if whole { Object::of(home()) } else { Object::at(home(), [site(1), site(2)]) };
            let elsewhere = if whole { Decision::Forbidden } else { Decision::Hidden };
            let anywhere = ANYWHERE.contains(&action);
            let cases = [
                ("on all sites", SiteScope::All, or(may, Decision::Forbidden)),
                ("on one of its sites", only(&[2, 3]), or(may && (!whole || anywhere), Decision::Forbidden)),
                ("on another site", only(&[3]), or(may && anywhere, elsewhere)),
                ("on no site", only(&[]), or(may && anywhere, elsewhere)),
            ];
            for (name, sites, expected) in cases {
                let found = decide(&with(vec![grant(*role, sites)]), action, &object, at(15));
                assert_eq!(found, expected, "{word} {name}: {action:?}");
            }
            let foreign = Object { organization: id(9), ..object };
            let found = decide(&with(vec![grant(*role, SiteScope::All)]), action, &foreign, at(15));
            assert_eq!(found, Decision::Hidden, "{word} of another organization: {action:?}");
        }
    }
    assert_eq!(pairs.len(), 8 * 42);
}

#[test]
fn grants_hold_from_their_start_until_before_their_end() {
    let open = Grant { until: None, ..grant(Role::Technician, only(&[1])) };
    let object = Object::at(home(), [site(1)]);
    let service = Action::RecordEvent(EventKind::Service);
    let cases = [
        ("not begun", grant(Role::Technician, only(&[1])), 9, Decision::Hidden),
        ("first instant", grant(Role::Technician, only(&[1])), 10, Decision::Allow),
        ("last second", grant(Role::Technician, only(&[1])), 19, Decision::Allow),
        ("ended", grant(Role::Technician, only(&[1])), 20, Decision::Hidden),
        ("without end", open, 2_000_000_000, Decision::Allow),
    ];
    for (name, grant, now, expected) in cases {
        assert_eq!(decide(&with(vec![grant]), service, &object, at(now)), expected, "{name}");
    }
    assert_eq!(decide(&with(vec![]), Action::ReadSchedule, &Object::of(home()), at(15)), Decision::Hidden);
}

#[test]
fn grants_add_up_but_do_not_lend_each_other_their_sites() {
    let principal = with(vec![
        grant(Role::Viewer, only(&[1, 2])),
        grant(Role::Technician, only(&[2])),
        Grant { from: at(30), until: None, ..grant(Role::Coordinator, SiteScope::All) },
    ]);
    let service = Action::RecordEvent(EventKind::Service);
    let cases = [
        (Action::ReadUnit, 1, Decision::Allow),
        (service, 1, Decision::Forbidden),
        (service, 2, Decision::Allow),
        (Action::EditUnit, 2, Decision::Forbidden),
        (service, 3, Decision::Hidden),
    ];
    for (action, where_, expected) in cases {
        let object = Object::at(home(), [site(where_)]);
        assert_eq!(decide(&principal, action, &object, at(15)), expected, "{action:?} at {where_}");
    }
    assert_eq!(principal.sites_at(at(5)), only(&[]));
    assert_eq!(principal.sites_at(at(15)), only(&[1, 2]));
    assert_eq!(principal.sites_at(at(30)), SiteScope::All);
    for (now, expected) in [(5, only(&[])), (15, only(&[2])), (30, SiteScope::All)] {
        assert_eq!(sites_for(&principal, service, at(now)), expected, "at {now}");
    }
    assert_eq!(sites_for(&principal, Action::DecideHeld, at(15)), only(&[]));
}

#[test]
fn what_stands_at_no_known_site_is_for_those_with_all() {
    let nowhere = Object::at(home(), []);
    for (sites, expected) in [(SiteScope::All, Decision::Allow), (only(&[1]), Decision::Hidden)] {
        let principal = with(vec![grant(Role::Coordinator, sites)]);
        assert_eq!(decide(&principal, Action::EditUnit, &nowhere, at(15)), expected);
    }
}

#[test]
fn a_grant_on_some_sites_does_not_change_what_is_everybodys() {
    let principal = with(vec![grant(Role::Coordinator, only(&[1]))]);
    // An adoption of the whole organization is one for a model.
    let for_a_model = Action::RecordEvent(EventKind::Adoption);
    for action in [Action::EditSite, Action::CreateSite, Action::RecordEvent(EventKind::Service), for_a_model]
    {
        assert_eq!(
            decide(&principal, action, &Object::of(home()), at(15)),
            Decision::Forbidden,
            "{action:?}"
        );
    }
    for (role, expected) in [(Role::Coordinator, Decision::Allow), (Role::Technician, Decision::Forbidden)] {
        let everywhere = with(vec![grant(role, SiteScope::All)]);
        assert_eq!(decide(&everywhere, for_a_model, &Object::of(home()), at(15)), expected, "{role:?}");
    }
    // Also where the caller names a site that the grant is on.
    let named = Object::at(home(), [site(1)]);
    for (role, action) in [
        (Role::Coordinator, Action::CreateSite),
        (Role::Coordinator, Action::CreateSchedule),
        (Role::Integrator, Action::CreateSite),
        (Role::Admin, Action::CreateSite),
        (Role::Admin, Action::ManagePeople),
    ] {
        let found = decide(&with(vec![grant(role, only(&[1]))]), action, &named, at(15));
        assert_eq!(found, Decision::Forbidden, "{role:?}: {action:?}");
    }
}

/// How much a decision allows.
fn weight(decision: Decision) -> u8 {
    match decision {
        Decision::Hidden => 0,
        Decision::Forbidden => 1,
        Decision::Allow => 2,
    }
}

fn a_scope() -> impl Strategy<Value = SiteScope> {
    prop_oneof![
        1 => Just(SiteScope::All),
        4 => proptest::collection::btree_set((0u32..5).prop_map(site), 0..4).prop_map(SiteScope::Only),
    ]
}

fn a_grant() -> impl Strategy<Value = Grant> {
    let role = proptest::sample::select(ROLES).prop_map(|(_, role)| role);
    (role, a_scope(), 0i64..40, proptest::option::of(0i64..40)).prop_map(|(role, sites, from, until)| Grant {
        role,
        sites,
        from: at(from),
        until: until.map(at),
    })
}

fn an_object() -> impl Strategy<Value = Object> {
    let sites = proptest::collection::vec((0u32..5).prop_map(site), 0..3);
    prop_oneof![Just(Object::of(home())), sites.prop_map(|sites| Object::at(home(), sites))]
}

proptest! {
    #[test]
    fn laws(
        grants in proptest::collection::vec(a_grant(), 0..4),
        more in a_grant(),
        action in proptest::sample::select(all_actions()),
        object in an_object(),
        now in 0i64..40,
    ) {
        let now = at(now);
        let principal = with(grants.clone());
        let found = decide(&principal, action, &object, now);

        let richer = with(grants.iter().cloned().chain([more.clone()]).collect());
        prop_assert!(weight(decide(&richer, action, &object, now)) >= weight(found), "more grants allow no less");

        let over = Grant { until: Some(now), ..more };
        let same = with([over].into_iter().chain(grants.iter().cloned()).collect());
        prop_assert_eq!(decide(&same, action, &object, now), found, "an ended grant is as none");

        let wider = with(grants.into_iter().map(|g| Grant { sites: SiteScope::All, ..g }).collect());
        prop_assert!(weight(decide(&wider, action, &object, now)) >= weight(found), "more sites allow no less");

        let read = decide(&principal, Action::ReadUnit, &object, now);
        prop_assert!(read != Decision::Forbidden, "what is known of can be read");
        prop_assert_eq!(read == Decision::Hidden, found == Decision::Hidden, "hidden is hidden for every action");

        if let Place::Sites(sites) = &object.place {
            let scope = principal.sites_at(now);
            let listed = scope == SiteScope::All || sites.iter().any(|s| scope.contains(*s));
            prop_assert_eq!(listed, read == Decision::Allow, "lists and single records agree");
        }
    }
}
