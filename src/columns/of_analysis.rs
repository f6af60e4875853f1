//! Columns of what an analysis holds beside its rows: problems, and the budgets of uncertainty.

use super::column::columns;

columns! {
    // Columns of `problems`.
    SEVERITY = "severity": Text, "error when the input could not be used, warning when it was used all the same";
    PROBLEM_FILE = "file": Text, "file, relative to the input given";
    PROBLEM_LINE = "line": Int, "line of the file, from 1";
    PROBLEM_COLUMN = "column": Text, "heading of the column, or key of a TOML file";
    FOUND = "found": Text, "what stands there";
    EXPECTED = "expected": Text, "what should stand there";
    PROBLEM_ADVICE = "advice": Text, "what to do";

    // Columns of `budget`.
    BUDGET_MEASURE = "measure": Text, at "5.1", "measure that the line belongs to, by the name of its column in tests";
    SOURCE = "source": Text, at "5.1", "where the uncertainty comes from";
    STANDARD_UNCERTAINTY = "u": Num, at "5.1", "standard uncertainty in the measure's unit, multiplied by its sensitivity";
    BUDGET_DF = "degrees_of_freedom": Num, at "5.1", "degrees of freedom of u; missing where it is taken as known";
    VARIANCE_SHARE = "share": Num, at "5.1", "part of the combined variance";
}
