//! Two assessors' marks: page and tables.

use super::tables::{Head, codebook, ends, table};
use crate::agreement::marks::{ASSESSORS, KindAgreement, MarkAgreement, PLACE, SHEET};
use crate::columns::Kind;
use crate::error::{Problem, Result};
use crate::format::number;
use crate::report::frame::{Page, PageTable, STYLE};
use crate::report::tables::{Cell, Table};
use crate::stats::agreement::Interval;
use crate::write::OutputFolder;
use serde::Serialize;
use serde_json::{Value, json};

const TEMPLATE: &str = include_str!("marks.html");

#[derive(Serialize)]
struct MarksView {
    version: &'static str,
    words: String,
    kinds: PageTable,
    counts: PageTable,
    apart: PageTable,
    problems: Vec<String>,
}

/// The kind of row in words.
pub fn kind(k: &KindAgreement) -> &str {
    k.item.as_deref().unwrap_or("all rows")
}

fn interval(k: &KindAgreement) -> Option<Interval> {
    k.kappa.as_ref().ok().map(|k| k.kappa)
}

/// Tables with their codebook, which comes last.
pub fn tables(marks: &MarkAgreement) -> Vec<Table> {
    const ITEM: Head = ("item", Kind::Text, "", "kind of row: what is assessed; missing for rows of all kinds");
    let item = |k: &KindAgreement| Cell::maybe(k.item.as_deref());
    let heads = [
        ITEM,
        ("rows", Kind::Int, "", "rows of the sheets"),
        ("both", Kind::Int, "", "rows that both marked"),
        ("first_only", Kind::Int, "", "rows that only the first assessor marked"),
        ("second_only", Kind::Int, "", "rows that only the second assessor marked"),
        ("alike", Kind::Int, "", "rows that both marked alike"),
        ("agreement_percent", Kind::Num, "%", "alike over both"),
        ("sheets", Kind::Int, "", "sheets with a row that both marked"),
        ("kappa", Kind::Num, "", "Cohen's kappa, plain: agreement beyond chance"),
        ("kappa_low", Kind::Num, "", "lower end of its 95 % interval, over sheets where there are several, else over rows"),
        ("kappa_high", Kind::Num, "", "upper end of that interval"),
        ("reason", Kind::Text, "", "why there is no kappa"),
    ];
    let row = |k: &KindAgreement| {
        let mut row = vec![item(k)];
        row.extend([k.rows, k.both(), k.one_only[0], k.one_only[1], k.alike()].map(Cell::int));
        row.push(Cell::num(k.percent()));
        row.push(Cell::int(k.sheets));
        row.extend(ends(interval(k)));
        row.push(Cell::maybe(k.kappa.as_ref().err().map(String::as_str)));
        row
    };
    let agreement = table("marks-agreement", &heads, marks.kinds.iter().map(row).collect());
    let heads = [
        ITEM,
        (ASSESSORS[0], Kind::Text, "", "the first assessor's mark"),
        (ASSESSORS[1], Kind::Text, "", "the second assessor's mark"),
        ("rows", Kind::Int, "", "rows with these two marks"),
    ];
    let cells = |k: &KindAgreement| -> Vec<Vec<Cell>> {
        let pairs = (0..marks.words.len()).flat_map(|i| (0..marks.words.len()).map(move |j| (i, j)));
        let one = |(i, j): (usize, usize)| {
            vec![item(k), Cell::text(&marks.words[i]), Cell::text(&marks.words[j]), Cell::int(k.table[i][j] as usize)]
        };
        pairs.map(one).collect()
    };
    let counts = table("marks-counts", &heads, marks.kinds.iter().flat_map(cells).collect());
    let place = |name: &&'static str| -> Head { (name, Kind::Text, "", "as in marks.csv") };
    let heads: Vec<Head> = SHEET.iter().chain(&PLACE).chain(&ASSESSORS).map(place).collect();
    let rows = marks.disagreements.iter().map(|d| {
        let cells = d.row.sheet.iter().chain(&d.row.place).chain(&d.marks);
        cells.map(|text| Cell::maybe(Some(text.as_str()).filter(|t| !t.is_empty()))).collect()
    });
    let apart = table("marks-apart", &heads, rows.collect());
    let mut all = vec![agreement, counts, apart];
    all.push(codebook(&all));
    all
}

fn view(marks: &MarkAgreement, problems: &[Problem]) -> MarksView {
    let kappa = |k: &KindAgreement| match &k.kappa {
        Err(reason) => reason.clone(),
        Ok(found) => match (found.kappa.low, found.kappa.high) {
            (Some(low), Some(high)) => format!("{} ({} to {})", number(found.kappa.value, 2), number(low, 2), number(high, 2)),
            _ => format!("{} (no interval)", number(found.kappa.value, 2)),
        },
    };
    let kinds = marks.kinds.iter().map(|k| {
        let [first, second] = k.one_only;
        vec![
            kind(k).to_owned(),
            k.rows.to_string(),
            k.both().to_string(),
            format!("{first} and {second}"),
            k.percent().map_or(String::new(), |p| format!("{} of {} ({} %)", k.alike(), k.both(), number(p, 0))),
            k.sheets.to_string(),
            kappa(k),
        ]
    });
    let all = marks.kinds.first();
    let counts = marks.words.iter().enumerate().map(|(i, word)| {
        let row = all.and_then(|k| k.table.get(i)).cloned().unwrap_or_default();
        std::iter::once(word.clone()).chain(row.iter().map(|n| number(*n, 0))).collect::<Vec<String>>()
    });
    let apart = marks.disagreements.iter().map(|d| {
        let text = |cells: &[String]| cells.iter().filter(|c| !c.is_empty()).cloned().collect::<Vec<_>>().join(", ");
        let place = text(&d.row.place[..3]);
        vec![text(&d.row.sheet), place, d.row.item().to_owned(), d.marks[0].clone(), d.marks[1].clone()]
    });
    let heads = std::iter::once("first".to_owned()).chain(marks.words.iter().map(|w| format!("second: {w}")));
    MarksView {
        version: env!("CARGO_PKG_VERSION"),
        words: marks.words.join(", "),
        kinds: PageTable::of_numbers(
            "Agreement by kind of row, with Cohen's kappa and its 95 % interval",
            ["kind of row", "rows", "marked by both", "by one only", "alike", "sheets", "kappa"],
            kinds,
        ),
        counts: PageTable::of_numbers("How often each pair of marks was given, all rows", heads, counts),
        apart: PageTable::of_text("Rows marked differently", ["sheet", "step, level, side", "item", "first", "second"], apart),
        problems: problems.iter().map(ToString::to_string).collect(),
    }
}

/// Writes page and tables into a result folder.
///
/// # Errors
/// When the system will not write, or the page could not be put together.
pub fn write(marks: &MarkAgreement, problems: &[Problem], folder: &mut OutputFolder) -> Result<()> {
    for table in tables(marks) {
        folder.write(&format!("{}.csv", table.name), &table.to_csv()?)?;
    }
    let page = Page {
        what: "the page of marks",
        templates: &[("marks.html", TEMPLATE)],
        style: STYLE,
        script: None,
    };
    folder.write("marks.html", page.render(&view(marks, problems))?.as_bytes())
}

/// As JSON, for programs.
pub fn object(marks: &MarkAgreement, problems: &[Problem]) -> Value {
    let kinds = marks.kinds.iter().map(|k| {
        let found = interval(k);
        json!({
            "item": k.item,
            "rows": k.rows,
            "both": k.both(),
            "first_only": k.one_only[0],
            "second_only": k.one_only[1],
            "alike": k.alike(),
            "agreement_percent": k.percent(),
            "sheets": k.sheets,
            "kappa": found.map(|i| i.value),
            "kappa_low": found.and_then(|i| i.low),
            "kappa_high": found.and_then(|i| i.high),
            "counts": k.table,
            "reason": k.kappa.as_ref().err(),
        })
    });
    json!({
        "words": marks.words,
        "kinds": kinds.collect::<Vec<_>>(),
        "apart": marks.disagreements.len(),
        "problems": super::json::problems(problems),
    })
}
