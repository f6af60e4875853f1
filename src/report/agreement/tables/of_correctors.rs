//! People who put marks right against each other and against the program.

use super::{FIRST, Head, SECOND, ends, table};
use crate::agreement::correctors::CorrectorPair;
use crate::columns::Kind;
use crate::report::tables::{Cell, Table};

const fn count(name: &'static str, meaning: &'static str) -> Head {
    (name, Kind::Int, "", meaning)
}

const fn mm(name: &'static str, meaning: &'static str) -> Head {
    (name, Kind::Num, "mm", meaning)
}

pub(super) fn table_of(pairs: &[CorrectorPair]) -> Table {
    let heads = [
        FIRST,
        SECOND,
        count("recordings", "recordings that both have"),
        count("tests", "tests that both have"),
        count("tests_first_only", "tests that only the first has"),
        count("tests_second_only", "tests that only the second has"),
        count("springs", "springs that both have: peaks within 0.1 s"),
        count("springs_first_only", "springs that only the first has, of tests that both have"),
        count("springs_second_only", "springs that only the second has, of tests that both have"),
        ("peaks_apart_s", Kind::Num, "s", "largest distance of two peaks of the same spring"),
        count("onsets", "tests with an onset by both"),
        count("onsets_one_only", "tests with an onset by one alone"),
        mm("onsets_apart_mm", "largest difference of two onsets"),
        mm("onset_bias_mm", "mean difference of the onsets, first less second"),
        mm("onset_bias_low_mm", "lower end of its 95 % interval"),
        mm("onset_bias_high_mm", "upper end of its 95 % interval"),
        mm("onset_lower_mm", "lower limit of agreement"),
        mm("onset_lower_low_mm", "lower end of its 95 % interval"),
        mm("onset_lower_high_mm", "upper end of its 95 % interval"),
        mm("onset_upper_mm", "upper limit of agreement"),
        mm("onset_upper_low_mm", "lower end of its 95 % interval"),
        mm("onset_upper_high_mm", "upper end of its 95 % interval"),
    ];
    let row = |p: &CorrectorPair| {
        let limits = p.onset_limits.as_ref();
        let mut row = vec![Cell::text(&p.first), Cell::text(&p.second)];
        let tests = [p.recordings, p.tests, p.tests_first_only, p.tests_second_only];
        row.extend(tests.into_iter().chain([p.springs, p.springs_first_only, p.springs_second_only]).map(Cell::int));
        row.push(Cell::num(p.peaks_apart_s));
        row.extend([p.onsets, p.onsets_one_only].map(Cell::int));
        row.extend([p.onsets_apart_mm, p.onset_bias_mm].map(Cell::num));
        let bias = limits.map(|l| l.bias);
        row.extend([bias.and_then(|b| b.low), bias.and_then(|b| b.high)].map(Cell::num));
        row.extend(ends(limits.map(|l| l.lower)));
        row.extend(ends(limits.map(|l| l.upper)));
        row
    };
    table("correctors", &heads, pairs.iter().map(row).collect())
}
