//! Inserts of many rows at once, for every table that a write may add much to.

use std::borrow::Cow;

use diesel::sql_types::{BigInt, Binary, Integer, Nullable, Text};

use super::super::{bulk::bulk, dialect::SqlKey};
use super::{
    blobs::AttachmentRow,
    contexts::UnitContextRow,
    editions::{EditionRow, JobRow},
    events::EventRow,
    external_ids::ExternalIdRow,
    fingerprints::SentRow,
    folds::{BeforeRow, ItemRow, StateRow},
    handsets::NumberRow,
    held::HeldRow,
    imports::RowRow,
    inbox::{InboxRow, NeedRow},
    kin::KinRow,
    log::{FeedRow, LogRow, OutboxRow},
    private_texts::TextRow,
    quality::QualityRow,
    readiness::{SiteWaitRow, UnitRow},
    records::RecordRow,
};
use crate::key::Key;

bulk! {
    /// Adds rows to the log.
    log, IntoLog, LogRow, "change_log", "", {
        organization: Key => SqlKey,
        seq: i64 => BigInt,
        recorded_at: i64 => BigInt,
        row_kind: String => Text,
        channel: String => Text,
        edit_id: Key => SqlKey,
        group_id: Option<Key> => Nullable<SqlKey>,
        format: i32 => Integer,
        record_kind: String => Text,
        record_id: Key => SqlKey,
        unit_id: Option<Key> => Nullable<SqlKey>,
        base: Option<String> => Nullable<Text>,
        author: Key => SqlKey,
        on_behalf_of: Option<Key> => Nullable<SqlKey>,
        handset: Option<Key> => Nullable<SqlKey>,
        handset_edit: Option<i64> => Nullable<BigInt>,
        stamp_raw: String => Text,
        stamp_effective: String => Text,
        occurred_raw: Option<String> => Nullable<Text>,
        occurred_at: Option<i64> => Nullable<BigInt>,
        occurred_source: Option<String> => Nullable<Text>,
        occurred_precision: Option<String> => Nullable<Text>,
        body: String => Text,
        content_hash: Vec<u8> => Binary,
        leaf_hash: Vec<u8> => Binary,
    }

    /// Adds lines to the feed.
    feed, IntoFeed, FeedRow, "feed", "", {
        organization: Key => SqlKey,
        site_id: Key => SqlKey,
        seq: i64 => BigInt,
        unit_id: Option<Key> => Nullable<SqlKey>,
        kind: String => Text,
        record_id: Key => SqlKey,
    }

    /// Adds what others will be told of.
    outbox, IntoOutbox, OutboxRow, "outbox", "", {
        organization: Key => SqlKey,
        seq: i64 => BigInt,
        ordinal: i32 => Integer,
        kind: String => Text,
        body: String => Text,
    }

    /// Writes records, new or changed; each of them once.
    records, IntoRecord, RecordRow, "record",
    "ON CONFLICT (organization, kind, id) DO UPDATE SET version = excluded.version, \
     belongs_to = excluded.belongs_to, registers = excluded.registers, contested = excluded.contested", {
        organization: Key => SqlKey,
        kind: String => Text,
        id: Key => SqlKey,
        version: i64 => BigInt,
        belongs_to: Option<Key> => Nullable<SqlKey>,
        registers: String => Text,
        contested: i64 => BigInt,
    }

    /// Adds service events.
    events, IntoEvents, EventRow, "service_event", "", {
        organization: Key => SqlKey,
        id: Key => SqlKey,
        unit_id: Key => SqlKey,
        site_id: Option<Key> => Nullable<SqlKey>,
        kind: String => Text,
        occurred_at: i64 => BigInt,
        recorded_at: i64 => BigInt,
        author: Key => SqlKey,
        body: String => Text,
    }

    /// Adds which blobs events name.
    attachments, IntoAttachments, AttachmentRow, "attachment", "", {
        organization: Key => SqlKey,
        sha256: Vec<u8> => Binary,
        event_id: Key => SqlKey,
        unit_id: Key => SqlKey,
        author: Key => SqlKey,
    }

    /// Adds editions of schedules.
    editions, IntoEditions, EditionRow, "edition", "", {
        organization: Key => SqlKey,
        id: Key => SqlKey,
        schedule_id: Key => SqlKey,
        body: String => Text,
    }

    /// Adds ids that records have in other systems.
    external_ids, IntoExternalIds, ExternalIdRow, "external_id", "", {
        organization: Key => SqlKey,
        kind: String => Text,
        system: String => Text,
        id: String => Text,
        record_id: Key => SqlKey,
    }

    /// Adds what is said of the rows of files.
    import_rows, IntoImportRows, RowRow, "import_row", "", {
        organization: Key => SqlKey,
        job: Key => SqlKey,
        n: i64 => BigInt,
        line: i64 => BigInt,
        name: Option<String> => Nullable<Text>,
        fate: String => Text,
        code: String => Text,
        detail: String => Text,
        suggestion: Option<String> => Nullable<Text>,
    }

    /// Adds those jobs that are new.
    jobs, IntoJobs, JobRow, "job", "ON CONFLICT DO NOTHING", {
        organization: Key => SqlKey,
        code: String => Text,
    }

    /// Adds private texts.
    private_texts, IntoTexts, TextRow, "private_text", "", {
        organization: Key => SqlKey,
        edit_id: Key => SqlKey,
        pointer: String => Text,
        salt: Vec<u8> => Binary,
        content: String => Text,
    }

    /// Writes what is told of units, each of them once.
    sent, IntoSent, SentRow, "unit_sent",
    "ON CONFLICT (organization, unit_id) DO UPDATE SET home_site = excluded.home_site, \
     standing_site = excluded.standing_site, retired = excluded.retired, record_hash = excluded.record_hash, \
     events = excluded.events, events_sum = excluded.events_sum", {
        organization: Key => SqlKey,
        unit_id: Key => SqlKey,
        home_site: Key => SqlKey,
        standing_site: Key => SqlKey,
        retired: i64 => BigInt,
        record_hash: Option<Vec<u8>> => Nullable<Binary>,
        events: i64 => BigInt,
        events_sum: Vec<u8> => Binary,
    }

    /// Writes states of units, new or changed, each of them once; whether they are ready has to be judged anew.
    states, IntoStates, StateRow, "unit_state",
    "ON CONFLICT (organization, unit_id) DO UPDATE SET home_site = excluded.home_site, \
     standing_site = excluded.standing_site, folded_at = excluded.folded_at, folded_with = excluded.folded_with, \
     changed_at = excluded.changed_at, next_at = excluded.next_at, steps = excluded.steps, compact = excluded.compact, \
     editions = excluded.editions, judge_at = 0", {
        organization: Key => SqlKey,
        unit_id: Key => SqlKey,
        home_site: Key => SqlKey,
        standing_site: Key => SqlKey,
        folded_at: i64 => BigInt,
        folded_with: Cow<'static, str> => Text,
        changed_at: i64 => BigInt,
        next_at: i64 => BigInt,
        steps: String => Text,
        compact: Option<Vec<u8>> => Nullable<Binary>,
        editions: String => Text,
    }

    /// Has sites judged anew, and with them the units there, by the versions that their records have now; each of them once.
    site_waits, IntoSiteWaits, SiteWaitRow, "site_readiness",
    "ON CONFLICT (organization, site_id) DO UPDATE SET site_version = excluded.site_version, judge_at = 0", {
        organization: Key => SqlKey,
        site_id: Key => SqlKey,
        site_version: i64 => BigInt,
        units_version: i64 => BigInt,
    }

    /// Writes verdicts on units; each of them once.
    readiness, IntoReadiness, UnitRow, "unit_readiness",
    "ON CONFLICT (organization, unit_id) DO UPDATE SET home_site = excluded.home_site, \
     standing_site = excluded.standing_site, verdict = excluded.verdict, capacity = excluded.capacity, \
     next_at = excluded.next_at, judged_at = excluded.judged_at, judged_with = excluded.judged_with, \
     site_version = excluded.site_version, reasons = excluded.reasons", {
        organization: Key => SqlKey,
        unit_id: Key => SqlKey,
        home_site: Key => SqlKey,
        standing_site: Key => SqlKey,
        verdict: Cow<'static, str> => Text,
        capacity: Option<i64> => Nullable<BigInt>,
        next_at: i64 => BigInt,
        judged_at: i64 => BigInt,
        judged_with: String => Text,
        site_version: i64 => BigInt,
        reasons: String => Text,
    }

    /// Writes with which version of a context a unit was folded, new or changed; each of them once.
    unit_contexts, IntoUnitContexts, UnitContextRow, "unit_context",
    "ON CONFLICT (organization, unit_id, kind, key) DO UPDATE SET version = excluded.version", {
        organization: Key => SqlKey,
        unit_id: Key => SqlKey,
        kind: String => Text,
        key: Key => SqlKey,
        version: i64 => BigInt,
    }

    /// Writes of units that are not alone by which unit their group goes; each of them once.
    kin, IntoKin, KinRow, "unit_kin", "ON CONFLICT (organization, unit_id) DO UPDATE SET head = excluded.head", {
        organization: Key => SqlKey,
        unit_id: Key => SqlKey,
        head: Key => SqlKey,
    }

    /// Writes due items, new or changed; each of them once.
    items, IntoItems, ItemRow, "due_item",
    "ON CONFLICT (organization, unit_id, schedule_id, task) DO UPDATE SET home_site = excluded.home_site, \
     standing_site = excluded.standing_site, state = excluded.state, reason = excluded.reason, due_at = excluded.due_at", {
        organization: Key => SqlKey,
        unit_id: Key => SqlKey,
        schedule_id: Key => SqlKey,
        task: String => Text,
        home_site: Key => SqlKey,
        standing_site: Key => SqlKey,
        state: Cow<'static, str> => Text,
        reason: Option<Cow<'static, str>> => Nullable<Text>,
        due_at: i64 => BigInt,
    }

    /// Writes what is to be put right, new or changed; each of it once.
    quality, IntoQuality, QualityRow, "data_quality",
    "ON CONFLICT (organization, unit_id, n) DO UPDATE SET code = excluded.code, home_site = excluded.home_site, \
     standing_site = excluded.standing_site, from_at = excluded.from_at, until_at = excluded.until_at, \
     evidence = excluded.evidence", {
        organization: Key => SqlKey,
        unit_id: Key => SqlKey,
        n: i64 => BigInt,
        code: Cow<'static, str> => Text,
        home_site: Key => SqlKey,
        standing_site: Key => SqlKey,
        from_at: i64 => BigInt,
        until_at: i64 => BigInt,
        evidence: String => Text,
    }

    /// Adds edits that wait for a person.
    held, IntoHeld, HeldRow, "held", "", {
        organization: Key => SqlKey,
        seq: i64 => BigInt,
        edit_id: Key => SqlKey,
        unit_id: Option<Key> => Nullable<SqlKey>,
    }

    /// Keeps edits that are not in the log, new ones or such as are kept already; each of them once.
    inbox, IntoInbox, InboxRow, "inbox",
    "ON CONFLICT (organization, edit_id) DO UPDATE SET state = excluded.state, reason = excluded.reason", {
        organization: Key => SqlKey,
        edit_id: Key => SqlKey,
        state: String => Text,
        reason: String => Text,
        received_at: i64 => BigInt,
        handset: Key => SqlKey,
        handset_edit: i64 => BigInt,
        author: Key => SqlKey,
        wish: String => Text,
        record_kind: String => Text,
        record_id: Key => SqlKey,
        base: String => Text,
        stamp_raw: String => Text,
        stamp_effective: String => Text,
        occurred_at: Option<i64> => Nullable<BigInt>,
        body: String => Text,
        content_hash: Vec<u8> => Binary,
        chained: i64 => BigInt,
        flags: String => Text,
        group_id: Option<Key> => Nullable<SqlKey>,
        group_size: Option<i64> => Nullable<BigInt>,
        format: i64 => BigInt,
    }

    /// Keeps what came under the ids of other edits; what is there already stays.
    other_contents, IntoOtherContents, InboxRow, "other_content", "ON CONFLICT DO NOTHING", {
        organization: Key => SqlKey,
        edit_id: Key => SqlKey,
        state: String => Text,
        reason: String => Text,
        received_at: i64 => BigInt,
        handset: Key => SqlKey,
        handset_edit: i64 => BigInt,
        author: Key => SqlKey,
        wish: String => Text,
        record_kind: String => Text,
        record_id: Key => SqlKey,
        base: String => Text,
        stamp_raw: String => Text,
        stamp_effective: String => Text,
        occurred_at: Option<i64> => Nullable<BigInt>,
        body: String => Text,
        content_hash: Vec<u8> => Binary,
        chained: i64 => BigInt,
        flags: String => Text,
        group_id: Option<Key> => Nullable<SqlKey>,
        group_size: Option<i64> => Nullable<BigInt>,
        format: i64 => BigInt,
    }

    /// Adds what parked edits name.
    inbox_needs, IntoInboxNeeds, NeedRow, "inbox_need", "ON CONFLICT DO NOTHING", {
        organization: Key => SqlKey,
        needed: Key => SqlKey,
        edit_id: Key => SqlKey,
    }

    /// Notes which edits came under which numbers of handsets.
    handset_edits, IntoHandsetEdits, NumberRow, "handset_edit", "ON CONFLICT DO NOTHING", {
        organization: Key => SqlKey,
        handset: Key => SqlKey,
        number: i64 => BigInt,
        edit_id: Key => SqlKey,
        version: Option<i64> => Nullable<BigInt>,
    }

    /// Keeps what due items were.
    items_before, IntoBefore, BeforeRow, "due_item_before", "ON CONFLICT DO NOTHING", {
        organization: Key => SqlKey,
        unit_id: Key => SqlKey,
        schedule_id: Key => SqlKey,
        task: String => Text,
        until: i64 => BigInt,
        state: Option<Cow<'static, str>> => Nullable<Text>,
        reason: Option<Cow<'static, str>> => Nullable<Text>,
        due_at: i64 => BigInt,
    }
}
