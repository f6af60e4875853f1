//! `agree`: how far repeated tests, and calls, agree.

use super::Outcome;
use super::analyze::{analyze, no_input, tell_study, word};
use super::marks::{self, MarksRequest};
use crate::agreement::calls::CallNote;
use crate::agreement::correctors::{CorrectorPair, of_correctors};
use crate::agreement::{self, Agreement, ratings, spread};
use crate::analysis;
use crate::batch;
use crate::cohort::combine::Shards;
use crate::error::{Problem, Severity};
use crate::format::{counted, number};
use crate::report::agreement as report;
use crate::results::{InputKind, InputRecord, Results};
use crate::study::call::Call;
use crate::study::corrections::{self, Corrections};
use crate::study::door::{self, FileKind};
use crate::study::inputs;
use crate::write::{OutputFolder, sha256_hex, write_file_whole};
use anyhow::{Context, bail};
use std::path::{Path, PathBuf};

/// Reliability of a study's repeated tests and calls, or of any ratings.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint agree my-study                            prints a summary, writes nothing
  tautpoint agree my-study --out my-study/agreement   page, tables, figures; my-study/agreement.toml
  tautpoint agree my-study --json | jq .measures.end_feel_n_per_mm
  tautpoint agree --ratings scores.csv --json         columns subject, rater, value
  tautpoint agree --marks sheets/*/marks.csv --out marks   what two assessors wrote into the sheets of debrief --sheet
  tautpoint agree my-study --corrections copy/corrections.toml    what two people put right

With --out, the spread of the study's repeated tests goes into its agreement.toml: from then on, decisions on a
single trial a side rest on it.

Exit code: 0 done; 1 done, but some inputs could not be used (each is named) or no coefficient could be had (what is
missing is named); 2 nothing done: no input could be used.")]
pub struct AgreeArgs {
    /// A study (a folder with study.toml) or a folder of recordings.
    #[arg(
        value_name = "STUDY",
        required_unless_present_any = ["ratings", "marks"],
        conflicts_with_all = ["ratings", "marks"]
    )]
    study: Option<PathBuf>,
    /// Any numbers: delimited text with the columns subject, rater and value.
    #[arg(long, value_name = "FILE")]
    ratings: Option<PathBuf>,
    /// Marks that two assessors filled in: marks.csv of one or more sheets, or each one's own copy.
    #[arg(long, value_name = "FILE", num_args = 1.., conflicts_with_all = ["ratings", "corrections"])]
    marks: Vec<PathBuf>,
    /// With --marks: the marks that may be given [default: yes,partly,no].
    #[arg(long, value_name = "WORD,WORD", value_delimiter = ',', requires = "marks")]
    words: Vec<String>,
    /// Corrections that somebody made in a copy of the study: held against those of the study and against the program.
    #[arg(long, value_name = "FILE", conflicts_with = "ratings")]
    corrections: Vec<PathBuf>,
    /// Folder for the page, tables and figures; written whole or not at all.
    #[arg(long, short, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Prints one JSON object instead of the summary.
    #[arg(long)]
    json: bool,
}

/// What was found, and what was noticed on the way.
struct AgreeOutcome {
    agreement: Agreement,
    problems: Vec<Problem>,
    inputs: Vec<InputRecord>,
    /// Where agreement.toml goes; `None` without a study.
    study_root: Option<PathBuf>,
    /// No recording could be used.
    no_input: bool,
}

/// Runs the command.
pub fn run(args: &AgreeArgs, quiet: bool) -> anyhow::Result<Outcome> {
    if !args.marks.is_empty() {
        let asked = MarksRequest {
            files: &args.marks,
            words: &args.words,
            out: args.out.as_deref(),
            json: args.json,
        };
        return marks::run(&asked, quiet);
    }
    let (input, found) = match (&args.study, &args.ratings) {
        (_, Some(file)) => (file, of_ratings(file)?),
        (Some(study), None) => (study, of_study(study, &args.corrections, quiet)?),
        (None, None) => bail!("name a study, or a file of ratings with --ratings"),
    };
    if found.no_input && tells_nothing(&found.agreement) {
        for problem in &found.problems {
            note!("{}: {problem}", word(problem.severity));
        }
        note!("nothing done: no input could be used");
        return Ok(Outcome::Nothing);
    }
    if let Some(out) = &args.out {
        write(&found, out, std::slice::from_ref(input))?;
    }
    if args.json {
        say!("{}", report::object_text(&found.agreement, &found.problems));
    } else if args.out.is_none() || !quiet {
        say!("{}", summary(&found.agreement));
    }
    for problem in &found.problems {
        note!("{}: {problem}", word(problem.severity));
    }
    tell_missing(&found.agreement);
    if let (Some(out), false) = (&args.out, quiet) {
        note!("report: {}", out.join("agreement.html").display());
    }
    let failed = found.problems.iter().any(|p| p.severity == Severity::Error);
    Ok(match (tells_nothing(&found.agreement), failed) {
        (true, _) | (_, true) => Outcome::Partly,
        (false, false) => Outcome::Done,
    })
}

fn tells_nothing(agreement: &Agreement) -> bool {
    let calls = agreement.calls.as_ref();
    let of_calls = calls.is_some_and(|c| !c.pairs.is_empty() || !c.against.is_empty());
    agreement.is_empty() && !of_calls && agreement.correctors.is_empty()
}

fn of_ratings(path: &Path) -> anyhow::Result<AgreeOutcome> {
    let file = path
        .file_name()
        .map_or_else(|| path.to_string_lossy(), |n| n.to_string_lossy());
    let bytes = door::read(path, FileKind::Table).with_context(|| {
        format!(
            "{} cannot be read; check that the file is there and may be read",
            path.display()
        )
    })?;
    let Ok(text) = String::from_utf8(bytes) else {
        bail!(
            "{}: found bytes that are no UTF-8 text; save it again as UTF-8",
            path.display()
        );
    };
    match ratings::parse(&file, &text) {
        Ok((table, problems)) => Ok(AgreeOutcome {
            agreement: agreement::of_ratings(&table),
            problems,
            inputs: vec![InputRecord {
                kind: InputKind::Ratings,
                file: file.into_owned(),
                sha256: sha256_hex(text.as_bytes()),
                bytes: text.len() as u64,
            }],
            study_root: None,
            no_input: false,
        }),
        Err(problems) => {
            let all: Vec<String> = problems.iter().map(ToString::to_string).collect();
            bail!("{}", all.join("\n"))
        }
    }
}

fn of_study(path: &Path, others: &[PathBuf], quiet: bool) -> anyhow::Result<AgreeOutcome> {
    let paths = [path.to_owned()];
    let inputs = inputs::collect_in_study(&paths)?;
    tell_study(
        inputs
            .part_of_study
            .then(|| inputs.study.as_ref().map(|s| s.root.as_path()))
            .flatten(),
        quiet,
    );
    let options = batch::Options {
        keep_hidden: true,
        thin: true,
        ..batch::Options::default()
    };
    let results = analyze(&paths, options, quiet)?;
    let calls = inputs.study.as_ref().map_or(&[][..], |s| s.calls.as_slice());
    let root = inputs.study.as_ref().map(|s| s.root.clone());
    let correctors = correctors(&paths, root.as_deref(), others)?;
    let mut found = of_results(
        results,
        calls,
        // Of a part nothing is kept for the whole.
        root.filter(|_| !inputs.part_of_study),
    );
    found.agreement.correctors = correctors;
    Ok(found)
}

/// What people put right in the study, and in copies of it, held against each other.
fn correctors(
    paths: &[PathBuf],
    root: Option<&Path>,
    others: &[PathBuf],
) -> anyhow::Result<Vec<CorrectorPair>> {
    let mut files: Vec<(String, Corrections)> = Vec::new();
    // What is wrong with the study's own file was told with its results.
    let own = root.map_or_else(Corrections::default, |root| {
        corrections::read(root, &mut Vec::new())
    });
    files.push((corrections::FILE_NAME.to_owned(), own));
    for path in others {
        let name = path.display().to_string();
        let text = door::read_to_string(path, FileKind::Settings)
            .with_context(|| format!("{name} cannot be read; name a corrections.toml"))?;
        let (entries, problems) = corrections::parse(&name, &text);
        if entries.faulty {
            let all: Vec<String> = problems.iter().map(ToString::to_string).collect();
            bail!("{}", all.join("\n"));
        }
        files.push((name, entries));
    }
    if files.iter().all(|(_, f)| f.entries.is_empty()) {
        return Ok(Vec::new());
    }
    let options = batch::Options {
        thin: true,
        ..batch::Options::default()
    };
    let mut job = batch::Job::prepare(paths, &options)?;
    Ok(of_correctors(&batch::corrector_tests(&mut job, &files)))
}

/// What the repeated tests and the calls of a study agree in. `results` keep what a blind study hides.
fn of_results(results: Results, calls: &[Call], study_root: Option<PathBuf>) -> AgreeOutcome {
    let agreement = analysis::of_results(&results, calls);
    if results.blinded {
        note!("not done: calls against the measured side: {}", CallNote::Blinded);
    }
    AgreeOutcome {
        no_input: no_input(&results),
        agreement,
        problems: results.problems,
        inputs: results.inputs,
        study_root,
    }
}

/// The folder that `agree --out` writes, from shards.
pub(super) fn of_shards(shards: &Shards, out: &Path, inputs: &[PathBuf]) -> anyhow::Result<()> {
    let found = of_results(shards.results(true)?, shards.calls(), None);
    write(&found, out, inputs)
}

/// The result folder, then the study's agreement.toml: a folder that is refused leaves the study as it was.
fn write(found: &AgreeOutcome, out: &Path, inputs: &[PathBuf]) -> anyhow::Result<()> {
    let mut folder = OutputFolder::begin(out, inputs)?;
    report::write(&found.agreement, &found.problems, &mut folder)?;
    folder.finish(report::record(&found.problems, &found.inputs))?;
    if let (Some(root), Some(spread)) = (&found.study_root, &found.agreement.spread) {
        write_file_whole(&root.join(spread::FILE_NAME), spread.to_toml().as_bytes())?;
    }
    Ok(())
}

/// Said when no measure has any agreement: what is missing, once each.
fn tell_missing(agreement: &Agreement) {
    if !agreement.is_empty() {
        return;
    }
    let mut told: Vec<&str> = Vec::new();
    for summary in agreement.measures.iter().flat_map(|m| &m.designs) {
        if let Some(reason) = &summary.reason
            && reason != "no test has this measure"
            && !told.contains(&reason.as_str())
        {
            told.push(reason);
            note!("missing: {}: {reason}", summary.design.label());
        }
    }
    if told.is_empty() {
        note!("missing: no test has any measure");
    }
}

/// One line a measure and design that has numbers.
fn summary(agreement: &Agreement) -> String {
    let mut text = String::new();
    for measure in &agreement.measures {
        for s in &measure.designs {
            let Some(sem) = &s.sem else {
                continue;
            };
            let unit = if measure.unit.is_empty() {
                String::new()
            } else {
                format!(" {}", measure.unit)
            };
            let icc = |form: Option<crate::stats::agreement::Interval>| {
                form.map_or_else(|| "-".to_owned(), |i| number(i.value, 2))
            };
            let mdc = sem.mdc95_agreement().value;
            let percent = s
                .percent(mdc)
                .map_or(String::new(), |p| format!(" ({} %)", number(p, 0)));
            text.push_str(&format!(
                "{}, {}: {} × {}; ICC(1) {}, ICC(A,1) {}, ICC(C,1) {}; SEM consistency {}, agreement {}{unit}; \
                 MDC95 {}{unit}{percent}\n",
                measure.label,
                s.design.label(),
                s.subjects.len(),
                s.raters.len(),
                icc(s.icc.one),
                icc(s.icc.agreement),
                icc(s.icc.consistency),
                number(sem.consistency.value, measure.decimals),
                number(sem.agreement.value, measure.decimals),
                number(mdc, measure.decimals),
            ));
            for line in s.notes.iter().chain(&s.reason) {
                text.push_str(&format!("  {line}\n"));
            }
        }
    }
    for pair in &agreement.correctors {
        let apart = |value: Option<f64>, unit: &str, decimals| {
            value.map_or_else(String::new, |v| {
                format!(", at most {} {unit} apart", number(v, decimals))
            })
        };
        text.push_str(&format!(
            "{} against {}, put right by hand: {}, {}; {} by both{}, {} by one alone; {} by both{}, {} by one alone\n",
            pair.first,
            pair.second,
            counted(pair.recordings, "recording"),
            counted(pair.tests, "test"),
            counted(pair.onsets, "onset"),
            apart(pair.onsets_apart_mm, "mm", 2),
            pair.onsets_one_only,
            counted(pair.springs, "spring"),
            apart(pair.peaks_apart_s, "s", 3),
            pair.springs_first_only + pair.springs_second_only,
        ));
    }
    if let Some(calls) = &agreement.calls {
        for a in &calls.against {
            match &a.curve {
                Ok(c) => text.push_str(&format!(
                    "{} just detects an asymmetry of {} %\n",
                    a.examiner,
                    number(c.just_detected.value, 1)
                )),
                Err(reason) => text.push_str(&format!("{}: {reason}\n", a.examiner)),
            }
        }
    }
    text
}
