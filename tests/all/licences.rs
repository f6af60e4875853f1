//! Every dependency's licence and source is one that deny.toml allows.
//!
//! The same file serves cargo-deny, which need not be installed for this test.

use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;
use std::sync::OnceLock;

const ROOT: &str = env!("CARGO_MANIFEST_DIR");

fn toml_file(name: &str) -> toml::Table {
    let text = std::fs::read_to_string(Path::new(ROOT).join(name)).unwrap();
    text.parse().unwrap()
}

fn texts(value: &toml::Value) -> BTreeSet<String> {
    let list = value.as_array().unwrap().iter();
    list.map(|v| v.as_str().unwrap().to_owned()).collect()
}

/// What deny.toml allows: everywhere, and for single crates.
struct Allowed {
    everywhere: BTreeSet<String>,
    of_crate: BTreeMap<String, BTreeSet<String>>,
}

impl Allowed {
    fn read() -> Allowed {
        let deny = toml_file("deny.toml");
        let licenses = &deny["licenses"];
        let exceptions = licenses["exceptions"].as_array().unwrap().iter();
        Allowed {
            everywhere: texts(&licenses["allow"]),
            of_crate: exceptions
                .map(|e| (e["crate"].as_str().unwrap().to_owned(), texts(&e["allow"])))
                .collect(),
        }
    }

    fn permits(&self, package: &str, licence: &str) -> bool {
        self.everywhere.contains(licence)
            || self
                .of_crate
                .get(package)
                .is_some_and(|own| own.contains(licence))
    }
}

/// A licence expression: SPDX, and the slash that older crates write for OR.
struct Expression<'a> {
    tokens: Vec<&'a str>,
    at: usize,
}

impl<'a> Expression<'a> {
    /// Whether the licences that `allowed` accepts are enough to use what carries this expression.
    fn satisfied(text: &str, allowed: &dyn Fn(&str) -> bool) -> bool {
        let spaced = text.replace('(', " ( ").replace(')', " ) ").replace('/', " OR ");
        let mut expression = Expression {
            tokens: spaced.split_whitespace().collect(),
            at: 0,
        };
        let satisfied = expression.any(allowed);
        assert_eq!(expression.at, expression.tokens.len(), "unreadable: {text}");
        satisfied
    }

    fn take(&mut self, word: &str) -> bool {
        let found = self.tokens.get(self.at) == Some(&word);
        self.at += usize::from(found);
        found
    }

    fn any(&mut self, allowed: &dyn Fn(&str) -> bool) -> bool {
        let mut satisfied = self.all(allowed);
        while self.take("OR") {
            satisfied |= self.all(allowed);
        }
        satisfied
    }

    fn all(&mut self, allowed: &dyn Fn(&str) -> bool) -> bool {
        let mut satisfied = self.one(allowed);
        while self.take("AND") {
            satisfied &= self.one(allowed);
        }
        satisfied
    }

    fn one(&mut self, allowed: &dyn Fn(&str) -> bool) -> bool {
        if self.take("(") {
            let satisfied = self.any(allowed);
            assert!(self.take(")"), "no closing bracket in {:?}", self.tokens);
            return satisfied;
        }
        let licence = self.tokens[self.at];
        self.at += 1;
        if self.take("WITH") {
            let exception = self.tokens[self.at];
            self.at += 1;
            return allowed(&format!("{licence} WITH {exception}"));
        }
        allowed(licence)
    }
}

/// `cargo metadata`, for all platforms (then true) where every crate is at hand, else for this one. Run once.
fn metadata() -> &'static (Value, bool) {
    static METADATA: OnceLock<(Value, bool)> = OnceLock::new();
    METADATA.get_or_init(run_metadata)
}

fn run_metadata() -> (Value, bool) {
    let run = |more: &[&str]| {
        let out = Command::new(env!("CARGO"))
            .args(["metadata", "--format-version", "1", "--locked"])
            .args(more)
            .current_dir(ROOT)
            .output()
            .unwrap();
        let text = String::from_utf8(out.stdout).unwrap();
        out.status.success().then(|| serde_json::from_str(&text).unwrap())
    };
    if let Some(all) = run(&["--offline"]) {
        return (all, true);
    }
    if std::env::var_os("TAUTPOINT_FULL_TESTS").is_some() {
        return (run(&[]).expect("cargo metadata failed"), true);
    }
    let version = Command::new("rustc").arg("-vV").output().unwrap().stdout;
    let version = String::from_utf8(version).unwrap();
    let host = version.lines().find_map(|l| l.strip_prefix("host: ")).unwrap();
    let own = run(&["--offline", "--filter-platform", host]);
    (own.expect("cargo metadata failed"), false)
}

#[test]
fn every_dependency_has_a_licence_that_deny_toml_allows() {
    let allowed = Allowed::read();
    let (metadata, all_platforms) = metadata();
    let packages = metadata["packages"].as_array().unwrap();
    let mut refused = Vec::new();
    let mut expressions = BTreeSet::new();
    for package in packages {
        let name = package["name"].as_str().unwrap();
        let Some(licence) = package["license"].as_str() else {
            refused.push(format!("{name} names no licence"));
            continue;
        };
        expressions.insert(licence);
        if !Expression::satisfied(licence, &|id| allowed.permits(name, id)) {
            refused.push(format!("{name}: {licence}"));
        }
    }
    assert!(refused.is_empty(), "not allowed by deny.toml: {refused:#?}");
    let locked = toml_file("Cargo.lock")["package"].as_array().unwrap().len();
    if *all_platforms {
        assert_eq!(packages.len(), locked, "cargo metadata and Cargo.lock differ");
    }
    println!(
        "{} of {locked} locked packages, {} licence expressions",
        packages.len(),
        expressions.len()
    );
}

#[test]
fn every_licence_that_deny_toml_allows_is_needed_by_some_dependency() {
    let allowed = Allowed::read();
    let (metadata, all_platforms) = metadata();
    if !*all_platforms {
        println!("crates of other platforms are not at hand: not checked");
        return;
    }
    let licences: Vec<&str> = metadata["packages"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|p| p["license"].as_str())
        .collect();
    let named = |id: &str| {
        licences.iter().any(|l| {
            l.split([' ', '(', ')', '/'])
                .any(|w| id.split(' ').next() == Some(w))
        })
    };
    let of_crates = allowed.of_crate.values().flatten();
    let unused: Vec<&String> = allowed
        .everywhere
        .iter()
        .chain(of_crates)
        .filter(|id| !named(id))
        .collect();
    assert!(unused.is_empty(), "{unused:?}");
}

#[test]
fn every_dependency_comes_from_one_registry() {
    let lock = toml_file("Cargo.lock");
    let sources: BTreeSet<&str> = lock["package"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|p| p.get("source")?.as_str())
        .collect();
    assert_eq!(sources.len(), 1, "{sources:?}");
    assert!(sources.iter().all(|s| s.starts_with("registry+")), "{sources:?}");
}

#[test]
fn licence_expressions_bind_as_spdx_says() {
    let only = |known: &'static [&str]| move |id: &str| known.contains(&id);
    let satisfied = |text: &str, known: &'static [&str]| Expression::satisfied(text, &only(known));
    // SPDX 2.3, annex D.4.5: AND binds tighter than OR, so this is LGPL alone, or BSD and MIT together.
    let precedence = "LGPL-2.1-only OR BSD-3-Clause AND MIT";
    assert!(satisfied(precedence, &["LGPL-2.1-only"]));
    assert!(satisfied(precedence, &["BSD-3-Clause", "MIT"]));
    assert!(!satisfied(precedence, &["MIT"]));
    // The same annex: brackets come first.
    let brackets = "MIT AND (LGPL-2.1-or-later OR BSD-3-Clause)";
    assert!(satisfied(brackets, &["MIT", "BSD-3-Clause"]));
    assert!(!satisfied(brackets, &["LGPL-2.1-or-later", "BSD-3-Clause"]));
    // An exception belongs to its licence.
    assert!(!satisfied(
        "GPL-2.0-only WITH Bison-exception-2.2",
        &["GPL-2.0-only"]
    ));
    // Cargo's reference for manifests: the slash is an outdated OR.
    assert!(satisfied("MIT/Apache-2.0", &["Apache-2.0"]));
}
