//! Forces over the ceiling that no test holds: a jab too short for a test, the other hand, a recording that was left out
//! (METHODS.md §9.3).

use crate::error::Problem;
use crate::format::{counted, duration, moment, number};
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

impl ForceOver {
    /// How long it lasted.
    pub fn duration_s(&self) -> f64 {
        self.end_s - self.begin_s
    }
}

/// The sum of all hands, row by row, each channel's zero off.
struct TotalForce {
    /// Lone samples taken out.
    pushed_n: Vec<f64>,
    /// As recorded.
    raw_n: Vec<f64>,
}

impl TotalForce {
    /// A channel without a value counts as nothing there: what the others show is still told. One of inverted sign counts by its
    /// size.
    fn new(trace: &Trace, tests: &[Test]) -> TotalForce {
        // Without a rate a sample that stands alone is told by its neighbours, as at low rates.
        let rate_hz = rate_hz(&trace.time_s).unwrap_or_default();
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
        total
    }
}

/// A force over a ceiling that no test tells of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct UntoldForce {
    pub recording: String,
    /// The test that it lies beside: its span overlaps, and its measures do not hold the force.
    pub beside: Option<u32>,
    /// Of that test, else of the recording.
    pub about: About,
    /// Where it may have been pressed: the ceiling is the lowest of theirs. Empty when that is not known.
    pub levels: Vec<Level>,
    pub over: ForceOver,
}

impl UntoldForce {
    /// The ceiling that it is over.
    pub fn ceiling(&self, settings: &Settings) -> Ceiling {
        settings.ceiling_at(self.levels.iter().copied())
    }

    /// How long and where in the recording.
    pub fn place(&self) -> String {
        let place = match self.beside {
            Some(test) => format!("beside what test {test} measures"),
            None => "outside every test".to_owned(),
        };
        let ForceOver { begin_s, .. } = self.over;
        format!("at {} for {}, {place}", moment(begin_s), duration(self.over.duration_s()))
    }
}

/// Where the hand may have been in a stretch that lies in no test; empty when that is not known. `planned` are the levels
/// of the plan that the recording follows.
fn levels_in_question(trace: &Trace, tests: &[Test], planned: &[Level]) -> Vec<Level> {
    let own: Vec<Level> = trace.about.levels().collect();
    if !own.is_empty() {
        return own;
    }
    // Who made one test where nobody knows may have been there before and after it.
    if tests.iter().any(|t| t.about.levels().next().is_none()) {
        return Vec::new();
    }
    let of_tests = tests.iter().flat_map(|t| t.about.levels());
    sorted(of_tests.chain(planned.iter().copied()))
}

fn sorted(levels: impl Iterator<Item = Level>) -> Vec<Level> {
    let mut levels: Vec<Level> = levels.collect();
    levels.sort_unstable();
    levels.dedup();
    levels
}

/// Which ceiling holds when: within a test that test's, elsewhere the lowest of where the hand may have been.
struct Limits<'a> {
    spans: Vec<(&'a Test, f64)>,
    elsewhere: Vec<Level>,
    elsewhere_n: f64,
}

impl<'a> Limits<'a> {
    fn of(trace: &Trace, tests: &'a [Test], planned: &[Level], settings: &Settings) -> Limits<'a> {
        let elsewhere = levels_in_question(trace, tests, planned);
        Limits {
            elsewhere_n: settings.ceiling_at(elsewhere.iter().copied()).newtons,
            elsewhere,
            spans: tests.iter().map(|t| (t, settings.ceiling_at(t.about.levels()).newtons)).collect(),
        }
    }

    fn tests_at(&self, time_s: f64) -> impl Iterator<Item = &(&'a Test, f64)> {
        self.spans.iter().filter(move |(t, _)| {
            t.phases.contact_begin_s <= time_s && time_s <= t.phases.contact_end_s
        })
    }

    fn at(&self, time_s: f64) -> f64 {
        let here = self.tests_at(time_s).map(|(_, newtons)| *newtons);
        here.reduce(f64::min).unwrap_or(self.elsewhere_n)
    }

    fn ceiling_at(&self, time_s: f64, settings: &Settings) -> Ceiling {
        match self.tests_at(time_s).next() {
            Some(_) => settings.ceiling_at(self.tests_at(time_s).flat_map(|(t, _)| t.about.levels())),
            None => settings.ceiling_at(self.elsewhere.iter().copied()),
        }
    }

    fn lowest(&self) -> f64 {
        self.spans.iter().map(|(_, n)| *n).fold(self.elsewhere_n, f64::min)
    }
}

/// Every force over the ceiling; `planned` are the levels of the plan that the recording follows.
pub(super) fn forces_over(trace: &Trace, tests: &[Test], planned: &[Level], settings: &Settings) -> Vec<UntoldForce> {
    let limits = Limits::of(trace, tests, planned, settings);
    let lowest_n = limits.lowest();
    let mut passages: Vec<(ForceOver, f64)> = Vec::new();
    for (&time_s, force_n) in trace.time_s.iter().zip(TotalForce::new(trace, tests).pushed_n) {
        if force_n <= lowest_n {
            continue;
        }
        let limit_n = limits.at(time_s);
        if force_n <= limit_n {
            continue;
        }
        match passages.last_mut() {
            Some((last, same_n)) if *same_n == limit_n && time_s - last.end_s <= JOINED_S => {
                last.end_s = time_s;
                last.peak_n = last.peak_n.max(force_n);
            }
            _ => {
                let over = ForceOver {
                    begin_s: time_s,
                    end_s: time_s,
                    peak_n: force_n,
                };
                passages.push((over, limit_n));
            }
        }
    }
    passages.into_iter().map(|(over, _)| untold(trace, tests, &limits.elsewhere, over)).collect()
}

/// Those that have no finding because no test holds them.
pub fn untold_forces(trace: &Trace, tests: &[Test], planned: &[Level], settings: &Settings) -> Vec<UntoldForce> {
    let mut forces = forces_over(trace, tests, planned, settings);
    forces.retain(|force| !tests.iter().any(|t| holds(t, &force.over) && tells(t, &force.over)));
    forces
}

/// A warning where single samples over the ceiling were taken for spikes of the sensor: the samples beside them show nothing of a
/// push.
pub fn lone_samples_problem(
    trace: &Trace,
    tests: &[Test],
    planned: &[Level],
    settings: &Settings,
    hidden: bool,
) -> Option<Problem> {
    let limits = Limits::of(trace, tests, planned, settings);
    let lowest_n = limits.lowest();
    let total = TotalForce::new(trace, tests);
    let rows = trace.time_s.iter().zip(total.raw_n.iter().zip(&total.pushed_n));
    let lone = rows.filter(|(time_s, (raw, pushed))| {
        if **raw <= lowest_n {
            return false;
        }
        let limit_n = limits.at(**time_s);
        **raw > limit_n && **pushed <= limit_n && **raw - **pushed > LONE_SHARE * limit_n
    });
    let count = lone.clone().count();
    let (time_s, (most_n, _)) = lone.max_by(|a, b| a.1.0.total_cmp(b.1.0))?;
    let newtons = match hidden {
        true => String::new(),
        false => format!(" of {} N", number(*most_n, 0)),
    };
    let ceiling = limits.ceiling_at(*time_s, settings);
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

fn untold(trace: &Trace, tests: &[Test], elsewhere: &[Level], over: ForceOver) -> UntoldForce {
    let beside: Vec<&Test> = tests.iter().filter(|t| holds(t, &over)).collect();
    let first = beside.first().copied();
    let mut about = first.or(tests.first()).map_or(&trace.about, |t| &t.about).clone();
    about.level = first.map_or(trace.about.level, |t| t.about.level);
    if trace.channels.len() > 1 {
        about.side = None;
    }
    UntoldForce {
        recording: trace.recording.clone(),
        beside: first.map(|t| t.test),
        about,
        levels: match first {
            Some(_) => sorted(beside.iter().flat_map(|t| t.about.levels())),
            None => elsewhere.to_vec(),
        },
        over,
    }
}

/// A warning for each. A blind study is told of it without the force.
pub fn untold_problems(untold: &[UntoldForce], settings: &Settings, hidden: bool) -> Vec<Problem> {
    let more = untold.len().saturating_sub(LISTED);
    let mut hardest: Vec<&UntoldForce> = untold.iter().collect();
    hardest.sort_by(|a, b| b.over.peak_n.total_cmp(&a.over.peak_n));
    let mut problems: Vec<Problem> = hardest
        .into_iter()
        .take(LISTED)
        .map(|force| problem(force, settings, hidden))
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

/// Whether a test's own peak tells of it: it is as good as the same force, and the test is judged by it.
fn tells(test: &Test, over: &ForceOver) -> bool {
    over.peak_n <= test.total_peak_n * (1.0 + SAME_SHARE) + SAME_N
}

fn problem(force: &UntoldForce, settings: &Settings, hidden: bool) -> Problem {
    let newtons = match hidden {
        true => "a force".to_owned(),
        false => format!("{} N", number(force.over.peak_n, 0)),
    };
    Problem::warning(
        &force.recording,
        format!("{newtons} {}, {}", force.ceiling(settings).over_words(), force.place()),
        "no force over the ceiling at any time, all hands together",
        "find out what pressed; stop at once on request or pain. A check with a known weight has known_weight_n in its sidecar",
    )
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
        untold_problems(&untold_forces(trace, tests, &[], settings), settings, hidden)
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
        assert!(
            found.contains("120 N over the neck ceiling of 60 N") && found.contains("at 1.00 s for 29 ms"),
            "{found}"
        );
        let hidden = outside_tests(&trace(&[jab(2.0, 120.0, 30)]), &[], &Settings::default(), true);
        assert!(!hidden[0].found.contains("120"), "{hidden:?}");
    }

    /// A test at `level` from one time to another, of that peak.
    fn held(test: u32, level: Level, [begin_s, end_s]: [f64; 2], peak_n: f64) -> Test {
        let mut held = Test {
            test,
            total_peak_n: peak_n,
            ..Test::default()
        };
        held.about.level = Some(level);
        held.phases.contact_begin_s = begin_s;
        held.phases.contact_end_s = end_s;
        held
    }

    #[test]
    fn a_test_tells_of_no_force_but_its_own_and_under_its_own_ceiling() {
        let settings = Settings::default();
        let mut of_plan = trace(&[[jab(0.0, 100.0, 0), jab(0.0, 190.0, 100), jab(0.0, 90.0, 100)].concat()]);
        of_plan.about.level = None;
        let told = |tests: &[Test]| -> Vec<(f64, Option<u32>, f64)> {
            let untold = untold_forces(&of_plan, tests, &[], &settings);
            untold.iter().map(|u| (u.over.peak_n, u.beside, u.ceiling(&settings).newtons)).collect()
        };
        // The lumbar test of 100 N is over the neck's ceiling, under which it was not made; the jab of 190 N beside it is over its own.
        let lumbar = held(1, Level::L3, [2.5, 3.5], 100.0);
        let neck = held(2, Level::C5, [0.1, 0.4], 40.0);
        let both = told(&[lumbar.clone(), neck.clone()]);
        assert_eq!(both, [(190.0, Some(1), 175.0), (90.0, None, 60.0)]);
        // A test over its ceiling tells of its own force, and not of a harder one beside it.
        assert_eq!(told(&[held(1, Level::L3, [2.5, 3.5], 178.0), neck.clone()]), both);
        assert_eq!(told(&[held(1, Level::L3, [2.5, 3.5], 189.0), neck]), both[1..]);
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
