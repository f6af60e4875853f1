//! docs/settings.md names every key that a file of a study may hold.

use super::{import, mat_setup, objective, plan, sidecar, study_file};

/// The part of the page under a heading.
fn part<'a>(page: &'a str, heading: &str) -> &'a str {
    let start = page.find(&format!("\n{heading}\n")).unwrap();
    let rest = &page[start + heading.len() + 2..];
    rest.split("\n## ").next().unwrap()
}

#[test]
fn every_key_of_a_study_is_in_the_guide() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/settings.md");
    let page = std::fs::read_to_string(path).unwrap().replace("\r\n", "\n");
    let lists: [(&str, &[&str]); 7] = [
        ("## study.toml", &study_file::PLAIN_KEYS),
        ("## study.toml", objective::KEYS),
        ("## Sidecars", &import::KEYS[..7]),
        ("## Sidecars", sidecar::KEYS),
        ("## Sidecars", mat_setup::KEYS),
        ("## Scan plans", plan::KEYS),
        ("## Scan plans", plan::STEP_KEYS),
    ];
    for (heading, keys) in lists {
        let part = part(&page, heading);
        let missing: Vec<&&str> = keys
            .iter()
            .filter(|key| {
                !["`{key}`", "`[{key}]`", "`[[{key}]]`"]
                    .iter()
                    .any(|form| part.contains(&form.replace("{key}", key)))
            })
            .collect();
        assert!(missing.is_empty(), "docs/settings.md, {heading}: {missing:?}");
    }
}
