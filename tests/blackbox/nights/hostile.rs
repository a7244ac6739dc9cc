//! Names that are made to make a mail do something else: they come out as the names that they are.

use blackbox::{Backend, on_both, world::id_of};
use serde_json::json;

use super::night::{Night, name_of};

on_both!(hostile_names_come_out_as_names);

/// Header injection, markup, templates, encoded words, lists of addresses, the end of a mail.
const NAMES: [&str; 12] = [
    "<img src=x onerror=alert(1)>",
    "</td></tr></table><script>alert(1)</script>",
    "\"><a href=\"https://elsewhere.example/\">here</a>",
    "{{7*7}} {% include 'x' %} ${7*7}",
    "=?utf-8?q?=0d=0aBcc:_all@elsewhere.example?=",
    "Depot%0d%0aBcc: all@elsewhere.example",
    "Depot, all@elsewhere.example",
    "\"mayor@tarnvalley.example\" <all@elsewhere.example>",
    ". QUIT",
    "[all is well](https://elsewhere.example/)",
    "=HYPERLINK(\"https://elsewhere.example/\")",
    "D\u{e9}p\u{f4}t \u{4e2d}\u{592e} \u{1f6a8}",
];

fn hostile_names_come_out_as_names(backend: Backend) {
    let night = Night::at(backend, "2025-06-02T00:00:00Z");
    let boss = night.town.coordinator();
    for (name, n) in NAMES.iter().zip(0..) {
        let site = json!({"name": name, "zone": "America/Denver"});
        let site = id_of(&boss.post("/v1/sites", &site).expect(201).json());
        let unit = json!({"label": name, "home_site_id": site, "fuel": "petrol"});
        let unit = id_of(&boss.post("/v1/units", &unit).expect(201).json());
        let at = "2025-02-01T12:00:00-07:00";
        let commissioning = json!({"kind": "commissioning", "site_id": site, "meter_hours": 0});
        night.town.happened(&unit, at, commissioning);
        night.town.happened(&unit, at, night.town.adoption());
        let list = night.list(name, &json!({"sites": [site]}));
        night.recipient(&list, &format!("duty{n}@tarnvalley.example"));
    }
    // What ends a line gets into no name at all.
    for name in
        ["Depot\r\nBcc: all@elsewhere.example", "Depot\n.\nMAIL FROM:<a@elsewhere.example>", "Depot\0"]
    {
        let site = json!({"name": name, "zone": "America/Denver"});
        boss.post("/v1/sites", &site).expect(400);
    }
    for address in [
        "duty@tarnvalley.example\r\nBcc: all@elsewhere.example",
        "a@b.example, c@d.example",
        "A <a@b.example>",
    ] {
        let list = night.list("Addresses", &json!({}));
        boss.post("/v1/recipients", &json!({"mail_list_id": list, "address": address})).expect(400);
    }
    night.work("2025-06-02T01:00:00Z");
    assert!(night.work("2025-06-02T12:00:00Z"));
    let mails = night.mails();
    assert_eq!(mails.len(), NAMES.len());
    for mail in &mails {
        let n: usize = name_of(mail).trim_start_matches("duty").parse().unwrap();
        assert_eq!(mail.header("From"), "Keepstart <digest@keepstart.example>", "{}", NAMES[n]);
        assert!(mail.headers("Bcc").is_empty(), "{}", NAMES[n]);
    }
    // No header that nobody writes, no element that acts, no link elsewhere: the judge sees that.
    night.is_accounted_for();
}
