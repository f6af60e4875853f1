//! `analyze`: the main job.

use super::{Outcome, progress};
use crate::analysis::{self, AnalysisText, HeldRecording};
use crate::batch::{self, Earlier, sums};
use crate::cohort::shard::Shard;
use crate::cohort::shard_run::analyze_shard;
use crate::error::{Error, Severity};
use crate::format::counted;
use crate::report::datapackage::TableFormat;
use crate::report::html::{FiguresChoice, PageOptions};
use crate::report::output::{self, OutputOptions};
use crate::report::{OverCeilings, Whose, budget_text, json, summary_text};
use crate::results::{Excluded, Exclusion, ExclusionCause, InputRecord, Results};
use crate::study::built_in;
use crate::study::door::{self, FileKind};
use crate::study::folder::read_study;
use crate::study::inputs;
use crate::study::plan::Plan;
use crate::study::study_file;
use crate::study::toml_doc::read_text;
use anyhow::{Context, bail};
use clap::ValueEnum;
use std::io::Read as _;
use std::path::{Path, PathBuf};

/// Analyses recordings, folders of them or a whole study: the main job.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint analyze press.csv                        prints a summary, writes nothing
  tautpoint analyze my-study --out my-study/results  tables, figures and report.html
  tautpoint analyze scan.csv --plan prone-thumbs     one recording of a whole scan
  tautpoint analyze my-study --json | jq .findings
  tautpoint analyze press.csv --budget               where each interval comes from
  zcat press.csv.gz | tautpoint analyze -            from standard input; prints one JSON object a line
  tautpoint analyze my-study --shard 3/64 --out parts/3
                                                     one part of 64, for tautpoint combine

A run with --out that is cut short is taken up by the same command; until it ends, what is done lies in a hidden file
beside DIR (.NAME.tautpoint-records).

Exit code: 0 done; 1 done, but some inputs could not be used (each is named); 2 nothing done.")]
pub struct AnalyzeArgs {
    /// Recordings (.csv, .tsv, .txt, .parquet), folders of them, or a study (a folder with study.toml); `-` reads one recording
    /// from standard input and prints its rows as JSON lines.
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,
    /// Folder for tables, figures and report.html; written whole or not at all.
    #[arg(long, short, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Prints one JSON object with tests, findings and problems instead of the summary.
    #[arg(long)]
    json: bool,
    /// Prints the uncertainty budget of every measure, line by line.
    #[arg(long, conflicts_with = "json")]
    budget: bool,
    /// Every figure as PNG too.
    #[arg(long, requires = "out")]
    png: bool,
    /// Adds cohort.html (how the measures are spread) and dataset/ (Parquet by site and session, for other engines).
    #[arg(long, requires = "out", conflicts_with = "shard")]
    cohort: bool,
    /// Adds curves/: the conditioned force and displacement of each test at every sample, with its marks.
    #[arg(
        long,
        value_enum,
        requires = "out",
        conflicts_with = "shard",
        value_name = "FORMAT"
    )]
    curves: Option<CurveFormat>,
    /// Which tests get a figure: auto draws up to 60 tests, beyond that those behind a finding or a problem.
    #[arg(long, value_enum, default_value = "auto", value_name = "WHICH")]
    figures: Figures,
    /// With `-`: the file that says who and where the recording is of.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["out", "shard"])]
    sidecar: Option<PathBuf>,
    /// Scan plan (a file, or the name of a built-in one) for recordings of a whole scan.
    #[arg(long, value_name = "PLAN")]
    plan: Option<String>,
    /// Cut-off of the low pass in Hz, instead of the study's.
    #[arg(long, value_name = "HZ")]
    low_pass: Option<f64>,
    /// Difference in percent beyond which a side is named, instead of the study's.
    #[arg(long, value_name = "PERCENT")]
    threshold: Option<f64>,
    /// A calibration that is expired or another sensor's is an error, not a warning on every result.
    #[arg(long)]
    strict: bool,
    /// Leaves out what people put right: every result as the program detected it.
    #[arg(long)]
    as_detected: bool,
    /// Starts over: nothing that an earlier run into the same folder, cut short, had done is used.
    #[arg(long, requires = "out")]
    fresh: bool,
    /// One of N equal parts of the recordings, by their content: for many machines at once; then `tautpoint combine`.
    #[arg(long, value_name = "K/N", requires = "out", conflicts_with_all = ["json", "budget", "png"])]
    shard: Option<String>,
    /// Cores to work on; all of them otherwise. The results do not depend on it.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    jobs: Option<u16>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum CurveFormat {
    Csv,
    Parquet,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub(super) enum Figures {
    Auto,
    All,
    None,
}

/// Runs the command.
pub fn run(args: &AnalyzeArgs, quiet: bool) -> anyhow::Result<Outcome> {
    if let Some(n) = args.jobs {
        // A pool that exists already (in tests) stays as it is: only speed depends on it.
        let _ = rayon::ThreadPoolBuilder::new()
            .num_threads(usize::from(n))
            .build_global();
    }
    if let Some(outcome) = standard_input(args)? {
        return Ok(outcome);
    }
    let above = inputs::study_of_recordings(&args.paths);
    tell_study(above.as_deref(), quiet);
    let roots: Vec<PathBuf> = args.paths.iter().chain(&above).cloned().collect();
    tell_no_hashes(&roots, quiet);
    let plan = args.plan.as_deref().map(|given| find_plan(given, &roots));
    let (plan, plan_file) = plan.transpose()?.unzip();
    let analysis = batch::Options {
        overrides: overrides(args),
        plan,
        plan_file: plan_file.flatten(),
        strict: args.strict,
        thin: true,
        fresh: args.fresh,
        as_detected: args.as_detected,
        ..batch::Options::default()
    };
    if let (Some(shard), Some(out)) = (&args.shard, &args.out) {
        return self::shard(args, Shard::parse(shard)?, out, analysis, quiet);
    }
    let results = match &args.out {
        Some(out) => into_folder(args, out, analysis, quiet)?,
        None => analyze(&args.paths, analysis, quiet)?,
    };
    if args.json {
        sayln!("{}", json::analysis_text(&results));
    } else if args.budget {
        if results.blinded {
            sayln!("{}\n", crate::results::BLINDED);
        }
        say!("{}", budget_text(&results));
        tell_ceilings(&results, Whose::All);
        tell_problems(&results);
    } else if args.out.is_none() || !quiet {
        say!("{}", summary_text(&results));
    } else {
        tell_ceilings(&results, Whose::All);
        tell_problems(&results);
    }
    if let (Some(out), false) = (&args.out, quiet) {
        note!("report: {}", out.join("report.html").display());
    }
    Ok(outcome(&results))
}

/// `analyze -`: one recording from standard input; `None` when that is not what was asked for.
fn standard_input(args: &AnalyzeArgs) -> anyhow::Result<Option<Outcome>> {
    if !args.paths.iter().any(|p| p.as_os_str() == "-") {
        if args.sidecar.is_some() {
            bail!(
                "--sidecar goes with `-`: a recording in a file has its sidecar beside it, under the same name ending in .toml"
            );
        }
        return Ok(None);
    }
    if args.paths.len() > 1 || args.out.is_some() {
        bail!(
            "`-` is one recording from standard input, whose rows are printed: name nothing beside it, and no --out"
        );
    }
    let most = FileKind::Recording.most_bytes();
    let mut bytes = Vec::new();
    std::io::stdin()
        .lock()
        .take(most + 1)
        .read_to_end(&mut bytes)
        .context("standard input cannot be read")?;
    if bytes.len() as u64 > most {
        bail!("standard input holds more than {most} bytes, which is no single recording");
    }
    let text = args.sidecar.as_ref().map(|path| {
        let name = path.display().to_string();
        let text = read_text(path, &name).map_err(Error::from)?;
        Ok::<_, Error>((name, text))
    });
    let text = text.transpose()?;
    let sidecar = text.as_ref().map(|(name, text)| (name.as_str(), text.as_str()));
    let (plan, plan_file) = args
        .plan
        .as_deref()
        .map(|given| find_plan(given, &[]))
        .transpose()?
        .unzip();
    let options = batch::Options {
        overrides: overrides(args),
        plan,
        plan_file: plan_file.flatten(),
        strict: args.strict,
        ..batch::Options::default()
    };
    let found = analysis::of_held(vec![HeldRecording::of_bytes("stdin", bytes, sidecar)], &options)?;
    let form = match (args.json, args.budget) {
        (true, _) => AnalysisText::Json,
        (_, true) => AnalysisText::Budget,
        _ => AnalysisText::JsonLines,
    };
    say!("{}", found.text(form));
    tell_ceilings(found.results(), Whose::All);
    tell_problems(found.results());
    Ok(Some(outcome(found.results())))
}

/// Collects, analyses and compares, with a progress bar when it takes long.
pub(super) fn analyze(
    paths: &[PathBuf],
    options: batch::Options<'_>,
    quiet: bool,
) -> anyhow::Result<Results> {
    with_bar(options, quiet, |options| batch::run(paths, options))
}

/// The same into a folder, taking up an earlier run that was cut short.
fn into_folder(
    args: &AnalyzeArgs,
    out: &Path,
    options: batch::Options<'_>,
    quiet: bool,
) -> anyhow::Result<Results> {
    let output = OutputOptions {
        page: args.figures.page(),
        png: args.png,
        cohort: args.cohort,
        curves: args.curves.map(|f| match f {
            CurveFormat::Csv => TableFormat::Csv,
            CurveFormat::Parquet => TableFormat::Parquet,
        }),
    };
    let (results, earlier) = with_bar(options, quiet, |options| {
        batch::analyze_into(&args.paths, out, options, &|folder, results, curves| {
            output::write_run(folder, results, curves, &output)
        })
    })?;
    tell_earlier(earlier, quiet);
    Ok(results)
}

/// One shard into a folder of its own.
fn shard(
    args: &AnalyzeArgs,
    shard: Shard,
    out: &Path,
    options: batch::Options<'_>,
    quiet: bool,
) -> anyhow::Result<Outcome> {
    let run = with_bar(options, quiet, |options| {
        analyze_shard(&args.paths, shard, out, options)
    })?;
    tell_earlier(run.earlier, quiet);
    if !quiet {
        sayln!(
            "shard {}/{}: {} of {} recordings, {} of them could not be used; {}",
            shard.number,
            shard.of,
            run.recordings,
            run.of,
            run.failed,
            out.display()
        );
    }
    Ok(match run.failed {
        0 => Outcome::Done,
        _ => Outcome::Partly,
    })
}

fn with_bar<T>(
    options: batch::Options<'_>,
    quiet: bool,
    work: impl FnOnce(&batch::Options<'_>) -> crate::error::Result<T>,
) -> anyhow::Result<T> {
    let bar = progress::Bar::new("recordings", quiet);
    let tell = |done: usize, total: usize| bar.tell(done, total);
    let done = work(&batch::Options {
        progress: Some(&tell),
        ..options
    });
    bar.finish();
    Ok(done?)
}

fn tell_earlier(earlier: Earlier, quiet: bool) {
    if quiet {
        return;
    }
    if earlier.by_another_build {
        note!("started over: what an earlier run had done was done by another build of tautpoint");
    }
    if earlier.resumed > 0 {
        note!(
            "taken up: {} done before this run",
            counted(earlier.resumed, "recording")
        );
    }
}

impl Figures {
    /// How the page is made.
    pub(super) fn page(self) -> PageOptions {
        let figures = match self {
            Figures::Auto => FiguresChoice::Auto,
            Figures::All => FiguresChoice::All,
            Figures::None => FiguresChoice::None,
        };
        PageOptions { figures }
    }
}

fn overrides(args: &AnalyzeArgs) -> Vec<(&'static str, f64, String)> {
    let mut all = Vec::new();
    if let Some(hz) = args.low_pass {
        all.push(("filter.low_pass_hz", hz, "--low-pass".to_owned()));
    }
    if let Some(percent) = args.threshold {
        all.push(("compare.threshold_percent", percent, "--threshold".to_owned()));
    }
    all
}

/// A plan from a file, or by name: one in the study's `plans/` (which may be shuffled), or a built-in one. With it the
/// record of its file, when that is none of the study's.
fn find_plan(given: &str, inputs: &[PathBuf]) -> anyhow::Result<(Plan, Option<InputRecord>)> {
    let own = |input: &PathBuf| input.join("plans").join(format!("{given}.toml"));
    let named = Path::new(given).components().count() == 1;
    let own = inputs.iter().map(own).find(|path| named && door::is_there(path));
    let of_study = own.is_some();
    let path = own.unwrap_or_else(|| PathBuf::from(given));
    if door::is_there(&path) && !path.is_dir() {
        let text = read_text(&path, given).map_err(Error::from)?;
        let (plan, problems) = Plan::parse(given, &text);
        for problem in &problems {
            note!("{}: {problem}", word(problem.severity));
        }
        let plan =
            plan.with_context(|| format!("the plan {given} cannot be used: correct what is listed above"))?;
        return Ok((plan, (!of_study).then(|| batch::given_plan(&path, &text))));
    }
    let studies = inputs
        .iter()
        .filter(|i| door::is_there(&i.join(study_file::FILE_NAME)));
    if let Some(study) = studies.map(|root| read_study(root, &mut Vec::new())).next() {
        return match study.plan(given) {
            Some(plan) => Ok((plan, None)),
            None => bail!("{}", study.no_plan(given, "--plan")),
        };
    }
    if let Some(plan) = built_in::built_in(given) {
        return Ok((plan, None));
    }
    let names: Vec<String> = built_in::all().into_iter().map(|p| p.name).collect();
    bail!(
        "no plan {given}: there is no such file, and the built-in plans are {}",
        names.join(", ")
    )
}

pub(super) fn word(severity: Severity) -> &'static str {
    match severity {
        Severity::Warning => "warning",
        Severity::Error => "error",
    }
}

/// Which study is used, when recordings of it were named and not itself.
pub(super) fn tell_study(root: Option<&Path>, quiet: bool) {
    if let Some(root) = root.filter(|_| !quiet) {
        note!(
            "note: what is named lies in the study {}: its study.toml is used, and with it its ceilings, calibrations and plans",
            root.display()
        );
    }
}

/// Each study among these folders that keeps no hash of any recording, once.
pub(super) fn tell_no_hashes(folders: &[PathBuf], quiet: bool) {
    for root in folders.iter().filter(|root| !quiet && sums::none_kept(root)) {
        note!(
            "note: the study {} keeps no hashes of its recordings (recordings/SHA256SUMS): whether one changed since it was \
             recorded nobody can tell. `tautpoint record` keeps them; of files that were recorded otherwise `sha256sum * > \
             SHA256SUMS` makes them, in recordings/",
            root.display()
        );
    }
}

/// What must be known of ceilings on standard error, however little else is wanted.
pub(super) fn tell_ceilings(results: &Results, whose: Whose<'_>) {
    let ceilings = OverCeilings::of(results, whose);
    for push in ceilings.told() {
        note!("over the ceiling: {push}");
    }
    for warning in ceilings.warnings() {
        note!("warning: {warning}");
    }
    for known in ceilings.notes() {
        note!("note: {known}");
    }
}

/// Problems on standard error, where nothing else that is printed names them.
pub(super) fn tell_problems(results: &Results) {
    for problem in &results.problems {
        note!("{}: {problem}", word(problem.severity));
    }
}

/// Whether there is nothing to work on: no test, and inputs that could not be used. What a blind study hides is there.
pub(super) fn no_input(results: &Results) -> bool {
    !results.blinded && matches!(outcome(results), Outcome::Nothing)
}

pub(super) fn outcome(results: &Results) -> Outcome {
    let unusable = |e: &Exclusion| e.what == Excluded::File && matches!(e.cause, ExclusionCause::Unusable(_));
    let failed = results.problems.iter().any(|p| p.severity == Severity::Error)
        || results.exclusions.iter().any(unusable);
    match (results.tests.is_empty(), failed) {
        (true, true) => Outcome::Nothing,
        (_, true) => Outcome::Partly,
        _ => Outcome::Done,
    }
}
