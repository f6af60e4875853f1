//! Files to traces: every accepted way to write the same trace gives the same trace.

use approx::assert_relative_eq;
use proptest::prelude::*;
use tautpoint::read::{ReadTrace, read_bytes, read_trace, sha256_hex};
use tautpoint::study::mapping::{ColumnKey, ColumnMapping};
use tautpoint::terms::Side;
use tautpoint::trace::{About, Trace};
use tautpoint::units::{Quantity, Unit};

fn read(text: &str) -> ReadTrace {
    read_bytes(
        text.as_bytes(),
        "a.csv",
        &ColumnMapping::default(),
        About::default(),
    )
    .unwrap()
}

fn trace(text: &str) -> Trace {
    read(text).trace
}

#[test]
fn the_example_of_the_file_format_is_read() {
    let t = trace(
        "# comment lines may stand first\ntime_s,force_left_n,force_right_n,displacement_mm,marker\n\
         0.000,0.02,-0.01,0.000,1\n0.005,0.01,0.03,0.002,1\n0.010,-0.03,0.02,0.001,2\n",
    );
    assert_eq!(t.time_s, [0.0, 0.005, 0.010]);
    assert_eq!(t.channels.len(), 2);
    assert_eq!(t.channels[0].side, Some(Side::Left));
    assert_eq!(t.channels[1].side, Some(Side::Right));
    assert_eq!(t.channels[1].force_n, [-0.01, 0.03, 0.02]);
    assert!(t.channels.iter().all(|c| c.displacement_shared));
    assert_eq!(t.channels[0].displacement_mm, t.channels[1].displacement_mm);
    assert_eq!(t.marker.as_deref(), Some(&[1, 1, 2][..]));
    assert_eq!(t.drive_deg, None);
}

#[test]
fn units_become_seconds_newtons_and_millimetres() {
    let t = trace("time_ms,force_lbf,displacement_in\n0,1,1\n5,10,0.125\n");
    assert_relative_eq!(t.time_s[1], 0.005, max_relative = 1e-15);
    // 1 lbf = 4.448 221 615 260 5 N exactly: NIST SP 811 (2008), Appendix B.8, "pound-force".
    assert_relative_eq!(
        t.channels[0].force_n[0],
        4.448_221_615_260_5,
        max_relative = 1e-15
    );
    // 1 in = 25.4 mm exactly: NIST SP 811 (2008), Appendix B.8, "inch". An eighth of it is 3.175 mm.
    let mm = t.channels[0].displacement_mm.as_ref().unwrap();
    assert_relative_eq!(mm[1], 3.175, max_relative = 1e-15);
    let t = trace("time_us,force_kgf,displacement_um\n0,1,1500\n5000,2,0\n");
    // 1 kgf = 9.806 65 N exactly: NIST SP 811 (2008), Appendix B.8, "kilogram-force".
    assert_relative_eq!(t.channels[0].force_n[0], 9.806_65, max_relative = 1e-15);
    assert_relative_eq!(
        t.channels[0].displacement_mm.as_ref().unwrap()[0],
        1.5,
        max_relative = 1e-15
    );
    let t = trace(
        "Time_S;FORCE_KN;Displacement_M\n0;0,05;0,0032\n1;5e-2;3.2e-3\n"
            .replace('.', ",")
            .as_str(),
    );
    assert_relative_eq!(t.channels[0].force_n[0], 50.0, max_relative = 1e-15);
    assert_eq!(t.channels[0].force_n[0], t.channels[0].force_n[1]);
    let t = trace("time_s,force_gf\n0,1000\n1,0\n");
    assert_relative_eq!(t.channels[0].force_n[0], 9.806_65, max_relative = 1e-15);
}

#[test]
fn empty_and_nan_cells_are_missing_samples() {
    let t = trace("time_s,force_n,displacement_mm\n0,,1\n1,NaN,2\n2,3,nan\n3,4,\n");
    let c = &t.channels[0];
    assert!(c.force_n[0].is_nan() && c.force_n[1].is_nan());
    assert_eq!(c.force_n[2..], [3.0, 4.0]);
    let mm = c.displacement_mm.as_ref().unwrap();
    assert!(mm[2].is_nan() && mm[3].is_nan());
}

#[test]
fn columns_may_stand_in_any_order_and_others_are_noted_once() {
    let t = trace("room;force_n;note;time_s\n\"a;b\";1,5;\"he said \"\"go\"\"\";0\nc;2,5;d;0,5\n");
    assert_eq!(t.time_s, [0.0, 0.5]);
    assert_eq!(t.channels[0].force_n, [1.5, 2.5]);
    assert_eq!(t.notes, ["columns not used: room and note"]);
    assert_eq!(t.channels[0].displacement_mm, None);
}

#[test]
fn a_quoted_cell_may_hold_a_line_end() {
    let t = trace("time_s,force_n,note\n0,1,\"two\nlines\"\n1,2,x\n");
    assert_eq!(t.channels[0].force_n, [1.0, 2.0]);
}

#[test]
fn quoted_decimal_commas_are_read_in_a_comma_file() {
    let t = trace("\"time_s\",\"force_n\"\n\"0,5\",\"1,25\"\n\"1,0\",\"2\"\n");
    assert_eq!(t.time_s, [0.5, 1.0]);
    assert_eq!(t.channels[0].force_n, [1.25, 2.0]);
}

#[test]
fn the_sidecar_names_other_headings() {
    let mapping = ColumnMapping::default()
        .with(
            ColumnKey::Time,
            "Zeit",
            Unit::parse(Quantity::Time, "ms").unwrap(),
        )
        .with(
            ColumnKey::ForceLeft,
            "Load cell 1",
            Unit::parse(Quantity::Force, "lbf").unwrap(),
        )
        .with(
            ColumnKey::ForceRight,
            "load CELL 2",
            Unit::parse(Quantity::Force, "N").unwrap(),
        )
        .with(ColumnKey::Marker, "Event", Unit::Scale(1.0));
    let text = "Zeit\tLoad cell 1\tLoad cell 2\tEvent\tforce_n\n0\t1\t2\t1\t9\n10\t3\t4\t\t9\n";
    let r = read_bytes(text.as_bytes(), "a.txt", &mapping, About::default()).unwrap();
    assert_relative_eq!(r.trace.time_s[1], 0.01);
    assert_relative_eq!(r.trace.channels[0].force_n[0], 4.448_221_615_260_5);
    assert_eq!(r.trace.channels[1].force_n, [2.0, 4.0]);
    assert_eq!(r.trace.marker.as_deref(), Some(&[1, 1][..]));
    assert!(
        r.problems.iter().any(|p| p.column.as_deref() == Some("force_n")),
        "{:?}",
        r.problems
    );
}

#[test]
fn a_single_force_column_takes_the_side_of_the_sidecar() {
    let about = About {
        side: Some(Side::Right),
        ..About::default()
    };
    let text = b"time_s,force_n,displacement_right_mm\n0,1,2\n1,2,3\n";
    let r = read_bytes(text, "a.csv", &ColumnMapping::default(), about).unwrap();
    assert_eq!(r.trace.channels[0].side, Some(Side::Right));
    assert_eq!(
        r.trace.channels[0].displacement_mm.as_deref(),
        Some(&[2.0, 3.0][..])
    );
    assert_eq!(trace("time_s,force_n\n0,1\n1,2\n").channels[0].side, None);
}

#[test]
fn equal_times_are_sorted_out_and_said() {
    let t = trace("time_s,force_n,marker\n0,1,1\n0.1,2,1\n0.1,3,1\n0.2,4,2\n");
    assert_eq!(t.time_s, [0.0, 0.1, 0.2]);
    assert_eq!(t.channels[0].force_n, [1.0, 2.0, 4.0]);
    assert_eq!(t.marker.as_deref(), Some(&[1, 1, 2][..]));
    assert!(t.notes[0].starts_with("equal times: 1 "), "{:?}", t.notes);
}

#[test]
fn the_hash_is_that_of_the_bytes() {
    // FIPS 180-2, appendix B.1: SHA-256 of "abc".
    assert_eq!(
        sha256_hex(b"abc"),
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    );
    let text = "time_s,force_n\n0,1\n";
    let r = read(text);
    assert_eq!(r.sha256, sha256_hex(text.as_bytes()));
    assert_eq!(r.bytes, text.len() as u64);
}

#[test]
fn parquet_gives_the_same_trace_as_text() {
    use polars::prelude::{Column, DataFrame, ParquetWriter};
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.parquet");
    let mut frame = DataFrame::new_infer_height(vec![
        Column::new("note".into(), ["x", "y", "z"]),
        Column::new("Time_MS".into(), [0_i64, 5, 10]),
        Column::new("force_left_n".into(), [Some(1.5), None, Some(f64::NAN)]),
        Column::new("force_right_n".into(), [1_i32, 2, 3]),
        Column::new("displacement_mm".into(), [0.5_f32, 1.5, 2.5]),
        Column::new("marker".into(), [1_u32, 1, 2]),
    ])
    .unwrap();
    ParquetWriter::new(std::fs::File::create(&path).unwrap())
        .finish(&mut frame)
        .unwrap();
    let mapping = ColumnMapping::default();
    let parquet = read_trace(&path, "a.csv", &mapping, About::default()).unwrap();
    let text = trace(
        "note,time_ms,force_left_n,force_right_n,displacement_mm,marker\nx,0,1.5,1,0.5,1\ny,5,,2,1.5,1\nz,10,NaN,3,2.5,2\n",
    );
    assert!(same(&parquet.trace, &text), "{:?}\n{text:?}", parquet.trace);
}

#[test]
fn parquet_of_another_writer_gives_its_numbers() {
    // Written by pyarrow 26.0.1: tests/reference/parquet/README.md. The expected values stand in make.py.
    let path = std::path::Path::new("tests/reference/parquet/other-writer.parquet");
    let read = read_trace(path, "p.parquet", &ColumnMapping::default(), About::default()).unwrap();
    let expected = trace(
        "time_s,force_left_n,force_right_n,displacement_mm,marker\n0,1.5,1,0,1\n0.005,,2,0.5,1\n0.01,NaN,3,1,2\n0.015,2.5,4,1.5,2\n",
    );
    assert!(same(&read.trace, &expected), "{:?}", read.trace);
    assert_eq!(
        read.trace.notes,
        ["columns not used: clock, price, note and flag"]
    );
    let path = std::path::Path::new("tests/reference/parquet/small-integers.parquet");
    let error = read_trace(path, "p.parquet", &ColumnMapping::default(), About::default())
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("column force_right_n: found a column of type Int16"),
        "{error}"
    );
}

#[test]
fn a_parquet_column_of_text_is_named() {
    use polars::prelude::{Column, DataFrame, ParquetWriter};
    let mut bytes = Vec::new();
    let mut frame = DataFrame::new_infer_height(vec![
        Column::new("time_s".into(), [0.0, 1.0]),
        Column::new("force_n".into(), ["1", "2"]),
    ])
    .unwrap();
    ParquetWriter::new(&mut bytes).finish(&mut frame).unwrap();
    let error = read_bytes(&bytes, "a.parquet", &ColumnMapping::default(), About::default())
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("column force_n") && error.contains("a column of numbers"),
        "{error}"
    );
}

/// Equal, a missing sample being equal to a missing sample.
fn same(a: &Trace, b: &Trace) -> bool {
    let alike = |x: &[f64], y: &[f64]| {
        x.len() == y.len() && x.iter().zip(y).all(|(p, q)| p == q || (p.is_nan() && q.is_nan()))
    };
    alike(&a.time_s, &b.time_s)
        && a.marker == b.marker
        && a.channels.len() == b.channels.len()
        && a.channels.iter().zip(&b.channels).all(|(c, d)| {
            c.side == d.side
                && alike(&c.force_n, &d.force_n)
                && match (&c.displacement_mm, &d.displacement_mm) {
                    (Some(x), Some(y)) => alike(x, y),
                    (x, y) => x.is_none() && y.is_none(),
                }
        })
}

/// One way to write a file down.
#[derive(Debug, Clone)]
struct Manner {
    delimiter: &'static str,
    decimal_comma: bool,
    crlf: bool,
    bom: bool,
    quotes: bool,
    comments: usize,
    blanks: bool,
    last_line_end: bool,
    scientific: bool,
    reversed: bool,
}

fn manner() -> impl Strategy<Value = Manner> {
    let flags = (
        any::<bool>(),
        any::<bool>(),
        any::<bool>(),
        any::<bool>(),
        any::<bool>(),
        any::<bool>(),
        any::<bool>(),
        any::<bool>(),
    );
    (prop::sample::select(vec![",", ";", "\t"]), 0_usize..3, flags).prop_map(|(delimiter, comments, f)| {
        Manner {
            delimiter,
            decimal_comma: f.0 && delimiter != ",",
            crlf: f.1,
            bom: f.2,
            quotes: f.3,
            comments,
            blanks: f.4,
            last_line_end: f.5,
            scientific: f.6,
            reversed: f.7,
        }
    })
}

fn write_down(rows: &[[Option<f64>; 3]], m: &Manner) -> String {
    let end = if m.crlf { "\r\n" } else { "\n" };
    let number = |v: &Option<f64>| match v {
        None => String::new(),
        Some(v) => {
            let text = if m.scientific {
                format!("{v:e}")
            } else {
                v.to_string()
            };
            if m.decimal_comma {
                text.replace('.', ",")
            } else {
                text
            }
        }
    };
    let join = |mut cells: Vec<String>| {
        if m.reversed {
            cells.reverse();
        }
        if m.quotes {
            cells.iter_mut().for_each(|c| *c = format!("\"{c}\""));
        }
        cells.join(m.delimiter)
    };
    let mut lines: Vec<String> = (0..m.comments).map(|i| format!("# comment, {i}; \"x")).collect();
    lines.push(join(
        ["time_s", "force_n", "displacement_mm"]
            .map(str::to_owned)
            .to_vec(),
    ));
    for row in rows {
        if m.blanks {
            lines.push(String::new());
        }
        lines.push(join(row.iter().map(number).collect()));
    }
    let mut text = lines.join(end);
    if m.last_line_end {
        text.push_str(end);
    }
    if m.bom {
        text.insert(0, '\u{feff}');
    }
    text
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    #[test]
    fn every_manner_of_writing_gives_the_same_trace(
        cells in prop::collection::vec((prop::option::weighted(0.9, -500.0..500.0_f64), prop::option::weighted(0.9, -5e-3..50.0_f64)), 1..40),
        m in manner(),
    ) {
        let mut rows: Vec<[Option<f64>; 3]> = cells.iter().enumerate().map(|(i, (f, x))| [Some(i as f64 / 250.0), *f, *x]).collect();
        rows[0] = [Some(0.0), Some(0.25), Some(0.5)];
        let r = read_bytes(write_down(&rows, &m).as_bytes(), "a.csv", &ColumnMapping::default(), About::default()).unwrap();
        let or_nan = |v: Option<f64>| v.unwrap_or(f64::NAN);
        let expected = Trace {
            time_s: rows.iter().map(|r| or_nan(r[0])).collect(),
            channels: vec![tautpoint::trace::Channel {
                side: None,
                force_n: rows.iter().map(|r| or_nan(r[1])).collect(),
                displacement_mm: Some(rows.iter().map(|r| or_nan(r[2])).collect()),
                displacement_shared: false,
            }],
            ..r.trace.clone()
        };
        prop_assert!(same(&r.trace, &expected), "{:?}", r.trace);
        prop_assert!(r.problems.is_empty(), "{:?}", r.problems);
    }

    #[test]
    fn random_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = read_bytes(&bytes, "a.csv", &ColumnMapping::default(), About::default());
    }

    #[test]
    fn random_text_after_a_good_header_never_panics(text in "[0-9eE+\\-.,;\t\"\n\r#naN ]{0,200}") {
        let all = format!("time_s;force_n;displacement_mm\n0;1;2\n{text}");
        if let Ok(r) = read_bytes(all.as_bytes(), "a.csv", &ColumnMapping::default(), About::default()) {
            prop_assert!(r.trace.time_s.windows(2).all(|w| w[0] < w[1]));
            prop_assert!(r.trace.channels.iter().all(|c| c.force_n.len() == r.trace.time_s.len()));
            prop_assert!(r.trace.channels.iter().all(|c| c.force_n.iter().all(|f| !f.is_infinite())));
        }
    }

    #[test]
    fn a_parquet_file_cut_off_anywhere_is_an_error(cut in 1_usize..400) {
        let mut bytes = small_parquet();
        let n = bytes.len();
        bytes.truncate(n.saturating_sub(cut).max(4));
        let read = read_bytes(&bytes, "a.parquet", &ColumnMapping::default(), About::default());
        prop_assert!(read.is_err());
    }
}

fn small_parquet() -> Vec<u8> {
    use polars::prelude::{Column, DataFrame, ParquetWriter};
    let mut bytes = Vec::new();
    let mut frame = DataFrame::new_infer_height(vec![
        Column::new("time_s".into(), [0.0, 1.0]),
        Column::new("force_n".into(), [0.0, 1.0]),
    ])
    .unwrap();
    ParquetWriter::new(&mut bytes).finish(&mut frame).unwrap();
    bytes
}
