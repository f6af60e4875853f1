//! docs/settings.md lists every setting with its default.

use super::Page;
use std::process::Command;

/// Section, key and default of every setting, from the study.toml that `prepare` writes.
fn settings() -> Vec<(String, String, String)> {
    let folder = tempfile::tempdir().unwrap();
    let done = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .args(["--quiet", "prepare", "study"])
        .current_dir(folder.path())
        .status()
        .unwrap();
    assert!(done.success());
    let text = std::fs::read_to_string(folder.path().join("study/study.toml")).unwrap();
    let mut section = String::new();
    let mut found = Vec::new();
    for line in text.lines() {
        if let Some(name) = line.strip_prefix('[') {
            section = name.trim_end_matches(']').to_owned();
        }
        let setting = line.strip_prefix("# ").and_then(|l| l.split_once(" = "));
        if let Some((key, value)) = setting.filter(|(key, _)| !key.contains(' ')) {
            found.push((section.clone(), key.to_owned(), value.to_owned()));
        }
    }
    found
}

/// The part of the page under a heading.
fn part<'a>(text: &'a str, heading: &str) -> &'a str {
    let start = text.split(&format!("\n{heading}\n")).nth(1);
    let start = start.unwrap_or_else(|| panic!("docs/settings.md has no {heading}"));
    start.split("\n##").next().unwrap()
}

#[test]
fn every_setting_stands_in_the_guide_with_its_default() {
    let page = Page::read("docs/settings.md").text;
    let all = settings();
    assert!(all.len() > 50, "{all:?}");
    let mut documented = 0;
    for (section, key, value) in &all {
        let (outer, region) = match section.split_once('.') {
            Some((outer, _)) => (outer, true),
            None => (section.as_str(), false),
        };
        if outer.is_empty() || key == "reference" {
            assert!(page.contains(&format!("`{key}")), "{key} is missing");
            continue;
        }
        let part = part(&page, &format!("### [{outer}]"));
        assert!(
            part.contains(&format!("\n| `{key}` | `{value}` |")),
            "{section}.{key} = {value}"
        );
        if region {
            assert!(part.contains(&format!("`[{section}]`")), "[{section}] is missing");
        } else {
            documented += 1;
        }
    }
    // And nothing else: each row of these tables is a setting.
    let rows: usize = page
        .split("\n### [")
        .skip(1)
        .map(|p| p.split("\n##").next().unwrap().matches("\n| `").count())
        .sum();
    assert_eq!(rows, documented);
}
