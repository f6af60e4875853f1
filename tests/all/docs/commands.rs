//! Every command line of the guide is run, page by page and in order, in a folder of its own.
//!
//! A line runs as it stands, with these exceptions: `cargo run --release --` is the program under test; a serial port
//! becomes the virtual device; what would go on until Ctrl-C, or for long, ends after two seconds; and a page listens on
//! a free port, since other tests run at the same time.

use super::markdown::{Block, code_in, split};
use super::{Page, guide};
use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Mutex;

const PROGRAM: &str = env!("CARGO_BIN_EXE_tautpoint");
/// Commands that cannot be run here, in blocks that hold others too.
const NOT_RUN: [&str; 2] = ["cargo test", "cargo install --path ."];
const SECONDS: &str = "2";

/// How many lines were run, and how many are marked as not to be run.
#[derive(Default, Debug)]
struct Counts {
    run: usize,
    marked: usize,
}

/// A line of a shell block.
struct Line {
    words: Vec<String>,
    /// File that the output goes to.
    output: Option<String>,
    exit_code: i32,
}

/// Splits a line as a shell would, as far as the guide needs: words, double and single quotes, a remark, `> FILE`.
fn parse(text: &str) -> Line {
    let (command, remark) = text.split_once(" #").unwrap_or((text, ""));
    let mut words = vec![String::new()];
    let mut quote = None;
    for c in command.trim().chars() {
        match (quote, c) {
            (None, '"' | '\'') => quote = Some(c),
            (Some(q), c) if q == c => quote = None,
            (None, ' ') => words.push(String::new()),
            _ => words.last_mut().unwrap().push(c),
        }
    }
    words.retain(|w| !w.is_empty());
    let output = words.iter().position(|w| w == ">").map(|at| {
        let file = words.remove(at + 1);
        words.truncate(at);
        file
    });
    let code = remark.split("exit code ").nth(1).and_then(|c| c.chars().next());
    Line {
        words,
        output,
        exit_code: code.and_then(|c| c.to_digit(10)).map_or(0, |c| c as i32),
    }
}

/// The arguments of a line that runs the program.
fn arguments(line: &Line, folder: &Path) -> Option<Vec<String>> {
    let words: Vec<&str> = line.words.iter().map(String::as_str).collect();
    let given = match words.as_slice() {
        ["tautpoint", given @ ..] | ["cargo", "run", "--release", "--", given @ ..] => given,
        _ => return None,
    };
    let mut all = Vec::new();
    for word in given {
        match word.strip_suffix("/*") {
            Some(parent) => {
                let entries = std::fs::read_dir(folder.join(parent)).unwrap();
                let mut names: Vec<String> = entries
                    .map(|e| format!("{parent}/{}", e.unwrap().file_name().to_string_lossy()))
                    .collect();
                names.sort();
                all.extend(names);
            }
            None => all.push((*word).to_owned()),
        }
    }
    let has = |option: &str| given.contains(&option);
    if has("record") {
        set(&mut all, "--seconds", SECONDS);
        let port = given.iter().skip_while(|w| **w != "--port").nth(1);
        if port.is_none_or(|p| !p.starts_with("sim")) {
            set(&mut all, "--port", "sim");
        }
    }
    if has("--listen") {
        set(&mut all, "--listen", "0.0.0.0:0");
    }
    if given.starts_with(&["simulate", "device"]) || has("correct") && has("--page") || has("desk") {
        set(&mut all, "--seconds", SECONDS);
    }
    Some(all)
}

fn set(arguments: &mut Vec<String>, option: &str, value: &str) {
    match arguments.iter().position(|a| a == option) {
        Some(at) => arguments[at + 1] = value.to_owned(),
        None => arguments.extend([option.to_owned(), value.to_owned()]),
    }
}

/// Lines of a block, those that end in a backslash joined to the next.
fn lines(block: &Block) -> Vec<(usize, String)> {
    let mut joined: Vec<(usize, String)> = Vec::new();
    let mut goes_on = false;
    for (i, line) in block.lines.iter().enumerate() {
        let (text, more) = match line.strip_suffix('\\') {
            Some(text) => (text, true),
            None => (line.as_str(), false),
        };
        match joined.last_mut().filter(|_| goes_on) {
            Some((_, last)) => last.push_str(text.trim_start()),
            None => joined.push((block.line + i, text.to_owned())),
        }
        goes_on = more;
    }
    joined.retain(|(_, l)| !l.trim().is_empty() && !l.starts_with('#'));
    joined
}

fn run(arguments: &[String], line: &Line, folder: &Path) -> Result<(), String> {
    let out = Command::new(PROGRAM)
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let code = out.status.code();
    if code != Some(line.exit_code) {
        let message = String::from_utf8_lossy(&out.stderr);
        return Err(format!("ended with {code:?}, not {}\n{message}", line.exit_code));
    }
    if let Some(file) = &line.output {
        std::fs::write(folder.join(file), &out.stdout).unwrap();
    }
    Ok(())
}

fn run_page(page: &Page) -> Result<Counts, String> {
    let folder = tempfile::tempdir().unwrap();
    let mut counts = Counts::default();
    for block in split(&page.text).0 {
        if let Some(file) = &block.file {
            let text = format!("{}\n", block.lines.join("\n"));
            std::fs::write(folder.path().join(file), text)
                .map_err(|e| format!("{}:{}: {file}: {e}", page.path, block.line))?;
        }
        if block.language != "sh" {
            continue;
        }
        for (number, text) in lines(&block) {
            let at = |what: &str| format!("{}:{number}: {text}: {what}", page.path);
            let line = parse(&text);
            if block.not_run.is_some() || NOT_RUN.contains(&line.words.join(" ").as_str()) {
                counts.marked += 1;
                continue;
            }
            if cfg!(windows) && text.starts_with("tautpoint simulate device") {
                counts.marked += 1;
                continue;
            }
            let Some(arguments) = arguments(&line, folder.path()) else {
                return Err(at("neither run nor marked as not to be run"));
            };
            run(&arguments, &line, folder.path()).map_err(|e| at(&e))?;
            counts.run += 1;
        }
    }
    Ok(counts)
}

#[test]
fn every_command_of_the_guide_runs() {
    let pages = Mutex::new(guide());
    let done = Mutex::new(BTreeMap::new());
    let work = || {
        while let Some(page) = { pages.lock().unwrap().pop() } {
            let started = std::time::Instant::now();
            let result = run_page(&page);
            let took = started.elapsed().as_secs_f64();
            done.lock().unwrap().insert(page.path, (result, took));
        }
    };
    // Most of the time goes into waiting for virtual devices.
    std::thread::scope(|s| (0..4).for_each(|_| _ = s.spawn(work)));
    let mut total = Counts::default();
    let mut failed = Vec::new();
    for (page, (result, took)) in done.into_inner().unwrap() {
        match result {
            Ok(counts) => {
                println!(
                    "{page}: {} run, {} marked, {took:.1} s",
                    counts.run, counts.marked
                );
                total.run += counts.run;
                total.marked += counts.marked;
            }
            Err(fault) => failed.push(fault),
        }
    }
    println!(
        "{} commands run, {} marked as not to be run",
        total.run, total.marked
    );
    assert!(failed.is_empty(), "{}", failed.join("\n"));
    assert!(total.run > 60 && total.marked * 4 < total.run, "{total:?}");
}

#[test]
fn commands_stand_in_shell_blocks() {
    for page in guide() {
        let (blocks, prose) = split(&page.text);
        for (line, text) in prose {
            let indented = text.starts_with("    ") && text.trim_start().starts_with("tautpoint ");
            assert!(!indented, "{}:{line}: put it into a ```sh block", page.path);
        }
        for block in blocks {
            let known = ["sh", "csv", "toml", "text", "python", "r"].contains(&block.language.as_str());
            assert!(
                known,
                "{}:{}: a block of {:?}",
                page.path, block.line, block.language
            );
        }
    }
}

fn help(arguments: &[&str]) -> String {
    let out = Command::new(PROGRAM)
        .args(arguments)
        .arg("--help")
        .output()
        .unwrap();
    String::from_utf8(out.stdout).unwrap()
}

/// Names of the commands under one: the first words behind `Commands:`.
fn commands_under(arguments: &[&str]) -> Vec<String> {
    let help = help(arguments);
    let listed = help.split("\nCommands:\n").nth(1).unwrap_or_default();
    let rows = listed.lines().take_while(|l| !l.is_empty());
    let names = rows.filter(|l| l.starts_with("  ") && !l.starts_with("   "));
    let names = names.filter_map(|l| l.split_whitespace().next());
    names.filter(|n| *n != "help").map(str::to_owned).collect()
}

#[test]
fn every_command_and_option_that_the_guide_names_is_one_and_every_command_is_named() {
    let mut helps: BTreeMap<String, String> = BTreeMap::new();
    for name in commands_under(&[]) {
        helps.insert(name.clone(), help(&[&name]));
        for inner in commands_under(&[&name]) {
            let page = help(&[&name, &inner]);
            helps.get_mut(&name).unwrap().push_str(&page);
        }
    }
    assert!(helps.len() > 10, "{:?}", helps.keys());
    let mut wrong = Vec::new();
    let mut named = Vec::new();
    for page in guide() {
        for (line, text) in split(&page.text).1 {
            for code in code_in(text) {
                let words: Vec<&str> = code
                    .split([' ', '=', '[', ']'])
                    .filter(|w| !w.is_empty())
                    .collect();
                let command = match words.as_slice() {
                    ["tautpoint", command, ..] => Some(*command),
                    [first, ..] if helps.contains_key(*first) => Some(*first),
                    _ => None,
                };
                if let Some(command) = command {
                    named.push(command.to_owned());
                    if !helps.contains_key(command) {
                        wrong.push(format!("{}:{line}: no command {command}", page.path));
                    }
                }
                for option in words.iter().filter(|w| w.starts_with("--")) {
                    let known = |help: &String| help.contains(option);
                    let there = match command.and_then(|c| helps.get(c)) {
                        Some(help) => known(help),
                        None => helps.values().any(known),
                    };
                    if !there {
                        wrong.push(format!("{}:{line}: no option {option} in `{code}`", page.path));
                    }
                }
            }
        }
    }
    wrong.extend(
        helps
            .keys()
            .filter(|c| !named.contains(c))
            .map(|c| format!("{c} is named nowhere")),
    );
    assert!(wrong.is_empty(), "{wrong:#?}");
}
