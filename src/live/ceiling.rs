//! The ceiling alarm: its own short, causal path from a sample to a word.

use crate::settings::{CeilingOrigin, Settings};
use crate::terms::{Level, Region};
use serde::Serialize;

/// An alarm ends when the force has been under the ceiling by this share of it, for this long.
const BACK_SHARE: f64 = 0.02;
const BACK_S: f64 = 0.1;

/// The ceiling in force at a step.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ActiveCeiling {
    pub region: Region,
    pub ceiling_n: f64,
    /// Whether the lab set it or it came with the program.
    pub origin: CeilingOrigin,
    /// Nobody named the level: the lowest of all regions stands in.
    pub assumed: bool,
}

/// The ceiling for a contact: the lowest of the regions it covers, or of all regions when no level is known. A live
/// alarm without any ceiling would be no alarm.
pub fn active_ceiling(levels: impl Iterator<Item = Level>, settings: &Settings) -> ActiveCeiling {
    let ceiling = settings.ceiling_at(levels);
    ActiveCeiling {
        region: ceiling.region,
        ceiling_n: ceiling.newtons,
        origin: ceiling.origin,
        assumed: ceiling.assumed,
    }
}

/// A force over the ceiling, while it lasts and after.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CeilingCrossing {
    pub ceiling: ActiveCeiling,
    /// Device time.
    pub begin_s: f64,
    /// Last time over the ceiling.
    pub end_s: f64,
    pub peak_n: f64,
}

impl CeilingCrossing {
    pub fn duration_s(&self) -> f64 {
        self.end_s - self.begin_s
    }
}

/// What the watch saw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CeilingChange {
    Began(CeilingCrossing),
    Ended(CeilingCrossing),
}

/// Holds the sum of all contacts against the ceiling.
#[derive(Debug, Clone)]
pub struct CeilingWatch {
    pub ceiling: ActiveCeiling,
    over: Option<CeilingCrossing>,
}

impl CeilingWatch {
    pub fn new(ceiling: ActiveCeiling) -> Self {
        CeilingWatch { ceiling, over: None }
    }

    /// The crossing that lasts, if one does.
    pub fn over(&self) -> Option<&CeilingCrossing> {
        self.over.as_ref()
    }

    /// Another step, another ceiling. A crossing that lasts ends with its own.
    pub fn set(&mut self, ceiling: ActiveCeiling) -> Option<CeilingChange> {
        if ceiling == self.ceiling {
            return None;
        }
        self.ceiling = ceiling;
        self.over.take().map(CeilingChange::Ended)
    }

    /// Takes the sum of all contacts, spikes taken out and zero off.
    pub fn push(&mut self, time_s: f64, total_n: f64) -> Option<CeilingChange> {
        let limit = self.ceiling.ceiling_n;
        match &mut self.over {
            None if total_n > limit => {
                let crossing = CeilingCrossing {
                    ceiling: self.ceiling,
                    begin_s: time_s,
                    end_s: time_s,
                    peak_n: total_n,
                };
                self.over = Some(crossing);
                Some(CeilingChange::Began(crossing))
            }
            None => None,
            Some(crossing) => {
                crossing.peak_n = crossing.peak_n.max(total_n);
                if total_n > limit * (1.0 - BACK_SHARE) {
                    crossing.end_s = time_s;
                    return None;
                }
                if time_s - crossing.end_s < BACK_S {
                    return None;
                }
                self.over.take().map(CeilingChange::Ended)
            }
        }
    }

    /// The stream ended.
    pub fn finish(&mut self) -> Option<CeilingChange> {
        self.over.take().map(CeilingChange::Ended)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::pushes::PushFilter;

    fn watch() -> CeilingWatch {
        CeilingWatch::new(active_ceiling([Level::L3].into_iter(), &Settings::default()))
    }

    #[test]
    fn the_ceiling_is_the_lowest_of_the_regions_covered() {
        let settings = Settings::default();
        let at = |levels: &[Level]| active_ceiling(levels.iter().copied(), &settings);
        assert_eq!(
            (at(&[Level::L1]).ceiling_n, at(&[Level::L1]).region),
            (175.0, Region::Lumbar)
        );
        assert_eq!(at(&[Level::L1, Level::T12]).ceiling_n, 105.0);
        assert_eq!((at(&[]).ceiling_n, at(&[]).assumed), (60.0, true));
    }

    #[test]
    fn one_or_two_wrong_samples_raise_no_alarm_and_a_third_does() {
        for (wrong, alarms) in [(1, 0), (2, 0), (3, 1)] {
            let (mut filter, mut watch, mut began) = (PushFilter::new(2000.0), watch(), 0);
            for i in 0..200 {
                let raw = if (100..100 + wrong).contains(&i) {
                    900.0
                } else {
                    50.0
                };
                let total = filter.push(raw).unwrap();
                if let Some(CeilingChange::Began(_)) = watch.push(f64::from(i) / 2000.0, total) {
                    began += 1;
                }
            }
            assert_eq!(began, alarms, "{wrong}");
        }
    }

    #[test]
    fn one_push_over_the_ceiling_is_one_crossing_with_its_peak_and_time() {
        let (mut filter, mut watch) = (PushFilter::new(1000.0), watch());
        let mut seen = Vec::new();
        for i in 0..3000 {
            let t = f64::from(i) / 1000.0;
            // Over 175 N while sin > 0.75, from 0.27 to 0.73 of a half wave of 1 s; noise of 1 N flickers at the edge.
            let noise = if i % 2 == 0 { 1.0 } else { -1.0 };
            let force = if t < 1.0 {
                200.0 * (t * std::f64::consts::PI).sin()
            } else {
                0.0
            };
            let total = filter.push(force + noise).unwrap();
            seen.extend(watch.push(t, total));
        }
        let [CeilingChange::Began(began), CeilingChange::Ended(ended)] = seen[..] else {
            panic!("{seen:?}")
        };
        // asin(0.875)/π = 0.339: the closed form of the crossing.
        assert!((began.begin_s - 0.339).abs() < 0.01, "{began:?}");
        assert!(
            (ended.duration_s() - (1.0 - 2.0 * 0.339)).abs() < 0.03,
            "{ended:?}"
        );
        assert!((ended.peak_n - 200.5).abs() < 1.5, "{ended:?}");
    }
}
