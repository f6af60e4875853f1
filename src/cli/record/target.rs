//! The teacher's values beside the learner's.

use crate::batch::reference::reference_alone;
use crate::columns::Measure;
use crate::live::summary;
use crate::study::inputs::{Inputs, Study};
use crate::technique::reference::{Reference, Target};
use crate::trace::About;
use std::sync::mpsc::{Receiver, channel};

/// The study's reference, analysed beside the recording so that nobody waits for it.
pub struct Targets {
    coming: Receiver<Reference>,
    reference: Option<Reference>,
}

impl Targets {
    /// Begins.
    pub fn begin(inputs: Inputs, study: Study) -> Targets {
        let (sender, coming) = channel();
        // Without a thread there is no reference, and nothing else is lost.
        let _ = std::thread::Builder::new()
            .name("reference".to_owned())
            .spawn(move || {
                let _ = sender.send(reference_alone(&inputs, &study));
            });
        Targets {
            coming,
            reference: None,
        }
    }

    /// Whether it has just come.
    pub fn arrived(&mut self) -> bool {
        match self.coming.try_recv() {
            Ok(reference) => {
                self.reference = Some(reference).filter(|r| !r.is_empty());
                self.reference.is_some()
            }
            Err(_) => false,
        }
    }

    /// The values for a test of this kind, where there are any.
    pub fn at(&self, about: &About, hands: usize) -> Option<summary::Reference> {
        let reference = self.reference.as_ref()?;
        let (scope, tests) = reference.tests_at(about.level, about.contact, hands).ok()?;
        let mean = |measure| Target::of(measure, &tests).map(|t| t.mean);
        Some(summary::Reference {
            name: format!("{}, {}", reference.source, scope.word()),
            preload_n: mean(Measure::Preload),
            spring_peak_n: mean(Measure::SpringPeak),
            excursion_mm: mean(Measure::Excursion),
            spring_rate_hz: mean(Measure::SpringRate),
        })
    }
}
