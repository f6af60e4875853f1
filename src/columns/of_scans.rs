//! Columns of `findings`, `technique`, `unpaired`, `exclusions` and `codebook`.

use super::column::columns;

columns! {
    // Columns of `findings`.
    COMPARISON = "comparison": Text, at "6.1",
        "what was held against what: left_right, or neighbours for a midline step";
    MEASURE = "measure": Text, at "6.1", "the column of tests that was compared";
    UNIT = "unit": Text, at "6.2", "unit of left, right and difference";
    LEFT = "left": Num, in "as in unit", at "6.2",
        "mean over the trials of the left side; for neighbours, the neighbours' median";
    RIGHT = "right": Num, in "as in unit", at "6.2",
        "mean over the trials of the right side; for neighbours, the step's own value";
    LEFT_TRIALS = "left_trials": Int, at "6.1", "trials behind left";
    RIGHT_TRIALS = "right_trials": Int, at "6.1", "trials behind right";
    ASYMMETRY = "asymmetry_percent": Num, in "%", at "6.2",
        "200 tanh(d/2) with d = ln(right/left): positive when the right is larger; missing for a measure compared by difference";
    LOW = "low_percent": Num, in "%", at "6.5", "lower end of the interval of the asymmetry";
    HIGH = "high_percent": Num, in "%", at "6.5", "upper end of the interval of the asymmetry";
    THRESHOLD = "threshold_percent": Num, in "%", at "6.6",
        "the study's margin: a side is named only beyond it";
    MDC = "mdc_percent": Num, in "%", at "6.6",
        "smallest difference of the means compared that this lab can tell from none, 95 %";
    SPREAD_SOURCE = "spread_source": Text, at "6.4",
        "where the spread comes from: trials, agreement (the lab's own) or published";
    SIDE_OF_RESISTANCE = "side_of_resistance": Text, at "6.7",
        "left, right, even or undecided; for neighbours stiffer_than_neighbours, like_neighbours or undecided; missing for measures shown without a word";
    TRIALS_TO_DECIDE = "trials_to_decide": Text, in "trials a side", at "6.8",
        "trials a side that would decide an undecided level at this spread, or that one session cannot";
    CALL = "call": Text, at "6.10", "what the examiner said felt more resistant: left, right, even or unsure";
    CALL_AGREES = "call_agrees": Bool, at "6.10", "whether the call is the side of resistance";
    DIFFERENCE = "difference": Num, in "as in unit", at "6.2",
        "right minus left, for a measure compared by difference";
    DIFFERENCE_LOW = "difference_low": Num, in "as in unit", at "6.5",
        "lower end of the 95 % interval of the difference";
    DIFFERENCE_HIGH = "difference_high": Num, in "as in unit", at "6.5",
        "upper end of the 95 % interval of the difference";
    STANDARD_ERROR = "standard_error": Num, in "log ratio, or as in unit", at "6.5",
        "standard error of the difference: of ln(right/left), or in the unit for a measure compared by difference";
    DEGREES_OF_FREEDOM = "degrees_of_freedom": Num, at "6.4",
        "degrees of freedom of the standard error; missing beside a standard error where the spread is taken as known";
    P_VALUE = "p_value": Num, at "6.7",
        "p of the test that the difference is beyond the threshold, one-sided for neighbours; missing for measures shown without a word";
    P_ADJUSTED = "p_adjusted": Num, at "6.7",
        "p_value adjusted for the number of levels of the scan (Benjamini-Hochberg), which a side is named by";
    VARIANCE_RULE = "variance_rule": Text, at "6.4",
        "how the variance of a trial was had: pooled over the levels, moderated by level, raised to the level's own where that is larger, the level's own alone where it stands out, or given (agreement or published)";
    RAISED_TO_MEASUREMENT = "raised_to_measurement": Bool, at "6.5",
        "whether that variance was raised to the variance of the measurement, which is larger, on a side at least";

    // Columns of `technique`.
    FINDING = "finding": Text, at "9.2", "short fixed name of the rule that was not kept";
    VALUE = "value": Num, in "as in unit", at "9.2", "what was measured";
    VALUE_UNIT = "unit": Text, at "9.2", "unit of value, low and high";
    BAND_LOW = "low": Num, in "as in unit", at "9.2", "lower end of the band, where there is one";
    BAND_HIGH = "high": Num, in "as in unit", at "9.2", "upper end of the band, where there is one";
    TEXT = "text": Text, at "9.1", "what was seen, in words";
    ADVICE = "advice": Text, at "9.1", "what to try next time";

    // Columns of `reference`.
    HELD_MEASURE = "measure": Text, at "9.5", "the column of tests that was held against the reference";
    HELD_UNIT = "unit": Text, at "9.5", "unit of value, reference and difference";
    HELD_VALUE = "value": Num, in "as in unit", at "9.5", "what this test measured";
    REFERENCE_MEAN = "reference": Num, in "as in unit", at "9.5", "mean of the reference tests in scope";
    REFERENCE_SD = "reference_sd": Num, in "as in unit", at "9.5",
        "standard deviation between the reference tests in scope";
    REFERENCE_TESTS = "reference_tests": Int, at "9.5", "reference tests in scope that have the measure";
    REFERENCE_SCOPE = "scope": Text, at "9.5",
        "reference tests of which level or region the test is held against";
    FROM_REFERENCE = "difference": Num, in "as in unit", at "9.5", "value less reference: the signed error";
    FROM_REFERENCE_U95 = "difference_u95": Num, in "as in unit", at "9.5",
        "half-width of the 95 % interval of the difference: this measurement and the mean of the reference";
    FROM_REFERENCE_PERCENT = "difference_percent": Num, in "%", at "9.5",
        "difference in percent of the reference";
    WITHIN_SPREAD = "within_spread": Bool, at "9.5",
        "whether the value lies within two standard deviations of the reference tests, of which there are three or more";

    // Columns of `unpaired`.
    TRIALS = "trials": Int, at "6.1", "trials that found no partner";
    UNPAIRED_REASON = "reason": Text, at "6.1", "what is missing";

    // Columns of `exclusions`.
    WHAT = "what": Text, "what was left out: file, test or spring";
    BY = "by": Text, "who left it out: a rule of the methods or a person";
    REASON = "reason": Text, "why it was left out";

    // Columns of `codebook`.
    TABLE = "table": Text, "table that the column stands in";
    COLUMN = "column": Text, "name of the column";
    KIND = "kind": Text, "what its cells are: text, whole number, number, true or false, list";
    COLUMN_UNIT = "unit": Text, "unit of its cells";
    MEANING = "meaning": Text, "what it holds";
    SECTION = "section": Text, "section of METHODS.md that defines it";
}
