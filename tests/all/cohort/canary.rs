//! What is shared holds nothing but what is listed: a word of its own stands in every field, header, comment and metadata
//! of a study, and none of them is in the copy.

use super::{code, contents, err, program, run, text};
use std::path::Path;
use tautpoint::settings::SETTINGS;
use tautpoint::study::{plan, sidecar, study_file};

/// Hands out words that stand nowhere else.
struct Canaries(Vec<String>);

impl Canaries {
    fn next(&mut self) -> String {
        let word = format!("KANARI{:03}Q", self.0.len());
        self.0.push(word.clone());
        word
    }
}

/// A sidecar with a canary under every key that takes a free text, and in every section.
fn sidecar_text(c: &mut Canaries) -> String {
    let free = [
        "subject",
        "examiner",
        "session",
        "site",
        "device",
        "recorder_version",
        "landmark",
        "posture",
        "surface",
        "breath",
        "station",
        "sensor",
        "plan",
    ];
    // Of a kind that holds no free text, or put in below. A new key fails here until somebody decides.
    let other = [
        "format",
        "recorded_at",
        "level",
        "side",
        "contact",
        "contact_area_mm2",
        "line_of_drive_deg",
        "covers",
        "trial",
        "feedback",
        "feedback_given",
        "calibration",
        "gain",
        "status",
        "excluded",
        "known_weight_n",
        "cautions",
        "columns",
        "import",
        "mat",
        "line",
        "truth",
    ];
    let decided = |k: &&&str| free.contains(*k) || other.contains(*k);
    let open: Vec<_> = sidecar::KEYS.iter().filter(|k| !decided(k)).collect();
    assert!(open.is_empty(), "{open:?}");
    let mut t = format!(
        "# {}\nformat = 1\nlevel = \"L3\"\nside = \"left\"\ntrial = 1\ncontact = \"thumb\"\n",
        c.next()
    );
    // Days are moved back.
    c.0.push("1987-06-05".to_owned());
    t.push_str("recorded_at = \"1987-06-05T04:03:02\"\n");
    for key in free {
        assert!(sidecar::KEYS.contains(&key), "{key}");
        t.push_str(&format!("{key} = \"{}\"\n", c.next()));
    }
    t.push_str(&format!(
        "{} = \"{}\"\n\"{} x\" = [\"{}\"]\n",
        c.next(),
        c.next(),
        c.next(),
        c.next()
    ));
    for section in ["line", "truth", c.next().as_str()] {
        t.push_str(&format!(
            "\n[{section}]\n{} = \"{}\"\n[{section}.{}]\nx = \"{}\"\n",
            c.next(),
            c.next(),
            c.next(),
            c.next()
        ));
    }
    t
}

fn plan_text(c: &mut Canaries) -> (String, String) {
    let name = c.next();
    let mut t = format!("# {}\nname = \"{name}\"\nposture = \"{}\"\n", c.next(), c.next());
    for key in plan::KEYS
        .iter()
        .filter(|k| !["name", "posture", "order", "seed", "step", "format"].contains(k))
    {
        t.push_str(&format!("{key} = \"{}\"\n", c.next()));
    }
    t.push_str(&format!("{} = \"{}\"\n", c.next(), c.next()));
    t.push_str(&format!(
        "\n[[step]]\nlevel = \"L3\"\nside = \"left\"\nlandmark = \"{}\"\nposture = \"{}\"\n{} = \"{}\"\n# {}\n",
        c.next(), c.next(), c.next(), c.next(), c.next()
    ));
    (name, t)
}

/// study.toml with the named plan and reference, a number under one known key of each section and canaries beside it.
fn study_text(c: &mut Canaries, plan: &str, reference: &str) -> String {
    let mut t = format!("# {}\n", c.next());
    for key in ["title", "site", "ethics_ref"] {
        assert!(study_file::PLAIN_KEYS.contains(&key));
        t.push_str(&format!("{key} = \"{}\"\n", c.next()));
    }
    t.push_str(&format!(
        "calibration = [\"{}\"]\nsensor = [\"{}\"]\n{} = \"{}\"\n",
        c.next(),
        c.next(),
        c.next(),
        c.next()
    ));
    t.push_str(&format!(
        "[plan]\ndefault = \"{plan}\"\n{} = \"{}\"\n",
        c.next(),
        c.next()
    ));
    t.push_str(&format!("[registered]\n{} = \"{}\"\n", c.next(), c.next()));
    let mut sections: Vec<&str> = SETTINGS.iter().filter_map(|s| s.key.split('.').next()).collect();
    sections.dedup();
    for section in sections {
        t.push_str(&format!(
            "[{section}]\n{} = \"{}\" # {}\n",
            c.next(),
            c.next(),
            c.next()
        ));
        match section {
            "technique" => t.push_str(&format!("reference = [\"{reference}\", \"{}\"]\n", c.next())),
            "filter" => t.push_str("low_pass_hz = 9.5\n"),
            _ => {}
        }
        t.push_str(&format!(
            "[{section}.{}]\n{} = \"{}\"\n",
            c.next(),
            c.next(),
            c.next()
        ));
    }
    t
}

fn write_study(dir: &Path, c: &mut Canaries) {
    let recordings = dir.join("recordings").join(c.next());
    std::fs::create_dir_all(&recordings).unwrap();
    std::fs::create_dir(dir.join("plans")).unwrap();
    let put = |name: &Path, text: &str| std::fs::write(name, text).unwrap();
    let name = c.next();
    let (plan_name, plan) = plan_text(c);
    let mut side = sidecar_text(c);
    let mut rows = format!("# {}\ntime_s,force_n,displacement_mm,{}\n", c.next(), c.next());
    for i in 0..1200 {
        let t = f64::from(i) * 0.005;
        let x = 5.0 * ((t - 1.0) / 2.0 * std::f64::consts::PI).sin().max(0.0);
        rows.push_str(&format!("{t:.3},{:.2},{x:.3},1\n", 2.0 * x));
    }
    let reference = format!(
        "{}/{name}.csv",
        recordings.strip_prefix(dir).unwrap().to_str().unwrap()
    );
    put(&recordings.join(format!("{name}.csv")), &rows);
    put(&recordings.join(format!("{name}.toml")), &side);
    // The same as Parquet, with its sidecar, its name and a metadata key of its own within.
    side = sidecar_text(c).replacen(
        "format = 1",
        &format!("format = 1\nfeedback = \"none\"\n# {plan_name}"),
        1,
    );
    let column = |k: usize| {
        let row = |l: &str| l.split(',').nth(k).unwrap().parse().ok();
        rows.lines().skip(2).map(row).collect::<Vec<Option<f64>>>()
    };
    let columns = [
        ("time_s".to_owned(), column(0)),
        ("force_n".to_owned(), column(1)),
        (c.next(), column(3)),
    ];
    let about = [
        ("tautpoint.sidecar".to_owned(), side),
        ("tautpoint.name".to_owned(), c.next()),
        (c.next(), c.next()),
    ];
    let bytes = tautpoint::cohort::parquet::recording(&columns, &about).unwrap();
    std::fs::write(recordings.join(format!("{}.parquet", c.next())), bytes).unwrap();
    put(&dir.join("plans").join(format!("{}.toml", c.next())), &plan);
    put(&dir.join("study.toml"), &study_text(c, &plan_name, &reference));
    put(
        &dir.join("roster.csv"),
        &format!(
            "code,role,group,{}\n{},subject,{},{}\n{},examiner,,{}\n",
            c.next(),
            c.next(),
            c.next(),
            c.next(),
            c.next(),
            c.next()
        ),
    );
    put(
        &dir.join("calls.csv"),
        &format!(
            "subject,examiner,session,level,trial,call,confidence,{}\n{},{},{},L3,1,left,3,{}\n",
            c.next(),
            c.next(),
            c.next(),
            c.next(),
            c.next()
        ),
    );
    put(
        &dir.join("agreement.toml"),
        &format!(
            "# {}\nformat = 1\nfrom = \"within_examiner\"\n{} = \"{}\"\n[measures.onset_mm]\nsem = 0.1\n\
             degrees_of_freedom = 4.0\ntests = 8\n{} = \"{}\"\n",
            c.next(),
            c.next(),
            c.next(),
            c.next(),
            c.next()
        ),
    );
    put(
        &dir.join("instrument.toml"),
        &format!(
            "# {}\nformat = 1\nforce_delay_ms = 1.0\nforce_delay_u_ms = 0.1\nloop_ratio = 0.001\nloop_ratio_u = 0.0001\n\
             loop_mj = 0.1\nloop_ratio_before = 0.01\nsprings = 10\nrecordings = [\"{}\"]\nnotes = [\"{}\"]\n{} = \"{}\"\n",
            c.next(),
            c.next(),
            c.next(),
            c.next(),
            c.next()
        ),
    );
    put(&dir.join(format!("{}.txt", c.next())), &c.next());
}

#[test]
fn no_word_of_a_study_is_in_what_is_shared_unless_it_is_listed() {
    let dir = tempfile::tempdir().unwrap();
    let [study, key, out] = ["study", "key.toml", "out"].map(|n| dir.path().join(n));
    let mut canaries = Canaries(Vec::new());
    std::fs::create_dir(&study).unwrap();
    write_study(&study, &mut canaries);
    let done = run(&[
        "convert",
        text(&study),
        "--share",
        text(&key),
        "--out",
        text(&out),
    ]);
    assert!(code(&done) < 2, "{}", err(&done));
    let shared = contents(&out);
    let recordings = shared
        .keys()
        .filter(|n| n.extension().is_some_and(|e| e == "parquet"));
    assert_eq!(recordings.count(), 2, "{:?}: {}", shared.keys(), err(&done));
    println!("{} words looked for in {} files", canaries.0.len(), shared.len());
    assert!(canaries.0.len() > 150, "{}", canaries.0.len());
    let mut leaked = Vec::new();
    for (name, bytes) in &shared {
        for word in &canaries.0 {
            let within = memchr::memmem::find(bytes, word.as_bytes()).is_some();
            if within || name.to_str().unwrap().contains(word.as_str()) {
                leaked.push(format!("{word} in {}", name.display()));
            }
        }
    }
    assert!(leaked.is_empty(), "{leaked:#?}");
    // What is listed is there: a number of study.toml, the plan and the reference by their new names.
    let settings: toml::Table = std::fs::read_to_string(out.join("study.toml"))
        .unwrap()
        .parse()
        .unwrap();
    assert_eq!(settings["filter"]["low_pass_hz"].as_float(), Some(9.5));
    assert_eq!(settings["plan"]["default"].as_str(), Some("plan-1"));
    let reference = settings["technique"]["reference"][0].as_str().unwrap();
    assert!(out.join(reference).is_file(), "{reference}");
    let again = tautpoint::study::inputs::collect(std::slice::from_ref(&out)).unwrap();
    assert!(again.problems.is_empty(), "{:?}", again.problems);
}

#[test]
fn runs_at_once_with_one_new_key_share_one_secret_and_lose_no_code() {
    let dir = tempfile::tempdir().unwrap();
    let key = dir.path().join("key.toml");
    let mut studies = Vec::new();
    for k in 0..4 {
        let study = dir.path().join(format!("study-{k}"));
        std::fs::create_dir_all(study.join("recordings")).unwrap();
        std::fs::write(study.join("study.toml"), "format = 1\n").unwrap();
        let rows: String = (0..400)
            .map(|i| format!("{},{}\n", f64::from(i) * 0.005, i % 3))
            .collect();
        std::fs::write(study.join("recordings/a.csv"), format!("time_s,force_n\n{rows}")).unwrap();
        let side = format!("subject = \"S-{k}\"\nexaminer = \"E-1\"\n");
        std::fs::write(study.join("recordings/a.toml"), side).unwrap();
        studies.push(study);
    }
    let started: Vec<_> = studies
        .iter()
        .enumerate()
        .map(|(k, study)| {
            let out = dir.path().join(format!("out-{k}"));
            let args = ["convert", text(study), "--share", text(&key), "--out", text(&out)];
            program()
                .args(args)
                .stdout(std::process::Stdio::null())
                .spawn()
                .unwrap()
        })
        .collect();
    for mut child in started {
        assert!(child.wait().unwrap().success());
    }
    let table: toml::Table = std::fs::read_to_string(&key).unwrap().parse().unwrap();
    assert_eq!(table["subject"].as_table().unwrap().len(), 4, "{table}");
    let examiner = table["examiner"]["E-1"].as_str().unwrap();
    for k in 0..4 {
        let all = contents(&dir.path().join(format!("out-{k}")));
        let found = all
            .values()
            .any(|b| memchr::memmem::find(b, examiner.as_bytes()).is_some());
        assert!(found, "the code of one examiner differs in out-{k}");
    }
}
