//! What travels between a handset and the service, as JSON. Members and words that a newer service adds are kept as they
//! came or passed over; they are never an error.

mod answer;
mod asking;
mod limits;
mod problem;

pub use self::{
    answer::{Answer, Change, Echoed, Enrolled, Pull, Reset, SiteSum, Told},
    answer::{Part, PartRecords, Parts},
    asking::{Action, EditText, GroupText, Request, format_of, request},
    limits::Limits,
    problem::Problem,
};
