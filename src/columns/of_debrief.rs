//! Columns of the debrief's tables: `learners`, `closeness`, `learning-curves`, `findings-share`, `coverage`, `feedback` and
//! `objective`.

use super::column::columns;

columns! {
    // Columns that several of them share.
    LEARNER = "learner": Text, "code of the learner; missing for the whole class";
    GROUP = "group": Text, "class or year, from roster.csv";

    // Columns of `learners`.
    SESSION_NUMBER = "session_number": Int,
        "the learner's sessions counted in order of time, from 1; missing for tests whose session nobody named";
    RETENTION = "retention": Bool, at "9.9",
        "whether the tests were made without feedback on another day than the learner's last feedback";
    REGION = "region": Text, "region of the spine";
    BOTH_HANDS = "both_hands": Bool, "both hands at once, each on a sensor";
    SHOWN_MEASURE = "measure": Text, at "9.8",
        "what was averaged: a column of tests, or left_hand_share_percent, the share of the preload that the hand on the subject's left carried";
    SHOWN_UNIT = "unit": Text, at "9.8", "unit of mean, ends and band";
    SPOT_TESTS = "tests": Int, at "9.8", "tests behind the mean, a row a side";
    MEAN = "mean": Num, in "as in unit", at "9.8", "mean over the tests";
    MEAN_LOW = "mean_low": Num, in "as in unit", at "9.8",
        "lower end of the 95 % interval of the mean, from the spread between tests; missing with one test";
    MEAN_HIGH = "mean_high": Num, in "as in unit", at "9.8", "upper end of the 95 % interval of the mean";
    BAND_FROM = "band_from": Text, at "9.8",
        "where the band comes from: reference (the teacher's tests), settings, or ceiling; missing without a band";
    SHOWN_LOW = "band_low": Num, in "as in unit", at "9.8", "lower end of the band";
    SHOWN_HIGH = "band_high": Num, in "as in unit", at "9.8", "upper end of the band";

    // Columns of `closeness` and `learning-curves`.
    ERROR_MEASURE = "measure": Text, at "9.6",
        "the column of tests that is held against the teacher's tests, or peak_estimate, what the learner thought total_peak_n was";
    TRIES = "tests": Int, at "9.6", "tests behind the errors, a row a side";
    CONSTANT = "constant_error_percent": Num, in "%", at "9.6",
        "mean of the signed differences from the teacher's tests of the same level or region, in percent of their mean; of an estimate from the measured peak, in percent of that";
    CONSTANT_U95 = "constant_error_percent_u95": Num, in "%", at "9.6",
        "half-width of the 95 % interval of constant_error_percent";
    ABSOLUTE = "absolute_error_percent": Num, in "%", at "9.6", "mean size of those differences";
    ABSOLUTE_LOW = "absolute_error_low_percent": Num, in "%", at "9.6",
        "lower end of its 95 % interval, from the spread between tests";
    ABSOLUTE_HIGH = "absolute_error_high_percent": Num, in "%", at "9.6", "upper end of that interval";
    VARIABLE = "variable_error_percent": Num, in "%", at "9.6",
        "standard deviation of the signed differences about their own mean, over n";
    TOTAL_ERROR = "total_error_percent": Num, in "%", at "9.6", "root mean square of the differences";
    LAW = "law": Text, at "9.7",
        "power law, a + b n^-c, or exponential, a + b e^(-cn), with n the session from 1; missing without a curve";
    CURVE_A = "a_percent": Num, in "%", at "9.7", "the error that stays";
    CURVE_A_U95 = "a_percent_u95": Num, in "%", at "9.7",
        "half-width of its 95 % interval; missing where it is held at 0";
    CURVE_B = "b_percent": Num, in "%", at "9.7", "the error that is lost";
    CURVE_B_U95 = "b_percent_u95": Num, in "%", at "9.7", "half-width of its 95 % interval";
    CURVE_C = "c": Num, at "9.7", "how fast";
    CURVE_C_U95 = "c_u95": Num, at "9.7", "half-width of its 95 % interval";
    NO_CURVE = "why_not": Text, at "9.7", "why there is no curve";

    // Columns of `findings-share`.
    COUNTED = "of": Text, at "9.8",
        "what is counted: tests (both sides of a bilateral trace are one), or scans that have a plan";
    TOTAL = "total": Int, in "as in of", at "9.8", "tests or scans in all";
    WITH_FINDING = "with_finding": Int, in "as in of", at "9.8",
        "tests or scans in which the finding was made at least once";
    JUDGED = "judged": Int, in "as in of", at "9.8",
        "tests in which the finding could be made at all, since what it is judged by was measured; scans that have a plan";
    IN_NO_TEST = "in_no_test": Int, in "pushes", at "9.3", "pushes over a ceiling that no test holds; no part of the share";
    SHARE = "share_percent": Num, in "%", at "9.8", "with_finding over total; empty where none could be judged";
    SHARE_LOW = "share_low_percent": Num, in "%", at "9.8",
        "lower end of the 95 % score interval of the share (Wilson 1927), as if each test were drawn anew from the same hands";
    SHARE_HIGH = "share_high_percent": Num, in "%", at "9.8", "upper end of that interval";

    // Columns of `feedback`.
    GIVEN_TESTS = "tests": Int, at "9.9", "tests of the session; both sides of a bilateral trace are one";
    SHOWN_DURING = "shown_during": Int, in "tests", at "9.9", "tests whose running values were shown while the hand was on";
    SHOWN_AFTER = "shown_after": Int, in "tests", at "9.9", "tests that were shown when they had ended";
    SHOWN_IN_SUMMARY = "shown_in_summary": Int, in "tests", at "9.9", "tests that were shown with those before them";
    NOT_SHOWN = "not_shown": Int, in "tests", at "9.9", "tests of which nothing was shown when they had ended";
    NOT_NOTED = "not_noted": Int, in "tests", at "9.9", "tests of which nobody noted what was shown";
    RETENTION_TESTS = "retention_tests": Int, in "tests", at "9.9",
        "tests without feedback on another day than the learner's last feedback";

    // Columns of `objective`.
    GOAL_MEASURE = "measure": Text, at "9.10", "the measure that the goal is about, a column of tests";
    GOAL_TESTS = "goal_tests": Int, in "tests", at "9.10", "the learner's last so many tests count";
    GOAL_IN_BAND = "goal_in_band": Int, in "tests", at "9.10", "of them, so many are to lie in the band";
    TESTS_SO_FAR = "tests": Int, at "9.10", "tests that count by now";
    IN_BAND_SO_FAR = "in_band": Int, in "tests", at "9.10", "of them, those in the band on every side that was measured";
    NOT_JUDGED = "not_judged": Int, in "tests", at "9.10", "of them, those without the measure or without a band";
    OVER_CEILING_SO_FAR = "over_ceiling": Int, in "tests", at "9.10", "of them, those that passed a ceiling; the goal holds without any";

    // Columns of `coverage`.
    PLAN = "plan": Text, at "9.4", "scan plan that the scan is held against; missing without one";
    SCAN_TESTS = "tests": Int, at "2.2", "tests of the scan, a row a side";
    PLANNED = "planned": Int, in "tests", at "9.4", "tests that the plan asks for, a row a side";
    DONE = "done": Int, in "tests", at "9.4", "of those, how many were made";
    MISSED = "missed": List("; "), at "9.4",
        "level and side of each planned test that was not made, or not often enough";
    DOUBLED = "doubled": List("; "), at "9.4",
        "level and side of what was made more often than the plan has it";
    OUT_OF_ORDER = "out_of_order": List("; "), at "9.4",
        "level and side of what stands elsewhere in the scan than in the plan";
    SCAN_S = "scan_s": Num, in "s", "time that the scan took; missing when the recordings do not tell";
    SCAN_S_FROM = "scan_s_from": Text, "from when to when that time is counted";

    // Columns of `marks`.
    CANDIDATE = "candidate": Text, "code of the examiner who is assessed";
    ATTEMPT = "attempt": Int, "which attempt it is, from 1; missing when nobody said";
    STEP = "step": Int, at "9.4",
        "step of the plan, from 1, in the order in which it was to be made; missing beyond the plan";
    ITEM = "item": Text, at "9.1", "what is assessed; what no sensor sees has no value";
    SEEN = "seen": Text, at "9.1", "what was measured, in words";
    MARK_1 = "assessor_1": Text, "the first assessor's mark; empty, to be filled in";
    MARK_2 = "assessor_2": Text, "the second assessor's mark; empty, to be filled in";
}
