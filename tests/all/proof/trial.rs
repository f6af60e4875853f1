//! One simulated trace through the whole chain: how far off each measure is, and whether its interval says so.

use super::bound::bound;
use tautpoint::columns::Measure;
use tautpoint::settings::Settings;
use tautpoint::signal::{find_tests, measure};
use tautpoint::simulate::{Condition, Rng, Simulated, UnmodelledLaw, simulate};
use tautpoint::trace::{About, Knee, Note, Test, Trace};

/// A measure beside its truth.
#[derive(Debug, Clone, Copy)]
pub struct Beside {
    pub value: f64,
    pub truth: f64,
    pub u95: Option<f64>,
}

impl Beside {
    pub fn error(&self) -> f64 {
        self.value - self.truth
    }

    pub fn percent(&self) -> f64 {
        100.0 * self.error() / self.truth
    }

    pub fn held(&self) -> bool {
        self.u95.is_some_and(|u| self.error().abs() <= u)
    }
}

/// What one trace gave.
#[derive(Debug, Clone)]
pub struct Trial {
    pub seed: u64,
    /// What is wrong with the springs found, if anything.
    pub springs: Option<String>,
    pub knee: Knee,
    /// How far the deepest spring went past the true onset, in mm; `None` without a knee in the tissue.
    pub beyond_mm: Option<f64>,
    /// Standard deviations that an efficient estimate of onset and end-feel would have; `None` outside the law.
    pub bound: Option<[f64; 2]>,
    /// By `Measure as usize`.
    pub measures: Vec<Option<Beside>>,
    /// The note says that the model fits poorly.
    pub said_poor: bool,
    /// The note says that laws were averaged.
    pub averaged: bool,
}

/// The whole chain, tests named by nothing but their sides.
pub fn nameless(trace: &Trace, settings: &Settings) -> Vec<Test> {
    let found = find_tests(trace, settings).unwrap();
    let names = found.names(|side| About {
        side,
        ..About::default()
    });
    measure(&found, names)
}

/// The whole chain with default settings.
pub fn measured(trace: &Trace) -> Vec<Test> {
    nameless(trace, &Settings::default())
}

/// Simulates one trace of a condition and measures it beside its truth.
pub fn trial(condition: Condition, seed: u64) -> Trial {
    // As `Condition::simulate`, keeping the specification.
    let spec = condition.spec(&mut Rng::stream(seed, 9));
    let made = simulate(&spec, seed);
    let bound = bound(&spec, &made);
    beside_truth(&made, bound, None, seed)
        .unwrap_or_else(|| panic!("{} seed {seed}: no test found", condition.word()))
}

/// The same of a trace that is made already, or that was read from a file.
pub fn trial_of(made: &Simulated, seed: u64) -> Option<Trial> {
    beside_truth(made, None, None, seed)
}

/// The same of a press that the fitted law does not describe; `None` when no test was found in it.
pub fn trial_of_law(law: UnmodelledLaw, seed: u64) -> Option<Trial> {
    let made = law.simulate(seed);
    let touch_mm = law
        .begins_as_a_line()
        .then(|| where_force_begins(&made.noise_free))
        .flatten();
    beside_truth(&made, None, touch_mm, seed)
}

fn where_force_begins(noise_free: &Trace) -> Option<f64> {
    let channel = &noise_free.channels[0];
    let first = channel.force_n.iter().position(|n| *n > 0.0)?;
    Some(channel.displacement_mm.as_ref()?[first])
}

fn beside_truth(
    made: &Simulated,
    bound: Option<[f64; 2]>,
    touch_mm: Option<f64>,
    seed: u64,
) -> Option<Trial> {
    let found = measured(&made.trace);
    let free = measured(&made.noise_free);
    let springs = faults(made, &found);
    let (test, free) = (found.first()?, free.first()?);
    let measures = Measure::ALL
        .iter()
        .map(|m| beside(*m, test, free, made, touch_mm))
        .collect();
    let deepest = made.truth.springs.iter().map(|s| s.peak_mm).fold(0.0, f64::max);
    let poor = |note: &Note| {
        matches!(
            note,
            Note::PoorFit { .. } | Note::TwoLines { .. } | Note::NoKnee { .. } | Note::NoKneeInLean { .. }
        )
    };
    Some(Trial {
        seed,
        springs,
        knee: test.knee,
        beyond_mm: made.truth.onset_mm.map(|onset| deepest - onset),
        bound,
        measures,
        said_poor: test.notes.iter().any(poor),
        averaged: test
            .notes
            .iter()
            .any(|note| matches!(note, Note::Averaged { .. })),
    })
}

/// The law's own value where the law has one, else the noise-free signals by the same definitions.
fn beside(
    measure: Measure,
    test: &Test,
    free: &Test,
    made: &Simulated,
    touch_mm: Option<f64>,
) -> Option<Beside> {
    let t = &made.truth;
    let found = test.measures.get(measure)?;
    let truth = match measure {
        Measure::Onset => t.onset_mm,
        Measure::OnsetForce => t.onset_n,
        Measure::TakeUp => t.take_up_n_per_mm,
        Measure::FittedEndFeel => t.end_feel_n_per_mm,
        Measure::Damping => Some(t.damping_n_s_per_mm),
        // First contact is the law's where it has one, else the definition's from the noise-free signals; the onset is the law's.
        Measure::OnsetTravel => touch_mm
            .or_else(|| first_contact_mm(free))
            .and_then(|touch| Some(t.onset_mm? - touch)),
        _ => free.value(measure),
    };
    Some(Beside {
        value: found.value,
        truth: truth?,
        u95: found.u95(),
    })
}

fn first_contact_mm(test: &Test) -> Option<f64> {
    Some(test.value(Measure::Onset)? - test.value(Measure::OnsetTravel)?)
}

/// Springs missed or invented, in words.
pub fn faults(made: &Simulated, found: &[Test]) -> Option<String> {
    let pushed: Vec<f64> = made.truth.springs.iter().map(|p| p.peak_s).collect();
    let seen: Vec<f64> = found
        .iter()
        .flat_map(|t| t.springs.iter().map(|p| p.peak_s))
        .collect();
    let ok = found.len() == 1
        && pushed.len() == seen.len()
        && pushed.iter().zip(&seen).all(|(a, b)| (a - b).abs() < 0.05);
    (!ok).then(|| {
        format!(
            "{} tests, springs made at {pushed:.2?}, found at {seen:.2?}",
            found.len()
        )
    })
}
