//! A learner's calls beside the measured sides, scan by scan.

use super::sheet::calls_of_scan;
use crate::report::frame::{PageCell, PageTable};
use crate::results::Results;
use crate::study::call::Call;
use crate::terms::SessionKey;
use std::collections::BTreeSet;

/// The table of a learner's page; `None` without a call. While a study is blind no measured side is told, and none is made.
pub fn call_table(results: &Results, calls: &[Call], code: &str) -> Option<PageTable> {
    if results.blinded {
        return None;
    }
    let scans: BTreeSet<(&str, &str)> = calls
        .iter()
        .filter(|c| c.examiner == code)
        .map(|c| (c.session.as_str(), c.subject.as_str()))
        .collect();
    let mut rows: Vec<Vec<PageCell>> = Vec::new();
    let (mut same, mut decided) = (0, 0);
    for (session, subject) in scans {
        let scan = SessionKey {
            subject: Some(subject.to_owned()),
            examiner: Some(code.to_owned()),
            session: Some(session.to_owned()),
        };
        for call in calls_of_scan(results, calls, &scan).into_iter().filter(|c| !c.calls.is_empty()) {
            same += usize::from(call.agrees == Some(true));
            decided += usize::from(call.agrees.is_some());
            let said: Vec<&str> = call.calls.iter().map(|c| c.word()).collect();
            rows.push(vec![
                PageCell::from(session.to_owned()),
                PageCell::from(subject.to_owned()),
                PageCell::from(call.level.label().to_owned()),
                PageCell::from(said.join(", ")),
                PageCell::from(call.measured.unwrap_or_else(|| "not compared".to_owned())),
                PageCell::from(
                    match call.agrees {
                        Some(true) => "same",
                        Some(false) => "differ",
                        None => "",
                    }
                    .to_owned(),
                ),
            ]);
        }
    }
    let heads = ["session", "subject", "level", "call", "measured", "call and measurement"];
    let after = match decided {
        0 => "No level was both called left, right or even and decided by the measurement.".to_owned(),
        _ => format!("Call and measurement say the same of {same} of {decided} levels that both decide."),
    };
    (!rows.is_empty()).then(|| {
        PageTable::of_text("Calls beside the measured sides: which side felt more resistant, and which was stiffer", heads, rows)
            .followed_by(vec![after])
    })
}
