//! The frame for the page, of what the gate lets through.

use super::{Monitor, SHOWN_BINS};
use crate::live::ceiling::CeilingCrossing;
use crate::live::control::SessionState;
use crate::live::side::LiveSide;
use crate::live::sign::PushDirection;
use crate::live::strip::round;
use crate::live::summary::{SummedTest, TestView};
use crate::live::view::{AlarmView, CurrentForce, CurrentSideForce, LastTest, LiveView};
use crate::terms::{Level, Side};
use std::sync::Arc;
use std::time::Instant;

/// A zero further from 0 N than this is reported, in N: the hand may have been on.
const LARGE_ZERO_N: f64 = 20.0;

impl Monitor {
    /// The frame for the page. It takes the strip since the last view with it, so there is one viewer: the hub.
    pub fn view(&mut self, state: &SessionState) -> LiveView {
        self.take_done();
        let hidden = |level: Level| state.hidden_levels.contains(&level);
        self.shown.called = !self.last_of.level.is_some_and(hidden);
        let gate = self.gate(state);
        let visible = gate.running.is_none();
        let now_n = self.now();
        let strip = self.strip.take();
        let alarm = self.watch.over().map(|c| alarm_view(c, true, visible));
        let (last, last_hidden) = match gate.last {
            LastTest::Shown => (self.last.clone(), None),
            LastTest::Summary(tests) => (self.last_together(tests, state), None),
            LastTest::Hidden(why) => (None, self.last.is_some().then_some(why)),
        };
        LiveView {
            device: self.station.device.clone(),
            rate_hz: self.station.rate_hz,
            state: state.clone(),
            sides: self.sides.iter().map(|s| self.side_word(s)).collect(),
            age_ms: None,
            arrived_unix_ms: None,
            newest: self.newest.map(|(_, at)| at),
            made: Instant::now(),
            ceiling: self.watch.ceiling,
            alarm,
            crossings: self.crossings,
            warnings: self.warnings(),
            now: now_n.filter(|_| visible),
            strip: visible.then_some(strip),
            onsets: self.sides.iter().map(|s| s.onset().filter(|_| visible)).collect(),
            last,
            last_hidden,
            hidden: gate.running,
        }
        .aged()
    }

    /// The last test with those before it by the same examiner, so many in all; those of levels that must not be shown yet stay out.
    fn last_together(&mut self, tests: u32, state: &SessionState) -> Option<Arc<TestView>> {
        let last = self.last.as_deref()?;
        let number = self.shown.number;
        let own = self.summed.iter().filter(|(about, test)| {
            about.examiner == self.last_of.examiner
                && test.number + tests > number
                && !about.level.is_some_and(|l| state.hidden_levels.contains(&l))
        });
        let together: Vec<SummedTest> = own.map(|(_, test)| test.clone()).collect();
        let mut notes = last.notes.clone();
        if together.len() < tests as usize {
            notes.push(format!(
                "{} of the {tests} tests stand here: the others were made before the line was broken, or wait for the call on \
                 their level.",
                together.len()
            ));
        }
        let view = TestView {
            together,
            notes,
            ..last.clone()
        };
        // A page is sent it again only when it changed.
        if self.together.as_deref() != Some(&view) {
            self.together = Some(Arc::new(view));
        }
        self.together.clone()
    }

    fn side_word(&self, side: &LiveSide) -> Option<&'static str> {
        let only = self.sides.len() == 1;
        let side = side.channels.side.or(self.about.side.filter(|_| only));
        side.map(Side::word)
    }

    fn warnings(&self) -> Vec<String> {
        let mut warnings = self.warnings.clone();
        let (inverted, others): (Vec<&LiveSide>, Vec<&LiveSide>) = self
            .sides
            .iter()
            .partition(|side| side.force_sign().direction == PushDirection::Down);
        warnings.extend(inverted.iter().map(|side| format!("{}.", side.force_sign())));
        let zeros: Vec<f64> = self.sides.iter().filter_map(|s| s.feed.zero_n()).collect();
        if self.newest.is_some() && zeros.len() < self.sides.len() && warnings.is_empty() {
            warnings.push("The zero is being taken: keep the hands off.".to_owned());
        }
        // That of an inverted sensor has crept after the push.
        let mut zeros = others.iter().filter_map(|s| s.feed.zero_n());
        if let Some(zero) = zeros.find(|z| z.abs() > LARGE_ZERO_N) {
            warnings.push(format!(
                "The sensor reads {zero:.0} N where zero was taken. If a hand was on, take it off until this goes away; \
                 until then force and ceiling count from there."
            ));
        }
        warnings.extend(self.settings.ceiling_doubts().iter().map(ToString::to_string));
        warnings
    }

    fn now(&self) -> Option<CurrentForce> {
        let now_s = self.newest?.0;
        let bins: Vec<_> = self.strip.newest(SHOWN_BINS).collect();
        let mean = |k: usize| {
            let sum: f64 = bins.iter().map(|b| b.sides[k].mean_n).sum();
            if bins.is_empty() {
                self.sides[k].force_n
            } else {
                Some(sum / bins.len() as f64)
            }
        };
        let sides: Option<Vec<CurrentSideForce>> = self
            .sides
            .iter()
            .enumerate()
            .map(|(k, s)| {
                s.force_n?;
                Some(CurrentSideForce {
                    force_n: round(mean(k)?, 1e2),
                    displacement_mm: s.displacement_mm.map(|x| round(x, 1e3)),
                    phase: s.phase,
                })
            })
            .collect();
        let sides = sides.filter(|s| !s.is_empty())?;
        Some(CurrentForce {
            total_n: round(sides.iter().map(|s| s.force_n).sum(), 1e2),
            phase: self.phase(),
            springs: self.sides.iter().map(|s| s.springs(now_s)).max().unwrap_or(0),
            peak_n: round(self.peak_n, 1e2),
            sides,
        })
    }
}

/// An alarm for the page; its peak only where values are shown.
pub fn alarm_view(crossing: &CeilingCrossing, on: bool, visible: bool) -> AlarmView {
    AlarmView {
        on,
        region: crossing.ceiling.region,
        ceiling_n: crossing.ceiling.ceiling_n,
        assumed: crossing.ceiling.assumed,
        peak_n: visible.then(|| round(crossing.peak_n, 10.0)),
    }
}
