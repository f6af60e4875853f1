//! A steel spring loses nothing: what its traces show between the channels is the instrument's.
//!
//! From reference springs come the delay of force behind displacement and the loop that stays once it is taken out.

mod find;
pub mod noise_cost;

pub use find::from_reference_springs;

use crate::columns::Measure;
use crate::error::{Problem, Severity};
use crate::stats::expanded::expanded_95;
use crate::stats::moments::mean;
use crate::terms::Day;
use crate::study::toml_doc::{Doc, Section};
use crate::trace::{Note, Spring, Test, UncertaintySource};
use std::fmt::Write as _;

/// Name of the file in a study's folder.
pub const FILE_NAME: &str = "instrument.toml";
/// Fewer springs than this tell no uncertainty.
pub const LEAST_SPRINGS: usize = 3;
/// Longest delay that is believed, in s: the largest that the settings allow.
const LONGEST_DELAY_S: f64 = 0.1;

/// What reference springs told about the instrument.
#[derive(Debug, Clone, PartialEq)]
pub struct Instrument {
    pub made: Option<Day>,
    /// Force lags displacement by this much, in ms; negative when it leads.
    pub force_delay_ms: f64,
    /// Standard uncertainty of the delay from repeated springs, in ms.
    pub force_delay_u_ms: f64,
    /// Springs used, over all traces.
    pub springs: usize,
    /// Loss over loading work that stays with the delay taken out; mean over springs.
    pub loop_ratio: f64,
    /// Standard uncertainty of that mean.
    pub loop_ratio_u: f64,
    /// The same loop in mJ.
    pub loop_mj: f64,
    /// Loss over loading work with the delay left in.
    pub loop_ratio_before: f64,
    /// Of the reference spring.
    pub stiffness_n_per_mm: Option<f64>,
    /// Names of the traces.
    pub recordings: Vec<String>,
    pub notes: Vec<String>,
}

impl Instrument {
    /// Half-width of the 95 % interval of the delay, in ms.
    pub fn force_delay_u95_ms(&self) -> Option<f64> {
        let df = self.springs.checked_sub(1).filter(|df| *df > 0)?;
        expanded_95(self.force_delay_u_ms, df as f64)
    }

    /// The file's text.
    pub fn to_toml(&self) -> String {
        let mut t = String::from(
            "# Written by tautpoint calibrate --reference-spring; study.toml goes before it.\nformat = 1\n",
        );
        let text = |s: &str| toml::Value::String(s.to_owned()).to_string();
        if let Some(made) = self.made {
            let _ = writeln!(t, "made = {}", text(&made.to_string()));
        }
        let mut number = |key: &str, value: Option<f64>, comment: &str| {
            if let Some(value) = value {
                let _ = writeln!(t, "{key} = {value:?}{comment}");
            }
        };
        number(
            "force_delay_ms",
            Some(self.force_delay_ms),
            "  # force behind displacement",
        );
        number(
            "force_delay_u_ms",
            Some(self.force_delay_u_ms),
            "  # standard uncertainty",
        );
        number("force_delay_u95_ms", self.force_delay_u95_ms(), "");
        number(
            "loop_ratio",
            Some(self.loop_ratio),
            "  # loss / loading work that stays",
        );
        number("loop_ratio_u", Some(self.loop_ratio_u), "");
        number("loop_mj", Some(self.loop_mj), "");
        number(
            "loop_ratio_before",
            Some(self.loop_ratio_before),
            "  # with the delay left in",
        );
        number("stiffness_n_per_mm", self.stiffness_n_per_mm, "");
        let _ = writeln!(t, "springs = {}", self.springs);
        let list = |of: &[String]| toml::Value::Array(of.iter().cloned().map(toml::Value::String).collect());
        let _ = writeln!(t, "recordings = {}", list(&self.recordings));
        let _ = writeln!(t, "notes = {}", list(&self.notes));
        t
    }

    /// Reads the file. `None` when it cannot be used; the problems then hold at least one error.
    pub fn parse(file: &str, text: &str) -> (Option<Instrument>, Vec<Problem>) {
        let doc = Doc::new(file, text);
        let instrument = doc.parse().and_then(|table| {
            read(&Section {
                doc: &doc,
                table: &table,
                path: "",
            })
        });
        let mut problems = doc.into_problems();
        let faulty = problems.iter().any(|p| p.severity == Severity::Error);
        if instrument.is_none() && !faulty {
            problems.push(Problem::error(
                file,
                "no delay and no loop",
                "force_delay_ms, force_delay_u_ms, loop_ratio, loop_ratio_u, loop_mj, springs",
                "make it again with tautpoint calibrate --reference-spring, or take the file away",
            ));
        }
        (instrument.filter(|_| !faulty), problems)
    }

    /// Takes the instrument's loop off the loss of a test and adds its uncertainty and the delay's.
    ///
    /// The loop is taken as the same share of the loading work as on the reference spring.
    ///
    /// # Formula
    /// loss' = loss − r·W, (loss/W)' = loss/W − r; u² adds (u_r·W)² and (π/4·ΔF·X·2π/T·u_τ)², the false loop of a lag
    /// on a sinusoidal spring of force range ΔF, excursion X and duration T.
    pub fn take_off_loop(&self, test: &mut Test) {
        let counted: Vec<&Spring> = test.counted_springs().filter(|s| s.loss_mj.is_some()).collect();
        let mean_of = |of: &dyn Fn(&Spring) -> Option<f64>| {
            let values: Vec<f64> = counted.iter().filter_map(|s| of(s)).collect();
            mean(&values).ok()
        };
        let Some(work_mj) = mean_of(&|s| s.loading_work_mj).filter(|w| *w > 0.0) else {
            return;
        };
        let false_loop_mj_per_s = mean_of(&|s| {
            let force_n = s.peak_n - s.preload_n?;
            let turns_per_s = std::f64::consts::TAU / (s.end_s - s.start_s);
            Some(std::f64::consts::FRAC_PI_4 * force_n * s.excursion_mm? * turns_per_s)
        });
        let delay_u_mj = false_loop_mj_per_s.unwrap_or(0.0).abs() * self.force_delay_u_ms / 1e3;
        let df = self.springs.saturating_sub(1).max(1) as f64;
        for (measure, work) in [(Measure::Loss, work_mj), (Measure::LossRatio, 1.0)] {
            test.measures.shift(measure, -self.loop_ratio * work);
            let lines = [
                UncertaintySource::InstrumentLoop.line(self.loop_ratio_u * work, df),
                UncertaintySource::ChannelDelay.line(delay_u_mj * work / work_mj, df),
            ];
            test.measures.widen(measure, lines);
        }
        for spring in &mut test.springs {
            if let (Some(loss), Some(work)) = (spring.loss_mj, spring.loading_work_mj) {
                spring.loss_mj = Some(loss - self.loop_ratio * work);
            }
            spring.loss_ratio = spring.loss_ratio.map(|r| r - self.loop_ratio);
        }
        let percent = 100.0 * self.loop_ratio;
        test.notes.push(Note::InstrumentLoop { percent });
    }
}

fn read(top: &Section<'_, '_>) -> Option<Instrument> {
    top.warn_unknown(&[
        "format",
        "made",
        "force_delay_ms",
        "force_delay_u_ms",
        "force_delay_u95_ms",
        "loop_ratio",
        "loop_ratio_u",
        "loop_mj",
        "loop_ratio_before",
        "stiffness_n_per_mm",
        "springs",
        "recordings",
        "notes",
    ]);
    let list = |key: &str| -> Vec<String> {
        let items = top.get(key).and_then(|v| v.get_ref().as_array());
        items.map_or_else(Vec::new, |items| {
            items
                .iter()
                .filter_map(|i| i.get_ref().as_str().map(str::to_owned))
                .collect()
        })
    };
    let loop_ratio = top.number("loop_ratio", -1.0, 1.0)?;
    Some(Instrument {
        made: top.text("made").as_deref().and_then(Day::parse),
        force_delay_ms: top.number("force_delay_ms", -1e3 * LONGEST_DELAY_S, 1e3 * LONGEST_DELAY_S)?,
        force_delay_u_ms: top.number("force_delay_u_ms", 0.0, 1e3 * LONGEST_DELAY_S)?,
        springs: usize::try_from(top.whole("springs", 1, 1_000_000)?).ok()?,
        loop_ratio,
        loop_ratio_u: top.number("loop_ratio_u", 0.0, 1.0)?,
        loop_mj: top.number("loop_mj", f64::MIN, f64::MAX)?,
        loop_ratio_before: top.number("loop_ratio_before", -1.0, 1.0).unwrap_or(loop_ratio),
        stiffness_n_per_mm: top.number("stiffness_n_per_mm", 0.0, f64::MAX),
        recordings: list("recordings"),
        notes: list("notes"),
    })
}
