//! Sets of time, to be measured quickly between any two instants.

use model::Instant;

const MICROS: i64 = 1_000_000;

/// Times that neither touch nor overlap, in order.
#[derive(Clone, Debug, Default)]
pub(crate) struct Spans(Vec<Span>);

#[derive(Clone, Copy, Debug)]
struct Span {
    start: Instant,
    end: Instant,
    /// Microseconds in the spans before it.
    before: i64,
}

impl Spans {
    /// The union of times given in any order; what ends before it begins is none.
    pub(crate) fn united(times: impl IntoIterator<Item = (Instant, Instant)>) -> Self {
        let mut times: Vec<(Instant, Instant)> =
            times.into_iter().filter(|(start, end)| start < end).collect();
        times.sort_unstable();
        let mut spans: Vec<Span> = Vec::with_capacity(times.len());
        for (start, end) in times {
            match spans.last_mut() {
                Some(last) if start <= last.end => last.end = last.end.max(end),
                last => {
                    let before = last.map_or(0, |last| last.before + micros(last.start, last.end));
                    spans.push(Span { start, end, before });
                }
            }
        }
        Self(spans)
    }

    /// Each with its end.
    pub(crate) fn iter(&self) -> impl Iterator<Item = (Instant, Instant)> {
        self.0.iter().map(|span| (span.start, span.end))
    }

    /// Whole seconds of them from `from` to `to`.
    pub(crate) fn seconds(&self, from: Instant, to: Instant) -> i64 {
        self.micros(from, to) / MICROS
    }

    /// Microseconds of them from `from` to `to`; none if that is not later.
    pub(crate) fn micros(&self, from: Instant, to: Instant) -> i64 {
        (self.until(to) - self.until(from)).max(0)
    }

    fn until(&self, at: Instant) -> i64 {
        let begun = self.0.partition_point(|span| span.start < at);
        let last = begun.checked_sub(1).and_then(|last| self.0.get(last));
        last.map_or(0, |span| span.before + micros(span.start, span.end.min(at)))
    }
}

fn micros(from: Instant, to: Instant) -> i64 {
    to.micros() - from.micros()
}
