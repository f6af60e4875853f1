//! The numbers of one table of ratings by name: JSON and CSV read the same list.

use crate::agreement::Summary;
use crate::stats::agreement::Interval;

/// A number with its name and meaning; the unit is that of the measure where `in_unit`.
pub(super) struct Number {
    pub name: String,
    pub value: Option<f64>,
    pub meaning: String,
    pub in_unit: bool,
}

/// Every number of a summary, always in the same order; what could not be had is `None`.
pub(super) fn numbers(summary: &Summary) -> Vec<Number> {
    let mut all = Vec::new();
    let squares = summary.squares.as_ref();
    let mut one = |name: &str, value: Option<f64>, meaning: &str, in_unit: bool| {
        all.push(Number {
            name: name.to_owned(),
            value: value.filter(|v| v.is_finite()),
            meaning: meaning.to_owned(),
            in_unit,
        });
    };
    one("mean", summary.mean, "mean of the ratings", true);
    one(
        "ratings_averaged",
        summary.averaged,
        "ratings that the coefficients of the mean of all ratings are of: the harmonic mean over subjects",
        false,
    );
    let i = &summary.icc;
    for (name, form, meaning) in [
        ("icc_1", i.one, "ICC(1): a single rating, raters interchangeable"),
        ("icc_a1", i.agreement, "ICC(A,1): agreement of a single rating"),
        (
            "icc_c1",
            i.consistency,
            "ICC(C,1): consistency of a single rating",
        ),
        (
            "icc_1k",
            i.one_average,
            "ICC(1,k): the mean of all ratings, raters interchangeable",
        ),
        (
            "icc_ak",
            i.agreement_average,
            "ICC(A,k): agreement of the mean of all ratings",
        ),
        (
            "icc_ck",
            i.consistency_average,
            "ICC(C,k): consistency of the mean of all ratings",
        ),
    ] {
        with_ends(&mut one, name, form, meaning, false);
    }
    let sem = summary.sem.as_ref();
    let consistency =
        "standard error of measurement of a single rating by consistency: root of the error variance";
    let agreement =
        "standard error of measurement of a single rating by agreement: root of rater variance and error variance";
    with_ends(
        &mut one,
        "sem_consistency",
        sem.map(|s| s.consistency),
        consistency,
        true,
    );
    with_ends(
        &mut one,
        "sem_agreement",
        sem.map(|s| s.agreement),
        agreement,
        true,
    );
    let mdc = sem.map(|s| s.mdc95_agreement());
    let mdc_c = sem.map(|s| s.mdc95_consistency());
    let percent = |i: Option<Interval>| i.and_then(|i| summary.percent(i.value));
    with_ends(&mut one, "mdc95", mdc, "1.96 root 2 times sem_agreement", true);
    one(
        "mdc95_percent",
        percent(mdc),
        "mdc95 in percent of the mean",
        false,
    );
    with_ends(
        &mut one,
        "mdc95_consistency",
        mdc_c,
        "1.96 root 2 times sem_consistency",
        true,
    );
    one(
        "mdc95_consistency_percent",
        percent(mdc_c),
        "mdc95_consistency in percent of the mean",
        false,
    );
    for (name, value, meaning) in [
        (
            "ms_subjects",
            squares.map(|s| s.between),
            "mean square between subjects, of a complete table",
        ),
        (
            "ms_raters",
            squares.map(|s| s.rater),
            "mean square between raters, of a complete table",
        ),
        ("ms_error", squares.map(|s| s.error), "error mean square, of a complete table"),
        (
            "ms_within",
            squares.map(|s| s.within),
            "mean square within subjects, of a complete table",
        ),
    ] {
        one(name, value, meaning, false);
    }
    all
}

fn with_ends(
    one: &mut impl FnMut(&str, Option<f64>, &str, bool),
    name: &str,
    interval: Option<Interval>,
    meaning: &str,
    in_unit: bool,
) {
    one(name, interval.map(|i| i.value), meaning, in_unit);
    for (end, value) in [
        ("low", interval.and_then(|i| i.low)),
        ("high", interval.and_then(|i| i.high)),
    ] {
        let meaning = format!("{end} end of the 95 % interval of {name}");
        one(&format!("{name}_{end}"), value, &meaning, in_unit);
    }
}
