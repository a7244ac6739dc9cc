//! Slices of rows that are read and judged while those before them are written.

use import::{FileError, Row};
use store::command::Proposal;
use tokio::sync::mpsc;

use super::{DRY_ROWS, End, Going, Judged, Memory, SLICE_ROWS, Source, Stopped, reading};
use crate::extract::Caller;
use store::imports::ImportState;

/// What comes after a slice.
pub(super) enum Next {
    /// Another one.
    Slice(Box<Ready>),
    /// Bytes that are no rows.
    Unreadable(FileError),
    /// Nothing: the file is over, or the job is to be stopped.
    End(End),
}

/// A slice that can be written.
pub(super) struct Ready {
    /// In whose name, with what they might do when it was judged.
    pub caller: Caller,
    /// What its rows are.
    pub judged: Vec<Judged>,
    /// The edits among them.
    pub edits: Vec<Proposal>,
}

impl Ready {
    pub(super) async fn judge(
        going: &Going<'_>,
        memory: &mut Memory,
        caller: Caller,
        rows: Vec<Row>,
    ) -> Result<Self, Stopped> {
        let (judged, edits) = memory.judge(&going.bench.store, &caller, going.job.id, rows).await?;
        Ok(Self { caller, judged, edits })
    }
}

/// The slices of a file from where its job stands.
pub(super) struct Ahead {
    slices: mpsc::Receiver<Result<Vec<Row>, FileError>>,
    memory: Memory,
    /// Rows that were judged before, which are only remembered.
    passing: usize,
}

impl Ahead {
    pub(super) fn of(going: &Going<'_>, source: &Source) -> Self {
        let most = if going.job.dry_run { DRY_ROWS } else { SLICE_ROWS };
        let slices = reading::slices(going.bench, going.organization, source, most);
        let passing = usize::try_from(going.job.rows_read).unwrap_or(usize::MAX);
        Self { slices, memory: Memory::default(), passing }
    }

    pub(super) async fn next(&mut self, going: &Going<'_>) -> Result<Next, Stopped> {
        while let Some(rows) = self.slices.recv().await {
            let mut rows = match rows {
                Ok(rows) => rows,
                Err(error) => return Ok(Next::Unreadable(error)),
            };
            let caller = match going.may_go_on().await? {
                Ok(caller) => caller,
                Err(end) => return Ok(Next::End(end)),
            };
            let passed = rows.drain(..self.passing.min(rows.len())).collect::<Vec<_>>();
            self.passing -= passed.len();
            self.memory.pass(&caller, &passed);
            if !rows.is_empty() {
                let ready = Ready::judge(going, &mut self.memory, caller, rows).await?;
                return Ok(Next::Slice(Box::new(ready)));
            }
        }
        Ok(Next::End((ImportState::Done, None)))
    }
}
