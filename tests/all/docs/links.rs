//! Links within the project lead somewhere.

use super::markdown::{anchors, links, split};
use super::{Page, ROOT, in_folder};
use std::path::Path;

/// Pages whose links are followed; METHODS.md when it is there.
fn pages() -> Vec<Page> {
    let mut paths = [
        "README.md",
        "DEVELOPERS.md",
        "CHANGELOG.md",
        "firmware-notes/README.md",
        "sample-data/README.md",
    ]
    .map(str::to_owned)
    .to_vec();
    paths.extend(in_folder("docs", ".md"));
    if Path::new(ROOT).join("METHODS.md").exists() {
        paths.push("METHODS.md".to_owned());
    }
    paths.iter().map(|path| Page::read(path)).collect()
}

/// What is wrong with a link from a page, if anything.
fn fault(page: &Page, target: &str) -> Option<String> {
    if target.contains("://") || target.starts_with("mailto:") {
        return None;
    }
    let (path, anchor) = match target.split_once('#') {
        Some((path, anchor)) => (path, Some(anchor)),
        None => (target, None),
    };
    let folder = Path::new(&page.path).parent().unwrap();
    let file = match path {
        "" => Path::new(ROOT).join(&page.path),
        path => Path::new(ROOT).join(folder).join(path),
    };
    if !file.exists() {
        return Some(format!("{path} is not there"));
    }
    let anchor = anchor?;
    let text = std::fs::read_to_string(file).unwrap().replace("\r\n", "\n");
    let there = anchors(&text).iter().any(|a| a == anchor);
    (!there).then(|| format!("no heading #{anchor}"))
}

#[test]
fn every_link_leads_to_a_file_and_a_heading() {
    let mut wrong = Vec::new();
    let mut count = 0;
    for page in pages() {
        for (line, text) in split(&page.text).1 {
            for target in links(text) {
                count += 1;
                if let Some(fault) = fault(&page, target) {
                    wrong.push(format!("{}:{line}: {target}: {fault}", page.path));
                }
            }
        }
    }
    println!("{count} links");
    assert!(count > 50 && wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn headings_become_anchors() {
    let text = "# [mat]\n\n## The instrument's own loop\n\n```sh\n# no heading\n```\n\n## What is kept\n## What is kept\n";
    let expected = [
        "mat",
        "the-instruments-own-loop",
        "what-is-kept",
        "what-is-kept-1",
    ];
    assert_eq!(anchors(text), expected);
}
