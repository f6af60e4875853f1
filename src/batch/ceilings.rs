//! Recordings that give no result, held against the ceilings all the same.

use super::{Job, naming};
use crate::error::{Error, Problem};
use crate::fault::isolated;
use crate::read::forces::{ReadForces, read_forces};
use crate::read::recording::RecordingSource;
use crate::results::{LookedAt, NotLookedAt};
use crate::technique::{UntoldForce, untold_forces};
use crate::terms::Level;
use crate::trace::{About, Channel, Trace};

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

/// That a channel of force is dead: whatever it should have shown was held against nothing.
pub(super) fn dead(trace: &Trace) -> Option<NotLookedAt> {
    let dead = |channel: &&Channel| channel.force_n.iter().all(|n| *n == 0.0 || n.is_nan());
    let looked_at = match trace.channels.iter().filter(dead).count() {
        0 => return None,
        n if n == trace.channels.len() => LookedAt::Nothing,
        _ => LookedAt::Part,
    };
    let why = "exactly 0 N in every sample: the sensor was dead";
    Some(not_looked_at(&trace.recording, &trace.about, looked_at, why))
}

/// Looks at what can be read of the force of a recording that is refused, and says what could not be looked at. A check with a
/// known weight is no push.
pub(super) fn look_at_refused(
    job: &Job,
    source: &RecordingSource<'_>,
    bytes: Option<&[u8]>,
) -> (Vec<UntoldForce>, Option<NotLookedAt>) {
    let sidecar = source.sidecar;
    if sidecar.known_weight_n.is_some() {
        return (Vec::new(), None);
    }
    let about = job.about(sidecar);
    let lacks = |looked_at, why: &str| Some(not_looked_at(source.recording, &about, looked_at, why));
    let Some(bytes) = bytes else {
        return (Vec::new(), lacks(LookedAt::Nothing, "it cannot be read"));
    };
    let read = isolated(|| read_forces(source, &about, bytes)).unwrap_or_else(|fault| {
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
