//! Over the ceiling.

use super::{Remark, Seen, place};
use crate::settings::Settings;
use crate::study::anatomy::{self, Region};
use crate::trace::Test;

/// The ceiling that a test is held against, in N, and its region: the lowest of the regions that the contact
/// covered. `None` when no level is known; no ceiling is then claimed.
pub fn ceiling_n(test: &Test, settings: &Settings) -> Option<(Region, f64)> {
    let levels = test.about.level.iter().chain(&test.about.covers);
    levels
        .filter_map(|level| anatomy::region(level))
        .map(|region| (region, region.ceiling_n(&settings.ceiling_n)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
}

/// One remark a test whose total peak is over its ceiling; both sides of a bilateral trace share the total, so they
/// share the remark, and no side is named in it.
pub(super) fn over_ceiling(seen: &Seen<'_>) -> Vec<Remark> {
    let mut remarks: Vec<Remark> = Vec::new();
    for test in seen.tests {
        let Some((region, ceiling)) = ceiling_n(test, seen.settings) else {
            continue;
        };
        if test.total_peak_n <= ceiling || test.total_peak_n.is_nan() {
            continue;
        }
        let same =
            |r: &&mut Remark| r.recording.as_ref() == Some(&test.recording) && r.test == Some(test.test);
        if let Some(earlier) = remarks.iter_mut().find(same) {
            earlier.side = None;
            continue;
        }
        let key = format!("ceiling_n.{}", region.word());
        let whose = if seen.settings.departures().contains(&key.as_str()) {
            "set by this lab"
        } else {
            "default, the lab must set its own"
        };
        let text = format!(
            "{}: peak force {:.1} N, over the {} ceiling of {ceiling} N ({whose}).",
            place(test),
            test.total_peak_n,
            region.word()
        );
        remarks.push(Remark {
            value: Some(test.total_peak_n),
            unit: "N",
            high: Some(ceiling),
            ..Remark::on(
                test,
                text,
                "Next time lean in with less weight and stop well below the ceiling; stop at once on request or \
                 pain. A blank result is never a reason to press harder.",
            )
        });
    }
    remarks
}
