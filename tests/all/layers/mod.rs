//! Data flows one way: a module imports only what stands above it in lib.rs, and no files import each other in a circle.

mod imports;

use imports::Crate;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

type Imports = BTreeMap<String, BTreeSet<String>>;

fn src() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

fn room(module: &str) -> &str {
    module.split("::").next().unwrap()
}

/// The rooms in the order of lib.rs.
fn order() -> Vec<String> {
    let lib = std::fs::read_to_string(src().join("lib.rs")).unwrap();
    let declared = lib.lines().filter(|l| !l.trim_start().starts_with("//"));
    let names = declared.filter_map(|l| l.split_once("mod ")?.1.strip_suffix(';'));
    names.map(str::to_owned).collect()
}

/// Each import of a room that stands below.
fn upward(imports: &Imports, order: &[String]) -> Vec<String> {
    let rank = |module: &str| order.iter().position(|o| o == room(module));
    let pairs = imports
        .iter()
        .flat_map(|(from, to)| to.iter().map(move |to| (from, to)));
    pairs
        .filter(|(from, to)| matches!((rank(from), rank(to)), (Some(own), Some(other)) if other > own))
        .map(|(from, to)| format!("{from} imports {to}"))
        .collect()
}

/// Sets of files that reach each other. A folder's mod.rs and the files of that folder are one subject: what they
/// take from each other is no circle.
fn circles(imports: &Imports) -> BTreeSet<Vec<String>> {
    let within = |a: &str, b: &str| a.is_empty() || b.starts_with(&format!("{a}::"));
    let next = |from: &str| {
        let from = from.to_owned();
        let all = imports.get(&from).into_iter().flatten();
        all.filter(move |to| **to != from && !within(to, &from) && !within(&from, to))
    };
    let reach = |start: &str| {
        let mut seen = BTreeSet::new();
        let mut open: Vec<&String> = next(start).collect();
        while let Some(at) = open.pop() {
            if seen.insert(at.clone()) {
                open.extend(next(at));
            }
        }
        seen
    };
    let reached: Imports = imports.keys().map(|m| (m.clone(), reach(m))).collect();
    let mut found = BTreeSet::new();
    for (module, others) in &reached {
        let back = |other: &&String| reached.get(*other).is_some_and(|r| r.contains(module));
        let circle: Vec<String> = others.iter().filter(back).cloned().collect();
        if circle.len() > 1 {
            found.insert(circle);
        }
    }
    found
}

#[test]
fn a_module_imports_only_what_stands_above_it() {
    let order = order();
    assert!(order.len() > 10, "{order:?}");
    let wrong = upward(&Crate::read(&src()).imports(), &order);
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn no_files_import_each_other_in_a_circle() {
    assert_eq!(circles(&Crate::read(&src()).imports()), BTreeSet::new());
}

/// Each name says of what: who reads `Place` or `Row` should not have to look which.
#[test]
fn no_other_type_has_the_name_of_a_public_type() {
    assert_eq!(Crate::read(&src()).shared_type_names(), BTreeMap::new());
}

#[test]
fn shared_type_names_are_seen() {
    let made = Crate::of(&[
        ("", "mod a; mod b; mod c;"),
        (
            "a",
            "pub struct Row;\npub(in crate::a) enum Kind {}\nstruct Own; closed_terms! { pub enum Made { A } }",
        ),
        (
            "b",
            "type Row<'a> = &'a str; trait Kind {} impl Iterator for B { type Made = u8; } fn f() { struct Row; }",
        ),
        (
            "c",
            "struct Own; pub trait Made {}\n#[cfg(test)]\nmod tests { pub struct Kind; }",
        ),
    ]);
    let homes = |a: &str, b: &str| vec![a.to_owned(), b.to_owned()];
    let expected = [
        ("Kind", homes("a", "b")),
        ("Made", homes("a", "c")),
        ("Row", homes("a", "b")),
    ];
    let expected = expected.map(|(name, homes)| (name.to_owned(), homes));
    assert_eq!(made.shared_type_names(), BTreeMap::from(expected));
}

#[test]
fn each_kind_of_import_is_seen() {
    let made = Crate::of(&[
        ("", "pub mod low;\npub mod high;\n#[cfg(test)]\nmod only_tests;"),
        (
            "low",
            "mod a; mod b; mod c; mod d; mod e; pub use a::Item; pub(crate) use d::{self, Other as Renamed};",
        ),
        (
            "low::a",
            "use crate::{high::x, low::b::{Thing, more}};\npub struct Item;",
        ),
        ("low::b", "fn f() { let it = super::a::Item; }"),
        (
            "low::c",
            "use super::{Item, Renamed}; fn g<'a>() -> char { '\"' } // use crate::high::y;",
        ),
        (
            "low::d",
            "const TEXT: &str = r#\"use super::c::Item;\"#; fn h() { super::e::act('{') }",
        ),
        (
            "low::e",
            "#[cfg(test)]\nmod tests { use super::super::d::Other; }\nfn act(c: char) {}",
        ),
        ("high", "pub mod x; pub mod y; fn f() { x::go() }"),
        ("high::x", "use crate::low::*; pub(in crate::high::y) fn go() {}"),
        ("high::y", ""),
    ]);
    let imports = made.imports();
    let of = |name: &str| imports[name].iter().map(String::as_str).collect::<Vec<_>>();
    assert_eq!(of(""), [""; 0]);
    assert_eq!(of("low"), ["low::a", "low::d"]);
    assert_eq!(of("low::a"), ["high::x", "low::b"]);
    assert_eq!(of("low::b"), ["low::a"]);
    assert_eq!(of("low::c"), ["low::a", "low::d"]);
    assert_eq!(of("low::d"), ["low::e"]);
    assert_eq!(of("low::e"), [""; 0]);
    assert_eq!(of("high"), ["high::x"]);
    assert_eq!(of("high::x"), ["low"]);
    let order = ["low", "high"].map(str::to_owned);
    assert_eq!(upward(&imports, &order), ["low::a imports high::x"]);
    let pair = vec!["low::a".to_owned(), "low::b".to_owned()];
    assert_eq!(circles(&imports), BTreeSet::from([pair]));
    let three = Crate::of(&[
        ("", "mod a; mod b; mod c;"),
        ("a", "use crate::b::{B};"),
        ("b", "use super::c::C;"),
        ("c", "type A = crate::a::A;"),
    ]);
    let all = ["a", "b", "c"].map(str::to_owned).to_vec();
    assert_eq!(circles(&three.imports()), BTreeSet::from([all]));
}

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

#[test]
fn each_stale_prone_crate_is_named_in_one_place_only() {
    let homes: [(&str, &[&str]); 12] = [
        ("polars::", &["read/parquet", "report/parquet", "cohort/parquet"]),
        ("plotters::", &["plot"]),
        ("plotters_backend::", &["plot/svg"]),
        ("resvg::", &["plot"]),
        ("serialport::", &["acquire/port"]),
        ("axum::", &["live/server", "desk/server"]),
        ("tokio::", &["live/server", "desk/server"]),
        ("hyper::", &["live/server"]),
        ("hyper_util::", &["live/server"]),
        ("crossterm::", &["cli/record/keys"]),
        ("toml_edit::", &["desk/study_form"]),
        ("qrcode::", &["desk/qr"]),
    ];
    let mut files = Vec::new();
    sources(&src(), &mut files);
    for file in files {
        let text = std::fs::read_to_string(&file).unwrap();
        let named = text.lines().filter(|l| !l.trim_start().starts_with("//"));
        let text = named.collect::<Vec<_>>().join("\n");
        let place = file.strip_prefix(src()).unwrap().with_extension("");
        let place = place.to_string_lossy().replace('\\', "/");
        for (name, allowed) in homes {
            let allowed = allowed.iter().any(|a| place.starts_with(a));
            assert!(allowed || !text.contains(name), "{place} names {name}");
        }
    }
}

/// Text from outside reaches the terminal only as what cannot control it.
#[test]
fn nothing_but_the_terminal_module_writes_to_the_terminal() {
    let ways = ["println!(", "print!(", "io::stdout()", "io::stderr()", "dbg!("];
    // A list of completions or a manual page is text of the program's own; a fault tells a place in the sources.
    let allowed = ["cli/terminal", "cli/shell", "fault"];
    let mut files = Vec::new();
    sources(&src(), &mut files);
    for file in files {
        let text = std::fs::read_to_string(&file).unwrap();
        let code = text.split("#[cfg(test)]").next().unwrap();
        let place = file.strip_prefix(src()).unwrap().with_extension("");
        let place = place.to_string_lossy().replace('\\', "/");
        for line in code.lines().filter(|l| !l.trim_start().starts_with("//")) {
            let writes = ways.iter().any(|way| line.contains(way));
            assert!(!writes || allowed.contains(&place.as_str()), "{place}: {line}");
        }
    }
}
