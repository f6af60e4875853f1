//! Which frames of a mat recording its figures need, and each test thinned for drawing.

use super::measures::hand_of;
use crate::mat::shown::{MapFrame, MatTest, ShownHand, seen};
use crate::mat::{Geometry, MatRecord};
use crate::terms::Side;
use crate::trace::Test;

/// Frames of a strip through one spring.
const STRIP_FRAMES: usize = 7;
/// Points a second and points at most that curves are thinned to.
const CURVE_HZ: f64 = 50.0;
const CURVE_POINTS: usize = 3000;
/// Under this force, in N, the centre of pressure says little.
const FAINT_N: f64 = 5.0;
/// Margin before and after contact, in s.
const MARGIN_S: f64 = 0.2;

/// A frame that is wanted: which of the record's, of which test, and what for.
#[derive(Debug, Clone, PartialEq)]
pub struct WantedFrame {
    pub frame: usize,
    pub test: u32,
    pub label: String,
    /// One of the strip through a spring; else a map of its own.
    pub strip: bool,
}

/// Frames at preload and at the peak of each test, and through its highest counted spring.
pub fn wanted_frames(record: &MatRecord, tests: &[Test]) -> Vec<WantedFrame> {
    let mut all = Vec::new();
    let mut numbers: Vec<u32> = tests.iter().map(|t| t.test).collect();
    numbers.dedup();
    for number in numbers {
        let of: Vec<&Test> = tests.iter().filter(|t| t.test == number).collect();
        // The side that pressed hardest sets the times.
        let Some(lead) = of.iter().max_by(|a, b| peak_n(a).total_cmp(&peak_n(b))) else {
            continue;
        };
        let mut want = |time_s: f64, label: String, strip: bool| {
            if let Some(frame) = record.frame_at(time_s) {
                all.push(WantedFrame {
                    frame,
                    test: number,
                    label,
                    strip,
                });
            }
        };
        let counted = lead.counted_springs();
        let spring = counted.max_by(|a, b| a.peak_n.total_cmp(&b.peak_n));
        match spring {
            Some(spring) => {
                // The start of a spring is where it has already risen a little: just before is the preload.
                want(spring.start_s - 0.1, "preload".to_owned(), false);
                want(spring.peak_s, "peak".to_owned(), false);
                let step = (spring.end_s - spring.start_s) / (STRIP_FRAMES - 1) as f64;
                for k in 0..STRIP_FRAMES {
                    let after = k as f64 * step;
                    want(spring.start_s + after, format!("{after:.2} s"), true);
                }
            }
            None => {
                want(lead.phases.lean_end_s, "peak".to_owned(), false);
            }
        }
    }
    all
}

fn peak_n(test: &Test) -> f64 {
    test.springs
        .iter()
        .map(|s| s.peak_n)
        .chain(test.value(crate::columns::Measure::Peak))
        .fold(0.0, f64::max)
}

/// The tests of a recording as figures need them; `frames` are those of [`wanted_frames`], in kPa and in its order.
pub fn shown_tests(
    record: &MatRecord,
    tests: &[Test],
    wanted: &[WantedFrame],
    frames: &[Vec<f32>],
) -> Vec<MatTest> {
    let mut numbers: Vec<u32> = tests.iter().map(|t| t.test).collect();
    numbers.dedup();
    numbers
        .into_iter()
        .filter_map(|number| {
            let of: Vec<&Test> = tests.iter().filter(|t| t.test == number).collect();
            let first = of.first()?;
            let (cells, pitch_mm) = seen(&record.geometry);
            let mut shown = MatTest {
                recording: first.recording.clone(),
                test: number,
                level: first.about.level,
                cells,
                pitch_mm,
                midline_mm: record.midline_mm,
                threshold_kpa: record.threshold_kpa,
                time_s: Vec::new(),
                hands: Vec::new(),
                springs_s: springs(&of),
                maps: Vec::new(),
                strip: Vec::new(),
            };
            curves(record, &of, &mut shown);
            for (want, kpa) in wanted.iter().zip(frames).filter(|(w, _)| w.test == number) {
                let map = map(record, &record.geometry, want, kpa);
                match want.strip {
                    true => shown.strip.push(map),
                    false => shown.maps.push(map),
                }
            }
            Some(shown)
        })
        .collect()
}

/// Start and end of each spring, of the side that has most of them.
fn springs(of: &[&Test]) -> Vec<[f64; 2]> {
    let most = of.iter().max_by_key(|t| t.springs.len());
    most.map_or(Vec::new(), |t| {
        t.springs.iter().map(|s| [s.start_s, s.end_s]).collect()
    })
}

fn map(record: &MatRecord, geometry: &Geometry, want: &WantedFrame, kpa: &[f32]) -> MapFrame {
    MapFrame {
        time_s: record.time_s[want.frame],
        label: want.label.clone(),
        kpa: geometry.upright(kpa),
        force_n: record
            .hands
            .iter()
            .map(|h| h.frames[want.frame].map(|f| f.force_n))
            .collect(),
    }
}

fn curves(record: &MatRecord, of: &[&Test], shown: &mut MatTest) {
    let begin = of
        .iter()
        .map(|t| t.phases.contact_begin_s)
        .fold(f64::INFINITY, f64::min);
    let end = of.iter().map(|t| t.phases.contact_end_s).fold(0.0, f64::max);
    let range = record.frames_between(begin - MARGIN_S, end + MARGIN_S);
    let span = (end - begin).max(1e-3);
    let by_rate = (range.len() as f64 / span / CURVE_HZ).round() as usize;
    let every = by_rate.max(range.len() / CURVE_POINTS).max(1);
    let picked: Vec<usize> = range
        .step_by(every)
        .filter(|i| record.total_n[*i].is_finite())
        .collect();
    shown.time_s = picked.iter().map(|i| record.time_s[*i] as f32).collect();
    let mut sides: Vec<Option<Side>> = Vec::new();
    for test in of {
        let Some(hand) = hand_of(record, test) else {
            continue;
        };
        if sides.contains(&hand.side) {
            continue;
        }
        sides.push(hand.side);
        shown.hands.push(ShownHand {
            side: hand.side.or(test.side()),
            force_n: picked.iter().map(|i| hand.force_n[*i] as f32).collect(),
            centre_mm: picked
                .iter()
                .map(|i| {
                    let frame = hand.frames[*i].filter(|f| f.force_n > FAINT_N)?;
                    Some([frame.across_mm as f32, frame.along_mm as f32])
                })
                .collect(),
        });
    }
}
