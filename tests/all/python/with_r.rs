//! docs/r.md and docs/python.md, block by block in the order of the page.

use super::{PROGRAM, ROOT, has_modules, python, run, skipped, wheel};
use crate::docs::markdown::{Block, split};
use std::path::Path;
use std::process::Command;

fn blocks(page: &str) -> Vec<Block> {
    let text = std::fs::read_to_string(Path::new(ROOT).join(page)).unwrap();
    split(&text.replace("\r\n", "\n")).0
}

/// A shell with the program on its path.
fn shell(lines: &[String], dir: &Path) {
    let folder = Path::new(PROGRAM).parent().unwrap().display();
    let path = format!("{folder}:{}", std::env::var("PATH").unwrap());
    run(Command::new("sh")
        .args(["-ec", &lines.join("\n")])
        .env("PATH", path)
        .current_dir(dir));
}

#[test]
fn the_page_on_r_runs() {
    let has = "for (p in c('lme4')) library(p, character.only = TRUE)";
    if !Command::new("Rscript")
        .args(["-e", has])
        .output()
        .is_ok_and(|o| o.status.success())
    {
        return skipped("R with lme4 is not installed");
    }
    let dir = tempfile::tempdir().unwrap();
    // R keeps what earlier blocks made, so commands come first: none of them needs what a block makes.
    let (mut commands, mut script) = (Vec::new(), vec!["options(warn = 2)".to_owned()]);
    for block in blocks("docs/r.md").iter().filter(|b| b.not_run.is_none()) {
        match block.language.as_str() {
            "sh" => commands.extend(block.lines.clone()),
            "r" => script.extend(block.lines.clone()),
            other => panic!("a block of {other:?}"),
        }
    }
    shell(&commands, dir.path());
    script.push("cat(nrow(tests), \"tests,\", nrow(decided), \"decided\\n\")".to_owned());
    std::fs::write(dir.path().join("page.R"), script.join("\n")).unwrap();
    let said = run(Command::new("Rscript").arg("page.R").current_dir(dir.path()));
    println!("{said}");
    // Six volunteers, two examiners, two levels, two sides, two trials.
    assert!(said.contains("96 tests, "), "{said}");
    for made in ["end-feel.pdf", "loop.pdf"] {
        assert!(dir.path().join(made).metadata().unwrap().len() > 2000, "{made}");
    }
}

#[test]
fn the_page_on_python_runs() {
    let Some(wheel) = wheel() else { return };
    if !has_modules("numpy, pandas, polars, duckdb") {
        return skipped("a library that takes tables is not installed");
    }
    let dir = tempfile::tempdir().unwrap();
    let all = blocks("docs/python.md");
    let lines: Vec<&String> = all
        .iter()
        .filter(|b| b.language == "python")
        .flat_map(|b| &b.lines)
        .collect();
    let script: String = lines.into_iter().map(|line| format!("{line}\n")).collect();
    let quiet = "import warnings\nwarnings.simplefilter('error', DeprecationWarning)\n";
    std::fs::write(dir.path().join("page.py"), format!("{quiet}{script}")).unwrap();
    let said = run(python(wheel).arg("page.py").current_dir(dir.path()));
    println!("{said}");
    assert!(said.contains("right") && said.contains("contact ended"), "{said}");
    assert!(dir.path().join("results/report.html").exists());
}
