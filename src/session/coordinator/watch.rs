//! The monitor of a session: made with a station, asked with every sample, made anew after a fault of the program.

use super::{OnEvent, Session, calibrations_of};
use crate::acquire::recorder::columns::TraceColumns;
use crate::acquire::recorder::over_ceiling::OverCeiling;
use crate::acquire::recorder::stamp;
use crate::acquire::control::TestTurn;
use crate::acquire::station::{Sample, Station};
use crate::calibrate::Calibration;
use crate::fault::{ProgramFault, isolated};
use crate::live::ceiling::CeilingCrossing;
use crate::live::monitor::{Monitor, MonitorEvent, MonitorOptions, alarm_view};
use crate::session::event::SessionEvent;
use crate::session::recorder_thread::RecorderInput;
use crate::terms::Given;

impl Session {
    /// Does something with the monitor. A fault of the program in it is named, and a new monitor takes its place.
    pub(super) fn with_monitor<T>(&mut self, work: impl FnOnce(&mut Monitor) -> T) -> Option<T> {
        let mut monitor = self.monitor.take()?;
        match isolated(|| work(&mut monitor)) {
            Ok(done) => {
                self.monitor = Some(monitor);
                Some(done)
            }
            Err(fault) => {
                self.lost_monitor(&fault);
                None
            }
        }
    }

    pub(super) fn lost_monitor(&mut self, fault: &ProgramFault) {
        self.notice(format!(
            "{fault} ended the watch over force and ceiling; it was started anew and takes its zero again: keep the hands off \
             until then. The recording goes on. Please report this line."
        ));
        if let Some(crossing) = self.over.take() {
            let over = self.over_ceiling(&crossing);
            self.recorder.send(RecorderInput::OverCeiling(over));
        }
        self.touching = false;
        self.recorder.send(RecorderInput::Touching(false));
        if let Some(station) = self.station.clone() {
            self.new_monitor(&station);
        }
    }

    pub(super) fn new_monitor(&mut self, station: &Station) {
        let options = MonitorOptions {
            calibrations: self.calibrations(station),
            made: self.made.clone(),
            ..self.options.clone()
        };
        let both_at_once = TraceColumns::of(station).is_ok_and(|c| c.both_at_once());
        self.hands = if both_at_once { 2 } else { 1 };
        self.station = Some(station.clone());
        let about = self.status.pressed_of.clone();
        let settings = &self.settings;
        let made = isolated(|| {
            let mut monitor = Monitor::new(station, settings, options);
            monitor.set_about(&about);
            monitor
        });
        match made {
            Ok(monitor) => self.monitor = Some(monitor),
            Err(fault) => self.fail(format!(
                "{fault}: force and ceiling of this device cannot be watched, so nothing is recorded. Please report this line"
            )),
        }
        self.update_reference();
    }

    pub(super) fn update_reference(&mut self) {
        let reference = self.reference.values_for(&self.status.pressed_of, self.hands);
        self.with_monitor(|monitor| monitor.set_reference(reference));
    }

    pub(super) fn calibrations(&mut self, station: &Station) -> Vec<Calibration> {
        let (calibrations, problems) = calibrations_of(&self.study, station);
        // A certificate that cannot be read, a sensor that the daily check shows out of control.
        for problem in problems {
            self.notice(problem.to_string());
        }
        calibrations
    }

    /// Gives samples to the monitor; the alarm is out before anything else is done. Returns what the recorder must know.
    pub(super) fn watch(&mut self, samples: &[Sample], on_event: OnEvent<'_>) -> Vec<RecorderInput> {
        let mut seen = Vec::new();
        for sample in samples {
            let Some(events) = self.with_monitor(|monitor| monitor.push(sample)) else {
                return seen;
            };
            for event in events {
                seen.extend(self.monitor_event(event, on_event));
            }
        }
        let touching = self.monitor.as_ref().is_some_and(Monitor::touching);
        if touching != self.touching {
            self.touching = touching;
            seen.push(RecorderInput::Touching(touching));
        }
        seen
    }

    /// The line is gone or the session ends: what is open in the monitor ends here.
    pub(super) fn leave_monitor(&mut self, on_event: OnEvent<'_>) {
        let events = self.with_monitor(Monitor::finish).unwrap_or_default();
        for event in events {
            let seen = self.monitor_event(event, on_event);
            seen.into_iter().for_each(|input| self.recorder.send(input));
        }
        self.monitor = None;
        if std::mem::take(&mut self.touching) {
            self.recorder.send(RecorderInput::Touching(false));
        }
    }

    pub(super) fn monitor_event(&mut self, event: MonitorEvent, on_event: OnEvent<'_>) -> Option<RecorderInput> {
        let gate = self.monitor.as_ref().map(|m| m.gate(&self.status.state));
        let visible = || gate.as_ref().is_some_and(|gate| gate.running.is_none());
        match event {
            MonitorEvent::AlarmBegan(crossing) => {
                on_event(SessionEvent::AlarmBegan(alarm_view(&crossing, true, visible())));
                self.over_since = Some(stamp());
                self.over = Some(crossing);
                None
            }
            MonitorEvent::AlarmEnded(crossing) => {
                self.over = None;
                on_event(SessionEvent::AlarmEnded {
                    alarm: alarm_view(&crossing, false, visible()),
                    duration_s: crossing.duration_s(),
                });
                Some(RecorderInput::OverCeiling(self.over_ceiling(&crossing)))
            }
            MonitorEvent::ForceSign(sign) => {
                // The page has it with every frame.
                on_event(SessionEvent::Message(sign.to_string()));
                None
            }
            MonitorEvent::TestEnded(ended) => {
                self.made.insert(ended.about.examiner.clone(), ended.of_examiner);
                let turn = TestTurn {
                    number: ended.of_examiner,
                    given: gate.map_or(Given::None, |gate| gate.given_so_far()),
                };
                self.told_given = Some((ended.number, turn));
                Some(RecorderInput::TestEnded(turn))
            }
            MonitorEvent::Spring { .. } | MonitorEvent::Analysed(_) => None,
        }
    }

    pub(super) fn over_ceiling(&mut self, crossing: &CeilingCrossing) -> OverCeiling {
        let about = &self.status.pressed_of;
        OverCeiling {
            time: self.over_since.take().unwrap_or_else(stamp),
            region: Some(crossing.ceiling.region).filter(|_| !crossing.ceiling.assumed),
            level: about.level,
            peak_n: crossing.peak_n,
            ceiling_n: crossing.ceiling.ceiling_n,
            duration_s: crossing.duration_s(),
            examiner: about.examiner.clone(),
        }
    }

    /// Tells the recorder that the last test is shown by now.
    pub(super) fn tell_given(&mut self) {
        let (Some(last), Some((number, turn))) = (self.view.as_ref().and_then(|v| v.last.as_ref()), &mut self.told_given) else {
            return;
        };
        let given = match last.together.is_empty() {
            true => Given::After,
            false => Given::Summary,
        };
        if last.number == *number && given > turn.given {
            turn.given = given;
            self.recorder.send(RecorderInput::Given(*turn));
        }
    }
}
