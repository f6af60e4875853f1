//! The curves of tests, which results do without: thin ones for figures out of the records of a run, whole ones out of the
//! recordings.

use super::records::{RecordKey, Records};
use super::{Job, Loaded, RecordingOutcome, parallel_map};
use crate::error::{Error, Result};
use crate::results::{InputRecord, Results};
use crate::study::inputs::InputFile;
use crate::trace::{ConditionedSignals, Test};
use std::collections::HashMap;
use std::ops::Range;

/// Recordings whose whole curves are held at once.
const AT_ONCE: usize = 64;

/// Where the curves of each recording are.
pub struct SavedCurves<'s> {
    job: &'s Job,
    places: HashMap<String, Place<'s>>,
}

struct Place<'s> {
    records: &'s Records,
    key: RecordKey,
    /// What was read when it was analysed.
    input: InputRecord,
    sidecar: Option<InputRecord>,
}

impl<'s> SavedCurves<'s> {
    pub(crate) fn of(
        job: &'s Job,
        records: impl Iterator<Item = (&'s Records, RecordKey)>,
        outcomes: &[RecordingOutcome],
    ) -> SavedCurves<'s> {
        let place = |((records, key), o): ((&'s Records, RecordKey), &RecordingOutcome)| {
            let place = Place {
                records,
                key,
                input: o.input.clone(),
                sidecar: o.sidecar.clone(),
            };
            (o.input.file.clone(), place)
        };
        SavedCurves {
            job,
            places: records.zip(outcomes).map(place).collect(),
        }
    }

    /// Puts the thin curves back into these tests: their places in the results, in rising order.
    ///
    /// # Errors
    /// [`Error::Io`], [`Error::Refused`] when a record cannot be read.
    pub fn restore(&self, results: &mut Results, needed: &[usize]) -> Result<()> {
        let mut needed = needed.iter().copied().peekable();
        for tests in by_recording(&results.tests) {
            if needed.peek().is_none_or(|i| *i >= tests.end) {
                continue;
            }
            let Some(place) = self.places.get(&results.tests[tests.start].recording) else {
                continue;
            };
            let curves = place.records.curves(&place.key)?;
            while let Some(i) = needed.next_if(|i| *i < tests.end) {
                if let (Some(test), Some(curve)) = (results.tests.get_mut(i), curves.get(i - tests.start)) {
                    test.curve = curve.clone();
                    results.reference.draw(test);
                }
            }
        }
        Ok(())
    }

    /// Makes something of each test that nothing hides and its conditioned signals, on all cores, and takes it in the order
    /// of the results.
    ///
    /// # Errors
    /// [`Error::Refused`] when a recording is no longer what was analysed; those of `make` and `take`.
    pub fn whole<T: Send>(
        &self,
        results: &Results,
        make: &(dyn Fn(&Test, &ConditionedSignals) -> Result<T> + Sync),
        take: &mut dyn FnMut(&Test, T) -> Result<()>,
    ) -> Result<()> {
        let files: HashMap<&str, &InputFile> =
            self.job.inputs.files.iter().map(|f| (f.recording.as_str(), f)).collect();
        let told = |tests: &Range<usize>| results.tests[tests.clone()].iter().any(|t| !results.hides(t));
        let recordings: Vec<Range<usize>> = by_recording(&results.tests).into_iter().filter(told).collect();
        for some in recordings.chunks(AT_ONCE) {
            let made = parallel_map(some, Vec::new, |buffer, tests| -> Result<Vec<(&Test, T)>> {
                let tests = &results.tests[tests.clone()];
                let signals = self.signals(files.get(tests[0].recording.as_str()).copied(), tests, buffer)?;
                let shown = tests.iter().zip(&signals).filter(|(test, _)| !results.hides(test));
                shown.map(|(test, signals)| Ok((test, make(test, signals)?))).collect()
            });
            for of_recording in made {
                for (test, made) in of_recording? {
                    take(test, made)?;
                }
            }
        }
        Ok(())
    }

    /// The signals of a recording's tests; there are as many as tests.
    fn signals(
        &self,
        file: Option<&InputFile>,
        tests: &[Test],
        buffer: &mut Vec<u8>,
    ) -> Result<Vec<ConditionedSignals>> {
        let recording = &tests[0].recording;
        let changed = || Error::Refused {
            found: format!("{recording} is not what it was when it was analysed"),
            advice: "leave recordings and sidecars as they are while they are analysed; run again".to_owned(),
        };
        let (Some(file), Some(place)) = (file, self.places.get(recording)) else {
            return Err(changed());
        };
        let loaded = Loaded::read(file, buffer);
        if (&loaded.sha256, &loaded.sidecar_input) != (&place.input.sha256, &place.sidecar) {
            return Err(changed());
        }
        let signals = self.job.signals(loaded, None)?;
        match signals.len() == tests.len() {
            true => Ok(signals),
            false => Err(changed()),
        }
    }
}

/// The tests of each recording, which stand together.
fn by_recording(tests: &[Test]) -> Vec<Range<usize>> {
    let mut begin = 0;
    let runs = tests.chunk_by(|a, b| a.recording == b.recording);
    let range = |run: &[Test]| {
        let range = begin..begin + run.len();
        begin = range.end;
        range
    };
    runs.map(range).collect()
}
