//! How each list has to be read.

use super::plan::Plan;

/// What may be in the plan of a list's queries that begin with a table. The first line that fits holds.
#[derive(Debug)]
pub(super) struct Guard {
    /// The list's name begins with this.
    list: &'static str,
    table: &'static str,
    /// Indexes that it may be read by, and no other; a primary key is named like its table.
    by: &'static [&'static str],
    order: Order,
}

/// Where the order of a list comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Order {
    /// From the index; the rows of a page are read and no others, so the organization may be all that is asked for.
    Index,
    /// Of few rows that the index has found, which may be sorted.
    Few,
}
use Order::{Few, Index};

const fn guard(list: &'static str, table: &'static str, by: &'static [&'static str], order: Order) -> Guard {
    Guard { list, table, by, order }
}

/// Units whose steps wait, and those that changed since.
const WAITS: &str = "unit_state_next_at";
const CHANGED: &str = "unit_state_changed_at";
const FOLDED_WITH: &str = "unit_state_folded_with";
const OF_CONTEXT: &str = "unit_context_version";
/// Has only those rows in it that it is there for, so that it may be read whole.
const BEHIND: &str = "context_behind";

/// The same of sites of which not all units were judged anew.
const SITES_BEHIND: &str = "site_readiness_behind";
/// By what units are found that wait to be judged, or are stale.
const JUDGED_ANEW: &[&str] = &[
    "unit_state",
    "unit_state_judge_at",
    "unit_readiness_judged_with",
    FOLDED_WITH,
    OF_CONTEXT,
    "unit_context",
];

/// Any list.
const ANY: &str = "";

pub(super) const GUARDS: &[Guard] = &[
    guard(ANY, "external_id", &["external_id"], Few),
    guard(
        "imports to forget",
        "import_file page",
        &["import_file_begun", "import_job", "import_job_file"],
        Few,
    ),
    guard("imports to forget", "import_chunk page", &["import_chunk"], Few),
    guard("imports to forget", "import_job page", &["import_job_expires"], Few),
    guard("imports", "import_job page", &["import_job_made", "import_job_author"], Index),
    guard("import to work at", "import_job page", &["import_job_state"], Index),
    guard("import", "import_job page", &["import_job"], Few),
    guard("import", "import_row page", &["import_row"], Index),
    guard("import", "import_chunk page", &["import_chunk"], Few),
    guard("import names", "record", &["record"], Few),
    guard("import names", "unit_state", &["unit_state"], Few),
    guard("room for a photo", "blob_upload page", &["blob_upload"], Index),
    guard("room for a photo", "blob_unnamed page", &["blob_unnamed"], Index),
    guard("a photo", "blob page", &["blob"], Few),
    guard("a photo", "blob_sender page", &["blob_sender"], Few),
    guard("a photo", "blob_sender", &["blob_sender"], Few),
    guard("a photo", "blob_upload page", &["blob_upload"], Few),
    guard("a photo", "attachment page", &["attachment", "unit_state"], Few),
    guard("idle uploads", "blob_upload page", &["blob_upload_last_at"], Index),
    guard("orphans", "blob page", &["blob_kept_at"], Index),
    guard("strays", "blob page", &["blob"], Few),
    guard("strays", "blob_upload page", &["blob_upload"], Few),
    guard("any photo", "blob page", &["blob_kept_at"], Index),
    guard("orphans", "attachment page", &["attachment"], Few),
    guard("orphans", "inbox page", &["inbox_state"], Index),
    guard("orphans", "change_log page", &["held", "change_log"], Index),
    guard("some sites", "record page", &["record"], Few),
    guard("sites", "record page", &["record"], Index),
    guard(
        "units of sites",
        "record page",
        &["record", "unit_sent", "unit_sent_home", "unit_sent_standing"],
        Few,
    ),
    guard("units", "record page", &["record"], Index),
    guard("labels", "record page", &["record"], Few),
    guard("schedules", "record page", &["record"], Index),
    guard("editions", "edition page", &["edition_schedule"], Index),
    guard("outages", "record page", &["record"], Index),
    guard("promises of a spare", "record", &["record_belongs_to"], Index),
    guard("promises", "record page", &["record"], Index),
    guard("grants", "record", &["record_belongs_to"], Index),
    guard("look", "record", &["record_belongs_to", "record", "unit_state"], Index),
    guard("held", "held page", &["held"], Few),
    guard("held", "change_log", &["change_log_2"], Few),
    guard(
        "contested at",
        "record page",
        &["record_contested", "record", "unit_sent", "unit_sent_home", "unit_sent_standing"],
        Few,
    ),
    guard("contested", "record page", &["record_contested", "record"], Index),
    guard("contested", "change_log", &["change_log_2"], Few),
    guard("handsets", "handset_state page", &["handset_state"], Index),
    guard("kept edits", "inbox page", &["inbox_handset"], Few),
    guard("kept edits", "other_content page", &["other_content_handset"], Few),
    guard("own handsets", "handset_state page", &["handset_state", "handset_person_person"], Few),
    guard("handset", "handset_state", &["handset_state", "handset_person"], Few),
    guard(ANY, "handset_person", &["handset_person"], Few),
    guard("feed", "change_log page", &["change_log"], Index),
    guard("feed", "change_log", &["change_log", "change_log_2"], Few),
    guard("feed", "edition page", &["edition"], Index),
    guard("feed", "feed", &["feed"], Few),
    guard("feed", "model_adoption page", &["model_adoption"], Index),
    guard("feed", "service_event", &["service_event_id", "service_event"], Few),
    guard("feed of", "unit_sent page", &["unit_sent", "unit_sent_home", "unit_sent_standing"], Few),
    guard("feed", "unit_sent page", &["unit_sent"], Index),
    guard("fingerprints", "change_log", &["change_log_2"], Few),
    guard("fingerprints", "service_event", &["service_event_id", "service_event"], Few),
    guard("parked", "inbox", &["inbox"], Few),
    guard("parked for long", "inbox page", &["inbox_state"], Few),
    guard("write", "change_log", &["change_log_2"], Few),
    guard("write", "data_quality", &["data_quality"], Few),
    guard("write", "edition page", &["edition"], Index),
    guard("write", "inbox_need", &["inbox_need"], Few),
    guard("write", "unit_context", &["unit_context"], Few),
    guard("write", "unit_state", &["unit_state", "unit_sent"], Few),
    guard(ANY, "unit_sent", &["unit_sent", "unit_sent_home", "unit_sent_standing"], Few),
    guard("events", "service_event page", &["service_event"], Index),
    guard("events", "service_event", &["service_event_id", "change_log_2"], Few),
    guard("due as of", "unit_state page", &[CHANGED, WAITS], Index),
    guard(
        "due by site",
        "due_item page",
        &["due_item_standing", "due_item_away", "due_item", WAITS, CHANGED],
        Few,
    ),
    guard("due, one unit", "due_item page", &["due_item", WAITS, CHANGED], Few),
    guard("due in", "due_item page", &["due_item_state", WAITS, CHANGED], Few),
    guard("due at", "due_item page", &["due_item_standing", "due_item_away", WAITS, CHANGED], Few),
    guard("due", "due_item page", &["due_item_state", WAITS, CHANGED], Few),
    guard("due, pinned", "due_item_before", &["due_item_before"], Few),
    guard("due", "unit_state", &["unit_state", WAITS, CHANGED, FOLDED_WITH], Few),
    guard("due", "unit_context", &["unit_context", OF_CONTEXT, "unit_state"], Few),
    guard("then, beside", "unit_state page", &["unit_state", OF_CONTEXT, "unit_context"], Index),
    guard("then, of some", "unit_state page", &["unit_state", OF_CONTEXT, "unit_context"], Few),
    guard("then", "unit_state page", &["unit_state"], Index),
    guard(
        "changes, of some",
        "unit_state page",
        &["unit_state", OF_CONTEXT, "unit_context", WAITS, CHANGED, FOLDED_WITH],
        Few,
    ),
    guard("changes", "unit_state page", &[WAITS, CHANGED, FOLDED_WITH], Index),
    guard("changes", "unit_context", &["unit_context"], Few),
    guard("changes", "unit_context page", &[OF_CONTEXT], Index),
    guard("changes", "feed", &["feed_unit", "feed_site"], Few),
    guard("changes", "change_log", &["change_log", "change_log_2"], Few),
    guard("changes", "change_log page", &["change_log"], Few),
    guard("then", "feed", &["feed_unit", "feed_site"], Few),
    guard("then", "change_log", &["change_log", "change_log_2"], Few),
    guard("then", "change_log page", &["change_log"], Few),
    guard("quality at", "data_quality page", &["data_quality_standing", "data_quality_away"], Few),
    guard("quality, one unit", "data_quality page", &["data_quality"], Few),
    guard("quality", "data_quality page", &["data_quality_code"], Index),
    guard("quality", "unit_state", &["unit_state", FOLDED_WITH], Few),
    guard("quality", "unit_context", &["unit_context", OF_CONTEXT, "unit_state"], Few),
    guard("readiness at", "unit_readiness page", &["unit_readiness_standing", "unit_readiness_away"], Few),
    guard("readiness", "unit_readiness page", &["unit_readiness_verdict"], Index),
    guard(ANY, "unit_readiness", &["unit_readiness_standing", "unit_readiness_away"], Few),
    guard(
        "ready sites of",
        "site_readiness page",
        &[
            "site_readiness",
            "site_readiness_judge_at",
            "site_readiness_judged_with",
            "site_readiness_verdict",
        ],
        Few,
    ),
    guard(
        "ready sites",
        "site_readiness page",
        &["site_readiness_judge_at", "site_readiness_judged_with", "site_readiness_verdict"],
        Index,
    ),
    guard(
        "to judge at",
        "site_readiness page",
        &["site_readiness", "site_readiness_judge_at", "site_readiness_judged_with"],
        Few,
    ),
    guard(
        "to judge",
        "site_readiness page",
        &["site_readiness_judge_at", "site_readiness_judged_with"],
        Index,
    ),
    guard(ANY, "site_readiness", &[SITES_BEHIND], Few),
    guard("judge", "site_readiness page", &["site_readiness"], Few),
    guard("judge", "unit_readiness page", &["unit_readiness", "unit_readiness_standing"], Few),
    guard("judge", "unit_state page", &["unit_state"], Few),
    guard("site story", "unit_state page", &["unit_state", "unit_context", OF_CONTEXT], Few),
    guard("fleet story", "unit_state page", &["unit_state"], Index),
    guard("readiness", "unit_state", &["unit_state"], Few),
    guard("ready sites", "unit_state", &["unit_state"], Few),
    guard("read", "unit_state page", JUDGED_ANEW, Few),
    guard("to judge", "unit_state page", JUDGED_ANEW, Few),
    guard("advance", "data_quality", &["data_quality"], Few),
    guard("waiting", "unit_state page", &[WAITS, FOLDED_WITH], Index),
    guard("waiting", "unit_context page", &[OF_CONTEXT], Index),
    guard("finish", "unit_context page", &[OF_CONTEXT], Index),
    guard("advance", "unit_state", &["unit_state"], Few),
    guard("advance", "unit_context", &["unit_context"], Few),
    guard("advance", "outbox page", &["outbox"], Few),
    guard(ANY, "record", &["record"], Few),
    guard(ANY, "record page", &["record"], Few),
    guard(ANY, "edition", &["edition"], Few),
    guard(ANY, "service_event", &["service_event"], Few),
    guard(ANY, "due_item", &["due_item"], Few),
    guard(ANY, "unit_kin", &["unit_kin", "unit_kin_head"], Few),
    guard(ANY, "model_adoption", &["model_adoption_model"], Few),
    guard(ANY, "private_text", &["private_text"], Few),
    guard(ANY, "context", &["context", BEHIND], Few),
];

impl Guard {
    pub(super) fn guards(&self, list: &str, table: &str) -> bool {
        list.starts_with(self.list) && self.table == table
    }

    /// What a plan has that it may not have.
    pub(super) fn wrong(&self, plan: &Plan) -> Vec<String> {
        let mut wrong: Vec<String> =
            plan.scans.iter().map(|table| format!("{table} is read from end to end")).collect();
        for read in &plan.reads {
            if !self.by.contains(&read.index.as_str()) {
                wrong.push(format!("{} and not one of {:?}", read.index, self.by));
            }
            if !read.of_organization {
                wrong.push(format!("{} is asked for more than one organization", read.index));
            }
            if !read.narrow && self.order == Few && ![BEHIND, SITES_BEHIND].contains(&read.index.as_str()) {
                wrong.push(format!("{} is asked for all of the organization", read.index));
            }
        }
        if plan.reads.is_empty() {
            wrong.push("no index".to_owned());
        }
        if plan.sorts && self.order == Index {
            wrong.push("sorted".to_owned());
        }
        wrong
    }
}
