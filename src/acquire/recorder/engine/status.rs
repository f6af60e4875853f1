//! Where the scan stands, and what the next recording is of.

use super::{Recorder, State};
use crate::acquire::control::SessionState;
use crate::acquire::recorder::plan_cursor::PlanCursor;
use crate::acquire::recorder::request::RecordingRequest;
use crate::acquire::station::Station;
use crate::trace::About;

impl Recorder {
    /// What it was asked to record, of the learner who presses now.
    pub fn request(&self) -> &RecordingRequest {
        &self.request
    }

    /// The device that is connected.
    pub fn station(&self) -> Option<&Station> {
        self.station.as_ref()
    }

    /// What samples coming now are of: of the step before, as long as its recording waits for the hands to leave.
    pub fn pressed_of(&self) -> About {
        match &self.closing {
            Some(closing) => closing.current.recording.about().clone(),
            None => self.about(),
        }
    }

    /// What a recording beginning now is of.
    pub(super) fn about(&self) -> About {
        let r = &self.request;
        let mut about = About {
            subject: r.subject.clone(),
            examiner: r.examiner.clone(),
            session: Some(r.session.clone()),
            feedback: Some(r.feedback),
            level: r.level,
            side: r.side,
            contact: r.contact,
            ..About::default()
        };
        if let Some(stop) = self.cursor.as_ref().and_then(PlanCursor::stop) {
            let step = stop.step.clone();
            about.level = Some(step.level);
            about.side = stop.one_side();
            about.contact = step.contact;
            about.landmark = step.landmark;
            about.posture = step.posture;
            about.line_of_drive = step.line_of_drive;
            about.covers = step.covers;
        }
        about
    }

    pub(super) fn missing(&self) -> Vec<String> {
        let cursor = self.cursor.iter();
        cursor.flat_map(PlanCursor::missing).map(|s| s.label()).collect()
    }

    /// Where the scan stands.
    pub fn session_state(&self) -> SessionState {
        let r = &self.request;
        let recording = self.open.as_ref().map(|c| c.recording.about());
        let about = self.about();
        let trial = recording
            .and_then(|a| a.trial)
            .unwrap_or_else(|| self.prior.next_trial(&about));
        let hidden = self
            .cursor
            .iter()
            .filter(|_| r.calls)
            .flat_map(PlanCursor::levels_with_sides);
        SessionState {
            subject: r.subject.clone(),
            examiner: r.examiner.clone(),
            session: Some(r.session.clone()),
            step: self.cursor.as_ref().and_then(|w| w.step_state(trial)),
            call_wanted: match &self.state {
                State::CallDue(level) => Some(*level),
                _ => None,
            },
            hidden_levels: hidden.filter(|l| !self.is_called(*l)).collect(),
            estimates: self.estimates(),
            missing: self.missing(),
            feedback: r.feedback,
            practice: r.practice,
            ended: matches!(self.state, State::AtEnd | State::Ended),
            message: self.message.clone(),
        }
    }
}
