//! Who may do what, and that nobody learns of what they may not see.

mod corrections;
mod foreign;
mod grants;
mod roles;
mod scope;
mod sites;
mod tokens;
