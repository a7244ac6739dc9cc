//! Holding the copy against the fingerprints, and taking over what differs.

use model::SiteId;
use proof::Prefix;
use serde::de::DeserializeOwned;

use super::{Ended, Run, Step};
use crate::{
    disk::Device,
    fingerprint,
    outside::Method,
    wire::{PartRecords, Parts},
};

/// So many requests are made at most to find out where a site differs.
const NARROWING_MOST: u32 = 200;

impl Run<'_, '_> {
    /// Finds out where sites differ from what was told of them, and takes over what is otherwise.
    pub(super) fn mend(&mut self, device: &Device) -> Step<()> {
        let told = std::mem::take(&mut self.sums);
        if device.filling || told.is_empty() {
            return Ok(Ok(()));
        }
        let differing = self.disk.look(|conn| fingerprint::differing(conn, &told))?;
        let mut is_whole = true;
        for site in differing {
            is_whole &= go!(self.mend_site(site));
        }
        Ok(if is_whole { Ok(()) } else { Err(Ended::Differs) })
    }

    /// Takes over what differs at a site; says whether all of that was there to be had.
    fn mend_site(&mut self, site: SiteId) -> Step<bool> {
        let (mut open, mut left, mut is_whole) = (vec![Prefix::default()], NARROWING_MOST, true);
        while let Some(within) = open.pop() {
            let path = format!("/v1/fingerprints?site_id={site}&prefix={within}");
            let Some(Parts { parts }) = go!(self.read(&path)) else { return Ok(Ok(false)) };
            let narrowed = self.disk.change(|conn| fingerprint::narrow(conn, site, &within, &parts))?;
            for prefix in narrowed.fetch {
                let path = format!("/v1/fingerprints/records?site_id={site}&prefix={prefix}");
                let Some(PartRecords { changes }) = go!(self.read(&path)) else {
                    is_whole = false;
                    continue;
                };
                let mended =
                    self.disk.change(|conn| fingerprint::take_over(conn, site, &prefix, &changes))?;
                self.synced.mended += mended;
            }
            open.extend(narrowed.ask);
            left -= 1;
            if left == 0 {
                return Ok(Ok(is_whole && open.is_empty()));
            }
        }
        Ok(Ok(is_whole))
    }

    /// Reads something; nothing where it is not there, or not as this program knows it.
    fn read<T: DeserializeOwned>(&mut self, path: &str) -> Step<Option<T>> {
        let reply = go!(self.answered(Method::Get, path, b""));
        let found = (reply.status == 200).then(|| serde_json::from_slice(&reply.body).ok());
        Ok(Ok(found.flatten()))
    }
}
