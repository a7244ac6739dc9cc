//! Plans of both databases, read the same way.

/// How a statement is run.
pub(super) struct Plan {
    /// As the database says it.
    pub(super) lines: Vec<String>,
    /// What is read through an index.
    pub(super) reads: Vec<Read>,
    /// Tables that are read from end to end, all organizations in them.
    pub(super) scans: Vec<String>,
    /// Whether found rows are sorted.
    pub(super) sorts: bool,
}

/// What is read through one index.
pub(super) struct Read {
    /// The index; of a primary key the table.
    pub(super) index: String,
    /// What it is asked for begins with the organization.
    pub(super) of_organization: bool,
    /// It is asked for more than the organization.
    pub(super) narrow: bool,
}

impl Plan {
    pub(super) fn read(lines: Vec<String>) -> Self {
        let (mut reads, mut scans) = (Vec::new(), Vec::new());
        for (n, line) in lines.iter().enumerate() {
            let words: Vec<&str> = line.split_whitespace().collect();
            let word_after = |word: &str| words.iter().skip_while(|w| **w != word).nth(1).copied();
            if line.contains("Seq Scan on") || line.starts_with("SCAN ") && !line.contains("CONSTANT") {
                scans.push(word_after("on").or(word_after("SCAN")).unwrap_or_default().to_owned());
            } else if line.starts_with("SEARCH ") {
                let condition = line.split_once('(').map_or("", |(_, condition)| condition);
                // A table without rowids is its primary key.
                let itself = word_after("SEARCH").filter(|_| line.contains("USING PRIMARY KEY"));
                reads.push(Read::new(word_after("INDEX").or(itself), condition, " AND "));
            } else if line.contains("Bitmap Index Scan on")
                || line.contains("Scan using")
                || line.contains("Backward using")
            {
                let condition = lines.get(n + 1).filter(|next| next.contains("Index Cond:"));
                let condition =
                    condition.and_then(|next| next.split_once("Index Cond: ")).map_or("", |(_, c)| c);
                reads.push(Read::new(word_after("using").or(word_after("on")), condition, " AND "));
            }
        }
        let sorts =
            lines.iter().any(|line| line.contains("Sort Key") || line.contains("TEMP B-TREE FOR ORDER BY"));
        Self { lines, reads, scans, sorts }
    }
}

impl Read {
    fn new(index: Option<&str>, condition: &str, and: &str) -> Self {
        let condition = condition.trim_start_matches('(');
        Self {
            index: index.map_or_else(|| "rowid".to_owned(), named),
            of_organization: condition.starts_with("organization =")
                || condition.starts_with("organization="),
            narrow: condition.contains(and),
        }
    }
}

/// An index by its own name; a primary key by its table's, which both databases have in the name that they give it.
fn named(index: &str) -> String {
    let index = index.trim_start_matches("sqlite_autoindex_");
    let index = index
        .strip_suffix("_organization_edit_id_row_kind_key")
        .map_or(index.to_owned(), |t| format!("{t}_2"));
    index.trim_end_matches("_pkey").trim_end_matches("_1").to_owned()
}

/// The first table that a statement reads, and whether it asks for a page of it.
pub(super) fn table_of(text: &str) -> String {
    let page = if text.contains("LIMIT") { " page" } else { "" };
    let text = text.replace(['"', '`', '(', ')'], " ");
    let mut words = text.split_whitespace().skip_while(|word| *word != "FROM").skip(1);
    let mut table = words.find(|word| word.contains(|c: char| c.is_ascii_lowercase()));
    // Values that are handed over are no table; what is looked up for them is.
    if table == Some("unnest") {
        table = words.skip_while(|word| *word != "FROM").nth(1);
    }
    format!("{}{page}", table.unwrap_or_default())
}
