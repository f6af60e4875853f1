//! The full analysis of a test that has ended, on a thread of its own: the next sample does not wait for it.

use super::ended_test::EndedTest;
use crate::fault::{ProgramFault, isolated};
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
    /// A fault of the program kept it from being analysed.
    pub fault: Option<ProgramFault>,
    /// From the release as the detector told it to this result.
    pub took: Duration,
}

/// The full chain on the kept samples of one test.
pub fn analyse(ended: &Arc<EndedTest>, settings: &Settings, since: Instant) -> AnalysedTest {
    let mut analysed = nothing_of(ended, since);
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

fn nothing_of(ended: &Arc<EndedTest>, since: Instant) -> AnalysedTest {
    AnalysedTest {
        ended: Arc::clone(ended),
        tests: Vec::new(),
        technique: Vec::new(),
        reason: None,
        fault: None,
        took: since.elapsed(),
    }
}

/// What is said of a test whose analysis a fault of the program ended.
fn faulty(ended: &Arc<EndedTest>, since: Instant, fault: ProgramFault) -> AnalysedTest {
    AnalysedTest {
        reason: Some(format!(
            "{fault} ended the analysis of this test; its recording holds it all, and the next test is analysed. Please \
             report this line."
        )),
        fault: Some(fault),
        ..nothing_of(ended, since)
    }
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

type AnalyseTest = dyn Fn(&Arc<EndedTest>, Instant) -> AnalysedTest + Send + Sync;

/// The thread.
pub struct BackgroundAnalysis {
    analyse: Arc<AnalyseTest>,
    jobs: Sender<(Arc<EndedTest>, Instant)>,
    done: Receiver<AnalysedTest>,
}

impl BackgroundAnalysis {
    /// Begins; it ends by itself when this is dropped.
    pub fn begin(settings: Settings) -> Self {
        Self::with(Arc::new(move |ended: &_, since| analyse(ended, &settings, since)))
    }

    /// The same with another analysis: for tests of what a fault in it does.
    pub fn with(analyse: Arc<AnalyseTest>) -> Self {
        let (jobs, to_do) = channel::<(Arc<EndedTest>, Instant)>();
        let (finished, done) = channel();
        let own = Arc::clone(&analyse);
        let work = move || {
            for (ended, since) in to_do {
                // A fault costs this test's analysis alone.
                let analysed = isolated(|| own(&ended, since));
                let analysed = analysed.unwrap_or_else(|fault| faulty(&ended, since, fault));
                if finished.send(analysed).is_err() {
                    break;
                }
            }
        };
        // Without a thread the provisional measures stay, and the recording is analysed later.
        let _ = std::thread::Builder::new().name("analyst".to_owned()).spawn(work);
        BackgroundAnalysis { analyse, jobs, done }
    }

    /// Hands a test over; a thread that is gone is started anew.
    pub fn hand(&mut self, ended: &Arc<EndedTest>) {
        let job = (Arc::clone(ended), Instant::now());
        if let Err(unsent) = self.jobs.send(job) {
            *self = Self::with(Arc::clone(&self.analyse));
            let _ = self.jobs.send(unsent.0);
        }
    }

    /// What is done.
    pub fn done(&self) -> Option<AnalysedTest> {
        self.done.try_recv().ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ended(number: u64) -> Arc<EndedTest> {
        Arc::new(EndedTest {
            number,
            of_examiner: 1,
            about: About::default(),
            begin_s: 0.0,
            end_s: 1.0,
            sides: Vec::new(),
            total_peak_n: 0.0,
            trace: None,
        })
    }

    #[test]
    fn a_fault_costs_one_test_and_is_named() {
        let settings = Settings::default();
        let mut analysis = BackgroundAnalysis::with(Arc::new(move |ended: &_, since| {
            let ended: &Arc<EndedTest> = ended;
            assert_ne!(ended.number, 1, "made to fail");
            analyse(ended, &settings, since)
        }));
        analysis.hand(&ended(1));
        analysis.hand(&ended(2));
        let done = || analysis.done.recv_timeout(Duration::from_secs(20)).unwrap();
        let first = done();
        assert!(first.fault.is_some() && first.reason.unwrap().contains("ended the analysis of this test"));
        let second = done();
        assert!(second.fault.is_none() && second.ended.number == 2);
    }
}
