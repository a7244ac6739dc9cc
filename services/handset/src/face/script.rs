//! `write` and `told`: for scripts alone, in JSON whether they say so or not.

use std::process::ExitCode;

use anyhow::{Context, Result, anyhow};
use clap::Args;
use handset::Wish;
use serde::Deserialize;
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::{Face, Trouble, show::KindWord};

#[derive(Args)]
pub(crate) struct Told {
    /// The kind, such as `service_event`.
    kind: String,
}

/// A line of what is to be written down.
#[derive(Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
enum Line {
    Event(Map<String, Value>),
    Create { kind: KindWord, fields: Map<String, Value> },
    Set { kind: KindWord, id: Uuid, fields: Map<String, Value> },
}

/// All records of a kind as they were told.
pub(crate) fn told(face: &mut Face<'_>, told: &Told) -> Result<ExitCode> {
    for record in face.handset.told(&told.kind)? {
        let text: Value = serde_json::from_str(&record.text)?;
        writeln!(face.out, "{}", json!({"id": record.id, "unit_id": record.unit, "record": text}))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// Writes down what stands on the input, line by line.
pub(crate) fn write(face: &mut Face<'_>) -> Result<ExitCode> {
    let (mut line, mut number) = (String::new(), 0);
    while face.input.read_line(&mut line)? > 0 {
        number += 1;
        write_line(face, &line).map_err(|why| not_written(why, number))?;
        line.clear();
    }
    Ok(ExitCode::SUCCESS)
}

/// Why a line was not written; those before it are.
fn not_written(why: anyhow::Error, line: usize) -> anyhow::Error {
    match why.downcast() {
        Ok(Trouble::NotSaved(why)) if line > 1 => Trouble::LineNotSaved { line, why }.into(),
        Ok(other) => anyhow::Error::from(other).context(format!("line {line}")),
        Err(why) => why.context(format!("line {line}")),
    }
}

fn write_line(face: &mut Face<'_>, line: &str) -> Result<()> {
    let lines: Vec<Line> = if line.trim_start().starts_with('[') {
        serde_json::from_str(line).context("no list of edits")?
    } else {
        vec![serde_json::from_str(line).context("no edit")?]
    };
    let wishes = lines.into_iter().map(|line| wish(face, line)).collect::<Result<_>>()?;
    let written = face.handset.write_together(&mut *face.around, wishes).map_err(Trouble::NotSaved)?;
    for id in written {
        writeln!(face.out, "{}", json!({"id": id}))?;
    }
    // Whoever reads it may act on it.
    Ok(face.out.flush()?)
}

fn wish(face: &mut Face<'_>, line: Line) -> Result<Wish> {
    Ok(match line {
        Line::Event(event) => Wish::Event(event),
        Line::Create { kind, fields } => Wish::Create { kind: kind.into(), fields },
        Line::Set { kind, id, fields } => {
            let kind = kind.into();
            let view = face.handset.view(kind, id)?.ok_or_else(|| anyhow!("there is no record {id} here"))?;
            Wish::Set { kind, id, base: view.base(&fields), fields }
        }
    })
}
