//! What other programs call: recordings in files or in memory to tables, figures and pages, by the same steps as the program.

mod agreement;
mod held;
mod sensor;

pub(crate) use agreement::of_results;
pub use agreement::{AgreementReport, agree_on_paths, agree_on_ratings};
pub use held::HeldRecording;
pub use sensor::{CalibrationReport, LoadOptions, calibrate_text};

use crate::batch::{self, Job, Loaded};
use crate::error::{Error, Problem, Result, Severity};
use crate::plot::Figure;
use crate::report::curves::{curve, marks_of};
use crate::report::html::{self, PageOptions};
use crate::report::output::{self, OutputOptions};
use crate::report::tables::Table;
use crate::report::{OverCeilings, Whose, budget_text, json, summary_text};
use crate::results::{InputKind, Results};
use crate::study::built_in;
use crate::study::inputs::Inputs;
use crate::trace::{ConditionedSignals, Test};
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

/// What a caller may set of an analysis.
#[derive(Default)]
pub struct AnalysisOptions<'a> {
    /// Settings as `study.toml` has them, such as `compare.threshold_percent = 12`; they win over those of the study.
    pub settings: Option<String>,
    /// Name of a built-in plan for recordings of a whole scan.
    pub plan: Option<String>,
    /// A calibration that is expired or another sensor's is an error instead of a warning on every result.
    pub strict: bool,
    /// Leaves out what people put right by hand.
    pub as_detected: bool,
    /// Told of each recording done: how many so far, of how many. It is called on whichever core was done.
    pub progress: Option<&'a (dyn Fn(usize, usize) + Sync)>,
    /// Once this is set, the work ends with the recordings in hand and gives an error.
    pub stop: Option<&'a AtomicBool>,
}

/// Who set what stands in [`AnalysisOptions::settings`].
const SETTINGS_GIVEN: &str = "settings";

impl<'a> AnalysisOptions<'a> {
    fn of_batch(&self) -> Result<batch::Options<'a>> {
        let plan = self.plan.as_deref().map(|name| {
            built_in::built_in(name).ok_or_else(|| Error::Setting {
                what: "plan".to_owned(),
                found: name.to_owned(),
                expected: built_in::all().into_iter().map(|p| p.name).collect::<Vec<_>>().join(" or "),
            })
        });
        Ok(batch::Options {
            settings: self.settings.clone().map(|text| (text, SETTINGS_GIVEN)),
            plan: plan.transpose()?,
            strict: self.strict,
            as_detected: self.as_detected,
            progress: self.progress,
            stop: self.stop,
            ..batch::Options::default()
        })
    }
}

/// One analysis: what was found, and every table, figure and page that is made of it.
pub struct Analysis {
    job: Job,
    results: Results,
    held: Vec<HeldRecording>,
}

/// Analyses recordings, folders of them or a study, on all cores: what `tautpoint analyze` does.
///
/// A recording that cannot be used is in [`Analysis::problems`]; the others are analysed all the same.
///
/// # Errors
/// When nothing can be done at all: a path that is not there, no recordings, a study.toml or a setting that cannot be meant,
/// and when it was stopped.
pub fn analyze_paths(paths: &[PathBuf], options: &AnalysisOptions<'_>) -> Result<Analysis> {
    let options = options.of_batch()?;
    let job = Job::prepare(paths, &options)?;
    let results = batch::run_job(&job, &options)?;
    Ok(Analysis {
        job,
        results,
        held: Vec::new(),
    })
}

/// Analyses recordings in memory, each by itself, and compares what was found.
///
/// # Errors
/// A setting that cannot be meant, and two recordings of one name.
pub fn analyze_held(recordings: Vec<HeldRecording>, options: &AnalysisOptions<'_>) -> Result<Analysis> {
    of_held(recordings, &options.of_batch()?)
}

/// The same with everything that the program may set.
pub(crate) fn of_held(recordings: Vec<HeldRecording>, options: &batch::Options<'_>) -> Result<Analysis> {
    let job = Job::of(Inputs::default(), options)?;
    held::check_names(&recordings)?;
    let outcomes = match recordings.as_slice() {
        // No threads for one: they would take a tenth of its time.
        [one] => vec![one.outcome(&job)],
        all => batch::parallel_map(all, || (), |(), held| held.outcome(&job)),
    };
    let results = batch::aggregate(&job, recordings.len(), outcomes, false);
    Ok(Analysis {
        job,
        results,
        held: recordings,
    })
}

/// A form that an analysis is written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AnalysisText {
    /// What `tautpoint analyze` prints.
    Summary,
    /// What `tautpoint analyze --budget` prints.
    Budget,
    /// What `tautpoint analyze --json` prints.
    Json,
    /// What `tautpoint analyze -` prints.
    JsonLines,
}

impl Analysis {
    /// The tests, in a stable order (recording, test, side).
    pub fn tests(&self) -> &[Test] {
        &self.results.tests
    }

    /// What is wrong with the inputs.
    pub fn problems(&self) -> &[Problem] {
        &self.results.problems
    }

    /// Whether no input at all could be used, and the first reason why.
    pub fn nothing_used(&self) -> Option<&Problem> {
        let errors = || self.results.problems.iter().find(|p| p.severity == Severity::Error);
        self.results.tests.is_empty().then(errors).flatten()
    }

    /// Whether a blind study hides its measured sides.
    pub fn blinded(&self) -> bool {
        self.results.blinded
    }

    /// The recordings in memory that were analysed; none of an analysis of files.
    pub fn held(&self) -> &[HeldRecording] {
        &self.held
    }

    /// Names of the tables, in the order of the report.
    pub fn table_names() -> impl Iterator<Item = &'static str> {
        Results::TABLES.into_iter().chain(["problems", "budget", "codebook"])
    }

    /// The table of that name: one of [`Analysis::table_names`].
    pub fn table(&self, name: &str) -> Option<Table> {
        self.results.table(name)
    }

    pub(crate) fn results(&self) -> &Results {
        &self.results
    }

    /// Every push over a ceiling, and what could not be held against one: what must be told before anything else.
    pub fn over_ceilings(&self) -> Vec<String> {
        let ceilings = OverCeilings::of(&self.results, Whose::All);
        ceilings.told().into_iter().chain(ceilings.warnings()).collect()
    }

    /// The analysis in words, or as one JSON object.
    pub fn text(&self, of: AnalysisText) -> String {
        match of {
            AnalysisText::Summary => summary_text(&self.results),
            AnalysisText::Budget => budget_text(&self.results),
            AnalysisText::Json => json::analysis_text(&self.results),
            AnalysisText::JsonLines => json::lines(&self.results),
        }
    }

    /// The whole report as a page that stands alone.
    ///
    /// # Errors
    /// When the page could not be put together.
    pub fn page(&self) -> Result<String> {
        html::page(&self.results, &PageOptions::default())
    }

    /// The figures of the report with their names: scans, then tests.
    pub fn figures(&self) -> Vec<(String, Figure)> {
        html::figures(&self.results, &PageOptions::default())
    }

    /// The figure of one test; none of one that a blind study hides.
    pub fn test_figure(&self, test: usize) -> Option<Figure> {
        html::test_figure(&self.results, test)
    }

    /// Writes tables, figures and the report into a folder, whole or not at all.
    ///
    /// # Errors
    /// When the folder holds something else, or the system will not write.
    pub fn write(&self, folder: &Path) -> Result<()> {
        let inputs: Vec<PathBuf> = self.job.inputs.files.iter().map(|f| f.path.clone()).collect();
        output::write(&self.results, folder, &inputs, &OutputOptions::default())
    }

    /// The conditioned curve of a test at every sample, with 0.4 s of the open before and after it, and its marks; none of a
    /// test that a blind study hides.
    ///
    /// # Errors
    /// When the recording is no longer what was analysed.
    pub fn curve(&self, test: usize) -> Result<Option<(Table, Table)>> {
        let tests = &self.results.tests;
        let Some(wanted) = tests.get(test).filter(|t| !self.results.hides(t)) else {
            return Ok(None);
        };
        let of_recording: Vec<usize> = (0..tests.len()).filter(|i| tests[*i].recording == wanted.recording).collect();
        let at = of_recording.iter().position(|i| *i == test);
        let mut signals = self.signals(&wanted.recording)?;
        // One of them was left out as no spine's when it was measured: which curve is whose can then not be told.
        if signals.len() != of_recording.len() {
            return Err(changed(&wanted.recording));
        }
        Ok(at.map(|at| {
            let signals = signals.swap_remove(at);
            (curve(&signals), marks_of(wanted, &signals))
        }))
    }

    fn signals(&self, recording: &str) -> Result<Vec<ConditionedSignals>> {
        if let Some(held) = self.held.iter().find(|h| h.name() == recording) {
            return self.job.signals(held.loaded(), None);
        }
        let file = self.job.inputs.files.iter().find(|f| f.recording == recording);
        let file = file.ok_or_else(|| changed(recording))?;
        let mut buffer = Vec::new();
        let loaded = Loaded::read(file, &mut buffer);
        let mut inputs = self.results.inputs.iter();
        let same = inputs.any(|i| i.kind == InputKind::Recording && i.file == recording && i.sha256 == loaded.sha256);
        match same {
            true => self.job.signals(loaded, None),
            false => Err(changed(recording)),
        }
    }
}

fn changed(recording: &str) -> Error {
    Error::Refused {
        found: format!("{recording} is not what it was when it was analysed"),
        advice: "leave recordings and sidecars as they are; analyse them again".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::{TraceSpec, simulate};

    fn columns(seed: u64) -> Vec<(String, Vec<f64>)> {
        let trace = simulate(&TraceSpec::default(), seed).trace;
        let channel = &trace.channels[0];
        vec![
            ("time_s".to_owned(), trace.time_s.clone()),
            ("force_n".to_owned(), channel.force_n.clone()),
            ("displacement_mm".to_owned(), channel.displacement_mm.clone().unwrap()),
        ]
    }

    fn held(name: &str, seed: u64, about: &str) -> HeldRecording {
        HeldRecording::new(name, columns(seed), about).unwrap()
    }

    /// What a file of these columns would hold, every number in full.
    fn text(columns: &[(String, Vec<f64>)]) -> String {
        let heads: Vec<&str> = columns.iter().map(|(heading, _)| heading.as_str()).collect();
        let mut text = format!("{}\n", heads.join(","));
        for row in 0..columns[0].1.len() {
            let cells: Vec<String> = columns.iter().map(|(_, values)| values[row].to_string()).collect();
            text.push_str(&format!("{}\n", cells.join(",")));
        }
        text
    }

    #[test]
    fn columns_in_memory_give_the_numbers_of_their_file() {
        let about = "level = \"L3\"\nside = \"left\"\n";
        let of_columns = analyze_held(vec![held("press", 4, about)], &AnalysisOptions::default()).unwrap();
        let bytes = text(&columns(4)).into_bytes();
        let of_bytes = HeldRecording::of_bytes("press", bytes, Some(("press.toml", about)));
        let of_bytes = analyze_held(vec![of_bytes], &AnalysisOptions::default()).unwrap();
        for name in Analysis::table_names() {
            assert_eq!(of_columns.table(name), of_bytes.table(name), "{name}");
        }
        assert_eq!(of_columns.tests().len(), 1);
        let curve = |a: &Analysis| a.curve(0).unwrap().unwrap();
        assert_eq!(curve(&of_columns), curve(&of_bytes));
        assert!(of_columns.curve(1).unwrap().is_none());
    }

    #[test]
    fn a_setting_that_is_none_is_named_with_the_nearest() {
        let options = |text: &str| AnalysisOptions {
            settings: Some(text.to_owned()),
            ..AnalysisOptions::default()
        };
        let refused = |text: &str| match analyze_held(vec![held("press", 1, "")], &options(text)) {
            Err(error) => error.to_string(),
            Ok(_) => panic!("{text}"),
        };
        let said = refused("compare.treshold_percent = 12");
        assert!(said.contains("write compare.threshold_percent"), "{said}");
        assert!(refused("compare.threshold_percent = -1").contains("compare.threshold_percent"));
        assert!(refused("threshold_percent = 12").contains("threshold_percent"));
        assert!(refused("compare.threshold_percent = ").contains("settings"));
        // A ceiling that can hardly be meant is used and told.
        let low = analyze_held(vec![held("press", 1, "level = \"L3\"")], &options("ceiling_n.lumbar = 10")).unwrap();
        assert!(low.over_ceilings()[0].contains("over the lumbar ceiling of 10 N"), "{:?}", low.over_ceilings());
    }

    #[test]
    fn two_recordings_of_one_name_and_columns_of_unequal_length_are_refused() {
        let twice = analyze_held(vec![held("press", 1, ""), held("press", 2, "")], &AnalysisOptions::default());
        assert!(twice.is_err_and(|e| e.to_string().contains("\"press\" for two recordings")));
        let mut short = columns(1);
        short[1].1.pop();
        let refused = HeldRecording::new("press", short, "").unwrap_err().to_string();
        assert!(refused.contains("column force_n"), "{refused}");
    }

    #[test]
    fn what_is_stopped_gives_nothing() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("press.csv"), text(&columns(1))).unwrap();
        let stop = AtomicBool::new(true);
        let options = AnalysisOptions {
            stop: Some(&stop),
            ..AnalysisOptions::default()
        };
        let stopped = analyze_paths(&[folder.path().to_owned()], &options);
        assert!(stopped.is_err_and(|e| e.to_string().contains("stopped")));
    }
}
