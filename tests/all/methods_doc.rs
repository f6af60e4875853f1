//! METHODS.md holds together: every reference to it names a heading, every measured column names its section, and every
//! setting stands in it with its default.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use tautpoint::columns::Kind;
use tautpoint::report::tables::codebook;
use tautpoint::results::Results;
use tautpoint::settings::{SETTINGS, Settings};

/// The one form of a reference.
const REFERENCE: &str = "METHODS.md §";

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn methods() -> String {
    std::fs::read_to_string(root().join("METHODS.md")).unwrap()
}

/// Numbers of all headings, such as `3` and `3.4`.
fn headings() -> BTreeSet<String> {
    let number = |line: &str| {
        let heading = line.strip_prefix("## ").or_else(|| line.strip_prefix("### "))?;
        let number = heading.split(' ').next()?;
        number
            .starts_with(|c: char| c.is_ascii_digit())
            .then(|| number.to_owned())
    };
    methods().lines().filter_map(number).collect()
}

/// The section number that a text begins with.
fn leading_number(text: &str) -> String {
    let end = text
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(text.len());
    text[..end].trim_end_matches('.').to_owned()
}

/// Text files of the project that may refer to the methods.
fn sources() -> Vec<PathBuf> {
    let mut open: Vec<PathBuf> = ["src", "docs", "examples", "tests", "benches"]
        .map(|d| root().join(d))
        .into_iter()
        .chain(["README.md", "DEVELOPERS.md", "CHANGELOG.md"].map(|f| root().join(f)))
        .collect();
    let mut files = Vec::new();
    while let Some(path) = open.pop() {
        if path.is_dir() {
            open.extend(std::fs::read_dir(path).unwrap().map(|e| e.unwrap().path()));
        } else if path
            .extension()
            .is_some_and(|e| ["rs", "md", "html", "py", "toml"].iter().any(|k| e == *k))
        {
            files.push(path);
        }
    }
    files
}

#[test]
fn the_headings_are_numbered_without_a_gap() {
    let text = methods();
    let (mut chapter, mut section) = (0, 0);
    for line in text.lines() {
        if let Some(heading) = line
            .strip_prefix("## ")
            .filter(|h| h.starts_with(|c: char| c.is_ascii_digit()))
        {
            (chapter, section) = (chapter + 1, 0);
            assert!(
                heading.starts_with(&format!("{chapter} ")),
                "{line} after chapter {}",
                chapter - 1
            );
        } else if let Some(heading) = line.strip_prefix("### ") {
            section += 1;
            assert!(
                heading.starts_with(&format!("{chapter}.{section} ")),
                "{line} in chapter {chapter}"
            );
        }
    }
    assert_eq!(chapter, 15);
}

#[test]
fn every_reference_to_the_methods_names_a_heading() {
    let headings = headings();
    let (mut wrong, mut resolved) = (Vec::new(), 0);
    for path in sources() {
        let Ok(text) = std::fs::read_to_string(&path) else {
            continue;
        };
        let own = path.ends_with("methods_doc.rs");
        for (i, line) in text.lines().enumerate().filter(|_| !own) {
            let at = format!("{}:{}", path.display(), i + 1);
            for (place, _) in line.match_indices(REFERENCE) {
                let rest = &line[place + REFERENCE.len()..];
                // A number that the program fills in is checked where it comes from; without one it is only the form.
                if rest.starts_with(['{', '"']) {
                    continue;
                }
                let number = leading_number(rest);
                match headings.contains(&number) {
                    true => resolved += 1,
                    false => wrong.push(format!("{at}: no section {number:?}")),
                }
            }
            let lower = line.to_lowercase();
            if ["methods §", "methods, section", "section of the methods"]
                .iter()
                .any(|old| lower.contains(old) && !line.contains(REFERENCE))
                && !lower.contains("section of the methods that defines")
            {
                wrong.push(format!("{at}: a reference in another form than {REFERENCE}3.4"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(resolved >= 40, "only {resolved} references were found");
}

#[test]
fn sections_named_inside_the_methods_are_there() {
    let (text, headings) = (methods(), headings());
    let words = ["section ", "sections "];
    let words = words.iter().flat_map(|word| text.match_indices(word));
    let spelled = words.map(|(place, word)| leading_number(&text[place + word.len()..]));
    // A section in brackets, such as (2.5); a share such as (0.05) is none.
    let in_brackets = text.match_indices('(').filter_map(|(place, _)| {
        let number = leading_number(&text[place + 1..]);
        let alone = text[place + 1 + number.len()..].starts_with(')');
        (alone && number.contains('.') && !number.starts_with('0')).then_some(number)
    });
    let mut named = 0;
    for number in spelled.chain(in_brackets).filter(|n| !n.is_empty()) {
        assert!(headings.contains(&number), "METHODS.md names section {number}");
        named += 1;
    }
    assert!(named >= 20, "{named}");
}

#[test]
fn every_measured_column_names_its_section() {
    let headings = headings();
    for table in Results::default().tables() {
        for column in &table.columns {
            let section = column.section;
            assert!(
                section.is_empty() || headings.contains(section),
                "{}.{} names section {section}",
                table.name,
                column.name
            );
            let measured = column.kind == Kind::Num || !column.unit.is_empty();
            assert!(
                !measured || !section.is_empty(),
                "{}.{} names no section",
                table.name,
                column.name
            );
            let defined =
                ["springs", "tests", "findings"].contains(&table.name) && !column.section.is_empty();
            let quoted = methods().contains(&*column.name);
            let derived = ["_u95", "_sd"].iter().any(|end| column.name.ends_with(end));
            assert!(
                !defined || derived || quoted,
                "METHODS.md does not name {}",
                column.name
            );
        }
    }
    let book = codebook();
    let section = book.position("section").unwrap();
    let cell = |row: &[tautpoint::report::tables::Cell]| row[section].as_text(Kind::Text);
    let named: Vec<String> = book.rows.iter().filter_map(|r| cell(r)).collect();
    assert!(named.len() > 100);
    for text in named {
        let number = text
            .strip_prefix(REFERENCE)
            .unwrap_or_else(|| panic!("{text} in the codebook"));
        assert!(headings.contains(number), "{text} in the codebook");
    }
}

#[test]
fn every_setting_stands_in_the_methods_with_its_default() {
    let text = methods();
    let start = text.find("### 12.3 ").unwrap();
    let rows: Vec<Vec<&str>> = text[start..]
        .lines()
        .filter(|l| l.starts_with("| `"))
        .map(|l| l.split('|').map(str::trim).collect())
        .collect();
    let keys: Vec<&str> = rows.iter().map(|r| r[1].trim_matches('`')).collect();
    let wanted: Vec<&str> = SETTINGS.iter().map(|s| s.key).collect();
    assert_eq!(keys, wanted);
    let numbers = |text: &str| -> Vec<f64> {
        let plain = text.trim_matches(['[', ']']);
        plain.split(',').map(|n| n.trim().parse().unwrap()).collect()
    };
    for (row, setting) in rows.iter().zip(SETTINGS) {
        let default = Settings::default().value_of(setting.key).unwrap();
        assert_eq!(numbers(row[2]), numbers(&default), "{}", setting.key);
        assert_eq!(row[3], setting.unit, "{}", setting.key);
        assert!(
            headings().contains(row[4]),
            "{} names section {}",
            setting.key,
            row[4]
        );
        assert!(
            text.matches(&format!("`{}`", setting.key)).count() >= 2,
            "{} is not explained",
            setting.key
        );
    }
}
