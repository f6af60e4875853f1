//! Forces over the ceiling that no test holds: a jab too short for a test, the other hand, a recording that was left out
//! (METHODS.md §9.3).

use crate::format::counted;
use crate::error::Problem;
use crate::format::number;
use crate::settings::{Ceiling, Settings};
use crate::signal::pushes::pushes;
use crate::stats::moments::median_in_place;
use crate::terms::Level;
use crate::trace::{About, Test, Trace};
use serde::{Deserialize, Serialize};

/// A sample is told of as taken for a spike when it stands this share of the ceiling above what is left of it.
const LONE_SHARE: f64 = 0.1;
/// The zero is where the force stands outside the tests, when that is known for so long, in s, and clear of them by so much.
const REST_S: f64 = 0.2;
const CLEAR_OF_TEST_S: f64 = 0.35;
/// Else it is the force that a tenth of the samples lie below, unless that is itself a load; else above, as under a sensor of
/// inverted sign.
const ZERO_SHARE: f64 = 0.1;
/// A force that goes so far below its zero, in N, and further than above it, counts the wrong way round.
const INVERTED_N: f64 = 10.0;
const LARGEST_ZERO_N: f64 = 10.0;
/// Two passages closer than this are one, in s.
const JOINED_S: f64 = 0.25;
/// A force within a test differs no further from the test's own peak by how the zero is taken.
const SAME_SHARE: f64 = 0.05;
const SAME_N: f64 = 2.0;
/// Listed one by one; the rest are counted.
const LISTED: usize = 5;

/// A stretch of a recording in which all hands together pressed harder than the ceiling.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ForceOver {
    /// Begin and end, in the recording's own seconds.
    pub begin_s: f64,
    pub end_s: f64,
    /// Highest force within, in N.
    pub peak_n: f64,
}

/// The sum of all hands, row by row.
struct TotalForce {
    /// Lone samples taken out.
    pushed_n: Vec<f64>,
    /// As recorded.
    raw_n: Vec<f64>,
}

impl TotalForce {
    /// A channel without a value counts as nothing there: what the others show is still told. One of inverted sign counts by its
    /// size.
    fn new(trace: &Trace, tests: &[Test]) -> Option<TotalForce> {
        let rate_hz = rate_hz(&trace.time_s)?;
        let nothing = vec![0.0; trace.time_s.len()];
        let mut total = TotalForce {
            pushed_n: nothing.clone(),
            raw_n: nothing,
        };
        for channel in &trace.channels {
            let zero = rest_n(trace, &channel.force_n, tests).unwrap_or_else(|| zero_n(&channel.force_n));
            let pushed: Vec<f64> = pushes(&channel.force_n, rate_hz).iter().map(|f| f - zero).collect();
            let (lowest, highest) = pushed.iter().fold((0.0_f64, 0.0_f64), |(l, h), f| (l.min(*f), h.max(*f)));
            let inverted = -lowest > highest.max(INVERTED_N);
            let add = |to: &mut [f64], forces: &mut dyn Iterator<Item = f64>| {
                for (sum, force) in to.iter_mut().zip(forces).filter(|(_, f)| f.is_finite()) {
                    *sum += if inverted { force.abs() } else { force };
                }
            };
            add(&mut total.pushed_n, &mut pushed.into_iter());
            add(&mut total.raw_n, &mut channel.force_n.iter().map(|f| f - zero));
        }
        Some(total)
    }
}

/// Every stretch of a recording in which the sum of all hands is over `ceiling_n`, lone samples taken out.
pub fn forces_over(trace: &Trace, tests: &[Test], ceiling_n: f64) -> Vec<ForceOver> {
    TotalForce::new(trace, tests).map_or(Vec::new(), |total| stretches_over(trace, &total.pushed_n, ceiling_n))
}

fn stretches_over(trace: &Trace, total_n: &[f64], ceiling_n: f64) -> Vec<ForceOver> {
    let mut found: Vec<ForceOver> = Vec::new();
    for (&time_s, &force_n) in trace.time_s.iter().zip(total_n) {
        if force_n <= ceiling_n {
            continue;
        }
        match found.last_mut() {
            Some(last) if time_s - last.end_s <= JOINED_S => {
                last.end_s = time_s;
                last.peak_n = last.peak_n.max(force_n);
            }
            _ => found.push(ForceOver {
                begin_s: time_s,
                end_s: time_s,
                peak_n: force_n,
            }),
        }
    }
    found
}

/// A force over a ceiling that no test tells of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct UntoldForce {
    pub recording: String,
    /// The test that it lies beside: its span overlaps, and its measures do not hold the force.
    pub beside: Option<u32>,
    /// Of that test, else of the recording.
    pub about: About,
    /// Every level in the recording: the ceiling is the lowest of theirs.
    pub levels: Vec<Level>,
    pub over: ForceOver,
}

impl UntoldForce {
    /// The ceiling that it is over.
    pub fn ceiling(&self, settings: &Settings) -> Option<Ceiling> {
        ceiling_of_levels(&self.levels, settings)
    }

    /// How long and where in the recording.
    pub fn place(&self) -> String {
        let ForceOver { begin_s, end_s, .. } = self.over;
        let place = match self.beside {
            Some(test) => format!("beside what test {test} measures"),
            None => "outside every test".to_owned(),
        };
        format!("at {} s for {} s, {place}", number(begin_s, 2), number(end_s - begin_s, 2))
    }
}

/// The lowest of the levels'; without any level the highest of all, over which a force is over every ceiling.
fn ceiling_of_levels(levels: &[Level], settings: &Settings) -> Option<Ceiling> {
    let highest = || settings.ceilings().max_by(|a, b| a.newtons.total_cmp(&b.newtons));
    settings.ceiling_at(levels.iter().copied()).or_else(highest)
}

/// A warning where single samples over the ceiling were taken for spikes of the sensor: the samples beside them show nothing of a
/// push.
pub fn lone_samples_problem(trace: &Trace, tests: &[Test], settings: &Settings, hidden: bool) -> Option<Problem> {
    let ceiling = ceiling_of_levels(&levels_of(trace, tests), settings)?;
    let total = TotalForce::new(trace, tests)?;
    let clear_n = LONE_SHARE * ceiling.newtons;
    let rows = trace.time_s.iter().zip(total.raw_n.iter().zip(&total.pushed_n));
    let lone = rows.filter(|(_, (raw, pushed))| {
        **raw > ceiling.newtons && **pushed <= ceiling.newtons && **raw - **pushed > clear_n
    });
    let count = lone.clone().count();
    let (time_s, (most_n, _)) = lone.max_by(|a, b| a.1.0.total_cmp(b.1.0))?;
    let newtons = match hidden {
        true => String::new(),
        false => format!(" of {} N", number(*most_n, 0)),
    };
    let which = if count == 1 { "" } else { ", the largest" };
    let stood = format!("{} over the {ceiling} that stood alone{which}{newtons} at {} s", counted(count, "sample"), number(*time_s, 3));
    Some(Problem::warning(
        &trace.recording,
        stood,
        "a push over several samples, or no sample over the ceiling",
        "it was taken for a spike of the sensor and counts for no ceiling; at a low rate a jab of a few milliseconds looks the same: \
         look at the recording, and record at 500 Hz or more",
    ))
}

/// Every level in a recording, in order.
fn levels_of(trace: &Trace, tests: &[Test]) -> Vec<Level> {
    let of_tests = tests.iter().flat_map(|t| t.about.level.into_iter().chain(t.about.covers.iter().copied()));
    let mut levels: Vec<Level> = of_tests
        .chain(trace.about.level)
        .chain(trace.about.covers.iter().copied())
        .collect();
    levels.sort_unstable();
    levels.dedup();
    levels
}

/// Every force over the ceiling that has no finding because no test holds it.
pub fn untold_forces(trace: &Trace, tests: &[Test], settings: &Settings) -> Vec<UntoldForce> {
    let levels = levels_of(trace, tests);
    let Some(ceiling) = ceiling_of_levels(&levels, settings) else {
        return Vec::new();
    };
    let mut untold = forces_over(trace, tests, ceiling.newtons);
    untold.retain(|over| !tests.iter().any(|t| holds(t, over) && tells(t, over, &ceiling)));
    let of = |over: ForceOver| {
        let beside = tests.iter().find(|t| holds(t, &over));
        let mut about = beside.or(tests.first()).map_or(&trace.about, |t| &t.about).clone();
        about.level = beside.map_or(trace.about.level, |t| t.about.level);
        if trace.channels.len() > 1 {
            about.side = None;
        }
        UntoldForce {
            recording: trace.recording.clone(),
            beside: beside.map(|t| t.test),
            about,
            levels: levels.clone(),
            over,
        }
    };
    untold.into_iter().map(of).collect()
}

/// A warning for each. A blind study is told of it without the force.
pub fn untold_problems(untold: &[UntoldForce], settings: &Settings, hidden: bool) -> Vec<Problem> {
    let more = untold.len().saturating_sub(LISTED);
    let mut problems: Vec<Problem> = untold
        .iter()
        .take(LISTED)
        .filter_map(|force| problem(force, settings, hidden))
        .collect();
    if let (Some(last), true) = (problems.last_mut(), more > 0) {
        last.found = format!("{} (and {} in this recording)", last.found, counted(more, "more time"));
    }
    problems
}

fn holds(test: &Test, over: &ForceOver) -> bool {
    let phases = &test.phases;
    phases.contact_begin_s <= over.end_s && over.begin_s <= phases.contact_end_s
}

/// Whether a test's own peak tells of it: it is over the ceiling too, or as good as the same force, and stays under its own.
fn tells(test: &Test, over: &ForceOver, ceiling: &Ceiling) -> bool {
    let own_n = test.total_peak_n;
    own_n > ceiling.newtons || over.peak_n <= own_n * (1.0 + SAME_SHARE) + SAME_N
}

fn problem(force: &UntoldForce, settings: &Settings, hidden: bool) -> Option<Problem> {
    let ceiling = force.ceiling(settings)?;
    let newtons = match hidden {
        true => "a force".to_owned(),
        false => format!("{} N", number(force.over.peak_n, 0)),
    };
    Some(Problem::warning(
        &force.recording,
        format!("{newtons} over the {ceiling}, {}", force.place()),
        "no force over the ceiling at any time, all hands together",
        "find out what pressed; stop at once on request or pain. A check with a known weight has known_weight_n in its sidecar",
    ))
}

fn rate_hz(time_s: &[f64]) -> Option<f64> {
    let (first, last) = (time_s.first()?, time_s.last()?);
    let rate = (time_s.len() - 1) as f64 / (last - first);
    (rate.is_finite() && rate > 0.0).then_some(rate)
}

/// Where the channel stands outside the tests.
fn rest_n(trace: &Trace, force_n: &[f64], tests: &[Test]) -> Option<f64> {
    let clear = |time_s: f64| {
        tests.iter().all(|t| {
            time_s < t.phases.contact_begin_s - CLEAR_OF_TEST_S || time_s > t.phases.contact_end_s + CLEAR_OF_TEST_S
        })
    };
    let at_rest = trace.time_s.iter().zip(force_n).filter(|(t, f)| f.is_finite() && clear(**t));
    let mut at_rest: Vec<f64> = at_rest.map(|(_, f)| *f).collect();
    let long_enough = at_rest.len() as f64 >= REST_S * rate_hz(&trace.time_s)?;
    median_in_place(&mut at_rest).filter(|_| long_enough && !tests.is_empty())
}

/// The same where no test is known; a recording that is loaded most of the time counts from the sensor's own zero.
fn zero_n(force_n: &[f64]) -> f64 {
    let mut sorted: Vec<f64> = force_n.iter().copied().filter(|f| f.is_finite()).collect();
    sorted.sort_unstable_by(f64::total_cmp);
    let below = (sorted.len() as f64 * ZERO_SHARE) as usize;
    let shares = [Some(below), (sorted.len() - below).checked_sub(1)];
    let mut zeros = shares.into_iter().flatten().filter_map(|at| sorted.get(at).copied());
    zeros.find(|z| z.abs() <= LARGEST_ZERO_N).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::Channel;

    fn outside_tests(trace: &Trace, tests: &[Test], settings: &Settings, hidden: bool) -> Vec<Problem> {
        untold_problems(&untold_forces(trace, tests, settings), settings, hidden)
    }

    fn trace(forces: &[Vec<f64>]) -> Trace {
        let channel = |force_n: &Vec<f64>| Channel {
            side: None,
            force_n: force_n.clone(),
            displacement_mm: None,
            displacement_shared: false,
        };
        Trace {
            recording: "a.csv".to_owned(),
            time_s: (0..forces[0].len()).map(|i| i as f64 / 1000.0).collect(),
            channels: forces.iter().map(channel).collect(),
            marker: None,
            drive_deg: None,
            about: About {
                level: Some(Level::C5),
                ..About::default()
            },
            notes: Vec::new(),
        }
    }

    /// Two seconds at `rest`, with `force` from 1 s on for so many milliseconds.
    fn jab(rest: f64, force: f64, ms: usize) -> Vec<f64> {
        (0..2000).map(|i| if (1000..1000 + ms).contains(&i) { rest + force } else { rest }).collect()
    }

    #[test]
    fn a_jab_too_short_for_a_test_is_told_with_its_time_and_ceiling() {
        let problems = outside_tests(&trace(&[jab(2.0, 120.0, 30)]), &[], &Settings::default(), false);
        assert_eq!(problems.len(), 1, "{problems:?}");
        let found = &problems[0].found;
        assert!(found.contains("120 N over the neck 60") && found.contains("at 1.00 s"), "{found}");
        let hidden = outside_tests(&trace(&[jab(2.0, 120.0, 30)]), &[], &Settings::default(), true);
        assert!(!hidden[0].found.contains("120"), "{hidden:?}");
    }

    #[test]
    fn hands_are_summed_and_spikes_and_lower_forces_are_not_told() {
        let over = |forces: &[Vec<f64>]| outside_tests(&trace(forces), &[], &Settings::default(), false).len();
        assert_eq!(over(&[jab(0.0, 40.0, 200), jab(0.0, 35.0, 200)]), 1);
        assert_eq!(over(&[jab(0.0, 40.0, 200), jab(0.0, 15.0, 200)]), 0);
        // Two wrong samples are a spike.
        assert_eq!(over(&[jab(0.0, 400.0, 2)]), 0);
        // A sensor of inverted sign: the push is as hard.
        assert_eq!(over(&[jab(0.0, -120.0, 30)]), 1);
        assert_eq!(over(&[jab(0.0, -120.0, 1900)]), 1);
        assert_eq!(over(&[jab(0.0, -40.0, 200), jab(0.0, 35.0, 200)]), 1);
        // A pull beside a push is none.
        assert_eq!(over(&[[jab(0.0, -65.0, 200), jab(0.0, 70.0, 2)].concat()]), 1);
        assert_eq!(over(&[[jab(0.0, -50.0, 200), jab(0.0, 55.0, 200)].concat()]), 0);
        // A hand that never leaves counts from the sensor's own zero.
        assert_eq!(over(&[vec![70.0; 2000]]), 1);
    }
}
