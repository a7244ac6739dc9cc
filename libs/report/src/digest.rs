//! The due digest: from facts to one mail for one address.

mod address;
mod cautions;
mod colours;
mod dated;
mod facts;
mod hash;
mod late;
mod message;
mod order;
mod picture;
mod render;
mod section;
mod sections;
mod shown;
mod subject;
mod view;
mod words;
mod wrap;

pub use address::{Address, AddressError, Domain, MessageId, WebAddress};
pub use facts::{
    Acknowledged, ChangedLine, Changes, DaysAxis, Deferred, Escalated, Facts, HoursAxis, ItemRef, Line,
    ListFacts, OutOfService, QualityLine, SiteFacts, SiteRef, TaskRef, UnitRef, WEEKS, Waiting, Week,
};
pub use hash::{HashLine, LinesHash, lines_hash};
pub use message::{Envelope, MailError, message};
pub use render::{Picture, RenderError, Rendered, render, subject};
pub use words::{Grade, Next, Reason, State, Why};
