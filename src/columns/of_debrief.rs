//! Columns of the debrief's tables: `learners`, `closeness`, `learning-curves`, `findings-share` and `coverage`.

use super::of_tests::column;
use super::{Column, Kind};

// Columns that several of them share.
pub const LEARNER: Column = column(
    "learner",
    Kind::Text,
    "",
    "",
    "code of the learner; missing for the whole class",
);
pub const GROUP: Column = column("group", Kind::Text, "", "", "class or year, from roster.csv");

// Columns of `learners`.
pub const SESSION_NUMBER: Column = column(
    "session_number",
    Kind::Int,
    "",
    "",
    "the learner's sessions counted in order of time, from 1; missing for tests whose session nobody named",
);
pub const RETENTION: Column = column(
    "retention",
    Kind::Bool,
    "",
    "9.9",
    "whether the tests were made without any feedback (feedback = \"none\")",
);
pub const REGION: Column = column("region", Kind::Text, "", "", "region of the spine");
pub const BOTH_HANDS: Column = column(
    "both_hands",
    Kind::Bool,
    "",
    "",
    "both hands at once, each on a sensor",
);
pub const SHOWN_MEASURE: Column = column(
    "measure",
    Kind::Text,
    "",
    "9.8",
    "what was averaged: a column of tests, or left_hand_share_percent, the share of the preload that the hand on the subject's left carried",
);
pub const SHOWN_UNIT: Column = column("unit", Kind::Text, "", "9.8", "unit of mean, ends and band");
pub const SPOT_TESTS: Column = column(
    "tests",
    Kind::Int,
    "",
    "9.8",
    "tests behind the mean, a row a side",
);
pub const MEAN: Column = column("mean", Kind::Num, "as in unit", "9.8", "mean over the tests");
pub const MEAN_LOW: Column = column(
    "mean_low",
    Kind::Num,
    "as in unit",
    "9.8",
    "lower end of the 95 % interval of the mean, from the spread between tests; missing with one test",
);
pub const MEAN_HIGH: Column = column(
    "mean_high",
    Kind::Num,
    "as in unit",
    "9.8",
    "upper end of the 95 % interval of the mean",
);
pub const BAND_FROM: Column = column(
    "band_from",
    Kind::Text,
    "",
    "9.8",
    "where the band comes from: reference (the teacher's tests), settings, or ceiling; missing without a band",
);
pub const SHOWN_LOW: Column = column(
    "band_low",
    Kind::Num,
    "as in unit",
    "9.8",
    "lower end of the band",
);
pub const SHOWN_HIGH: Column = column(
    "band_high",
    Kind::Num,
    "as in unit",
    "9.8",
    "upper end of the band",
);

// Columns of `closeness` and `learning-curves`.
pub const ERROR_MEASURE: Column = column(
    "measure",
    Kind::Text,
    "",
    "9.6",
    "the column of tests that is held against the teacher's tests",
);
pub const TRIES: Column = column(
    "tests",
    Kind::Int,
    "",
    "9.6",
    "tests behind the errors, a row a side",
);
pub const CONSTANT: Column = column(
    "constant_error_percent",
    Kind::Num,
    "%",
    "9.6",
    "mean of the signed differences from the teacher's tests of the same level or region, in percent of their mean",
);
pub const CONSTANT_U95: Column = column(
    "constant_error_percent_u95",
    Kind::Num,
    "%",
    "9.6",
    "half-width of the 95 % interval of constant_error_percent",
);
pub const ABSOLUTE: Column = column(
    "absolute_error_percent",
    Kind::Num,
    "%",
    "9.6",
    "mean size of those differences",
);
pub const ABSOLUTE_LOW: Column = column(
    "absolute_error_low_percent",
    Kind::Num,
    "%",
    "9.6",
    "lower end of its 95 % interval, from the spread between tests",
);
pub const ABSOLUTE_HIGH: Column = column(
    "absolute_error_high_percent",
    Kind::Num,
    "%",
    "9.6",
    "upper end of that interval",
);
pub const VARIABLE: Column = column(
    "variable_error_percent",
    Kind::Num,
    "%",
    "9.6",
    "standard deviation of the signed differences about their own mean, over n",
);
pub const TOTAL_ERROR: Column = column(
    "total_error_percent",
    Kind::Num,
    "%",
    "9.6",
    "root mean square of the differences",
);
pub const LAW: Column = column(
    "law",
    Kind::Text,
    "",
    "9.7",
    "power law, a + b n^-c, or exponential, a + b e^(-cn), with n the session from 1; missing without a curve",
);
pub const CURVE_A: Column = column("a_percent", Kind::Num, "%", "9.7", "the error that stays");
pub const CURVE_A_U95: Column = column(
    "a_percent_u95",
    Kind::Num,
    "%",
    "9.7",
    "half-width of its 95 % interval; missing where it is held at 0",
);
pub const CURVE_B: Column = column("b_percent", Kind::Num, "%", "9.7", "the error that is lost");
pub const CURVE_B_U95: Column = column(
    "b_percent_u95",
    Kind::Num,
    "%",
    "9.7",
    "half-width of its 95 % interval",
);
pub const CURVE_C: Column = column("c", Kind::Num, "", "9.7", "how fast");
pub const CURVE_C_U95: Column = column("c_u95", Kind::Num, "", "9.7", "half-width of its 95 % interval");
pub const NO_CURVE: Column = column("why_not", Kind::Text, "", "9.7", "why there is no curve");

// Columns of `findings-share`.
pub const COUNTED: Column = column(
    "of",
    Kind::Text,
    "",
    "9.8",
    "what is counted: tests (both sides of a bilateral trace are one), or scans that have a plan",
);
pub const TOTAL: Column = column("total", Kind::Int, "as in of", "9.8", "tests or scans in all");
pub const WITH_FINDING: Column = column(
    "with_finding",
    Kind::Int,
    "as in of",
    "9.8",
    "tests or scans in which the finding was made at least once",
);
pub const SHARE: Column = column("share_percent", Kind::Num, "%", "9.8", "with_finding over total");
pub const SHARE_LOW: Column = column(
    "share_low_percent",
    Kind::Num,
    "%",
    "9.8",
    "lower end of the 95 % score interval of the share (Wilson 1927), as if each test were drawn anew from the same hands",
);
pub const SHARE_HIGH: Column = column(
    "share_high_percent",
    Kind::Num,
    "%",
    "9.8",
    "upper end of that interval",
);

// Columns of `coverage`.
pub const PLAN: Column = column(
    "plan",
    Kind::Text,
    "",
    "9.4",
    "scan plan that the scan is held against; missing without one",
);
pub const SCAN_TESTS: Column = column("tests", Kind::Int, "", "2.2", "tests of the scan, a row a side");
pub const PLANNED: Column = column(
    "planned",
    Kind::Int,
    "tests",
    "9.4",
    "tests that the plan asks for, a row a side",
);
pub const DONE: Column = column("done", Kind::Int, "tests", "9.4", "of those, how many were made");
pub const MISSED: Column = column(
    "missed",
    Kind::List("; "),
    "",
    "9.4",
    "level and side of each planned test that was not made, or not often enough",
);
pub const DOUBLED: Column = column(
    "doubled",
    Kind::List("; "),
    "",
    "9.4",
    "level and side of what was made more often than the plan has it",
);
pub const OUT_OF_ORDER: Column = column(
    "out_of_order",
    Kind::List("; "),
    "",
    "9.4",
    "level and side of what stands elsewhere in the scan than in the plan",
);
pub const SCAN_S: Column = column(
    "scan_s",
    Kind::Num,
    "s",
    "",
    "time that the scan took; missing when the recordings do not tell",
);
pub const SCAN_S_FROM: Column = column(
    "scan_s_from",
    Kind::Text,
    "",
    "",
    "from when to when that time is counted",
);

// Columns of `marks`.
pub const CANDIDATE: Column = column(
    "candidate",
    Kind::Text,
    "",
    "",
    "code of the examiner who is assessed",
);
pub const ATTEMPT: Column = column(
    "attempt",
    Kind::Int,
    "",
    "",
    "which attempt it is, from 1; missing when nobody said",
);
pub const STEP: Column = column(
    "step",
    Kind::Int,
    "",
    "9.4",
    "step of the plan, from 1, in the order in which it was to be made; missing beyond the plan",
);
pub const ITEM: Column = column(
    "item",
    Kind::Text,
    "",
    "9.1",
    "what is assessed; what no sensor sees has no value",
);
pub const SEEN: Column = column("seen", Kind::Text, "", "9.1", "what was measured, in words");
pub const MARK_1: Column = column(
    "assessor_1",
    Kind::Text,
    "",
    "",
    "the first assessor's mark; empty, to be filled in",
);
pub const MARK_2: Column = column(
    "assessor_2",
    Kind::Text,
    "",
    "",
    "the second assessor's mark; empty, to be filled in",
);
