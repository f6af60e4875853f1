//! Figures of the pages: a learner's progress, where a class is, how close to the teacher's tests.

use super::points::{TestPlace, ProgressPoint, Shown};
use super::{Band, Debrief, ErrorOf, Learner};
use crate::format::number;
use crate::plot::{ClassDot, ClassDots, ProgressMark, ProgressPanel, class_dots, progress};
use serde::Serialize;

/// Figures of one place under each other or side by side.
#[derive(Debug, Clone, Serialize)]
pub struct PlaceView {
    pub label: String,
    pub svgs: Vec<String>,
    /// Of a class: how many means lie inside their band, measure by measure.
    pub inside: Option<String>,
    /// Where the bands come from.
    pub bands: Vec<String>,
}

fn ends(band: Option<Band>) -> Option<[Option<f64>; 2]> {
    band.map(|b| [b.low, b.high])
}

/// Places in the order of the spine, each once.
fn places<'a>(points: impl Iterator<Item = &'a ProgressPoint>) -> Vec<TestPlace> {
    let mut places: Vec<TestPlace> = points.map(|p| p.place.clone()).collect();
    places.sort();
    places.dedup();
    places
}

/// Bands that the figures of a place have, by where they come from: each with what it is of.
fn band_words(debrief: &Debrief, place: &TestPlace, shown: &[Shown]) -> Vec<String> {
    let mut groups: Vec<(String, Vec<String>)> = Vec::new();
    for measure in shown {
        let Some(band) = debrief.band(place, *measure) else {
            continue;
        };
        let n = |v: f64| number(v, measure.decimals());
        let range = match (band.low, band.high) {
            (Some(low), Some(high)) => format!("{} to {}", n(low), n(high)),
            (None, Some(high)) => format!("up to {}", n(high)),
            (Some(low), None) => format!("from {}", n(low)),
            (None, None) => continue,
        };
        let one = format!("{} {range}\u{a0}{}", measure.label(), measure.unit());
        let source = band.words();
        match groups.iter_mut().find(|g| g.0 == source) {
            Some(group) => group.1.push(one),
            None => groups.push((source, vec![one])),
        }
    }
    groups
        .into_iter()
        .map(|(source, of)| format!("{source}: {}", of.join(", ")))
        .collect()
}

/// A learner's progress, place by place.
pub fn progress_of(debrief: &Debrief, learner: &Learner) -> Vec<PlaceView> {
    let of_place = |place: TestPlace| {
        let mut svgs = Vec::new();
        let mut shown = Vec::new();
        for measure in Shown::ALL {
            let own = learner
                .points
                .iter()
                .filter(|p| p.place == place && p.measure == measure);
            let marks: Vec<ProgressMark> = own
                .map(|p| ProgressMark {
                    // Tests without a session stand before the first one.
                    session: learner
                        .sessions
                        .iter()
                        .position(|s| Some(s) == p.session.as_ref())
                        .unwrap_or(0),
                    mean: p.spot.mean,
                    interval: p.spot.interval,
                    open: p.retention,
                    tests: p.values.clone(),
                    over: over_at(learner, &place, measure, p.session.as_ref()),
                })
                .collect();
            let band = debrief.band(&place, measure);
            let words = band.map_or(String::new(), |b| b.words());
            let panel = ProgressPanel {
                label: measure.label(),
                unit: measure.unit(),
                decimals: measure.decimals(),
                sessions: learner.sessions.len(),
                marks: &marks,
                band: ends(band),
                band_words: &words,
                curve: &[],
            };
            if let Some(figure) = progress(&panel) {
                svgs.push(figure.svg);
                shown.push(measure);
            }
        }
        PlaceView {
            bands: band_words(debrief, &place, &shown),
            label: place.label(),
            inside: None,
            svgs,
        }
    };
    let places = places(learner.points.iter());
    places
        .into_iter()
        .map(of_place)
        .filter(|p| !p.svgs.is_empty())
        .collect()
}

/// Where the class is, place by place, for these measures: each learner's latest session there.
pub fn class_of(debrief: &Debrief, measures: &[Shown], codes: bool) -> Vec<PlaceView> {
    let of_place = |place: TestPlace| {
        let mut svgs = Vec::new();
        let mut shown = Vec::new();
        let mut inside = Vec::new();
        for measure in measures {
            let mut dots: Vec<ClassDot> = debrief
                .learners
                .iter()
                .filter_map(|l| class_dot(l, &place, *measure, codes))
                .collect();
            if !codes {
                // A row must not tell who it is: in the order of codes it would.
                let at = |d: &ClassDot| d.mean.unwrap_or(f64::INFINITY);
                dots.sort_by(|a, b| at(a).total_cmp(&at(b)));
            }
            let band = debrief.band(&place, *measure);
            let words = band.map_or(String::new(), |b| b.words());
            let class = ClassDots {
                label: measure.label(),
                unit: measure.unit(),
                decimals: measure.decimals(),
                dots: &dots,
                band: ends(band),
                band_words: &words,
            };
            if let Some(figure) = class_dots(&class) {
                svgs.push(figure.svg);
                shown.push(*measure);
                inside.extend(band.map(|band| format!("{} {}", measure.label(), inside_band(&dots, band))));
            }
        }
        PlaceView {
            bands: band_words(debrief, &place, &shown),
            label: place.label(),
            inside: (!inside.is_empty()).then(|| format!("Means inside their band: {}.", inside.join(", "))),
            svgs,
        }
    };
    let places = places(debrief.learners.iter().flat_map(|l| &l.points));
    places
        .into_iter()
        .map(of_place)
        .filter(|p| !p.svgs.is_empty())
        .collect()
}

/// `21 of 23`.
fn inside_band(dots: &[ClassDot], band: Band) -> String {
    let means = || dots.iter().filter_map(|d| d.mean);
    let within = |v: &f64| band.low.is_none_or(|low| *v >= low) && band.high.is_none_or(|high| *v <= high);
    format!("{} of {}", means().filter(within).count(), means().count())
}

/// The learner's latest mean there, and every push over the ceiling in that session; who has pushes over the ceiling and no
/// mean is shown all the same.
fn class_dot(learner: &Learner, place: &TestPlace, measure: Shown, codes: bool) -> Option<ClassDot> {
    let point = latest(learner, place, measure);
    let session = match point {
        Some(point) => point.session.as_ref(),
        None => learner.last_session.as_ref(),
    };
    let over = over_at(learner, place, measure, session);
    (point.is_some() || !over.is_empty()).then(|| ClassDot {
        code: codes.then(|| learner.code.clone()),
        mean: point.map(|p| p.spot.mean),
        over,
        interval: point.and_then(|p| p.spot.interval),
        open: point.is_some_and(|p| p.retention),
    })
}

/// Pushes over the ceiling that belong beside a mean of peak forces.
fn over_at(learner: &Learner, place: &TestPlace, measure: Shown, session: Option<&String>) -> Vec<f64> {
    let own = learner.over.iter().filter(|push| measure == Shown::PeakForce && push.is_at(place));
    own.filter(|push| push.session.as_ref() == session).map(|push| push.peak_n).collect()
}

/// The learner's last mark of a measure at a place; of two in one session the one without feedback, which shows what
/// the hand can do by itself.
fn latest<'a>(learner: &'a Learner, place: &TestPlace, measure: Shown) -> Option<&'a ProgressPoint> {
    let own = learner
        .points
        .iter()
        .filter(|p| p.place == *place && p.measure == measure);
    own.max_by_key(|p| {
        let session = learner
            .sessions
            .iter()
            .position(|s| Some(s) == p.session.as_ref());
        (session, p.retention)
    })
}

/// Off the teacher's tests or the measured peak, one panel each, with its learning curve.
pub fn closeness_of(learner: &Learner, wanted: impl Fn(ErrorOf) -> bool) -> Vec<String> {
    let sessions = learner.sessions.len();
    let panel = |of: ErrorOf| {
        let own = learner.closeness.iter().filter(|c| c.of == of);
        let marks: Vec<ProgressMark> = own
            .map(|c| ProgressMark {
                session: learner
                    .sessions
                    .iter()
                    .position(|s| Some(s) == c.session.as_ref())
                    .unwrap_or(0),
                mean: c.size.mean,
                interval: c.size.interval,
                open: c.retention,
                tests: c.sizes.clone(),
                over: Vec::new(),
            })
            .collect();
        let fitted = learner.curves.iter().find(|c| c.of == of);
        let line: Vec<(f64, f64)> = fitted
            .and_then(|c| c.curve.as_ref().ok())
            .map_or(Vec::new(), |curve| {
                let steps = 60;
                let at = |i: usize| 1.0 + (sessions as f64 - 1.0) * i as f64 / steps as f64;
                (0..=steps).map(|i| (at(i), curve.at(at(i)))).collect()
            });
        let label = format!("{}, off by", of.label());
        progress(&ProgressPanel {
            label: &label,
            unit: "%",
            decimals: 0,
            sessions,
            marks: &marks,
            band: None,
            band_words: "",
            curve: &line,
        })
    };
    ErrorOf::all().filter(|of| wanted(*of)).filter_map(panel).map(|f| f.svg).collect()
}
