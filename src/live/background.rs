//! The full analysis of a test that has ended, on a thread of its own: the next sample does not wait for it.

use super::ended_test::EndedTest;
use crate::settings::Settings;
use crate::signal::{find_tests, measure};
use crate::technique::{TechniqueFinding, technique_findings};
use crate::trace::{About, Test};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::{Duration, Instant};

/// What the full analysis says of a test; it replaces the provisional measures.
#[derive(Debug, Clone)]
pub struct AnalysedTest {
    pub ended: Arc<EndedTest>,
    /// One a side, left before right; empty when the samples could not be analysed, and `reason` says why.
    pub tests: Vec<Test>,
    pub technique: Vec<TechniqueFinding>,
    pub reason: Option<String>,
    /// From the release as the detector told it to this result.
    pub took: Duration,
}

/// The full chain on the kept samples of one test.
pub fn analyse(ended: &Arc<EndedTest>, settings: &Settings, since: Instant) -> AnalysedTest {
    let mut analysed = AnalysedTest {
        ended: Arc::clone(ended),
        tests: Vec::new(),
        technique: Vec::new(),
        reason: None,
        took: Duration::ZERO,
    };
    match &ended.trace {
        None => {
            analysed.reason =
                Some("The touch was too long to be analysed at once; its recording holds it all.".to_owned());
        }
        Some(trace) => {
            let about = |side| About {
                side: ended.about.side.filter(|_| trace.channels.len() == 1).or(side),
                ..ended.about.clone()
            };
            match find_tests(trace, settings) {
                Ok(found) => analysed.tests = meant(measure(&found, found.names(about)), ended),
                Err(error) => analysed.reason = Some(error.to_string()),
            }
        }
    }
    analysed.technique = technique_findings(&analysed.tests, &[], settings);
    analysed.took = since.elapsed();
    analysed
}

/// The episode of the kept samples that is the test, of all that they may hold.
fn meant(tests: Vec<Test>, ended: &EndedTest) -> Vec<Test> {
    let off = |t: &Test| (t.phases.contact_begin_s - ended.begin_s).abs();
    let nearest = tests.iter().min_by(|a, b| off(a).total_cmp(&off(b)));
    let Some(number) = nearest.map(|t| t.test) else {
        return tests;
    };
    tests.into_iter().filter(|t| t.test == number).collect()
}

/// The thread.
pub struct BackgroundAnalysis {
    jobs: Sender<(Arc<EndedTest>, Instant)>,
    done: Receiver<AnalysedTest>,
}

impl BackgroundAnalysis {
    /// Begins; it ends by itself when this is dropped.
    pub fn begin(settings: Settings) -> Self {
        let (jobs, to_do) = channel::<(Arc<EndedTest>, Instant)>();
        let (finished, done) = channel();
        let work = move || {
            for (ended, since) in to_do {
                if finished.send(analyse(&ended, &settings, since)).is_err() {
                    break;
                }
            }
        };
        // Without a thread the provisional measures stay, and the recording is analysed later.
        let _ = std::thread::Builder::new().name("analyst".to_owned()).spawn(work);
        BackgroundAnalysis { jobs, done }
    }

    /// Hands a test over.
    pub fn hand(&self, ended: &Arc<EndedTest>) {
        let _ = self.jobs.send((Arc::clone(ended), Instant::now()));
    }

    /// What is done.
    pub fn done(&self) -> Option<AnalysedTest> {
        self.done.try_recv().ok()
    }
}
