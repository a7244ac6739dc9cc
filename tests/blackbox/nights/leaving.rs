//! Leaving a list from within a mail (RFC 8058), and a list that nobody is left on.

use blackbox::{Backend, on_both};
use serde_json::json;

use super::night::{Night, each, name_of};

on_both!(whoever_leaves_gets_no_more, a_duty_list_that_everybody_has_left_is_told);

const FORM: (&str, &str) = ("content-type", "application/x-www-form-urlencoded");
const ONE_CLICK: &[u8] = b"List-Unsubscribe=One-Click";

impl Night {
    /// Where somebody's last mail says that the list is left, without the host.
    fn way_out(&self, name: &str) -> String {
        let mails = self.mails();
        let mail = mails.iter().rev().find(|mail| name_of(mail) == name).unwrap();
        let header = mail.header("List-Unsubscribe");
        let (url, _) = header.trim_start_matches('<').split_once('>').unwrap();
        url.strip_prefix("https://keepstart.example").unwrap().to_owned()
    }

    /// Leaves as a mail program does, without a login.
    fn leave(&self, name: &str) {
        let path = self.way_out(name);
        self.world.service.anonymous().send("POST", &path, &[FORM], Some(ONE_CLICK)).expect(200);
    }
}

fn whoever_leaves_gets_no_more(backend: Backend) {
    // Mondays: everybody gets a mail on each.
    let night = Night::at(backend, "2025-06-02T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    night.listed(&["duty", "boss"]);
    night.work("2025-06-02T12:00:00Z");

    let anybody = night.world.service.anonymous();
    let path = night.way_out("duty");
    let rows = night.world.database.log_rows();
    // Programs that look at links, a wrong body, and a token that somebody made up.
    for _ in 0..3 {
        anybody.get(&path).expect(200);
    }
    anybody.send("POST", &path, &[FORM], Some(b"List-Unsubscribe=Perhaps")).expect(400);
    let last = if path.ends_with('A') { 'B' } else { 'A' };
    let forged = format!("{}{last}", &path[..path.len() - 1]);
    anybody.send("POST", &forged, &[FORM], Some(ONE_CLICK)).expect(404);
    assert_eq!(night.world.database.log_rows(), rows);
    night.work_through(&["2025-06-03T12:00:00Z", "2025-06-09T12:00:00Z"]);
    assert_eq!(night.dates(), each(&["boss", "duty"], &["2025-06-02", "2025-06-09"]));

    night.leave("duty");
    night.leave("duty");
    assert_eq!(night.world.database.log_rows(), rows + 1, "leaving again is as well");
    night.work_through(&["2025-06-10T12:00:00Z", "2025-06-16T12:00:00Z"]);
    assert_eq!(night.dates()["duty"], ["2025-06-02", "2025-06-09"]);
    assert_eq!(night.dates()["boss"], ["2025-06-02", "2025-06-09", "2025-06-16"]);
    night.is_accounted_for();
}

fn a_duty_list_that_everybody_has_left_is_told(backend: Backend) {
    let night = Night::at(backend, "2025-06-02T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    let list = night.list("Duty", &json!({"duty": true}));
    night.recipient(&list, "duty@tarnvalley.example");
    assert!(night.work("2025-06-02T01:00:00Z"));
    assert!(night.work("2025-06-02T12:00:00Z"));
    night.leave("duty");
    assert!(!night.work("2025-06-03T12:00:00Z"), "nobody is left on a duty list, and nobody is told");
    assert!(!night.failed().is_empty());
    night.is_accounted_for();
}
