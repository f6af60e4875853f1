//! The life of one recording: begun, cut, finished, closed.

use super::super::FOLDER;
use super::super::open_recording::{OpenRecording, RecordingEnd, RecordingFacts};
use super::{CurrentRecording, Recorder, State};
use crate::acquire::recorder::plan_cursor::PlanCursor;
use crate::study::words::list;
use std::time::Instant;

impl Recorder {
    /// The device went away.
    pub fn gone(&mut self, why: &str, now: Instant) {
        self.cut(why, now);
        self.station = None;
        self.touching = false;
        self.say(format!(
            "{why}; when it is there again, the step goes on in a new recording"
        ));
    }

    /// Closes what is open because it was interrupted.
    pub fn cut(&mut self, why: &str, now: Instant) {
        self.finish_closing(now);
        if let Some(current) = self.open.take() {
            self.tests_before = current.tests_before + current.recording.tests.unwrap_or(0);
            self.finish(current, &RecordingEnd::Cut(why.to_owned()), now);
        }
    }

    /// The next recording, which begins with the next sample.
    pub(super) fn begin(&mut self) {
        if self.state == State::Ended {
            return;
        }
        self.state = State::Recording;
        let Some(station) = &self.station else { return };
        let facts = RecordingFacts {
            about: self.about(),
            plan: self.request.plan.as_ref().map(|p| p.name.clone()),
            cautions: self.request.cautions,
            gains: self.study.gains.clone(),
        };
        let tests = self.request.tests_are_seen.then_some(0);
        // The columns were settled when the station connected.
        if let Ok(recording) = OpenRecording::new(facts, station, self.counts, tests) {
            self.open = Some(CurrentRecording {
                recording,
                stop: self.cursor.as_ref().and_then(PlanCursor::at),
                tests_before: std::mem::take(&mut self.tests_before),
            });
        }
    }

    /// Closes a recording and remembers it.
    pub(super) fn finish(&mut self, mut current: CurrentRecording, ending: &RecordingEnd, now: Instant) {
        // Its name is looked at a last time: what is said to be kept is there.
        let placed = self.keep_in_place(&mut current, true, now);
        let CurrentRecording {
            recording,
            stop,
            tests_before,
        } = current;
        let (tests, length_s) = (recording.tests, recording.length_s());
        let about = recording.about().clone();
        let begun = about.recorded_at.is_some();
        self.remember_turns(&recording);
        let root = (!self.request.practice).then_some(self.root.as_path());
        let closed = placed.and_then(|()| recording.close(ending, root, self.disk.as_ref(), now));
        match closed {
            Ok(Some(name)) => {
                self.kept += 1;
                let how = match ending {
                    RecordingEnd::Cut(_) => ", cut off",
                    RecordingEnd::Skipped => ", left out",
                    RecordingEnd::Complete => "",
                };
                self.say(format!("kept {FOLDER}/{name}: {length_s:.1} s{how}"));
            }
            Ok(None) => {}
            Err(error) => self.fail(error.to_string(), now),
        }
        if !begun {
            return;
        }
        let none_seen = tests.is_some_and(|tests| tests + tests_before == 0);
        self.prior
            .add(&about, *ending == RecordingEnd::Complete && !none_seen);
        if *ending == RecordingEnd::Complete && none_seen {
            let stop = stop.and_then(|i| {
                let cursor = self.cursor.as_mut()?;
                cursor.not_done(i);
                cursor.stop_at(i).map(|s| s.label())
            });
            if let Some(stop) = stop {
                self.say(format!("no test was seen in {stop}: it stays missing"));
            }
        }
    }

    /// Ends the session in order.
    pub fn close(&mut self, now: Instant) {
        if self.state == State::Ended {
            return;
        }
        self.finish_closing(now);
        if let Some(current) = self.open.take() {
            let tested = current.tests_before + current.recording.tests.unwrap_or(1) > 0;
            if let Some(cursor) = self
                .cursor
                .as_mut()
                .filter(|_| tested && current.recording.length_s() > 0.0)
            {
                cursor.done();
            }
            self.finish(current, &RecordingEnd::Complete, now);
        }
        let missing = self.missing();
        if self.state != State::AtEnd && !missing.is_empty() {
            self.say(format!("missing: {}", list(&missing)));
        }
        self.state = State::Ended;
    }

    /// Ends the session because something cannot be written or recorded.
    pub fn fail(&mut self, why: String, now: Instant) {
        if self.failed.is_none() {
            self.say(why.clone());
            self.failed = Some(why.clone());
        }
        self.state = State::Ended;
        let root = (!self.request.practice).then_some(self.root.as_path());
        let closing = self.closing.take().map(|c| c.current);
        for current in closing.into_iter().chain(self.open.take()) {
            let kept = current.recording.name().is_some();
            // The failure has been reported already; whatever could still be written was.
            let _ = current
                .recording
                .close(&RecordingEnd::Cut(why.clone()), root, self.disk.as_ref(), now);
            self.kept += usize::from(kept);
        }
    }
}

impl Drop for Recorder {
    /// A panic elsewhere still closes what is open.
    fn drop(&mut self) {
        self.close(Instant::now());
    }
}
