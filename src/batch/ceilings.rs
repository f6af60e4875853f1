//! Recordings that give no result, held against the ceilings all the same.

use super::{Job, naming};
use crate::read::{ReadTrace, RecordingContent};
use crate::error::{Error, Problem};
use crate::fault::isolated;
use crate::read::forces::{ReadForces, read_forces};
use crate::read::recording::RecordingSource;
use crate::results::{LookedAt, NotLookedAt};
use crate::settings::Settings;
use crate::signal::sensors::tared;
use crate::technique::{UntoldForce, untold_forces};
use crate::terms::Level;
use crate::trace::{About, Note, Test, Trace};

/// A push may come and go in this time, in s.
const MISSED_S: f64 = 0.1;
/// A weight that is put down swings the sensor to no more than so many times its own force.
const WEIGHT_TIMES: f64 = 1.5;
/// So far above the lowest tenth of its readings a sensor has a hand on it.
const LOADED_N: f64 = 10.0;

/// That some of a recording's force was held against no ceiling.
pub(super) fn not_looked_at(recording: &str, about: &About, looked_at: LookedAt, why: &str) -> NotLookedAt {
    NotLookedAt {
        recording: recording.to_owned(),
        subject: about.subject.clone(),
        examiner: about.examiner.clone(),
        session: about.session.clone(),
        looked_at,
        why: why.to_owned(),
    }
}

/// Why the forces of a recording that was analysed may not be all that was pressed: nothing of that was held against a ceiling.
pub(super) fn unseen(read: &ReadTrace, tests: &[Test], lone_samples: bool) -> Option<NotLookedAt> {
    let trace = &read.trace;
    let mut why = read.unseen_force.clone();
    let stuck = trace.channels.iter().filter(|c| stands_still(&c.force_n)).count();
    if stuck > 0 {
        why.push("exactly the same force in every sample: the sensor was dead".to_owned());
    }
    if trace.channels.iter().any(|c| missing_beside_load(&trace.time_s, &c.force_n)) {
        why.push("force is missing beside a push".to_owned());
    }
    let noted = |of: fn(&Note) -> bool| tests.iter().flat_map(|t| &t.notes).any(of);
    if noted(|n| matches!(n, Note::Saturated { .. } | Note::MatCellsAtFullScale)) {
        why.push("the sensor stood at its limit".to_owned());
    }
    if (0..trace.channels.len()).any(|k| tared(trace, k).is_some()) {
        why.push("the sensor was zeroed while the hand pressed".to_owned());
    }
    if noted(|n| matches!(n, Note::ZeroTakenOff { .. })) {
        why.push("the zero that was taken off may have been a load".to_owned());
    }
    if lone_samples {
        why.push("single samples over a ceiling were taken for spikes".to_owned());
    }
    let looked_at = match stuck == trace.channels.len() {
        true => LookedAt::Nothing,
        false => LookedAt::Part,
    };
    (!why.is_empty()).then(|| not_looked_at(&trace.recording, &trace.about, looked_at, &why.join("; ")))
}

/// Forces over a ceiling in a check with a known weight that the weight cannot have made: somebody pressed beside it.
pub(super) fn beside_weight(trace: &Trace, weight_n: f64, settings: &Settings) -> Vec<UntoldForce> {
    let mut untold = untold_forces(trace, &[], &[], settings);
    untold.retain(|force| force.over.peak_n > WEIGHT_TIMES * weight_n);
    untold
}

fn stands_still(force_n: &[f64]) -> bool {
    let mut known = force_n.iter().filter(|n| !n.is_nan());
    known.next().is_none_or(|first| known.all(|n| n == first))
}

/// Whether readings are missing for longer than a push may take to pass, next to a force that is not that of a hand off.
fn missing_beside_load(time_s: &[f64], force_n: &[f64]) -> bool {
    let mut known: Vec<f64> = force_n.iter().copied().filter(|n| n.is_finite()).collect();
    if known.is_empty() {
        return false;
    }
    let tenth = known.len() / 10;
    let off_n = *known.select_nth_unstable_by(tenth, f64::total_cmp).1;
    let rows = time_s.iter().zip(force_n).filter(|(_, n)| n.is_finite());
    rows.clone().zip(rows.skip(1)).any(|((from_s, before), (to_s, after))| {
        to_s - from_s > MISSED_S && (before - off_n).max(after - off_n) > LOADED_N
    })
}

/// Looks at what can be read of the force of a recording that is refused, and says what could not be looked at. A check with a
/// known weight is no push.
pub(super) fn look_at_refused(
    job: &Job,
    source: &RecordingSource<'_>,
    content: Option<RecordingContent<'_>>,
) -> (Vec<UntoldForce>, Option<NotLookedAt>) {
    let sidecar = source.sidecar;
    if sidecar.known_weight_n.is_some() {
        return (Vec::new(), None);
    }
    let about = job.about(sidecar);
    let lacks = |looked_at, why: &str| Some(not_looked_at(source.recording, &about, looked_at, why));
    let Some(content) = content else {
        return (Vec::new(), lacks(LookedAt::Nothing, "it cannot be read"));
    };
    let read = isolated(|| read_forces(source, &about, content)).unwrap_or_else(|fault| {
        let problem: Problem = fault.problem(source.recording);
        Err(problem.into())
    });
    match read {
        Ok(read) => {
            let (untold, why) = look_at(job, source, read);
            let gap = (!why.is_empty()).then(|| lacks(LookedAt::Part, &why.join("; ")));
            (untold, gap.flatten())
        }
        Err(error) => (Vec::new(), lacks(LookedAt::Nothing, &reason(error, source.recording))),
    }
}

/// Keeps what is over a ceiling; gives why that may not be all.
fn look_at(job: &Job, source: &RecordingSource<'_>, read: ReadForces) -> (Vec<UntoldForce>, Vec<String>) {
    let mut untold = Vec::new();
    let mut why: Vec<String> = read.lacks.into_iter().collect();
    let planned = planned(job, source);
    for trace in &read.traces {
        untold.extend(untold_forces(trace, &[], &planned, &job.settings));
    }
    if source.sidecar.forces_unsure {
        why.push("its sidecar does not say how its force is to be read".to_owned());
    }
    // A number that no hand gives is no force of a push, and hides what was one.
    let before = untold.len();
    untold.retain(|force: &UntoldForce| force.over.peak_n <= job.settings.plausible.force_n);
    if untold.len() < before {
        why.push("a force that no hand gives".to_owned());
    }
    (untold, why)
}

/// Levels of the plan that the recording says it follows.
fn planned(job: &Job, source: &RecordingSource<'_>) -> Vec<Level> {
    let named = source.sidecar.plan.as_deref().and_then(|name| job.study.plan(name));
    let given = || job.plan.clone().filter(|_| source.sidecar.plan.is_none());
    named.or_else(given).map_or_else(Vec::new, |plan| naming::levels_of(&plan))
}

fn reason(error: Error, recording: &str) -> String {
    naming::problem_of(error, recording).found
}
