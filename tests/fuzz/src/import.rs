use import::{Cell, FileError, Format, Mapping, Row, cells, columns, read};
use model::OrganizationId;
use serde_json::{Map, Value};
use uuid::Uuid;

/// A file with its mapping: the mapping is the first line, the file all that follows.
///
/// Lines ascend, a complaint tells the line of its row, it makes no difference in which pieces the bytes come, and what
/// was read is read again from an export of it.
pub fn import(data: &[u8]) {
    let end = data.iter().position(|byte| *byte == b'\n').unwrap_or(data.len());
    let (mapping, file) = data.split_at_checked(end).unwrap_or_default();
    let Ok(mapping) = Mapping::parse(mapping) else { return };
    let file = file.get(1..).unwrap_or_default();
    let found = rows(&mapping, file, file.len().max(1));
    assert_eq!(found, rows(&mapping, file, 7), "the pieces make a difference");
    let Ok(found) = found else { return };
    assert!(found.is_sorted_by(|a, b| a.line < b.line), "the lines do not ascend");
    let mut bodies = Vec::new();
    for row in found {
        match row.wish {
            Ok(wish) => bodies.push(wish.body),
            Err(complaints) => assert!(
                !complaints.is_empty() && complaints.iter().all(|complaint| complaint.line == row.line),
                "{complaints:?}"
            ),
        }
    }
    // A row of which nothing was told but what names another record has an empty body, and would be blank.
    bodies.retain(|body| !body.is_empty());
    let plain = Mapping::plain(mapping.records(), Format::Csv);
    let exported = exported(&mapping, &bodies);
    let again = rows(&plain, &exported, exported.len()).unwrap_or_else(|error| panic!("{error}"));
    let again: Vec<Map<String, Value>> = again.into_iter().map(body).collect();
    assert_eq!(again, bodies, "the export differs");
}

fn body(row: Row) -> Map<String, Value> {
    row.wish.unwrap_or_else(|complaints| panic!("{complaints:?}")).body
}

fn rows(mapping: &Mapping, file: &[u8], piece: usize) -> Result<Vec<Row>, String> {
    let organization = OrganizationId::from_uuid(Uuid::from_u128(1));
    let told = |error: FileError| match error {
        FileError::Refused(complaints) => format!("{complaints:?}"),
        FileError::Unreadable(error) => panic!("{error}"),
    };
    read(mapping, organization, Pieces(file, piece)).map_err(told)?.collect::<Result<_, _>>().map_err(told)
}

/// A reader that hands out so many bytes at a time.
struct Pieces<'a>(&'a [u8], usize);

impl std::io::Read for Pieces<'_> {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let most = self.1.min(into.len());
        self.0.read(into.get_mut(..most).unwrap_or_default())
    }
}

/// The bodies as an export writes them: every cell in quotation marks, texts guarded.
fn exported(mapping: &Mapping, bodies: &[Map<String, Value>]) -> Vec<u8> {
    let names: Vec<&str> = columns(mapping.records()).iter().map(|column| column.name).collect();
    let mut text = names.join(",");
    for body in bodies {
        text.push_str("\r\n");
        let quoted = |cell: Cell| match cell {
            Cell::Empty => String::new(),
            Cell::Number(number) => number,
            Cell::Text(text) => {
                let guard = if text.starts_with(['=', '+', '-', '@', '\t', '\r', '\'']) { "'" } else { "" };
                format!("\"{guard}{}\"", text.replace('"', "\"\""))
            }
        };
        let row: Vec<String> = cells(mapping.records(), body).into_iter().map(quoted).collect();
        text.push_str(&row.join(","));
    }
    text.into_bytes()
}
