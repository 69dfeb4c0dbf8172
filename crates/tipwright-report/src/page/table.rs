//! Tables of the pages. On a wide page a table, on a phone every row a small form: names beside their values, nothing
//! runs out at the right.

use askama::Template;

use crate::text::Html;

/// A column.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    name: String,
    kind: Kind,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Lead,
    Words,
    Number,
}

impl Column {
    /// What the row is about; needs no name beside it.
    #[must_use]
    pub fn lead(name: &str) -> Self {
        Self { name: name.to_owned(), kind: Kind::Lead }
    }

    /// Words.
    #[must_use]
    pub fn words(name: &str) -> Self {
        Self { name: name.to_owned(), kind: Kind::Words }
    }

    /// A number, set under the others.
    #[must_use]
    pub fn number(name: &str) -> Self {
        Self { name: name.to_owned(), kind: Kind::Number }
    }

    fn class(&self) -> &'static str {
        match self.kind {
            Kind::Lead => "lead",
            Kind::Words => "words",
            Kind::Number => "n",
        }
    }

    fn is_lead(&self) -> bool {
        self.kind == Kind::Lead
    }
}

/// A cell: what stands in it, and what it is sorted by where that is not its text.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Cell {
    /// HTML; empty where there is nothing.
    pub html: Html,
    /// To sort by.
    pub key: Option<String>,
}

impl Cell {
    /// A cell sorted by its text.
    #[must_use]
    pub fn new(html: impl Into<String>) -> Self {
        Self { html: Html(html.into()), key: None }
    }

    /// A cell sorted by a number.
    #[must_use]
    pub fn keyed(html: impl Into<String>, key: f64) -> Self {
        Self { html: Html(html.into()), key: Some(format!("{key:.6}")) }
    }
}

/// A table. `label`: its name for those who do not see it; `class`: its own class; `sorts`: headings are buttons that sort.
#[derive(Debug, Clone, PartialEq, Template)]
#[template(path = "table.html")]
pub struct Table<'a> {
    /// Name.
    pub label: &'a str,
    /// Caption.
    pub caption: &'a str,
    /// Class beside those of all tables.
    pub class: &'a str,
    /// Headings sort.
    pub sorts: bool,
    /// Columns.
    pub columns: Vec<Column>,
    /// Class of each row and its cells.
    pub rows: Vec<(String, Vec<Cell>)>,
}

impl Table<'_> {
    /// The table as HTML, without columns in which no row has anything; nothing without rows. Roles are said in words, for folded rows are
    /// no table to a browser.
    #[must_use]
    pub fn html(&self) -> Html {
        if self.rows.is_empty() {
            return Html::default();
        }
        let has_any =
            |k: usize| self.rows.iter().any(|(_, cells)| cells.get(k).is_some_and(|c| !c.html.is_empty()));
        let kept: Vec<usize> = (0..self.columns.len()).filter(|k| has_any(*k)).collect();
        let cells = |cells: &[Cell]| kept.iter().filter_map(|k| cells.get(*k).cloned()).collect();
        Html::of(&Self {
            columns: kept.iter().map(|k| self.columns[*k].clone()).collect(),
            rows: self.rows.iter().map(|(class, row)| (class.clone(), cells(row))).collect(),
            ..*self
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_bears_the_name_of_its_column_and_what_it_is_sorted_by() {
        let column = |name: &str| match name {
            "figure" => Column::lead(name),
            "dip & dome" => Column::number(name),
            _ => Column::words(name),
        };
        let table = Table {
            label: "a <b>",
            caption: "all",
            class: "own",
            sorts: true,
            columns: ["figure", "dip & dome", "said", "never said"].map(column).to_vec(),
            rows: vec![
                (
                    String::new(),
                    vec![Cell::new("x"), Cell::keyed("2 <i>mm</i>", 2.0), Cell::default(), Cell::default()],
                ),
                (String::new(), vec![Cell::new("y"), Cell::default(), Cell::new("z"), Cell::default()]),
            ],
        };
        let html = table.html().0;
        assert!(
            html.contains("aria-label=\"a &#60;b&#62;\"") && html.contains("class=\"folds own sortable\""),
            "{html}"
        );
        assert!(
            html.contains(
                "<td role=\"cell\" class=\"n\" data-name=\"dip &#38; dome\" data-v=\"2.000000\">2 <i>mm</i></td>"
            ),
            "{html}"
        );
        assert!(html.contains("<td role=\"cell\" class=\"lead\">x</td>"), "{html}");
        assert!(html.contains("class=\"words none\"") && html.contains(">none</span></td></tr>"), "{html}");
        assert!(!html.contains("never said"), "a column without anything: {html}");
        assert_eq!(Table { rows: Vec::new(), ..table }.html(), Html::default());
    }
}
