//! `recordings/SHA256SUMS`: what the recordings were when they were made, held against what they are.
//!
//! The file is that of the common `sha256sum`: a hash of 64 hexadecimal digits, a space, a space or `*`, a name relative
//! to the folder; a line that begins with a backslash has `\\`, `\n` and `\r` in its name escaped; lines that begin with
//! `#` are passed over. Recording writes it; people may with `sha256sum * > SHA256SUMS`.

use crate::study::door::{self, FileKind};
use crate::format::counted;
use crate::error::Problem;
use crate::read::sha256_hex;
use crate::study::opened::is_sha256;
use crate::study::study_file;
use crate::study::toml_doc::read_text_as;
use crate::study::words::{list, shown};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Component, Path, PathBuf};

/// Name of the file.
pub const FILE_NAME: &str = "SHA256SUMS";
const FOLDER: &str = "recordings";
/// Lines that are no sums, told one by one; the rest are counted.
const LINES_AT_MOST: usize = 5;

/// One line.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Sum {
    line: u64,
    /// In lower case.
    sha256: String,
}

/// The sums by name; of a name listed twice with different hashes none is used.
type Sums = BTreeMap<String, Sum>;

fn shown_file() -> String {
    format!("{FOLDER}/{FILE_NAME}")
}

/// Reads the sums of a study; `None` when it keeps none or they are no text.
fn read(root: &Path) -> (Option<Sums>, Vec<Problem>) {
    let path = root.join(FOLDER).join(FILE_NAME);
    let Ok(kind) = std::fs::metadata(&path) else {
        return (None, Vec::new());
    };
    if !kind.is_file() {
        let expected = "a file as sha256sum writes it";
        let problem = Problem::warning(shown_file(), "no ordinary file", expected, "remove or replace it");
        return (None, vec![problem]);
    }
    match read_text_as(&path, &shown_file(), FileKind::Hashes) {
        Ok(text) => {
            let (sums, problems) = parse(&text);
            (Some(sums), problems)
        }
        Err(mut problem) => {
            problem.severity = crate::error::Severity::Warning;
            problem.expected = "a text file as sha256sum writes it".to_owned();
            problem.advice =
                "put back the file that recording wrote; until then nobody can tell whether a recording changed".to_owned();
            (None, vec![problem])
        }
    }
}

/// The hashes that a study keeps, by name within its folder of recordings, in lower case.
pub fn kept(root: &Path) -> (BTreeMap<String, String>, Vec<Problem>) {
    let (sums, problems) = read(root);
    let pairs = sums.unwrap_or_default().into_iter().map(|(name, sum)| (name, sum.sha256));
    (pairs.collect(), problems)
}

fn parse(text: &str) -> (Sums, Vec<Problem>) {
    let mut sums = Sums::new();
    let mut problems = Vec::new();
    let mut contradicted = BTreeSet::new();
    let mut bad = 0;
    for (i, line) in text.strip_prefix('\u{feff}').unwrap_or(text).lines().enumerate() {
        let number = i as u64 + 1;
        if line.trim().is_empty() || line.starts_with('#') {
            continue;
        }
        let Some((sha256, name)) = parse_line(line) else {
            bad += 1;
            if bad <= LINES_AT_MOST {
                let expected = "64 hexadecimal digits, two spaces and the name of a file in recordings/";
                let advice = "put back the line as it was written; it is not used";
                problems.push(Problem::warning(shown_file(), shown(line), expected, advice).at_line(number));
            }
            continue;
        };
        let sum = Sum { line: number, sha256 };
        if let Some(first) = sums.get(&name).filter(|first| first.sha256 != sum.sha256) {
            let found = format!("another hash of {} than in line {}", shown(&name), first.line);
            let advice = "delete the wrong line; neither is used";
            let problem = Problem::warning(shown_file(), found, "one hash for each file", advice);
            problems.push(problem.at_line(number));
            contradicted.insert(name.clone());
        }
        sums.entry(name).or_insert(sum);
    }
    if bad > LINES_AT_MOST {
        let found = format!("{} without a sum", counted(bad - LINES_AT_MOST, "more line"));
        let advice = "put back the file as it was written";
        problems.push(Problem::warning(
            shown_file(),
            found,
            "lines as sha256sum writes them",
            advice,
        ));
    }
    sums.retain(|name, _| !contradicted.contains(name));
    (sums, problems)
}

/// Hash and name of a line; `None` when it is no sum, or its name leads out of the folder.
fn parse_line(line: &str) -> Option<(String, String)> {
    let (escaped, line) = match line.strip_prefix('\\') {
        Some(rest) => (true, rest),
        None => (false, line),
    };
    let (hash, name) = line.split_at_checked(64)?;
    let name = name.strip_prefix("  ").or_else(|| name.strip_prefix(" *"))?;
    let name = if escaped {
        unescaped(name)?
    } else {
        name.to_owned()
    };
    let name = name.strip_prefix("./").unwrap_or(&name).to_owned();
    let inside = Path::new(&name)
        .components()
        .all(|c| matches!(c, Component::Normal(_)));
    (is_sha256(hash) && !name.is_empty() && inside).then(|| (hash.to_ascii_lowercase(), name))
}

fn unescaped(name: &str) -> Option<String> {
    let mut plain = String::new();
    let mut signs = name.chars();
    while let Some(sign) = signs.next() {
        plain.push(match sign {
            '\\' => match signs.next()? {
                '\\' => '\\',
                'n' => '\n',
                'r' => '\r',
                _ => return None,
            },
            other => other,
        });
    }
    Some(plain)
}

/// Name of a recording as the sums have it; `None` when it lies elsewhere.
fn name_in(folder: &Path, file: &Path) -> Option<String> {
    let inside = file.strip_prefix(folder).ok()?;
    let parts: Option<Vec<&str>> = inside.components().map(|c| c.as_os_str().to_str()).collect();
    Some(parts?.join("/"))
}

/// Name of a recording as SHA256SUMS of its study has it; `None` when it lies elsewhere.
pub fn name_in_study(root: &Path, file: &Path) -> Option<String> {
    name_in(&root.join(FOLDER), file)
}

/// Path of a file in its study, with forward slashes; `None` when it lies elsewhere.
pub fn path_from_root(root: &Path, file: &Path) -> Option<String> {
    name_in(root, file)
}

fn changed_problem(name: &str) -> Problem {
    Problem::warning(
        format!("{FOLDER}/{name}"),
        "a file that changed since it was recorded: its hash is not the one in SHA256SUMS",
        "the file as it was recorded",
        "put back the file from a copy, or find out who changed it and why",
    )
}

/// A warning for every recording whose hash is not the one kept, one for all of which none was kept, and for sums that cannot be
/// read.
///
/// `files` are recordings by [`name_in_study`] with their hashes; those without a hash are passed over.
pub fn changed<'a>(root: &Path, files: impl IntoIterator<Item = (&'a str, &'a str)>) -> Vec<Problem> {
    let (sums, mut problems) = read(root);
    let Some(sums) = sums else {
        return problems;
    };
    let mut unlisted = Vec::new();
    for (name, sha256) in files.into_iter().filter(|f| !f.1.is_empty()) {
        match sums.get(name) {
            Some(sum) if sum.sha256 != sha256 => problems.push(changed_problem(name)),
            Some(_) => {}
            None => unlisted.push(name.to_owned()),
        }
    }
    if !unlisted.is_empty() {
        problems.push(Problem::warning(
            shown_file(),
            format!("no hash of {} ({})", counted(unlisted.len(), "recording"), shown(&list(&unlisted))),
            "the hash of every recording, kept when it was made",
            "whether they changed since nobody can tell; `tautpoint check` names each",
        ));
    }
    problems
}

/// Whether a study keeps recordings and no hash of any of them.
pub fn none_kept(root: &Path) -> bool {
    let folder = root.join(FOLDER);
    let missing = |e: std::io::Error| e.kind() == std::io::ErrorKind::NotFound;
    root.join(study_file::FILE_NAME).is_file()
        && std::fs::read_dir(&folder).is_ok_and(|mut files| files.next().is_some())
        && std::fs::symlink_metadata(folder.join(FILE_NAME)).is_err_and(missing)
}

/// Everything that the sums tell of a study: files that changed, that are missing, and recordings that are not listed.
///
/// `recordings` are those found in the study. Without a SHA256SUMS there is nothing to tell.
pub fn verify(root: &Path, recordings: &[PathBuf]) -> Vec<Problem> {
    let (sums, mut problems) = read(root);
    let Some(sums) = sums else {
        return problems;
    };
    let folder = root.join(FOLDER);
    for (name, sum) in &sums {
        let path = folder.join(name);
        match door::read(&path, FileKind::Recording) {
            Ok(bytes) if sha256_hex(&bytes) == sum.sha256 => {}
            Ok(_) => problems.push(changed_problem(name)),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                let found = format!("{} listed, but no such file in recordings/", shown(name));
                let advice = "look for the file, or note why it was taken out";
                let problem = Problem::warning(shown_file(), found, "every file that was recorded", advice);
                problems.push(problem.at_line(sum.line));
            }
            Err(error) => problems.push(Problem::warning(
                format!("{FOLDER}/{name}"),
                format!("a file that cannot be read ({error})"),
                "a readable file",
                "check its permissions",
            )),
        }
    }
    for file in recordings {
        let Some(name) = name_in(&folder, file).filter(|name| !sums.contains_key(name)) else {
            continue;
        };
        problems.push(Problem::warning(
            format!("{FOLDER}/{name}"),
            "a recording without a line in SHA256SUMS",
            "the hash of every recording, kept when it was made",
            "find out where it comes from; if it belongs here, add its line with sha256sum",
        ));
    }
    problems
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SHA-256 of nothing, FIPS 180-4 (NIST, Cryptographic Standards: Examples with values).
    const OF_NOTHING: &str = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";

    #[test]
    fn a_line_is_read_as_sha256sum_writes_it() {
        for (line, name) in [
            (format!("{OF_NOTHING}  a.csv"), "a.csv"),
            (format!("{OF_NOTHING} *a b.csv"), "a b.csv"),
            (format!("{}  ./day/a.csv", OF_NOTHING.to_uppercase()), "day/a.csv"),
            (format!("\\{OF_NOTHING}  a\\nb\\\\c.csv"), "a\nb\\c.csv"),
        ] {
            assert_eq!(parse_line(&line), Some((OF_NOTHING.to_owned(), name.to_owned())));
        }
        for line in [
            OF_NOTHING.to_owned(),
            format!("{OF_NOTHING}  "),
            format!("{OF_NOTHING}  ../a.csv"),
            format!("{OF_NOTHING}  /etc/passwd"),
            format!("{OF_NOTHING} a.csv"),
            format!("{}  a.csv", &OF_NOTHING[1..]),
            format!("é{}  a.csv", &OF_NOTHING[3..]),
            "\u{0}\u{1}".to_owned(),
        ] {
            assert_eq!(parse_line(&line), None, "{line}");
        }
    }

    #[test]
    fn two_hashes_of_one_name_count_for_nothing_and_rubbish_is_told_a_few_times() {
        let other = "0".repeat(64);
        let (sums, problems) = parse(&format!(
            "{OF_NOTHING}  a\n{other}  a\n{OF_NOTHING}  b\n{OF_NOTHING}  b\n"
        ));
        assert_eq!(sums.keys().collect::<Vec<_>>(), ["b"]);
        assert_eq!((problems.len(), problems[0].line), (1, Some(2)));
        let (sums, problems) = parse(&"rubbish\n".repeat(100));
        assert!(sums.is_empty());
        assert_eq!(problems.len(), LINES_AT_MOST + 1);
        assert!(problems[LINES_AT_MOST].found.starts_with("95 more"));
    }
}
