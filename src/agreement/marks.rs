//! Marks that two assessors gave on the same sheets, row by row: how far they agree (METHODS.md §7.12).

use super::CONFIDENCE;
use super::clusters::Clusters;
use crate::error::Problem;
use crate::stats::agreement::jackknife::JackknifeScale;
use crate::stats::agreement::kappa::{Kappa, Weights, kappa};
use crate::study::table::{TextRow, TextTable};
use crate::study::words::{nearest, one_of, shown};
use std::collections::BTreeMap;

/// Marks that a row may have where nobody names others.
pub const WORDS: [&str; 3] = ["yes", "partly", "no"];
/// Columns of both assessors.
pub const ASSESSORS: [&str; 2] = ["assessor_1", "assessor_2"];
/// Columns that say which sheet a row is of.
pub const SHEET: [&str; 5] = ["candidate", "session", "subject", "plan", "attempt"];
/// Columns that, with the sheet, say which row it is.
pub const PLACE: [&str; 4] = ["step", "level", "side", "item"];
/// Others that `marks.csv` has.
const BESIDES: [&str; 5] = ["value", "value_unit", "band_low", "band_high", "seen"];

/// Which row of which sheet: what stands under [`SHEET`] and [`PLACE`].
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct MarkPlace {
    pub sheet: [String; 5],
    pub place: [String; 4],
}

impl MarkPlace {
    /// The kind of row: what is assessed.
    pub fn item(&self) -> &str {
        &self.place[3]
    }
}

/// A mark and where it stands.
#[derive(Debug, Clone, PartialEq)]
struct GivenMark {
    /// Number of the word.
    mark: usize,
    file: String,
    line: u64,
}

/// All marks of both, read.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Marks {
    /// What may be given, in small letters.
    words: Vec<String>,
    rows: BTreeMap<MarkPlace, [Vec<GivenMark>; 2]>,
}

impl Marks {
    /// No marks yet; `words` are those that may be given.
    pub fn new(words: &[String]) -> Marks {
        Marks {
            words: words.iter().map(|w| w.trim().to_lowercase()).collect(),
            rows: BTreeMap::new(),
        }
    }

    /// Adds those of a filled-in `marks.csv`; `file` is the name that problems carry. A mark that is none of the words is named and
    /// left out. Each assessor may have filled in a copy of their own.
    ///
    /// # Errors
    /// A file that lacks a column or has no headings; nothing of it is used.
    pub fn add(&mut self, file: &str, text: &str) -> Result<Vec<Problem>, Vec<Problem>> {
        let mut problems = Vec::new();
        let table = TextTable::parse(file, text, &mut problems).map_err(|p| vec![p])?;
        let needed: Vec<&str> = ["candidate", "item"].into_iter().chain(ASSESSORS).collect();
        let known: Vec<&str> = SHEET.into_iter().chain(PLACE).chain(BESIDES).collect();
        if !table.check_headings(file, &needed, &known, &mut problems) {
            return Err(problems);
        }
        for row in &table.rows {
            let cells = |headings: &[&str]| -> Vec<String> { headings.iter().map(|h| row.get(h).unwrap_or_default().to_owned()).collect() };
            let (Ok(sheet), Ok(place)) = (cells(&SHEET).try_into(), cells(&PLACE).try_into()) else { continue };
            let given = ASSESSORS.map(|column| self.mark(file, row, column, &mut problems));
            let marks = self.rows.entry(MarkPlace { sheet, place }).or_default();
            for (marks, given) in marks.iter_mut().zip(given) {
                marks.extend(given);
            }
        }
        Ok(problems)
    }

    /// `None` for an empty cell, and for one that is no mark.
    fn mark(&self, file: &str, row: &TextRow, column: &str, problems: &mut Vec<Problem>) -> Option<GivenMark> {
        let cell = row.get(column)?;
        let word = cell.trim().to_lowercase();
        if let Some(mark) = self.words.iter().position(|w| *w == word) {
            return Some(GivenMark {
                mark,
                file: file.to_owned(),
                line: row.line,
            });
        }
        let words: Vec<&str> = self.words.iter().map(String::as_str).collect();
        let near = nearest(&word, words.iter().copied()).map_or(String::new(), |near| format!("write {near} if that is meant; "));
        let advice = format!("{near}other marks are named with --words; it is not used");
        problems.push(Problem::error(file, shown(cell), one_of(&words), advice).at_line(row.line).in_column(column));
        None
    }
}

/// How far two assessors agree on rows of one kind.
#[derive(Debug, Clone, PartialEq)]
pub struct KindAgreement {
    /// What is assessed; `None` for rows of all kinds.
    pub item: Option<String>,
    pub rows: usize,
    /// Rows that only the first, and only the second, marked.
    pub one_only: [usize; 2],
    /// Rows the first's marks, columns the second's, in the order of the words.
    pub table: Vec<Vec<f64>>,
    /// Sheets with a row that both marked.
    pub sheets: usize,
    pub kappa: Result<Kappa, String>,
}

impl KindAgreement {
    /// Rows that both marked.
    pub fn both(&self) -> usize {
        self.table.iter().flatten().sum::<f64>() as usize
    }

    /// Rows that both marked alike.
    pub fn alike(&self) -> usize {
        (0..self.table.len()).map(|i| self.table[i][i]).sum::<f64>() as usize
    }

    /// Share of those that both marked, in percent.
    pub fn percent(&self) -> Option<f64> {
        (self.both() > 0).then(|| 100.0 * self.alike() as f64 / self.both() as f64)
    }
}

/// A row that was marked differently.
#[derive(Debug, Clone, PartialEq)]
pub struct Disagreement {
    pub row: MarkPlace,
    pub marks: [String; 2],
}

/// What two assessors' marks tell.
#[derive(Debug, Clone, PartialEq)]
pub struct MarkAgreement {
    pub words: Vec<String>,
    /// All rows, then each kind in the order of its name.
    pub kinds: Vec<KindAgreement>,
    pub disagreements: Vec<Disagreement>,
}

/// How far the two agree; a row to which one assessor gave two different marks is named and left out.
pub fn of_marks(marks: &Marks) -> (MarkAgreement, Vec<Problem>) {
    let mut problems = Vec::new();
    let mut rows: Vec<(&MarkPlace, [Option<usize>; 2])> = Vec::new();
    for (row, given) in &marks.rows {
        let mut both = [None; 2];
        for (i, given) in given.iter().enumerate() {
            both[i] = match given.as_slice() {
                [] => None,
                [first, others @ ..] if others.iter().all(|g| g.mark == first.mark) => Some(first.mark),
                several => {
                    problems.push(twice(marks, row, i, several));
                    None
                }
            };
        }
        rows.push((row, both));
    }
    let mut items: Vec<&str> = rows.iter().map(|(row, _)| row.item()).collect();
    items.sort_unstable();
    items.dedup();
    let kinds = std::iter::once(None).chain(items.into_iter().map(Some));
    let disagreements = rows.iter().filter_map(|(row, given)| match given {
        [Some(a), Some(b)] if a != b => Some(Disagreement {
            row: (*row).clone(),
            marks: [*a, *b].map(|mark| marks.words[mark].clone()),
        }),
        _ => None,
    });
    let agreement = MarkAgreement {
        words: marks.words.clone(),
        disagreements: disagreements.collect(),
        kinds: kinds.map(|item| of_kind(&rows, item, marks.words.len())).collect(),
    };
    (agreement, problems)
}

fn twice(marks: &Marks, row: &MarkPlace, assessor: usize, given: &[GivenMark]) -> Problem {
    let said: Vec<String> = given.iter().map(|g| format!("{} in {}, line {}", marks.words[g.mark], g.file, g.line)).collect();
    let place: Vec<&str> = row.sheet.iter().chain(&row.place).map(String::as_str).filter(|w| !w.is_empty()).collect();
    let last = given.last();
    Problem::error(
        last.map_or("", |g| g.file.as_str()),
        format!("two marks for {}: {}", shown(&place.join(" ")), said.join("; ")),
        "one mark of each assessor for a row",
        "keep the right one; neither is used",
    )
    .at_line(last.map(|g| g.line))
    .in_column(ASSESSORS[assessor])
}

/// `item` chooses the rows; all of them without.
fn of_kind(rows: &[(&MarkPlace, [Option<usize>; 2])], item: Option<&str>, words: usize) -> KindAgreement {
    let own: Vec<_> = rows.iter().filter(|(row, _)| item.is_none_or(|item| row.item() == item)).collect();
    let sheet = |row: &MarkPlace| row.sheet.join("\u{1f}");
    let both: Vec<(String, usize, usize)> =
        own.iter().filter_map(|(row, given)| Some((sheet(row), given[0]?, given[1]?))).collect();
    let table = |without: Option<&str>| {
        let mut table = vec![vec![0.0; words]; words];
        for (_, a, b) in both.iter().filter(|(sheet, ..)| Some(sheet.as_str()) != without) {
            table[*a][*b] += 1.0;
        }
        table
    };
    let of = |without: Option<&str>| kappa(&table(without), Weights::Plain, CONFIDENCE);
    let clusters = Clusters::of(both.iter().map(|(sheet, ..)| sheet.as_str()));
    let sheets = clusters.subjects.len();
    let found = of(None).map_err(|e| e.to_string()).map(|mut found| {
        // Rows of one sheet have the candidate in common. One sheet alone is no sample of sheets: its rows are what there is.
        if sheets > 1 {
            let without = |sheet: &str| of(Some(sheet)).ok().map(|k| k.kappa.value);
            found.kappa = clusters.interval(found.kappa, JackknifeScale::FisherZ, without);
        }
        found
    });
    let only = |i: usize| own.iter().filter(|(_, given)| given[i].is_some() && given[1 - i].is_none()).count();
    KindAgreement {
        item: item.map(str::to_owned),
        rows: own.len(),
        one_only: [only(0), only(1)],
        table: table(None),
        sheets,
        kappa: match both.is_empty() {
            true => Err("no row is marked by both".to_owned()),
            false => found,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words() -> Vec<String> {
        WORDS.map(str::to_owned).to_vec()
    }

    /// A sheet in which so many rows have each pair of marks.
    fn sheet(candidate: &str, item: &str, table: &[[u32; 3]; 3]) -> String {
        let mut text = String::from("candidate,session,step,item,assessor_1,assessor_2\n");
        let mut step = 0;
        for (i, row) in table.iter().enumerate() {
            for (j, n) in row.iter().enumerate() {
                for _ in 0..*n {
                    step += 1;
                    text.push_str(&format!("{candidate},s,{step},{item},{},{}\n", WORDS[i], WORDS[j]));
                }
            }
        }
        text
    }

    #[test]
    fn two_raters_of_a_hundred_have_the_published_kappa() {
        // Fleiss 1981, Statistical Methods for Rates and Proportions, 2nd ed., ch. 13: 100 cases by two raters, agreement 89 %,
        // kappa 0.68; its standard error, and with it the interval 0.504576 to 0.848365, by Fleiss, Cohen & Everitt 1969.
        let mut marks = Marks::new(&words());
        marks.add("marks.csv", &sheet("L-1", "order", &[[75, 1, 4], [5, 4, 1], [0, 0, 10]])).unwrap();
        let (found, problems) = of_marks(&marks);
        assert_eq!((problems, found.kinds.len(), found.disagreements.len()), (vec![], 2, 11));
        for kind in &found.kinds {
            assert_eq!((kind.both(), kind.alike(), kind.percent()), (100, 89, Some(89.0)));
            let kappa = kind.kappa.as_ref().unwrap();
            assert!((kappa.kappa.value - 0.676_470_588).abs() < 1e-8);
            assert!((kappa.kappa.low.unwrap() - 0.504_576).abs() < 1e-6);
            assert!((kappa.kappa.high.unwrap() - 0.848_365).abs() < 1e-6);
        }
    }

    #[test]
    fn rows_of_one_candidate_are_not_taken_for_independent_of_each_other() {
        let tables = [[[5, 1, 0], [0, 3, 1], [0, 0, 2]], [[2, 2, 0], [1, 3, 0], [0, 1, 3]], [[6, 0, 0], [0, 2, 0], [1, 0, 3]]];
        let mut marks = Marks::new(&words());
        for (i, table) in tables.iter().enumerate() {
            marks.add("marks.csv", &sheet(&format!("L-{i}"), "order", table)).unwrap();
        }
        let all = of_marks(&marks).0.kinds.remove(0);
        assert_eq!((all.sheets, all.both()), (3, 36));
        let kappa = all.kappa.unwrap();
        // By hand: kappa without each sheet in turn, on the scale of Fisher's z.
        let of = |left_out: usize| {
            let mut sum = [[0.0; 3]; 3];
            for (i, table) in tables.iter().enumerate().filter(|(i, _)| *i != left_out) {
                let _ = i;
                for (a, row) in table.iter().enumerate() {
                    for (b, n) in row.iter().enumerate() {
                        sum[a][b] += f64::from(*n);
                    }
                }
            }
            super::kappa(&sum, Weights::Plain, CONFIDENCE).unwrap().kappa.value.atanh()
        };
        let z = [0, 1, 2].map(of);
        let mean = z.iter().sum::<f64>() / 3.0;
        let s = (2.0 / 3.0 * z.iter().map(|v| (v - mean).powi(2)).sum::<f64>()).sqrt();
        // t(0.975; 2) = 4.303 (NIST/SEMATECH e-Handbook, 1.3.6.7.2).
        let high = (kappa.kappa.value.atanh() + 4.303 * s).tanh();
        assert!((kappa.kappa.high.unwrap() - high).abs() < 1e-4, "{kappa:?} {high}");
    }

    #[test]
    fn marks_that_are_none_are_named_and_copies_of_one_sheet_go_together() {
        let head = "candidate,session,subject,plan,attempt,step,level,side,item,value,value_unit,band_low,band_high,seen,assessor_1,assessor_2\n";
        let mut marks = Marks::new(&words());
        let first = format!("{head}L-1,s,V-1,p,1,1,L3,left,order,1,place in the scan,,,\"1, as planned\",Yes,\nL-1,s,V-1,p,1,2,L3,right,order,,,,,,yess,\n");
        let second = format!("{head}L-1,s,V-1,p,1,1,L3,left,order,1,place in the scan,,,\"1, as planned\",,no\nL-1,s,V-1,p,1,2,L3,right,order,,,,,,,no\n");
        let problems = marks.add("a.csv", &first).unwrap();
        assert_eq!((problems.len(), problems[0].line, problems[0].column.as_deref()), (1, Some(3), Some("assessor_1")));
        assert!(problems[0].advice.contains("write yes if that is meant"), "{}", problems[0]);
        assert_eq!(marks.add("b.csv", &second).unwrap(), []);
        let (found, problems) = of_marks(&marks);
        assert_eq!(problems, []);
        let order = &found.kinds[1];
        assert_eq!((order.rows, order.both(), order.one_only), (2, 1, [0, 1]));
        assert_eq!(found.disagreements[0].marks, ["yes", "no"].map(str::to_owned));
        // The first changed their mind in a third copy.
        marks.add("c.csv", &first.replace(",Yes,", ",no,").replace("yse", "")).unwrap();
        let (found, problems) = of_marks(&marks);
        assert!(problems[0].found.contains("yes in a.csv, line 2; no in c.csv, line 2"), "{}", problems[0]);
        assert_eq!(found.kinds[0].both(), 0);
        assert_eq!(found.kinds[0].kappa.as_ref().unwrap_err(), "no row is marked by both");
        assert!(marks.add("d.csv", "candidate,item\nL-1,order\n").is_err());
    }
}
