//! What can hurt somebody, said once at the end of each mail, with where it comes from.

/// A caution and its source.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Caution {
    pub(crate) text: &'static str,
    pub(crate) source: &'static str,
}

pub(crate) const CAUTIONS: [Caution; 5] = [
    Caution {
        text: "the unit's own manual, local codes and licensed practice come before this mail",
        source: "common practice",
    },
    Caution {
        text: "run a generator outdoors only, at least 20 ft (6.1 m) from openings: carbon monoxide kills",
        source: "electric cooperative safety advice (ceci.coop)",
    },
    Caution {
        text: "connect it to a building only through transfer equipment installed by a licensed electrician",
        source: "NFPA 70 section 702.5 (cited from memory); licensed electrician: common practice",
    },
    Caution {
        text: "disconnect the starting battery before work",
        source: "29 CFR 1910.147 (control of hazardous energy), applied by analogy",
    },
    Caution { text: "stop the engine before adding fuel", source: "29 CFR 1926.152(g)(10)" },
];

/// All of them in one line.
pub(crate) fn line() -> String {
    let said: Vec<String> =
        CAUTIONS.iter().map(|caution| format!("{} [{}]", caution.text, caution.source)).collect();
    format!("Take care: {}.", said.join("; "))
}
