//! Columns of `findings`, `technique`, `unpaired`, `exclusions` and `codebook`.

use super::of_tests::column;
use super::{Column, Kind};

// Columns of `findings`.
pub const COMPARISON: Column = column(
    "comparison",
    Kind::Text,
    "",
    "6.1",
    "what was held against what: left_right, or neighbours for a midline step",
);
pub const MEASURE: Column = column(
    "measure",
    Kind::Text,
    "",
    "6.1",
    "the column of tests that was compared",
);
pub const UNIT: Column = column(
    "unit",
    Kind::Text,
    "",
    "6.2",
    "unit of left, right and difference",
);
pub const LEFT: Column = column(
    "left",
    Kind::Num,
    "as in unit",
    "6.2",
    "mean over the trials of the left side; for neighbours, the neighbours' median",
);
pub const RIGHT: Column = column(
    "right",
    Kind::Num,
    "as in unit",
    "6.2",
    "mean over the trials of the right side; for neighbours, the step's own value",
);
pub const LEFT_TRIALS: Column = column("left_trials", Kind::Int, "", "6.1", "trials behind left");
pub const RIGHT_TRIALS: Column = column("right_trials", Kind::Int, "", "6.1", "trials behind right");
pub const ASYMMETRY: Column = column(
    "asymmetry_percent",
    Kind::Num,
    "%",
    "6.2",
    "200 tanh(d/2) with d = ln(right/left): positive when the right is larger; missing for a measure compared by difference",
);
pub const LOW: Column = column(
    "low_percent",
    Kind::Num,
    "%",
    "6.5",
    "lower end of the interval of the asymmetry",
);
pub const HIGH: Column = column(
    "high_percent",
    Kind::Num,
    "%",
    "6.5",
    "upper end of the interval of the asymmetry",
);
pub const THRESHOLD: Column = column(
    "threshold_percent",
    Kind::Num,
    "%",
    "6.6",
    "the study's margin: a side is named only beyond it",
);
pub const MDC: Column = column(
    "mdc_percent",
    Kind::Num,
    "%",
    "6.6",
    "smallest difference of the means compared that this lab can tell from none, 95 %",
);
pub const SPREAD_SOURCE: Column = column(
    "spread_source",
    Kind::Text,
    "",
    "6.4",
    "where the spread comes from: trials, agreement (the lab's own) or published",
);
pub const SIDE_OF_RESISTANCE: Column = column(
    "side_of_resistance",
    Kind::Text,
    "",
    "6.7",
    "left, right, even or undecided; for neighbours stiffer_than_neighbours, like_neighbours or undecided; missing for measures shown without a word",
);
pub const TRIALS_TO_DECIDE: Column = column(
    "trials_to_decide",
    Kind::Text,
    "trials a side",
    "6.8",
    "trials a side that would decide an undecided level at this spread, or that one session cannot",
);
pub const CALL: Column = column(
    "call",
    Kind::Text,
    "",
    "6.10",
    "what the examiner said felt more resistant: left, right, even or unsure",
);
pub const CALL_AGREES: Column = column(
    "call_agrees",
    Kind::Bool,
    "",
    "6.10",
    "whether the call is the side of resistance",
);
pub const DIFFERENCE: Column = column(
    "difference",
    Kind::Num,
    "as in unit",
    "6.2",
    "right minus left, for a measure compared by difference",
);
pub const DIFFERENCE_LOW: Column = column(
    "difference_low",
    Kind::Num,
    "as in unit",
    "6.5",
    "lower end of the 95 % interval of the difference",
);
pub const DIFFERENCE_HIGH: Column = column(
    "difference_high",
    Kind::Num,
    "as in unit",
    "6.5",
    "upper end of the 95 % interval of the difference",
);

// Columns of `technique`.
pub const FINDING: Column = column(
    "finding",
    Kind::Text,
    "",
    "9.2",
    "short fixed name of the rule that was not kept",
);
pub const VALUE: Column = column("value", Kind::Num, "as in unit", "9.2", "what was measured");
pub const VALUE_UNIT: Column = column("unit", Kind::Text, "", "9.2", "unit of value, low and high");
pub const BAND_LOW: Column = column(
    "low",
    Kind::Num,
    "as in unit",
    "9.2",
    "lower end of the band, where there is one",
);
pub const BAND_HIGH: Column = column(
    "high",
    Kind::Num,
    "as in unit",
    "9.2",
    "upper end of the band, where there is one",
);
pub const TEXT: Column = column("text", Kind::Text, "", "9.1", "what was seen, in words");
pub const ADVICE: Column = column("advice", Kind::Text, "", "9.1", "what to try next time");

// Columns of `reference`.
pub const HELD_MEASURE: Column = column(
    "measure",
    Kind::Text,
    "",
    "9.5",
    "the column of tests that was held against the reference",
);
pub const HELD_UNIT: Column = column(
    "unit",
    Kind::Text,
    "",
    "9.5",
    "unit of value, reference and difference",
);
pub const HELD_VALUE: Column = column("value", Kind::Num, "as in unit", "9.5", "what this test measured");
pub const REFERENCE_MEAN: Column = column(
    "reference",
    Kind::Num,
    "as in unit",
    "9.5",
    "mean of the reference tests in scope",
);
pub const REFERENCE_SD: Column = column(
    "reference_sd",
    Kind::Num,
    "as in unit",
    "9.5",
    "standard deviation between the reference tests in scope",
);
pub const REFERENCE_TESTS: Column = column(
    "reference_tests",
    Kind::Int,
    "",
    "9.5",
    "reference tests in scope that have the measure",
);
pub const REFERENCE_SCOPE: Column = column(
    "scope",
    Kind::Text,
    "",
    "9.5",
    "reference tests of which level or region the test is held against",
);
pub const FROM_REFERENCE: Column = column(
    "difference",
    Kind::Num,
    "as in unit",
    "9.5",
    "value less reference: the signed error",
);
pub const FROM_REFERENCE_U95: Column = column(
    "difference_u95",
    Kind::Num,
    "as in unit",
    "9.5",
    "half-width of the 95 % interval of the difference: this measurement and the mean of the reference",
);
pub const FROM_REFERENCE_PERCENT: Column = column(
    "difference_percent",
    Kind::Num,
    "%",
    "9.5",
    "difference in percent of the reference",
);
pub const WITHIN_SPREAD: Column = column(
    "within_spread",
    Kind::Bool,
    "",
    "9.5",
    "whether the value lies within two standard deviations of the reference tests, of which there are three or more",
);

// Columns of `unpaired`.
pub const TRIALS: Column = column("trials", Kind::Int, "", "6.1", "trials that found no partner");
pub const UNPAIRED_REASON: Column = column("reason", Kind::Text, "", "6.1", "what is missing");

// Columns of `exclusions`.
pub const WHAT: Column = column(
    "what",
    Kind::Text,
    "",
    "",
    "what was left out: file, test or spring",
);
pub const BY: Column = column(
    "by",
    Kind::Text,
    "",
    "",
    "who left it out: a rule of the methods or a person",
);
pub const REASON: Column = column("reason", Kind::Text, "", "", "why it was left out");

// Columns of `codebook`.
pub const TABLE: Column = column("table", Kind::Text, "", "", "table that the column stands in");
pub const COLUMN: Column = column("column", Kind::Text, "", "", "name of the column");
pub const KIND: Column = column(
    "kind",
    Kind::Text,
    "",
    "",
    "what its cells are: text, whole number, number, true or false, list",
);
pub const COLUMN_UNIT: Column = column("unit", Kind::Text, "", "", "unit of its cells");
pub const MEANING: Column = column("meaning", Kind::Text, "", "", "what it holds");
pub const SECTION: Column = column(
    "section",
    Kind::Text,
    "",
    "",
    "section of METHODS.md that defines it",
);
