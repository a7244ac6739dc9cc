//! The face over a file that was filled without a service. What is typed and what is printed stands in `scripts/`, one file for
//! each part of the work; `KEEPSTART_FACE=write` writes down what is printed now.

mod bench;
mod laws;
mod scripts;
