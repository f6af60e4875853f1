//! Figures: one SVG canvas, one palette, SVG to PNG with a font of our own; one file a figure.
//!
//! Style: quiet axes, words beside marks instead of legends, one accent; filled marks are decided, grey even,
//! open undecided, so that everything can be read in black and white.

mod axis;
mod bland_altman;
mod canvas;
mod class_dots;
mod control_chart;
mod mat;
pub mod palette;
mod planned;
pub mod png;
mod progress;
mod psychometric;
mod reference;
mod residuals;
mod scan;
mod scan_words;
mod shape;
mod simplify;
mod svg;
mod test_loops;
mod test_panels;
mod test_time;
mod test_words;
pub mod text;

pub use bland_altman::bland_altman;
pub use canvas::Figure;
pub use class_dots::{ClassDot, ClassDots, class_dots};
pub use control_chart::{control_chart, words_of as control_words};
pub use mat::mat_figures;
pub use planned::{PlannedLine, PlannedPoint, planned};
pub use png::png;
pub use progress::{ProgressMark, ProgressPanel, progress};
pub use psychometric::psychometric;
pub use reference::reference_overlay;
pub use residuals::residuals;
pub use scan::{ScanOptions, scan_overview};
pub use scan_words::{level_label, row_label};
pub use test_panels::test_panels;
pub use test_words::PanelOptions;

#[cfg(test)]
pub(crate) mod tests {
    use crate::trace::{About, Curve, Knee, Measures, Phases, Test};

    /// A test without numbers.
    pub fn bare(phases: Phases) -> Test {
        Test {
            corrections: Vec::new(),
            recording: "a.csv".to_owned(),
            test: 1,
            about: About::default(),
            rate_hz: 1000.0,
            samples: 0,
            phases,
            springs: vec![crate::trace::Spring::default(); 3],
            measures: Measures::default(),
            window_n: [30.0, 100.0],
            knee: Knee::NotLooked,
            fit: None,
            total_peak_n: 0.0,
            drive_deg: None,
            notes: Vec::new(),
            curve: Curve::default(),
        }
    }

    #[test]
    fn a_test_without_any_number_still_makes_a_figure() {
        let figure = super::test_panels(&bare(Phases::default()), &super::PanelOptions::default());
        assert!(figure.svg.contains("level not named"));
        assert!(!figure.svg.contains("NaN") && !figure.svg.contains("inf"));
    }
}
