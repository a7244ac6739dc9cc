//! What people read outside the service: the due digest as mail, and CSV. Data to bytes, the same bytes every time.
//!
//! [`digest::render`] turns the [`digest::Facts`] that one recipient may see into subject, plain text, HTML and a small
//! picture; [`digest::message`] makes of that the bytes of one mail to one address. [`csv`] writes rows that a
//! spreadsheet does not take for formulas. No clock, no I/O: whoever calls looks up, decides who sees what, and sends.
//!
//! ```
//! use report::csv::{Cell, Writer};
//!
//! let mut file = Writer::new(&["label", "maker", "power_kw"]).unwrap();
//! let maker = Cell::Text("=cmd|' /C calc'!A0".to_owned());
//! file.row(&[Cell::Text("U7".to_owned()), maker, Cell::Number("-5.5".to_owned())]).unwrap();
//! assert_eq!(file.take(), b"label,maker,power_kw\r\nU7,'=cmd|' /C calc'!A0,-5.5\r\n");
//! ```

pub mod csv;
pub mod digest;
