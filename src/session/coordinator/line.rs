//! What comes from a session's line.

use super::{OnEvent, Session};
use crate::acquire::open_line;
use crate::acquire::station::{LineEvent, Sample, Station};
use crate::session::event::SessionEvent;
use crate::session::recorder_thread::RecorderInput;
use crate::session::silent_force::SilentForce;
use crate::session::station_rate::StationRate;
use std::sync::mpsc::RecvTimeoutError;
use std::time::{Duration, Instant};

impl Session {
    pub(super) fn read_line(&mut self, wait: Duration, on_event: OnEvent<'_>) {
        if self.line_ended {
            std::thread::sleep(wait);
            return;
        }
        match self.line.recv_timeout(wait) {
            Ok(event) => {
                self.line_event(event, on_event);
                while let Ok(event) = self.line.try_recv() {
                    self.line_event(event, on_event);
                }
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) if self.line_failed => self.line_ended = true,
            Err(RecvTimeoutError::Disconnected) => {
                // Only a fault of the program ends the line without a word.
                let why = "the line to the device ended by a fault of the program; it is opened anew".to_owned();
                self.line = open_line(&self.port);
                self.line_event(LineEvent::Gone(why), on_event);
            }
        }
    }

    pub(super) fn line_event(&mut self, event: LineEvent, on_event: OnEvent<'_>) {
        match event {
            LineEvent::Connected(station) => {
                self.leave_monitor(on_event);
                self.connected(&station);
                self.recorder.send(RecorderInput::Connected(station));
            }
            LineEvent::Samples(samples) => {
                if self.first_sample.is_none() && !samples.is_empty() {
                    self.first_sample = Some(Instant::now());
                }
                let seen = self.watch(&samples, on_event);
                self.look_at_rate(&samples, on_event);
                self.look_at_forces(&samples, on_event);
                self.recorder.send(RecorderInput::Samples(samples));
                // What was seen in the samples comes after them.
                seen.into_iter().for_each(|input| self.recorder.send(input));
            }
            LineEvent::Counts(counts) => self.recorder.send(RecorderInput::Counts(counts)),
            LineEvent::Gone(why) => {
                self.leave_monitor(on_event);
                self.station = None;
                self.recorder.send(RecorderInput::Gone(why));
            }
            LineEvent::Failed(why) => {
                self.line_failed = true;
                self.fail(why);
            }
        }
    }

    pub(super) fn connected(&mut self, station: &Station) {
        self.rate = StationRate::default();
        self.silent = SilentForce::of(station);
        self.new_monitor(station);
    }

    /// Says at the start what is wrong with the device's rate; with a false one nothing would be seen rightly.
    pub(super) fn look_at_rate(&mut self, samples: &[Sample], on_event: OnEvent<'_>) {
        let Some(station) = self.station.clone() else { return };
        let Some(found) = self.rate.push(samples, &station) else {
            return;
        };
        let first = self.rate.take_first();
        if let Some(words) = found.words {
            self.notice(words);
        }
        if !found.contradicts {
            return;
        }
        self.leave_monitor(on_event);
        self.new_monitor(&Station {
            rate_hz: found.measured_hz,
            ..station
        });
        let seen = self.watch(&first, on_event);
        seen.into_iter().for_each(|input| self.recorder.send(input));
    }

    /// Says that a force is not to be relied on; on the page it stays.
    pub(super) fn look_at_forces(&mut self, samples: &[Sample], on_event: OnEvent<'_>) {
        for words in self.silent.push(samples) {
            match self.notices.contains(&words) {
                true => on_event(SessionEvent::Message(words)),
                false => self.notice(words),
            }
        }
    }
}
