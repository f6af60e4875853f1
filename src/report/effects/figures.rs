//! The course of each volunteer over sessions, beside what cannot be told from the first.

use super::question::shown;
use crate::compare::ComparisonScale;
use crate::effects::Effects;
use crate::plot::{Figure, ProgressMark, ProgressPanel, progress};
use crate::settings::Settings;

/// Of each measure at most this many are drawn; all stand in the table.
const MOST: usize = 24;

/// Figures with their file names, without ending.
pub fn figures(effects: &Effects, settings: &Settings) -> Vec<(String, Figure)> {
    let mut all = Vec::new();
    for measure in shown(effects, settings) {
        let scale = ComparisonScale::of(measure);
        let info = measure.info();
        let courses = effects.courses.iter().filter(|c| c.measure == measure);
        for (i, course) in courses.take(MOST).enumerate() {
            let marks: Vec<ProgressMark> = course
                .points
                .iter()
                .enumerate()
                .map(|(session, point)| ProgressMark {
                    session,
                    mean: scale.back(point.mean),
                    interval: None,
                    open: false,
                    tests: Vec::new(),
                    over: Vec::new(),
                })
                .collect();
            let first = course.points.first().map(|p| p.mean);
            let band = first.zip(course.detectable);
            let label = format!("{}: {}", course.who, info.label);
            let panel = ProgressPanel {
                label: &label,
                unit: info.unit,
                decimals: info.decimals,
                sessions: course.points.len(),
                marks: &marks,
                band: band.map(|(m, d)| [m - d, m + d].map(|end| Some(scale.back(end)))),
                band_words: "in which nothing can be told from the first session",
                curve: &[],
            };
            if let Some(figure) = progress(&panel) {
                all.push((format!("course-{}-{}", info.name, i + 1), figure));
            }
        }
    }
    all
}
