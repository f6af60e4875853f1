//! Columns of the curves of tests, and of the marks in them.

use super::column::columns;

columns! {
    // Columns of a curve.
    CURVE_TIME = "time_s": Num, in "s", at "1.1", "time in the recording's own seconds, on its uniform time base";
    CURVE_FORCE = "force_n": Num, in "N", at "1.7", "conditioned force, from its zero";
    CURVE_DISPLACEMENT = "displacement_mm": Num, in "mm", at "1.7",
        "conditioned displacement, in the recording's own; missing where the test was analysed by force alone";

    // Columns of `marks`.
    CURVE_FILE = "file": Text, "file of the test's curve, in the same folder";
    MARK = "mark": Text, at "2.4",
        "what is there: first_contact, onset, hold_begin, hold_end, lean_end, spring_start, spring_peak, spring_end or last_contact";
    MARK_SPRING = "spring": Int, at "2.9", "number of the spring, for the marks of a spring";
    MARK_TIME = "time_s": Num, in "s", at "2.4", "time of the mark in the recording's own seconds";
    MARK_FORCE = "force_n": Num, in "N", at "1.7", "force of the curve at that time, on the line between two samples";
    MARK_DISPLACEMENT = "displacement_mm": Num, in "mm", at "1.7",
        "displacement of the curve at that time, on the line between two samples";
}
