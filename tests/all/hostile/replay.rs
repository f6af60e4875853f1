//! Every file that ever broke the program, by every command that reads recordings.

use super::*;

#[test]
fn no_file_of_the_corpus_ends_a_command_other_than_in_order() {
    let dir = tempfile::tempdir().unwrap();
    for ending in ["csv", "parquet"] {
        for file in corpus_files(ending) {
            let path = file.to_str().unwrap();
            let out = dir.path().join(file.file_name().unwrap());
            let [analysed, converted] =
                ["a", "c"].map(|o| out.with_extension(o).to_str().unwrap().to_owned());
            for args in [
                vec!["check", path],
                vec!["analyze", path, "--out", &analysed],
                vec![
                    "analyze",
                    path,
                    "--shard",
                    "1/1",
                    "--out",
                    &format!("{analysed}s"),
                ],
                vec!["convert", path, "--to", "csv", "--out", &converted],
                vec![
                    "convert",
                    path,
                    "--to",
                    "parquet",
                    "--out",
                    &format!("{converted}p"),
                ],
                vec!["calibrate", "--reference-spring", path],
            ] {
                let said = answered(&run_within(SMALL_KB, &args));
                assert!(said.len() < 20_000, "{args:?}: {said}");
            }
        }
    }
}

#[test]
fn a_good_recording_among_them_is_analysed_as_if_alone() {
    let dir = tempfile::tempdir().unwrap();
    let recordings = dir.path().join("recordings");
    std::fs::create_dir(&recordings).unwrap();
    write_press(&recordings.join("good.csv"));
    let alone = dir.path().join("alone");
    let good = recordings.join("good.csv");
    answered(&run_within(
        SMALL_KB,
        &[
            "analyze",
            good.to_str().unwrap(),
            "--out",
            alone.to_str().unwrap(),
        ],
    ));
    for ending in ["csv", "parquet"] {
        for file in corpus_files(ending) {
            std::fs::copy(&file, recordings.join(file.file_name().unwrap())).unwrap();
        }
    }
    let all = dir.path().join("all");
    let said = answered(&run_within(
        SMALL_KB,
        &[
            "analyze",
            recordings.to_str().unwrap(),
            "--out",
            all.to_str().unwrap(),
        ],
    ));
    for damaged in corpus_files("parquet") {
        let name = damaged.file_name().unwrap().to_str().unwrap();
        let problems = std::fs::read_to_string(all.join("results.json")).unwrap_or_default();
        assert!(said.contains(name) || problems.contains(name), "{name}: {said}");
    }
    let row = |folder: &Path| {
        let tests = std::fs::read_to_string(folder.join("tests.csv")).unwrap();
        let row = tests.lines().find(|l| l.contains("good.csv")).unwrap();
        // Its trial is counted among those of the folder.
        let cells: Vec<&str> = row.split(',').collect();
        cells[11..].join(",")
    };
    assert_eq!(row(&all), row(&alone));
}
