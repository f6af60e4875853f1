//! Where a study's bands and its reference come from, and what is said when they cannot be used.

use std::path::Path;
use tautpoint::results::Results;
use tautpoint::settings::Settings;
use tautpoint::study::study_file::StudyFile;
use tautpoint::terms::Side;

#[test]
fn what_cannot_be_a_band_or_a_reference_is_said_with_its_line() {
    for (text, column, said) in [
        (
            "[technique.neck]\nexcursion_mm = [3, 1]\n",
            "technique.neck.excursion_mm",
            "the lower first",
        ),
        (
            "[technique.neck]\nexcursion_mm = 3\n",
            "technique.neck.excursion_mm",
            "two numbers",
        ),
        (
            "[technique.lumbar]\npeak_cv_percent = \"10\"\n",
            "technique.lumbar.peak_cv_percent",
            "a number without quotes",
        ),
        ("[technique.nek]\npeak_cv_percent = 10\n", "technique.nek", "neck"),
        (
            "[technique.neck]\npeak_cv = 10\n",
            "technique.neck.peak_cv",
            "peak_cv_percent",
        ),
        ("[technique]\nneck = 3\n", "technique.neck", "[technique.neck]"),
        (
            "[technique]\nreference = 3\n",
            "technique.reference",
            "text in double quotes",
        ),
    ] {
        let (study, problems) = StudyFile::parse("study.toml", text);
        assert_eq!(problems.len(), 1, "{text}: {problems:?}");
        let words = format!(
            "{} {} {}",
            problems[0].found, problems[0].expected, problems[0].advice
        );
        assert!(words.contains(said), "{text}: {words}");
        assert_eq!(problems[0].column.as_deref(), Some(column), "{text}");
        assert!(problems[0].line.is_some(), "{text}");
        assert_eq!(study.settings, Settings::default(), "{text}");
    }
    for text in [
        "[technique]\nreference = \"recordings/t.csv\"\n",
        "[technique]\nreference = [\"recordings/t.csv\"]\n",
    ] {
        let (study, problems) = StudyFile::parse("study.toml", text);
        assert_eq!(
            (study.reference, problems),
            (vec!["recordings/t.csv".to_owned()], vec![])
        );
    }
}

/// The sample study with a teacher in its roster, and with these lines in study.toml.
fn sample_study(folder: &Path, roster: &str, technique: &str) -> Results {
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data");
    std::fs::create_dir_all(folder.join("recordings")).unwrap();
    let study = std::fs::read_to_string(from.join("study.toml")).unwrap();
    std::fs::write(folder.join("study.toml"), format!("{study}\n{technique}")).unwrap();
    std::fs::write(folder.join("roster.csv"), roster).unwrap();
    std::fs::create_dir_all(folder.join("plans")).unwrap();
    for plan in std::fs::read_dir(from.join("plans")).unwrap() {
        let plan = plan.unwrap();
        std::fs::copy(plan.path(), folder.join("plans").join(plan.file_name())).unwrap();
    }
    let mut files: Vec<_> = std::fs::read_dir(from.join("recordings"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    files.sort();
    for (i, path) in files.iter().enumerate() {
        let text = std::fs::read_to_string(path).unwrap();
        // Every other recording by the teacher.
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let text = match path.extension().is_some_and(|e| e == "toml") && (i / 2) % 2 == 0 {
            true => text
                .lines()
                .map(|l| {
                    if l.starts_with("examiner") {
                        "examiner = \"T-01\"\n".to_owned()
                    } else {
                        format!("{l}\n")
                    }
                })
                .collect(),
            false => text,
        };
        std::fs::write(folder.join("recordings").join(name), text).unwrap();
    }
    tautpoint::batch::run(&[folder.to_owned()], &tautpoint::batch::Options::default()).unwrap()
}

#[test]
fn a_study_names_its_reference_by_its_teachers_or_by_recordings() {
    let folder = tempfile::tempdir().unwrap();
    let roster = "code,role\nT-01,teacher\nL-12,examiner\nV-07,subject\n";
    let results = sample_study(folder.path(), roster, "");
    assert!(!results.reference.is_empty());
    assert_eq!(results.reference.source, "teacher T-01");
    let table = results.table("reference").unwrap();
    let examiner = table.position("examiner").unwrap();
    assert!(!table.rows.is_empty());
    assert!(
        table
            .rows
            .iter()
            .all(|r| r[examiner] != tautpoint::report::tables::Cell::text("T-01"))
    );

    let html = tautpoint::report::html::page(&results, &Default::default()).unwrap();
    assert!(
        html.contains("of teacher T-01: a target to learn from"),
        "no reference on the page"
    );
    assert!(html.contains("over the reference") && html.contains("Beside the reference (lumbar)"));

    // Blind: nothing of the reference is told but of midline tests.
    let mut blind = results.clone();
    blind.hide_sides();
    let table = blind.table("reference").unwrap();
    let side = table.position("side").unwrap();
    let midline = tautpoint::report::tables::Cell::text("midline");
    assert!(table.rows.iter().all(|r| r[side] == midline), "{:?}", table.rows);
    let midlines = results
        .tests
        .iter()
        .filter(|t| t.side() == Some(Side::Midline))
        .count();
    assert!(blind.reference.len() <= midlines && midlines < results.reference.len());
    let html = tautpoint::report::html::page(&blind, &Default::default()).unwrap();
    assert!(!html.contains("left over the reference") && !html.contains("right over the reference"));

    let folder = tempfile::tempdir().unwrap();
    let named = "[technique]\nreference = [\"recordings/nobody.csv\"]\n";
    let results = sample_study(folder.path(), roster, named);
    assert!(
        results.reference.is_empty(),
        "named recordings come before teachers"
    );
    let told = results
        .problems
        .iter()
        .find(|p| p.column.as_deref() == Some("technique.reference"))
        .unwrap();
    assert!(told.found.contains("nobody.csv"), "{told:?}");

    let folder = tempfile::tempdir().unwrap();
    let results = sample_study(folder.path(), "code,role\nL-12,examiner\n", "");
    assert!(results.reference.is_empty());
    assert!(
        results
            .problems
            .iter()
            .all(|p| p.column.as_deref() != Some("technique.reference"))
    );
}
