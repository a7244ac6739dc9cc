//! The rows of CSV.

use model::OrganizationId;

use super::{nul, wrong_encoding};
use crate::{
    CELL_BYTES_MOST, COLUMNS_MOST, Columns, Complaint, Mapping, Row,
    columns::{Column, Shape},
    draft::Draft,
    headings::Slot,
    lines::Raw,
    mapping::Take,
    split::{Cells, Splitter, TooMany, unguarded},
    target::Target,
};

/// A table: its columns, and how its records are taken apart.
pub(super) struct Table {
    delimiters: &'static [u8],
    splitter: Splitter,
    slots: Vec<Slot>,
    columns: Columns,
}

impl Table {
    pub(super) const fn new(
        delimiters: &'static [u8],
        splitter: Splitter,
        slots: Vec<Slot>,
        columns: Columns,
    ) -> Self {
        Self { delimiters, splitter, slots, columns }
    }

    pub(super) const fn delimiters(&self) -> &'static [u8] {
        self.delimiters
    }

    /// The row of a record; none where it is blank.
    pub(super) fn row(
        &mut self,
        mapping: &Mapping,
        organization: OrganizationId,
        raw: &Raw,
        utf_8: bool,
    ) -> Option<Row> {
        let broken = |complaint| Some(Row { line: raw.line, wish: Err(vec![complaint]) });
        if raw.nul {
            return broken(nul(raw));
        }
        if let Some(found) = raw.broken {
            let heading = self.slots.get(found.cell).map(|slot| slot.heading.as_str());
            return broken(found.complaint(raw.line, heading));
        }
        let cells = match self.splitter.split(&raw.text) {
            Ok(cells) if cells.are_blank() => return None,
            Ok(cells) if cells.len() == self.slots.len() => cells,
            Ok(cells) => return broken(wrong_count(raw.line, &cells.len().to_string(), self.slots.len())),
            Err(TooMany) => {
                let more = format!("more than {COLUMNS_MOST}");
                return broken(wrong_count(raw.line, &more, self.slots.len()));
            }
        };
        let mut draft = Draft::new(mapping, organization, raw.line);
        for complaint in malformed(raw, cells, &self.slots, utf_8) {
            draft.complain(complaint);
        }
        for (slot, cell) in self.slots.iter().zip(cells.iter()) {
            let Some(take) = &slot.take else { continue };
            if cell.len() > CELL_BYTES_MOST && !holds_json(take) {
                draft.complain(too_large(raw.line, &slot.heading));
            } else {
                draft.cell(&slot.heading, take, unguarded(cell));
            }
        }
        Some(draft.finish(self.columns.clone()))
    }
}

/// An export must be read again whatever it holds, so JSON may fill a record.
fn holds_json(take: &Take) -> bool {
    matches!(
        &take.target,
        Target::Details | Target::Member(Column { shape: Shape::Json | Shape::JsonList, .. })
    )
}

fn wrong_count(line: u64, found: &str, headings: usize) -> Complaint {
    let detail = format!("The row has {found} cells, and there are {headings} headings.");
    Complaint::of_row(line, "wrong_cell_count", detail)
}

fn too_large(line: u64, heading: &str) -> Complaint {
    Complaint::of_column(line, heading, "cell_too_large", "A cell has at most 64 KiB.")
}

/// Complaints about cells that hold bytes of another encoding.
fn malformed(raw: &Raw, cells: Cells<'_>, slots: &[Slot], utf_8: bool) -> Vec<Complaint> {
    if !raw.malformed {
        return Vec::new();
    }
    let with_slots = slots.iter().zip(cells.iter());
    let bad = with_slots.filter(|(slot, cell)| slot.take.is_some() && cell.contains('\u{FFFD}'));
    bad.map(|(slot, _)| wrong_encoding(raw.line, Some(&slot.heading), utf_8)).collect()
}
