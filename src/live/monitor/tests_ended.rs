//! Touches to tests that ended, and what the full analysis says of them.

use super::{Monitor, MonitorEvent};
use crate::live::background::AnalysedTest;
use crate::live::ended_test::{EndedTest, Provisional, ProvisionalSide, springs_s};
use crate::live::sample_buffer::BEFORE_S;
use crate::live::schedule::TestBands;
use crate::live::side::LiveSide;
use crate::live::summary::{self, SummedTest, TestView};
use crate::signal::episodes::{Episode, SideEpisode, group};
use crate::signal::events::SpringMark;
use crate::trace::{About, Test};
use std::sync::Arc;

impl Monitor {
    pub(super) fn touched(
        &mut self,
        channel: usize,
        ended: Vec<SideEpisode>,
        told: &[SpringMark],
        events: &mut Vec<MonitorEvent>,
    ) {
        let side = &self.sides[channel];
        let of_touch = match (side.contact.open(), ended.last()) {
            (Some(open), _) => open.springs.len(),
            (None, Some(last)) => last.springs.len(),
            (None, None) => 0,
        };
        for (i, mark) in told.iter().enumerate() {
            events.push(MonitorEvent::Spring {
                side: side.channels.side,
                time_s: side.feed.time_s(mark.peak),
                number: of_touch.saturating_sub(told.len()) + 1 + i,
            });
        }
        self.pending.extend(ended);
    }

    /// Ends the episodes that no hand can still belong to.
    pub(super) fn flush(&mut self, now_s: f64, events: &mut Vec<MonitorEvent>) {
        if self.pending.is_empty() {
            return;
        }
        let end = self.pending.iter().map(|p| p.contact.end).max().unwrap_or(0);
        let joined = |s: &LiveSide| s.contact.open().is_some_and(|c| c.contact.start < end);
        if self.sides.iter().any(joined) {
            return;
        }
        let touches = std::mem::take(&mut self.pending);
        let (episodes, _) = group(touches, None, 1.0 / self.station.rate_hz);
        for episode in episodes {
            let ended = Arc::new(self.ended(&episode, now_s));
            self.last_end_s = ended.end_s;
            self.analysis.hand(&ended);
            let view = summary::provisional(&ended, self.options.reference.as_ref());
            self.new_last(view, &ended);
            events.push(MonitorEvent::TestEnded(ended));
        }
        self.test_peak_n = 0.0;
    }

    /// The test that ended last takes the place of the one before.
    fn new_last(&mut self, view: TestView, ended: &EndedTest) {
        (self.shown.number, self.shown.bands) = (ended.of_examiner, TestBands::Awaited);
        self.last_of = ended.about.clone();
        let most = self.settings.feedback.summary_tests as usize;
        self.summed
            .push_back((ended.about.clone(), SummedTest::of(ended.of_examiner, &view)));
        while self.summed.len() > most {
            self.summed.pop_front();
        }
        self.last = Some(Arc::new(view));
    }

    fn ended(&mut self, episode: &Episode, now_s: f64) -> EndedTest {
        self.tests += 1;
        let of_examiner = self.options.made.entry(self.about.examiner.clone()).or_default();
        *of_examiner += 1;
        let of_examiner = *of_examiner;
        let time = |channel: usize, index: usize| self.sides[channel].feed.time_s(index);
        let begins = episode.sides.iter().map(|s| time(s.channel, s.contact.start));
        let begin_s = begins.fold(f64::INFINITY, f64::min);
        let ends = episode.sides.iter().map(|s| time(s.channel, s.contact.end - 1));
        let end_s = ends.fold(f64::NEG_INFINITY, f64::max);
        let channels: Vec<_> = self.sides.iter().map(|s| s.channels).collect();
        // The zero before this test must not come from the hand of the last one.
        let from_s = (begin_s - BEFORE_S).max(self.last_end_s + 0.02);
        let trace = self.buffer.trace(from_s, now_s, &channels, &self.about);
        let sides = episode.sides.iter().map(|s| {
            let side = &self.sides[s.channel];
            let Some(trace) = &trace else {
                return ProvisionalSide {
                    side: side.channels.side,
                    springs: s.springs.len(),
                    ..ProvisionalSide::default()
                };
            };
            let springs = springs_s(&s.springs, |i| time(s.channel, i));
            Provisional {
                trace,
                channel: s.channel,
                springs_s: &springs,
                contact_s: [
                    time(s.channel, s.contact.start),
                    time(s.channel, s.contact.end - 1),
                ],
                zero_n: side.feed.zero_n().unwrap_or(0.0),
            }
            .measure()
        });
        let sides = sides.collect();
        EndedTest {
            number: self.tests,
            of_examiner,
            about: self.about.clone(),
            begin_s,
            end_s,
            sides,
            total_peak_n: self.test_peak_n,
            trace,
        }
    }

    pub(super) fn analysed(&mut self, analysed: &AnalysedTest) {
        if let (Some(_), Some(reason)) = (&analysed.fault, &analysed.reason) {
            self.warnings
                .push(format!("Test {}: {reason}", analysed.ended.number));
        }
        let same_step =
            analysed.ended.about.level == self.about.level && analysed.ended.about.side == self.about.side;
        if same_step {
            for side in &mut self.sides {
                let own = |t: &&Test| side.channels.side.is_none() || t.side() == side.channels.side;
                let onset = analysed.tests.iter().find(own).and_then(summary::onset);
                side.known = onset.or(side.known);
            }
        }
        let view = summary::full(analysed, self.options.reference.as_ref());
        let (about, number) = (&analysed.ended.about, analysed.ended.of_examiner);
        let same = |(of, test): &&mut (About, SummedTest)| of.examiner == about.examiner && test.number == number;
        if let Some((_, test)) = self.summed.iter_mut().find(same) {
            *test = SummedTest::of(number, &view);
        }
        if self
            .last
            .as_ref()
            .is_some_and(|l| l.number == analysed.ended.number)
        {
            self.shown.bands = match (analysed.tests.is_empty(), analysed.technique.is_empty()) {
                (true, _) => TestBands::NotMeasured,
                (false, true) => TestBands::Inside,
                (false, false) => TestBands::Outside,
            };
            self.last = Some(Arc::new(view));
        }
    }
}
