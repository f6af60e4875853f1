//! The teacher's values beside the learner's.

use crate::batch::reference::reference_alone;
use crate::columns::Measure;
use crate::fault::{ProgramFault, isolated};
use crate::live::summary::ReferenceValues;
use crate::study::inputs::{Inputs, Study};
use crate::technique::reference::{Reference, Target};
use crate::trace::About;
use std::sync::mpsc::{Receiver, channel};

/// The study's reference, analysed beside the recording so that nobody waits for it.
pub struct ReferenceLoader {
    results: Receiver<Result<Reference, ProgramFault>>,
    reference: Option<Reference>,
    fault: Option<ProgramFault>,
}

impl ReferenceLoader {
    /// Starts the analysis.
    pub fn start(inputs: Inputs, study: Study) -> ReferenceLoader {
        let (sender, results) = channel();
        // Without a thread there is no reference, and nothing else is lost.
        let _ = std::thread::Builder::new()
            .name("reference".to_owned())
            .spawn(move || {
                let _ = sender.send(isolated(|| reference_alone(&inputs, &study)));
            });
        ReferenceLoader {
            results,
            reference: None,
            fault: None,
        }
    }

    /// Whether it has just arrived.
    pub fn has_arrived(&mut self) -> bool {
        match self.results.try_recv() {
            Ok(Ok(reference)) => self.reference = Some(reference).filter(|r| !r.is_empty()),
            Ok(Err(fault)) => self.fault = Some(fault),
            Err(_) => return false,
        }
        self.reference.is_some()
    }

    /// The fault of the program that kept it from arriving, once.
    pub fn take_fault(&mut self) -> Option<ProgramFault> {
        self.fault.take()
    }

    /// The values for a test of this kind, where there are any.
    pub fn values_for(&self, about: &About, hands: usize) -> Option<ReferenceValues> {
        let reference = self.reference.as_ref()?;
        let (scope, tests) = reference.tests_at(about.level, about.contact, hands).ok()?;
        let mean = |measure| Target::of(measure, &tests).map(|t| t.mean);
        Some(ReferenceValues {
            name: format!("{}, {}", reference.source, scope.word()),
            preload_n: mean(Measure::Preload),
            spring_peak_n: mean(Measure::SpringPeak),
            excursion_mm: mean(Measure::Excursion),
            spring_rate_hz: mean(Measure::SpringRate),
        })
    }
}
