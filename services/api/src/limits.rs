//! What is taken of a handset: sizes that are the same everywhere, and the rates of this service.

use clap::Args;
use serde::Serialize;
use utoipa::ToSchema;

use crate::extract::Room;

/// Edits of a push at most.
const EDITS: u32 = 1000;
/// Bytes of a push at most, as it is sent.
const REQUEST_BYTES: u32 = 4 << 20;
/// Bytes of a push at most, unpacked.
const DECOMPRESSED_BYTES: u32 = 16 << 20;
/// Bytes of an edit at most.
const EDIT_BYTES: u32 = 64 << 10;
/// Bytes of a page of changes, about.
const PAGE_BYTES: u32 = 512 << 10;
/// The format of changes that this version writes.
const CHANGE_FORMAT: i32 = 1;

/// How much a handset may send, and how often.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = SyncLimits)]
pub(crate) struct Limits {
    /// Edits of a push at most; more are refused as a whole.
    pub edits: u32,
    /// Bytes of a push at most, as it is sent.
    pub request_bytes: u32,
    /// Bytes of a push at most, unpacked; the same as above where it is not compressed.
    pub decompressed_bytes: u32,
    /// Bytes of one edit at most; a larger one is refused by itself.
    pub edit_bytes: u32,
    /// Bytes that a page of changes comes to, about.
    pub page_bytes: u32,
    /// Requests of one handset in a minute.
    pub requests_per_minute: u32,
    /// Edits of one handset in a minute.
    pub edits_per_minute: u32,
    /// Bytes of a photo or paper at most.
    pub blob_bytes: u64,
    /// Pixels of a photo at most.
    pub blob_pixels: u64,
    /// The newest format of edits that is understood; one of a newer format is kept until it is.
    pub edit_format: i32,
    /// The format of the changes that are sent.
    pub change_format: i32,
}

impl Limits {
    /// The limits of a service with these rates.
    pub(crate) fn of(rates: Rates) -> Self {
        Self {
            edits: EDITS,
            request_bytes: REQUEST_BYTES,
            decompressed_bytes: DECOMPRESSED_BYTES,
            edit_bytes: EDIT_BYTES,
            page_bytes: PAGE_BYTES,
            requests_per_minute: rates.handset_requests_per_minute,
            edits_per_minute: rates.handset_edits_per_minute,
            blob_bytes: blob::BYTES_MOST,
            blob_pixels: blob::PIXELS_MOST,
            edit_format: model::edit::FORMAT,
            change_format: CHANGE_FORMAT,
        }
    }

    /// What the body of a push may have.
    pub(crate) fn room(&self) -> Room {
        let bytes = |most: u32| usize::try_from(most).unwrap_or(usize::MAX);
        Room { sent: bytes(self.request_bytes), unpacked: bytes(self.decompressed_bytes) }
    }
}

/// How much handsets may send in a minute. A push of the most edits must fit into any of them.
///
/// The defaults let 500 handsets of one organization come back in the same minute with 200 edits each, twice over, and each
/// of them read some hundred pages.
#[derive(Args, Clone, Copy, Debug)]
pub(crate) struct Rates {
    /// Requests of sync that one handset may make in a minute.
    #[arg(long, env = "KEEPSTART_HANDSET_REQUESTS_PER_MINUTE", default_value_t = Rates::DEFAULT.handset_requests_per_minute, value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    pub handset_requests_per_minute: u32,
    /// Edits that one handset may send in a minute.
    #[arg(long, env = "KEEPSTART_HANDSET_EDITS_PER_MINUTE", default_value_t = Rates::DEFAULT.handset_edits_per_minute, value_parser = clap::value_parser!(u32).range(i64::from(EDITS)..=100_000_000))]
    pub handset_edits_per_minute: u32,
    /// Requests of sync that all handsets of an organization may make in a minute.
    #[arg(long, env = "KEEPSTART_ORGANIZATION_REQUESTS_PER_MINUTE", default_value_t = Rates::DEFAULT.organization_requests_per_minute, value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    pub organization_requests_per_minute: u32,
    /// Edits that all handsets of an organization may send in a minute.
    #[arg(long, env = "KEEPSTART_ORGANIZATION_EDITS_PER_MINUTE", default_value_t = Rates::DEFAULT.organization_edits_per_minute, value_parser = clap::value_parser!(u32).range(i64::from(EDITS)..=100_000_000))]
    pub organization_edits_per_minute: u32,
}

impl Rates {
    /// What holds where nothing else is set.
    pub(crate) const DEFAULT: Self = Self {
        handset_requests_per_minute: 600,
        handset_edits_per_minute: 10_000,
        organization_requests_per_minute: 60_000,
        organization_edits_per_minute: 200_000,
    };
}
