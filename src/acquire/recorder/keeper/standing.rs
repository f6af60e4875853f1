//! Where the scan stands, and what the next recording is of.

use super::{Keeper, State};
use crate::acquire::control::Standing;
use crate::acquire::recorder::walk::Walk;
use crate::trace::About;

impl Keeper {
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
        if let Some(stop) = self.walk.as_ref().and_then(Walk::stop) {
            about.level = Some(stop.level);
            about.side = stop.one_side();
            about.contact = stop.contact;
            about.landmark = stop.landmark.clone();
            about.posture = stop.posture.clone();
            about.line_of_drive = stop.line_of_drive;
            about.covers = stop.covers.clone();
        }
        about
    }

    pub(super) fn missing(&self) -> Vec<String> {
        let walk = self.walk.iter();
        walk.flat_map(Walk::missing).map(|s| s.label()).collect()
    }

    /// Where the scan stands.
    pub fn standing(&self) -> Standing {
        let r = &self.request;
        let recording = self.open.as_ref().map(|c| c.recording.about());
        let about = self.about();
        let trial = recording
            .and_then(|a| a.trial)
            .unwrap_or_else(|| self.earlier.next_trial(&about));
        let hidden = self
            .walk
            .iter()
            .filter(|_| r.calls)
            .flat_map(Walk::levels_with_sides);
        Standing {
            subject: r.subject.clone(),
            examiner: r.examiner.clone(),
            session: Some(r.session.clone()),
            step: self.walk.as_ref().and_then(|w| w.standing(trial)),
            call_wanted: match &self.state {
                State::CallDue(level) => Some(*level),
                _ => None,
            },
            hidden_levels: hidden.filter(|l| !self.is_called(*l)).collect(),
            missing: self.missing(),
            feedback: r.feedback,
            practice: r.practice,
            ended: matches!(self.state, State::AtEnd | State::Ended),
            message: self.message.clone(),
        }
    }
}
