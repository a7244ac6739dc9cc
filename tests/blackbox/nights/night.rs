//! A town with a mail list, a mail server, and a night shift that is run at instants which a test names.

use std::{
    collections::{BTreeMap, BTreeSet},
    process::{Child, Output, Stdio},
};

use blackbox::{
    Backend, Smtp, Town, World,
    nightly::Nightly,
    smtp::{Behaviour, Mail, judge},
    world::id_of,
};
use serde_json::{Value, json};

/// Where the town's lists are read.
const ZONE: &str = "America/Denver";

/// All of it.
pub(crate) struct Night {
    /// The mail server.
    pub(crate) smtp: Smtp,
    /// The service, its clock at the beginning of the test.
    pub(crate) world: World,
    /// The town.
    pub(crate) town: Town,
    /// The instant at which the service's clock began.
    began: String,
}

impl Night {
    /// A town at `clock` with nothing that is due.
    pub(crate) fn at(backend: Backend, clock: &str) -> Self {
        let world = World::at(backend, clock);
        let town = world.town();
        Self { smtp: Smtp::start(), world, town, began: clock.to_owned() }
    }

    /// A unit whose first oil change is due a month after it was commissioned at `at`, at noon.
    pub(crate) fn unit(&self, label: &str, site: usize, commissioned: &str) -> String {
        let at = format!("{commissioned}T12:00:00-07:00");
        let unit = self.town.unit_at(label, site);
        let commissioning =
            json!({"kind": "commissioning", "site_id": self.town.sites[site], "meter_hours": 0});
        self.town.happened(&unit, &at, commissioning);
        self.town.happened(&unit, &at, self.town.adoption());
        unit
    }

    /// A list of coordinators for all sites with these fields besides; answers its id.
    pub(crate) fn list(&self, name: &str, besides: &Value) -> String {
        let mut fields = json!({"name": name, "zone": ZONE, "sites": "all", "role": "coordinator"});
        fields.as_object_mut().unwrap().extend(besides.as_object().unwrap().clone());
        id_of(&self.town.coordinator().post("/v1/mail-lists", &fields).expect(201).json())
    }

    /// Somebody who gets a list.
    pub(crate) fn recipient(&self, list: &str, address: &str) -> String {
        self.recipient_with(list, address, &json!({}))
    }

    /// The same with these fields besides.
    pub(crate) fn recipient_with(&self, list: &str, address: &str, besides: &Value) -> String {
        let mut fields = json!({"mail_list_id": list, "address": address});
        fields.as_object_mut().unwrap().extend(besides.as_object().unwrap().clone());
        id_of(&self.town.coordinator().post("/v1/recipients", &fields).expect(201).json())
    }

    /// The record of a recipient is changed.
    pub(crate) fn change_recipient(&self, recipient: &str, fields: &Value) {
        self.change(&format!("/v1/recipients/{recipient}"), fields);
    }

    /// A list is changed.
    pub(crate) fn change_list(&self, list: &str, fields: &Value) {
        self.change(&format!("/v1/mail-lists/{list}"), fields);
    }

    fn change(&self, path: &str, fields: &Value) {
        let etag = self.town.coordinator().get(path).expect(200).etag();
        self.town.coordinator().patch(path, &etag, fields).expect(200);
    }

    /// The list of everybody, with one recipient for each name; it has been seen once before its first date.
    pub(crate) fn listed(&self, names: &[&str]) -> String {
        let list = self.list("Everybody", &json!({}));
        for name in names {
            self.recipient(&list, &format!("{name}@tarnvalley.example"));
        }
        self.work(&self.began);
        list
    }

    /// The mail server does so from now on.
    pub(crate) fn server(&mut self, behaviour: &Behaviour) {
        self.smtp.say(behaviour);
    }

    /// Does what is due at an instant; says whether nothing is failing.
    pub(crate) fn work(&self, at: &str) -> bool {
        let output = self.shift().once(at);
        let code = output.status.code();
        assert!(matches!(code, Some(0 | 1)), "{at}: {}", said(&output));
        code == Some(0)
    }

    /// Does what is due at each of these instants.
    pub(crate) fn work_through(&self, instants: &[&str]) -> Vec<bool> {
        instants.iter().map(|at| self.work(at)).collect()
    }

    /// Begins to do what is due at an instant.
    pub(crate) fn begin(&self, at: &str) -> Working {
        let mut command = self.shift().command("once", &["--at", at, "--clock", at]);
        Working(command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap())
    }

    /// A night shift on its database.
    pub(crate) fn shift(&self) -> Nightly<'_> {
        Nightly::new(&self.world.database, &self.smtp)
    }

    /// The mails that came, in order.
    pub(crate) fn mails(&self) -> Vec<Mail> {
        self.smtp.mails()
    }

    /// To each address the Message-IDs that came, in order; one that came again counts once.
    pub(crate) fn delivered(&self) -> BTreeMap<String, Vec<String>> {
        let mut delivered: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for mail in self.mails() {
            assert_eq!(mail.envelope_to.len(), 1, "{mail:?}");
            let ids = delivered.entry(name_of(&mail)).or_default();
            let id = mail.header("Message-ID");
            if !ids.contains(&id) {
                ids.push(id);
            }
        }
        delivered
    }

    /// To each name the dates of its mails, as their Message-IDs say.
    pub(crate) fn dates(&self) -> BTreeMap<String, Vec<String>> {
        let date = |id: &String| id.split('.').nth(3).unwrap().to_owned();
        self.delivered().into_iter().map(|(name, ids)| (name, ids.iter().map(date).collect())).collect()
    }

    /// What has failed for good: kind and error.
    pub(crate) fn failed(&self) -> Vec<String> {
        let failed =
            "SELECT kind || ': ' || last_error AS t FROM chore WHERE outcome = 'failed' ORDER BY ended_at";
        self.world.database.texts(failed)
    }

    /// Every mail that was decided on has come, has failed, is still tried, or is not wanted any more; and each is as the
    /// judge wants it.
    #[track_caller]
    pub(crate) fn is_accounted_for(&self) {
        let decided = self.world.database.number("SELECT count(*) AS n FROM digest_mail");
        let ended = |how: &str| {
            self.world
                .database
                .number(&format!("SELECT count(*) AS n FROM chore WHERE kind = 'mail' AND outcome {how}"))
        };
        let (done, failed, open) = (ended("= 'done'"), ended("= 'failed'"), ended("IS NULL"));
        let withdrawn = ended("= 'withdrawn'");
        assert_eq!(decided, done + failed + open + withdrawn, "{done} {failed} {open} {withdrawn}");
        let delivered: usize = self.delivered().values().map(Vec::len).sum();
        let delivered = i64::try_from(delivered).unwrap();
        assert!(done <= delivered && delivered <= decided, "{delivered} of {decided}, {done} marked");
        judge(self.smtp.folder());
    }
}

/// A night shift at work.
pub(crate) struct Working(Child);

impl Working {
    /// Ends it at once, as a power cut would.
    pub(crate) fn kill(mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }

    /// Waits for its end; says whether nothing is failing.
    pub(crate) fn end(mut self) -> bool {
        self.0.wait().unwrap().success()
    }
}

impl Drop for Working {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The part before the at sign of whom a mail came to.
pub(crate) fn name_of(mail: &Mail) -> String {
    mail.envelope_to[0].split('@').next().unwrap().to_owned()
}

/// The text of a mail, unfolded: quoted-printable without its soft line ends.
pub(crate) fn text(mail: &Mail) -> String {
    String::from_utf8_lossy(&mail.bytes).replace("=\r\n", "").split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The names in order, each with these dates.
pub(crate) fn each(names: &[&str], dates: &[&str]) -> BTreeMap<String, Vec<String>> {
    let dates: Vec<String> = dates.iter().map(|date| (*date).to_owned()).collect();
    names.iter().map(|name| ((*name).to_owned(), dates.clone())).collect()
}

/// How many messages came with each of several ids, whichever those are.
pub(crate) fn ids(mails: &[Mail]) -> BTreeSet<String> {
    mails.iter().map(|mail| mail.header("Message-ID")).collect()
}

fn said(output: &Output) -> String {
    [&output.stdout, &output.stderr].map(|bytes| String::from_utf8_lossy(bytes).into_owned()).concat()
}
