//! Routes: one file for each resource, one table of all of them.

mod batch;
mod docs;
mod due;
mod due_query;
mod due_summary;
mod health;
    "/v1/units/{unit_id}/hours" { get unit_hours::read, }
