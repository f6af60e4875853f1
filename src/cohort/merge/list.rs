//! Lists of whole rows under headings (roster, calls, sessions, the log of pushes over a ceiling, daily checks, …), united.
//!
//! A list that only one study has, or to which no other adds anything, keeps its bytes.

use crate::acquire::recorder::append::joined;
use crate::error::Problem;
use crate::format::counted;
use std::collections::{BTreeMap, BTreeSet};

/// One row with the comments before it.
#[derive(Debug, Clone, Default)]
pub struct ListRow {
    comments: Vec<String>,
    /// As it stands in the file; `None` once a cell was changed.
    raw: Option<String>,
    cells: Vec<String>,
    /// Why it stands as a comment in the united list.
    aside: Option<String>,
}

/// The list of one study.
#[derive(Debug, Clone)]
pub struct List {
    /// Name of the study.
    label: String,
    text: String,
    delimiter: char,
    heading: ListRow,
    /// In small letters.
    headings: Vec<String>,
    pub rows: Vec<ListRow>,
    /// Comments after the last row.
    tail: Vec<String>,
}

impl List {
    /// Reads a list; `None` when it has no headings.
    pub fn parse(label: &str, text: &str) -> Option<List> {
        let body = text.strip_prefix('\u{feff}').unwrap_or(text);
        let header = body.lines().find(|l| !l.trim().is_empty() && !l.starts_with('#'))?;
        let count = |d: char| header.chars().filter(|c| *c == d).count();
        let delimiter = [',', ';', '\t'].into_iter().max_by_key(|d| (count(*d), *d == ',')).unwrap_or(',');
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(u8::try_from(delimiter).unwrap_or(b','))
            .has_headers(false)
            .flexible(true)
            .comment(Some(b'#'))
            .trim(csv::Trim::All)
            .from_reader(body.as_bytes());
        let at = |reader: &csv::Reader<&[u8]>| usize::try_from(reader.position().byte()).unwrap_or(usize::MAX).min(body.len());
        let (mut rows, mut record) = (Vec::new(), csv::StringRecord::new());
        let mut begin = 0;
        while reader.read_record(&mut record).unwrap_or(false) {
            let end = at(&reader);
            let (comments, raw) = split_comments(body.get(begin..end).unwrap_or_default());
            rows.push(ListRow {
                comments,
                raw: Some(raw.to_owned()),
                cells: record.iter().map(str::to_owned).collect(),
                aside: None,
            });
            begin = end;
        }
        if rows.is_empty() {
            return None;
        }
        let heading = rows.remove(0);
        Some(List {
            label: label.to_owned(),
            text: text.to_owned(),
            delimiter,
            headings: heading.cells.iter().map(|h| h.to_lowercase()).collect(),
            heading,
            rows,
            tail: split_comments(body.get(begin..).unwrap_or_default()).0,
        })
    }

    /// Whether a heading begins with a word.
    pub fn has_heading(&self, word: &str) -> bool {
        self.headings.iter().any(|h| h.starts_with(word))
    }

    /// The cell of a row under a heading; empty where there is none.
    pub fn cell(&self, row: &ListRow, heading: &str) -> String {
        let place = self.headings.iter().position(|h| h == heading);
        place.and_then(|i| row.cells.get(i)).cloned().unwrap_or_default()
    }

    /// Changes the cell of a row under a heading that the list has.
    pub fn set_cell(&mut self, row: usize, heading: &str, value: &str) {
        let place = self.headings.iter().position(|h| h == heading);
        if let (Some(i), Some(row)) = (place, self.rows.get_mut(row))
            && let Some(cell) = row.cells.get_mut(i).filter(|cell| *cell != value)
        {
            value.clone_into(cell);
            row.raw = None;
        }
    }

    /// Has a row stand as a comment that says why.
    pub fn put_aside(&mut self, row: usize, why: &str) {
        if let Some(row) = self.rows.get_mut(row) {
            row.aside = Some(why.to_owned());
        }
    }

    /// What a row says, whatever the order of its columns.
    pub fn said(&self, row: &ListRow, besides: &str) -> BTreeMap<String, String> {
        let cells = self.headings.iter().cloned().zip(row.cells.iter().cloned());
        cells.filter(|(heading, cell)| !cell.is_empty() && heading != besides).collect()
    }

    fn is_ragged(&self, row: &ListRow) -> bool {
        let extra = row.cells.iter().skip(self.headings.len()).any(|c| !c.is_empty());
        extra || row.cells.len() < self.headings.len()
    }
}

/// The comments that stand before a row, and the row without its line end.
fn split_comments(chunk: &str) -> (Vec<String>, &str) {
    let (mut comments, mut rest) = (Vec::new(), chunk);
    while !rest.is_empty() {
        let (line, after) = rest.split_once('\n').unwrap_or((rest, ""));
        match line.trim() {
            "" => {}
            comment if line.starts_with('#') => comments.push(comment.to_owned()),
            _ => break,
        }
        rest = after;
    }
    (comments, rest.trim_end_matches(['\r', '\n']))
}

/// All rows of all lists: a row that several have stands once, as often as the list has it that has it most often; `besides` is a
/// column that does not count for that, such as a running number. The first list gives order and delimiter of the columns, and
/// columns that it lacks come after its own.
pub fn unite(file: &str, lists: &[List], besides: &str) -> (String, Vec<Problem>) {
    let Some((first, others)) = lists.split_first() else {
        return (String::new(), Vec::new());
    };
    let mut headings = first.headings.clone();
    let mut heading_cells = first.heading.cells.clone();
    for list in others {
        for (heading, cell) in list.headings.iter().zip(&list.heading.cells) {
            if !headings.contains(heading) {
                headings.push(heading.clone());
                heading_cells.push(cell.clone());
            }
        }
    }
    let mut united = United {
        file,
        delimiter: first.delimiter,
        headings,
        text: String::new(),
        comments: BTreeSet::new(),
        problems: Vec::new(),
        added: false,
    };
    united.comments_of(&first.heading.comments);
    let raw = first.heading.raw.clone().filter(|_| united.headings == first.headings);
    united.line(&raw.unwrap_or_else(|| united.row(&heading_cells)));
    let mut seen: BTreeMap<BTreeMap<String, String>, usize> = BTreeMap::new();
    for (number, list) in lists.iter().enumerate() {
        if number > 0 {
            united.comments_of(&list.heading.comments);
        }
        let mut own: BTreeMap<BTreeMap<String, String>, usize> = BTreeMap::new();
        for row in &list.rows {
            let said = list.said(row, besides);
            let times = own.entry(said.clone()).or_default();
            *times += 1;
            let known = seen.entry(said).or_default();
            united.comments_of(&row.comments);
            if *times > *known || list.is_ragged(row) {
                *known = (*known).max(*times);
                united.added |= number > 0;
                united.add(list, row);
            }
        }
        united.comments_of(&list.tail);
    }
    match united.added || first.rows.iter().any(|r| r.raw.is_none() || r.aside.is_some()) {
        true => (united.text, united.problems),
        // Comments alone are no reason to write a person's file anew.
        false => (first.text.clone(), united.problems),
    }
}

/// A list in the making.
struct United<'a> {
    file: &'a str,
    delimiter: char,
    headings: Vec<String>,
    text: String,
    comments: BTreeSet<String>,
    problems: Vec<Problem>,
    /// A list after the first gave a row.
    added: bool,
}

impl United<'_> {
    fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    fn row(&self, cells: &[String]) -> String {
        let cells: Vec<&str> = cells.iter().map(String::as_str).collect();
        joined(&cells, self.delimiter)
    }

    /// Each comment once.
    fn comments_of(&mut self, comments: &[String]) {
        for comment in comments {
            if self.comments.insert(comment.clone()) {
                self.line(comment);
            }
        }
    }

    fn add(&mut self, list: &List, row: &ListRow) {
        let alike = list.headings == self.headings && list.delimiter == self.delimiter;
        let raw = row.raw.clone().unwrap_or_else(|| joined(&row.cells.iter().map(String::as_str).collect::<Vec<_>>(), list.delimiter));
        if let Some(why) = &row.aside {
            return self.as_comment(list, &raw, why);
        }
        if alike {
            return self.line(&raw);
        }
        if list.is_ragged(row) {
            self.problems.push(Problem::error(
                format!("{}/{}", list.label, self.file),
                counted(row.cells.len(), "cell"),
                format!("{}, as in the headings", counted(list.headings.len(), "cell")),
                "complete the row in the merged list, where it stands as a comment",
            ));
            return self.as_comment(list, &raw, "it has not as many cells as the headings");
        }
        let said = list.said(row, "");
        let cells: Vec<String> = self.headings.iter().map(|h| said.get(h).cloned().unwrap_or_default()).collect();
        self.line(&self.row(&cells));
    }

    fn as_comment(&mut self, list: &List, raw: &str, why: &str) {
        let lines: Vec<&str> = raw.lines().collect();
        self.line(&format!("# from {}, not used, since {why}:", list.label));
        for line in lines {
            self.line(&format!("# {line}"));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn united(texts: &[&str]) -> String {
        let lists: Vec<List> = texts.iter().zip(["A", "B", "C"]).filter_map(|(t, l)| List::parse(l, t)).collect();
        let (text, problems) = unite("list.csv", &lists, "");
        assert_eq!(problems, []);
        text
    }

    #[test]
    fn a_list_to_which_nothing_is_added_keeps_its_bytes() {
        let text = "\u{feff}# ours\r\nCode;role\r\nV-1;subject\r\n\r\nV-1;subject";
        assert_eq!(united(&[text]), text);
        assert_eq!(united(&[text, "role,code\nsubject,V-1\n# theirs\n", ""]), text);
    }

    #[test]
    fn rows_of_both_stand_once_under_the_headings_of_the_first() {
        let a = "# ours\ncode;role\nV-1;subject\n\"a;\nb\";subject\n# end\n";
        let b = "role,code,group\nsubject,V-1,\nexaminer,\"L;1\",y1\n# theirs\nexaminer,L-2,\n";
        let text = "# ours\ncode;role;group\nV-1;subject;\n\"a;\nb\";subject;\n# end\n\"L;1\";examiner;y1\n# theirs\nL-2;examiner;\n";
        assert_eq!(united(&[a, b]), text);
        assert_eq!(united(&[text, b]), text, "once more adds nothing");
    }

    #[test]
    fn what_one_list_has_twice_is_kept_twice() {
        assert_eq!(united(&["a\nx\n", "a\nx\nx\n", "a\nx\ny\n"]), "a\nx\nx\ny\n");
    }

    #[test]
    fn a_row_of_too_few_cells_is_kept_and_named_where_it_would_come_to_mean_something_else() {
        let lists = ["a,b\n1,2\n", "b,a,c\n1\n"].map(|t| List::parse("B", t).unwrap());
        let (text, problems) = unite("list.csv", &lists, "");
        assert!(text.ends_with(":\n# 1\n"), "{text}");
        assert_eq!((problems.len(), problems[0].found.as_str()), (1, "1 cell"));
    }
}
