//! Figures of one test on a pressure mat.

mod contour;
mod course;
mod map;

use crate::plot::canvas::Figure;
use crate::mat::MatTest;

/// Every figure of one test on a pressure mat, each with a word for its name: maps of pressure at preload and peak, a
/// strip through one spring, the share between the hands, the path of the centre of pressure. Those that a test has no
/// data for are left out.
pub fn mat_figures(test: &MatTest) -> Vec<(&'static str, Figure)> {
    let all = [
        ("maps", map::maps(test)),
        ("spring", map::strip(test)),
        ("share", course::share(test)),
        ("path", course::path(test)),
    ];
    all.into_iter()
        .filter_map(|(word, figure)| Some((word, figure?)))
        .collect()
}
