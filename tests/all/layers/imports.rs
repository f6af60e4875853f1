//! Which file imports which, read from the text of the sources: `use` trees, grouped or not, and paths in expressions,
//! beginning with `crate`, `self`, `super` or the name of a child module. An item that a module only passes on with `use` belongs to
//! the file that defines it.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// A path in the source, or the place of a module below the crate's root.
pub type Names = Vec<String>;

/// The module tree of one crate, without its test modules.
#[derive(Default)]
pub struct Crate {
    modules: BTreeMap<Names, Module>,
}

#[derive(Default)]
struct Module {
    children: BTreeSet<String>,
    /// What `use` brings in, by the name it has afterwards.
    uses: Vec<(String, Names)>,
    /// Paths in expressions and types.
    inline: Vec<Names>,
    /// Types that are named here, and whether others may name them.
    types: Vec<(String, bool)>,
}

impl Crate {
    /// Follows the `mod` declarations of `lib.rs`.
    pub fn read(src: &Path) -> Crate {
        let mut all = Crate::default();
        let mut open = vec![(Names::new(), src.join("lib.rs"))];
        while let Some((name, file)) = open.pop() {
            let module = Module::parse(&std::fs::read_to_string(&file).unwrap());
            let folder = name.iter().fold(src.to_owned(), |folder, n| folder.join(n));
            for child in &module.children {
                let flat = folder.join(child).with_extension("rs");
                let nested = folder.join(child).join("mod.rs");
                open.push((joined(&name, child), if flat.exists() { flat } else { nested }));
            }
            all.modules.insert(name, module);
        }
        all
    }

    /// A crate of these modules and texts, for the test of this reader.
    pub fn of(texts: &[(&str, &str)]) -> Crate {
        let named = |(name, text): &(&str, &str)| (names(name), Module::parse(text));
        Crate {
            modules: texts.iter().map(named).collect(),
        }
    }

    /// The modules that each module imports from.
    pub fn imports(&self) -> BTreeMap<String, BTreeSet<String>> {
        let of = |(name, module): (&Names, &Module)| {
            let paths = module.uses.iter().map(|(_, path)| path).chain(&module.inline);
            let found = paths.filter_map(|path| self.home(name, path, 0));
            (name.join("::"), found.map(|home| home.join("::")).collect())
        };
        self.modules.iter().map(of).collect()
    }

    /// The modules that define a type of the same name, where one of them is public.
    pub fn shared_type_names(&self) -> BTreeMap<String, Vec<String>> {
        let mut all: BTreeMap<&String, (bool, Vec<String>)> = BTreeMap::new();
        for (name, module) in &self.modules {
            for (defined, public) in &module.types {
                let (any_public, homes) = all.entry(defined).or_default();
                *any_public |= public;
                homes.push(name.join("::"));
            }
        }
        let shared = all
            .into_iter()
            .filter(|(_, (public, homes))| *public && homes.len() > 1);
        shared.map(|(name, (_, homes))| (name.clone(), homes)).collect()
    }

    /// The module that defines what a path names.
    fn home(&self, from: &Names, path: &Names, depth: usize) -> Option<Names> {
        let mut at = from.clone();
        let mut rest = path.iter().map(String::as_str).peekable();
        match *rest.peek()? {
            "crate" => at.clear(),
            "self" | "super" => {}
            child if self.modules.get(from)?.children.contains(child) => {}
            _ => return None,
        }
        while let Some(step) = rest.next_if(|s| ["crate", "self", "super"].contains(s)) {
            if step == "super" {
                at.pop();
            }
        }
        while let Some(child) = rest.next_if(|s| self.modules.contains_key(&joined(&at, s))) {
            at.push(child.to_owned());
        }
        let passed_on = rest.next().and_then(|item| {
            let uses = &self.modules.get(&at)?.uses;
            let (_, path) = uses.iter().find(|(name, _)| name == item)?;
            (depth < 8).then(|| self.home(&at, path, depth + 1))?
        });
        Some(passed_on.unwrap_or(at))
    }
}

impl Module {
    fn parse(text: &str) -> Module {
        let tokens = without_tests(&tokens(text));
        let token = |i: usize| tokens.get(i).map_or("", String::as_str);
        let mut module = Module::default();
        for i in 0..tokens.len() {
            if token(i) == "mod" && token(i + 2) == ";" {
                module.children.insert(token(i + 1).to_owned());
            }
        }
        let mut depth = 0;
        for i in 0..tokens.len() {
            match token(i) {
                "{" => depth += 1,
                "}" => depth -= 1,
                "struct" | "enum" | "trait" | "type" | "union" if is_name(token(i + 1)) => {
                    let public = ["pub", ")"].contains(&token(i.wrapping_sub(1)));
                    if public || depth == 0 {
                        module.types.push((token(i + 1).to_owned(), public));
                    }
                }
                _ => {}
            }
        }
        let mut i = 0;
        while i < tokens.len() {
            let begins_path = token(i + 1) == "::"
                && !["::", ".", "in"].contains(&token(i.wrapping_sub(1)))
                && (["crate", "self", "super"].contains(&token(i)) || module.children.contains(token(i)));
            if token(i) == "use" {
                i = use_tree(&tokens, i + 1, &Names::new(), &mut module.uses);
            } else if begins_path {
                let mut path = vec![token(i).to_owned()];
                while token(i + 1) == "::" && is_name(token(i + 2)) {
                    path.push(token(i + 2).to_owned());
                    i += 2;
                }
                module.inline.push(path);
            }
            i += 1;
        }
        module
    }
}

/// Expands a `use` tree that begins at a token; gives the token after it.
fn use_tree(tokens: &[String], mut at: usize, prefix: &Names, found: &mut Vec<(String, Names)>) -> usize {
    let mut path = prefix.clone();
    let mut name = String::new();
    while let Some(token) = tokens.get(at) {
        match token.as_str() {
            "{" => {
                while tokens.get(at).is_some_and(|t| t != "}") {
                    at = use_tree(tokens, at + 1, &path, found);
                }
                return at + 1;
            }
            "as" => {
                name = tokens[at + 1].clone();
                at += 1;
            }
            "," | "}" | ";" => break,
            "::" => {}
            step => {
                if step != "self" || path.is_empty() {
                    path.push(step.to_owned());
                }
                name = path.last().unwrap().clone();
            }
        }
        at += 1;
    }
    if path.len() > prefix.len() || tokens[at - 1] == "self" {
        found.push((name, path));
    }
    at
}

/// Names, `::` and single characters; no comments, no literals.
fn tokens(text: &str) -> Vec<String> {
    let mut tokens = Vec::new();
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let raw = rest.strip_prefix('r').map(|r| r.trim_start_matches('#'));
        let taken = if rest.starts_with("//") {
            rest.find('\n').unwrap_or(rest.len())
        } else if rest.starts_with("/*") {
            rest.find("*/").map_or(rest.len(), |at| at + 2)
        } else if let Some(body) = raw.and_then(|r| r.strip_prefix('"')) {
            let end = format!("\"{}", "#".repeat(rest.len() - body.len() - 2));
            rest.len() - body.len() + body.find(&end).map_or(body.len(), |at| at + end.len())
        } else if first == '"' {
            quoted(rest, '"')
        } else if first == '\'' {
            // A lifetime has no closing quote.
            let character = rest[1..].starts_with('\\') || rest.chars().nth(2) == Some('\'');
            if character { quoted(rest, '\'') } else { 1 }
        } else if is_name(rest) {
            let end = rest.find(|c: char| !c.is_alphanumeric() && c != '_');
            tokens.push(rest[..end.unwrap_or(rest.len())].to_owned());
            end.unwrap_or(rest.len())
        } else {
            let token = if rest.starts_with("::") {
                "::"
            } else {
                &rest[..first.len_utf8()]
            };
            if !first.is_whitespace() {
                tokens.push(token.to_owned());
            }
            token.len()
        };
        rest = &rest[taken..];
    }
    tokens
}

/// Length of a literal with its quotes.
fn quoted(text: &str, quote: char) -> usize {
    let mut escaped = false;
    for (at, c) in text.char_indices().skip(1) {
        if c == quote && !escaped {
            return at + 1;
        }
        escaped = c == '\\' && !escaped;
    }
    text.len()
}

/// Leaves out each item behind `#[cfg(test)]`.
fn without_tests(tokens: &[String]) -> Vec<String> {
    let mut kept = Vec::new();
    let mut i = 0;
    while i < tokens.len() {
        if !tokens[i..].starts_with(&["#", "[", "cfg", "(", "test", ")", "]"].map(str::to_owned)) {
            kept.push(tokens[i].clone());
            i += 1;
            continue;
        }
        let mut depth = 0;
        while i < tokens.len() {
            match tokens[i].as_str() {
                "{" => depth += 1,
                "}" => depth -= 1,
                _ => {}
            }
            i += 1;
            if depth == 0 && [";", "}"].contains(&tokens[i - 1].as_str()) {
                break;
            }
        }
    }
    kept
}

fn is_name(text: &str) -> bool {
    text.starts_with(|c: char| c.is_alphabetic() || c == '_')
}

fn names(path: &str) -> Names {
    path.split("::")
        .filter(|n| !n.is_empty())
        .map(str::to_owned)
        .collect()
}

fn joined(name: &[String], child: &str) -> Names {
    name.iter().cloned().chain([child.to_owned()]).collect()
}
