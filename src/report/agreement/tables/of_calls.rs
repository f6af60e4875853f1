//! Tables of calls: kappas, calls against the measured side, and what each examiner just detects.

use super::{FIRST, Head, REASON, SECOND, ends, table};
use crate::agreement::calls::{AgainstMeasured, CALLED, CallAgreement, MEASURED};
use crate::columns::Kind;
use crate::report::tables::{Cell, Table};
use crate::stats::agreement::kappa::Weights;

const EXAMINER: Head = ("examiner", Kind::Text, "", "code of the examiner");
const LOW: Head = ("low", Kind::Num, "", "low end of the 95 % interval");
const HIGH: Head = ("high", Kind::Num, "", "high end of the 95 % interval");

pub(super) fn tables(calls: &CallAgreement) -> [Table; 4] {
    [
        kappas(calls),
        confusion(calls),
        sensitivity(calls),
        just_detected(calls),
    ]
}

fn kappas(calls: &CallAgreement) -> Table {
    let heads = [
        FIRST,
        SECOND,
        (
            "kind",
            Kind::Text,
            "",
            "weights of Cohen's kappa, or fleiss between all examiners",
        ),
        (
            "n",
            Kind::Num,
            "",
            "places called left, even or right by both, or by all",
        ),
        (
            "unsure_left_out",
            Kind::Int,
            "",
            "places that one of the two was unsure of",
        ),
        ("kappa", Kind::Num, "", "agreement beyond chance"),
        LOW,
        HIGH,
        ("se", Kind::Num, "", "standard error"),
        (
            "se_null",
            Kind::Num,
            "",
            "standard error if there were no agreement beyond chance",
        ),
        ("z", Kind::Num, "", "kappa over se_null"),
        ("observed", Kind::Num, "", "share of agreement, weighted"),
        (
            "expected",
            Kind::Num,
            "",
            "share of agreement by chance, weighted",
        ),
        REASON,
    ];
    let mut rows = Vec::new();
    for pair in &calls.pairs {
        for (i, weights) in [Weights::Plain, Weights::Linear, Weights::Quadratic]
            .iter()
            .enumerate()
        {
            let kappa = pair.kappas.as_ref().ok().map(|k| &k[i]);
            let n: f64 = pair.table.iter().flatten().sum();
            let mut row = [&pair.first, &pair.second].map(|w| Cell::text(w)).to_vec();
            row.extend([Cell::text(weights.word()), Cell::num(n), Cell::int(pair.unsure)]);
            row.extend(ends(kappa.map(|k| k.kappa)));
            let more = kappa.map(|k| (k.se, k.se_null, k.z, k.observed, k.expected));
            row.extend([
                Cell::num(more.map(|m| m.0)),
                Cell::num(more.map(|m| m.1)),
                Cell::num(more.and_then(|m| m.2)),
                Cell::num(more.map(|m| m.3)),
                Cell::num(more.map(|m| m.4)),
                Cell::maybe(pair.kappas.as_ref().err().map(String::as_str)),
            ]);
            rows.push(row);
        }
    }
    let all = calls.fleiss.as_ref();
    let mut row = vec![Cell::text("all"), Cell::Missing, Cell::text("fleiss")];
    row.extend([Cell::num(all.map(|k| k.subjects as f64)), Cell::Missing]);
    row.extend(ends(all.map(|k| k.kappa)));
    row.extend([
        Cell::num(all.map(|k| k.se)),
        Cell::num(all.map(|k| k.se_null)),
        Cell::num(all.and_then(|k| k.z)),
        Cell::num(all.map(|k| k.observed)),
        Cell::num(all.map(|k| k.expected)),
        Cell::maybe(calls.fleiss_reason.as_deref()),
    ]);
    rows.push(row);
    table("kappa", &heads, rows)
}

fn confusion(calls: &CallAgreement) -> Table {
    let heads = [
        EXAMINER,
        (
            "called",
            Kind::Text,
            "",
            "what the examiner said felt more resistant",
        ),
        ("measured", Kind::Text, "", "the side of resistance"),
        ("n", Kind::Int, "", "how many levels"),
    ];
    let mut rows = Vec::new();
    for a in &calls.against {
        for (called, row) in CALLED.iter().zip(&a.confusion) {
            for (measured, n) in MEASURED.iter().zip(row) {
                rows.push(vec![
                    Cell::text(&a.examiner),
                    Cell::term(Some(*called)),
                    Cell::term(Some(*measured)),
                    Cell::int(*n),
                ]);
            }
        }
    }
    table("confusion", &heads, rows)
}

fn sensitivity(calls: &CallAgreement) -> Table {
    let heads = [
        EXAMINER,
        ("from_percent", Kind::Num, "%", "smallest measured asymmetry"),
        (
            "to_percent",
            Kind::Num,
            "%",
            "largest, itself not in; empty for no upper edge",
        ),
        ("n", Kind::Int, "", "how many levels"),
        ("detected", Kind::Int, "", "of these, the stiffer side was named"),
        ("share", Kind::Num, "", "detected over n"),
        LOW,
        HIGH,
    ];
    let mut rows = Vec::new();
    for a in &calls.against {
        for s in &a.by_size {
            let mut row = vec![
                Cell::text(&a.examiner),
                Cell::num(s.from_percent),
                Cell::num(s.to_percent),
                Cell::int(s.n),
                Cell::int(s.detected),
            ];
            row.extend(ends(s.share));
            rows.push(row);
        }
    }
    table("sensitivity", &heads, rows)
}

fn just_detected(calls: &CallAgreement) -> Table {
    let heads = [
        EXAMINER,
        ("n", Kind::Int, "", "levels called and measured on both sides"),
        (
            "just_detected_percent",
            Kind::Num,
            "%",
            "asymmetry whose stiffer side is named half of the time",
        ),
        LOW,
        HIGH,
        (
            "slope_per_percent",
            Kind::Num,
            "1/%",
            "slope of the logistic curve",
        ),
        (
            "lapse_rate",
            Kind::Num,
            "",
            "share missed however large; 0 unless the calls show one",
        ),
        REASON,
    ];
    let row = |a: &AgainstMeasured| {
        let curve = a.curve.as_ref().ok();
        let mut row = vec![Cell::text(&a.examiner), Cell::int(a.detected.len())];
        row.extend(ends(curve.map(|c| c.just_detected)));
        row.extend([
            Cell::num(curve.and_then(|c| c.slope)),
            Cell::num(curve.map(|c| c.lapse)),
            Cell::maybe(a.curve.as_ref().err().map(String::as_str)),
        ]);
        row
    };
    table("just_detected", &heads, calls.against.iter().map(row).collect())
}
