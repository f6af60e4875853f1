//! Parquet with changed bytes, false counts and columns that unpack to more than a recording can hold.

use super::*;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use tautpoint::cohort::parquet::recording;
use tautpoint::parquet_pages::verify_bytes;

/// A recording as the program writes it.
fn written() -> Vec<u8> {
    let mut columns = vec![
        ("time_s".to_owned(), Vec::new()),
        ("force_n".to_owned(), Vec::new()),
        ("displacement_mm".to_owned(), Vec::new()),
    ];
    press(1100, |t, f, x| {
        for (column, value) in columns.iter_mut().zip([t, f, x]) {
            column.1.push(Some((1e4 * value).round() / 1e4));
        }
        String::new()
    });
    recording(
        &columns,
        &[("tautpoint.sidecar".to_owned(), "level = \"L3\"".to_owned())],
    )
    .unwrap()
}

fn mutants(of: &[u8], seed: u64, count: usize, mut put: impl FnMut(usize, Vec<u8>)) {
    let mut random = StdRng::seed_from_u64(seed);
    for k in 0..count {
        let mut bytes = of.to_vec();
        for _ in 0..random.random_range(1..=3) {
            // Half of the damage falls on headers and footer, which are the smaller part.
            let at = match random.random_bool(0.5) {
                true => bytes.len() - 1 - random.random_range(0..900.min(bytes.len())),
                false => random.random_range(0..bytes.len()),
            };
            bytes[at] = match random.random_bool(0.5) {
                true => random.random(),
                false => bytes[at] ^ 1 << random.random_range(0..8),
            };
        }
        put(k, bytes);
    }
}

#[test]
fn a_file_of_ours_has_a_checksum_in_every_page_and_is_read_as_it_was_written() {
    let bytes = written();
    let verified = verify_bytes(&bytes).unwrap();
    assert!(
        verified.pages >= 3 && verified.checksums == verified.pages,
        "{verified:?}"
    );
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.parquet");
    std::fs::write(&path, bytes).unwrap();
    let csv = dir.path().join("b");
    answered(&run_within(
        SMALL_KB,
        &[
            "convert",
            path.to_str().unwrap(),
            "--to",
            "csv",
            "--out",
            csv.to_str().unwrap(),
        ],
    ));
    let text = std::fs::read_to_string(csv.join("a.csv")).unwrap();
    assert_eq!(
        text.lines()
            .filter(|l| l.starts_with(|c: char| c.is_ascii_digit()))
            .count(),
        1100,
        "{text:.300}"
    );
}

#[test]
fn a_changed_byte_in_a_page_is_always_refused() {
    let bytes = written();
    let footer = u32::from_le_bytes(bytes[bytes.len() - 8..bytes.len() - 4].try_into().unwrap()) as usize;
    let mut random = StdRng::seed_from_u64(5);
    let (mut accepted, mut tried) = (Vec::new(), 0);
    let sound = verify_bytes(&bytes).unwrap();
    for _ in 0..4000 {
        let at = random.random_range(4..bytes.len() - 8 - footer);
        let mut damaged = bytes.clone();
        damaged[at] ^= 1 << random.random_range(0..8);
        tried += 1;
        // Statistics in a page's header may change unseen: nobody reads them. The checksum's own field may not.
        if verify_bytes(&damaged).is_ok_and(|v| v != sound) {
            accepted.push(at);
        }
    }
    assert!(accepted.len() * 200 < tried, "{accepted:?}");
}

#[test]
fn columns_of_one_number_do_not_unpack_without_limit() {
    let rows = 9_000_000;
    let bytes = recording(&[("time_s".to_owned(), vec![Some(0.0); rows])], &[]).unwrap();
    let why = verify_bytes(&bytes).unwrap_err();
    assert!(why.contains("9000000 rows that unpack to"), "{why}");
}

#[test]
fn damaged_files_are_refused_by_name_and_end_no_batch() {
    let trials = std::env::var("TAUTPOINT_TRIALS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(1);
    let reference = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/parquet");
    let mut sources = vec![written()];
    let mut foreign: Vec<PathBuf> = std::fs::read_dir(reference)
        .unwrap()
        .map(|f| f.unwrap().path())
        .collect();
    foreign.sort();
    sources.extend(
        foreign
            .iter()
            .filter(|p| p.extension().is_some_and(|e| e == "parquet"))
            .map(|p| std::fs::read(p).unwrap()),
    );
    sources.retain(|s| s.len() < 2_000_000);
    for seed in 0..trials {
        let dir = tempfile::tempdir().unwrap();
        let mut names = Vec::new();
        for (s, source) in sources.iter().enumerate() {
            mutants(source, seed, 60, |k, bytes| {
                let name = format!("m-{s}-{k:03}.parquet");
                std::fs::write(dir.path().join(&name), bytes).unwrap();
                names.push(name);
            });
        }
        // Another press than the damaged ones were: what is left of those would be a copy of it.
        let rows = press(1100, |t, f, x| format!("{t:.3},{:.2},{x:.3}\n", 1.1 * f));
        let good = format!("time_s,force_n,displacement_mm\n{rows}");
        std::fs::write(dir.path().join("good.csv"), good).unwrap();
        std::fs::write(dir.path().join("good.toml"), "level = \"L3\"\n").unwrap();
        let output = run_within(SMALL_KB, &["check", dir.path().to_str().unwrap(), "--json"]);
        if !matches!(output.status.code(), Some(1)) {
            let keep = dir.keep();
            panic!(
                "seed {seed}: {:?}, files kept in {}",
                output.status,
                keep.display()
            );
        }
        let said = answered(&output);
        assert!(!said.contains("good.csv"), "{said}");
        assert!(names.iter().any(|n| said.contains(n.as_str())), "{said}");
    }
}
