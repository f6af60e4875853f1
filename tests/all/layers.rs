//! Data flows one way: a module imports only what stands above it in lib.rs.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

fn sources(dir: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

/// The text without its `#[cfg(test)]` modules, which stand last in our files, and without comments.
fn shipped(text: &str) -> String {
    let text = text.split("#[cfg(test)]\nmod ").next().unwrap_or(text);
    text.lines()
        .filter(|l| !l.trim_start().starts_with("//"))
        .collect::<Vec<_>>()
        .join("\n")
}

fn module_of(path: &Path, src: &Path) -> String {
    let first = path.strip_prefix(src).unwrap().components().next().unwrap();
    let first = first.as_os_str().to_string_lossy();
    first.trim_end_matches(".rs").to_owned()
}

fn named_after<'a>(text: &'a str, word: &str) -> impl Iterator<Item = String> + 'a {
    let word = word.to_owned();
    text.match_indices(&word.clone())
        .map(|(i, w)| {
            text[i + w.len()..]
                .chars()
                .take_while(|c| c.is_alphanumeric() || *c == '_')
                .collect()
        })
        .collect::<Vec<String>>()
        .into_iter()
}

#[test]
fn a_module_imports_only_what_stands_above_it() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let lib = std::fs::read_to_string(src.join("lib.rs")).unwrap();
    let order: Vec<String> = named_after(&shipped(&lib), "pub mod ").collect();
    assert!(order.len() > 10, "{order:?}");
    let rank = |m: &str| order.iter().position(|o| o == m);
    let mut files = Vec::new();
    sources(&src, &mut files);
    let mut wrong = BTreeSet::new();
    for file in files {
        let module = module_of(&file, &src);
        let Some(own) = rank(&module) else { continue };
        let text = shipped(&std::fs::read_to_string(&file).unwrap());
        for other in named_after(&text, "crate::") {
            if rank(&other).is_some_and(|r| r > own) {
                wrong.insert(format!(
                    "{} imports {other}",
                    file.strip_prefix(&src).unwrap().display()
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn each_stale_prone_crate_is_named_in_one_place_only() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let homes: [(&str, &[&str]); 4] = [
        ("polars::", &["read/parquet", "report/parquet", "cohort/parquet"]),
        ("plotters::", &["plot"]),
        ("resvg::", &["plot"]),
        ("serialport::", &["acquire/port"]),
    ];
    let mut files = Vec::new();
    sources(&src, &mut files);
    for file in files {
        let text = shipped(&std::fs::read_to_string(&file).unwrap());
        let place = file
            .strip_prefix(&src)
            .unwrap()
            .with_extension("")
            .to_string_lossy()
            .replace('\\', "/");
        for (name, allowed) in homes {
            let allowed = allowed.iter().any(|a| place.starts_with(a));
            assert!(allowed || !text.contains(name), "{place} names {name}");
        }
    }
}
