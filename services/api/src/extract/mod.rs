//! What handlers take out of a request: parsed, complete, or refused with a problem.

mod body;
mod caller;
mod coding;
mod headers;
mod params;

pub(crate) use self::{
    body::{JSON, MERGE_PATCH, Room, form, json, json_up_to},
    caller::{Bearer, Caller},
    headers::{header_once, idempotency_key, if_match, if_none_match_is},
    params::{Params, instant, path_id, word},
};
