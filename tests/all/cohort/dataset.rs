//! The dataset as other engines read it, and the runs that schedulers start.

use super::{analyze, assert_same, code, contents, err, recordings, run, study, text};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Runs Python with `arguments`; gives what it prints as JSON. Skips, or fails in the full tests, where a module is
/// missing.
pub fn python(script: &str, arguments: &[&str], what: &str) -> Option<Value> {
    let output = Command::new("python3")
        .arg("-c")
        .arg(script)
        .args(arguments)
        .output();
    let problem = match output {
        Ok(out) if out.status.success() => return Some(serde_json::from_slice(&out.stdout).unwrap()),
        Ok(out) => String::from_utf8_lossy(&out.stderr).into_owned(),
        Err(e) => e.to_string(),
    };
    let missing = problem.lines().last().unwrap_or_default().to_owned();
    assert!(
        missing.contains("No module named") || !problem.contains("Traceback"),
        "the script failed: {problem}"
    );
    assert!(
        std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1"),
        "{what} did not run: {missing}"
    );
    println!("skipped the check against {what}: {missing}");
    None
}

/// A study of two sites, one of them with a name that no path takes as it is, and recordings of no site.
fn two_sites(dir: &Path) -> PathBuf {
    let study = study(dir, 2, 2);
    let file = study.join("study.toml");
    let own = std::fs::read_to_string(&file).unwrap();
    let without: Vec<&str> = own.lines().filter(|l| !l.starts_with("site")).collect();
    std::fs::write(&file, without.join("\n")).unwrap();
    for (i, recording) in recordings(&study).iter().enumerate() {
        let sidecar = recording.with_extension("toml");
        let Ok(own) = std::fs::read_to_string(&sidecar) else {
            continue;
        };
        let kept: Vec<&str> = own.lines().filter(|l| !l.starts_with("site")).collect();
        let site = match i % 3 {
            0 => "site = \"Hall A/1 = 50%\"\n",
            1 => "site = \"Hof\"\n",
            _ => "",
        };
        std::fs::write(&sidecar, format!("{site}{}\n", kept.join("\n"))).unwrap();
    }
    study
}

/// Columns, rows, sums by site and the sites themselves, in the same form from each engine.
const ENGINES: &str = r#"
import json, sys, math
folder = sys.argv[1]
found = {}

import polars as pl
t = pl.scan_parquet(folder + "/tests/**/*.parquet", hive_partitioning=True).collect()
s = pl.scan_parquet(folder + "/springs/**/*.parquet", hive_partitioning=True).collect()
by = t.group_by("site").agg(pl.col("end_feel_n_per_mm").sum(), pl.len()).sort("site", nulls_last=True)
found["polars"] = {
    "columns": sorted(t.columns), "rows": t.height, "springs": s.height,
    "sum": t["end_feel_n_per_mm"].sum(), "nulls": t["onset_mm"].null_count(),
    "spring_sum": s["peak_n"].sum(), "sites": by["site"].to_list(), "by_site": by["end_feel_n_per_mm"].to_list(),
    "sessions": sorted({str(x) for x in t["session"].to_list()}),
}

import duckdb
q = lambda sql: duckdb.sql(sql).fetchall()
tests = f"read_parquet('{folder}/tests/**/*.parquet', hive_partitioning=true)"
springs = f"read_parquet('{folder}/springs/**/*.parquet', hive_partitioning=true)"
by = q(f"select site, sum(end_feel_n_per_mm) from {tests} group by site order by site nulls last")
found["duckdb"] = {
    "columns": sorted(r[0] for r in q(f"describe select * from {tests}")),
    "rows": q(f"select count(*) from {tests}")[0][0], "springs": q(f"select count(*) from {springs}")[0][0],
    "sum": q(f"select sum(end_feel_n_per_mm) from {tests}")[0][0],
    "nulls": q(f"select count(*) from {tests} where onset_mm is null")[0][0],
    "spring_sum": q(f"select sum(peak_n) from {springs}")[0][0],
    "sites": [r[0] for r in by], "by_site": [r[1] for r in by],
    "sessions": sorted({str(r[0]) for r in q(f"select session from {tests}")}),
}

import pyarrow.dataset as ds, pyarrow.compute as pc, pyarrow as pa
part = ds.HivePartitioning(pa.schema([("site", pa.string()), ("session", pa.string())]), null_fallback="__HIVE_DEFAULT_PARTITION__")
t = ds.dataset(folder + "/tests", format="parquet", partitioning=part).to_table()
s = ds.dataset(folder + "/springs", format="parquet", partitioning=part).to_table()
by = t.group_by("site").aggregate([("end_feel_n_per_mm", "sum")]).sort_by([("site", "ascending")])
found["pyarrow"] = {
    "columns": sorted(t.column_names), "rows": t.num_rows, "springs": s.num_rows,
    "sum": pc.sum(t["end_feel_n_per_mm"]).as_py(), "nulls": t["onset_mm"].null_count,
    "spring_sum": pc.sum(s["peak_n"]).as_py(),
    "sites": by["site"].to_pylist(), "by_site": by["end_feel_n_per_mm_sum"].to_pylist(),
    "sessions": sorted({str(x) for x in t["session"].to_pylist()}),
}
import pyarrow.parquet as pq
schema = {}
for resource in json.load(open(folder + "/datapackage.json"))["resources"]:
    f = pq.read_schema(folder + "/" + resource["path"])
    rows = pq.read_metadata(folder + "/" + resource["path"]).num_rows
    schema[resource["name"]] = {"columns": [[n, str(f.field(n).type)] for n in f.names], "rows": rows}
found["schema"] = schema
print(json.dumps(found))
"#;

/// The numbers of a column of a table written as CSV.
fn csv_column(path: &Path, name: &str) -> Vec<Option<f64>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    let at = reader.headers().unwrap().iter().position(|h| h == name).unwrap();
    reader.records().map(|r| r.unwrap()[at].parse().ok()).collect()
}

#[test]
fn polars_duckdb_and_pyarrow_read_the_dataset_with_one_schema_and_the_same_sums() {
    let dir = tempfile::tempdir().unwrap();
    let study = two_sites(dir.path());
    let out = dir.path().join("results");
    analyze(&study, &out, &["--cohort"]);
    let dataset = out.join("dataset");
    let Some(found) = python(ENGINES, &[text(&dataset)], "polars, DuckDB and pyarrow") else {
        return;
    };
    let end_feel = csv_column(&out.join("tests.csv"), "end_feel_n_per_mm");
    let sum: f64 = end_feel.iter().flatten().sum();
    let peaks = csv_column(&out.join("springs.csv"), "peak_n");
    let nulls = csv_column(&out.join("tests.csv"), "onset_mm")
        .iter()
        .filter(|v| v.is_none())
        .count();
    let near = |a: &Value, b: f64| (a.as_f64().unwrap() - b).abs() <= 1e-12 * b.abs();
    for engine in ["polars", "duckdb", "pyarrow"] {
        let f = &found[engine];
        assert_eq!(f["rows"], end_feel.len(), "{engine}");
        assert_eq!(f["springs"], peaks.len(), "{engine}");
        assert_eq!(f["nulls"], nulls, "{engine}");
        assert!(near(&f["sum"], sum), "{engine}: {} {sum}", f["sum"]);
        assert!(near(&f["spring_sum"], peaks.iter().flatten().sum()), "{engine}");
        assert_eq!(f["columns"], found["polars"]["columns"], "{engine}");
        assert_eq!(f["sessions"], found["polars"]["sessions"], "{engine}");
        let sites: Vec<Option<&str>> = f["sites"].as_array().unwrap().iter().map(Value::as_str).collect();
        assert_eq!(sites, [Some("Hall A/1 = 50%"), Some("Hof"), None], "{engine}");
        for (a, b) in f["by_site"]
            .as_array()
            .unwrap()
            .iter()
            .zip(found["polars"]["by_site"].as_array().unwrap())
        {
            assert!(near(a, b.as_f64().unwrap()), "{engine}");
        }
    }
    described(&dataset, &found);
}

/// Every column of every file stands in its schema with its type, and nothing else does.
fn described(dataset: &Path, found: &Value) {
    let read = |name: &str| -> Value {
        serde_json::from_slice(&std::fs::read(dataset.join(name)).unwrap()).unwrap()
    };
    let package = read("datapackage.json");
    // Data Package standard, version 2: required are `resources`, and of each `name` and `path` (or `data`).
    assert_eq!(
        package["$schema"],
        "https://datapackage.org/profiles/2.0/datapackage.json"
    );
    let resources = package["resources"].as_array().unwrap();
    let listed: BTreeSet<&str> = resources.iter().map(|r| r["path"].as_str().unwrap()).collect();
    let names: BTreeSet<&str> = resources.iter().map(|r| r["name"].as_str().unwrap()).collect();
    assert_eq!(names.len(), resources.len(), "names are unique");
    let there = contents(dataset);
    let there: Vec<&str> = there.keys().map(|p| p.to_str().unwrap()).collect();
    let files: BTreeSet<&str> = there.into_iter().filter(|p| p.ends_with(".parquet")).collect();
    assert_eq!(listed, files);
    for resource in resources {
        let in_file = &found["schema"][resource["name"].as_str().unwrap()];
        assert_eq!(resource["rows"], in_file["rows"], "{resource}");
        let schema = read(resource["schema"].as_str().unwrap());
        let fields = schema["fields"].as_array().unwrap();
        let columns = in_file["columns"].as_array().unwrap();
        assert_eq!(columns.len(), fields.len());
        for (column, field) in columns.iter().zip(fields) {
            assert_eq!(column[0], field["name"]);
            assert!(!field["description"].as_str().unwrap().is_empty());
            let kinds: &[&str] = match field["type"].as_str().unwrap() {
                "string" => &["string"],
                "integer" => &["int64"],
                // A column of whole numbers with gaps is one of numbers.
                "number" => &["double", "int64"],
                "boolean" => &["bool"],
                other => panic!("{other}"),
            };
            assert!(kinds.contains(&column[1].as_str().unwrap()), "{column}: {field}");
        }
    }
}

/// The common reader of Data Packages (frictionless, Open Knowledge) finds nothing wrong: types, counts of rows, sizes and
/// hashes, also where a blind study leaves nearly everything out.
#[test]
fn frictionless_finds_the_datapackage_valid() {
    const VALIDATE: &str = r#"
import json, sys
from frictionless import validate
found = {}
for path in sys.argv[1:]:
    report = validate(path)
    errors = report.flatten(["taskNumber", "type", "message"])
    found[path] = {"valid": report.valid, "errors": errors, "rows": sum(t.stats["rows"] for t in report.tasks)}
print(json.dumps(found))
"#;
    let dir = tempfile::tempdir().unwrap();
    let study = two_sites(dir.path());
    let [open, blind] = ["open", "blind"].map(|n| dir.path().join(n));
    analyze(&study, &open, &["--cohort"]);
    let file = study.join("study.toml");
    let own = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, format!("blind = true\n{own}")).unwrap();
    analyze(&study, &blind, &["--cohort"]);
    let packages = [&open, &blind].map(|out| out.join("dataset/datapackage.json"));
    let Some(found) = python(
        VALIDATE,
        &[text(&packages[0]), text(&packages[1])],
        "frictionless",
    ) else {
        return;
    };
    for (package, out) in packages.iter().zip([&open, &blind]) {
        let told = &found[text(package)];
        assert_eq!(told["valid"], true, "{told}");
        let rows: usize = ["tests", "springs", "findings", "technique"]
            .map(|t| {
                csv::Reader::from_path(out.join(format!("{t}.csv")))
                    .unwrap()
                    .into_records()
                    .count()
            })
            .iter()
            .sum();
        assert_eq!(told["rows"], rows);
    }
}

/// Every Parquet file as pyarrow 12 (2023) reads it, where that is installed: its types were those of later versions.
#[test]
fn an_arrow_of_years_ago_reads_every_table() {
    const READ: &str = r#"
import json, sys, glob
sys.path.insert(0, sys.argv[2])
import pyarrow
import pyarrow.parquet as pq
found = {"version": pyarrow.__version__}
for path in glob.glob(sys.argv[1] + "/**/*.parquet", recursive=True):
    table = pq.ParquetFile(path).read()
    found[path] = [table.num_rows, sorted({str(t) for t in table.schema.types})]
print(json.dumps(found))
"#;
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 2);
    let out = dir.path().join("results");
    analyze(&study, &out, &["--cohort"]);
    let converted = out.join("recordings");
    let done = run(&[
        "--quiet",
        "convert",
        text(&study),
        "--to",
        "parquet",
        "--out",
        text(&converted),
    ]);
    assert!(matches!(code(&done), 0 | 1), "{}", err(&done));
    let cache = std::env::var_os("XDG_CACHE_HOME").map(PathBuf::from);
    let cache = cache.or_else(|| Some(Path::new(&std::env::var_os("HOME")?).join(".cache")));
    let modules = cache.unwrap_or_default().join("tautpoint-arrow-12");
    if !modules.join("pyarrow").is_dir() {
        println!(
            "skipped the check against pyarrow 12: it is not in {}",
            modules.display()
        );
        return;
    }
    let Some(found) = python(READ, &[text(&out), text(&modules)], "pyarrow 12") else {
        return;
    };
    assert!(found["version"].as_str().unwrap().starts_with("12."), "{found}");
    let files: Vec<_> = contents(&out)
        .into_keys()
        .filter(|p| p.extension().is_some_and(|e| e == "parquet"))
        .collect();
    assert!(files.len() > 12, "{files:?}");
    for file in files {
        let read = &found[text(&out.join(&file))];
        let kinds: Vec<&str> = read[1]
            .as_array()
            .unwrap()
            .iter()
            .map(|k| k.as_str().unwrap())
            .collect();
        assert!(
            kinds
                .iter()
                .all(|k| ["string", "int64", "double", "bool"].contains(k)),
            "{}: {read}",
            file.display()
        );
    }
}

/// Columns of true and false are logical in R, whose `read.csv` knows TRUE and FALSE only (`type.convert`, R 4.2).
#[test]
fn r_reads_true_and_false_as_logical() {
    const READ: &str = "for (f in commandArgs(TRUE)) { t <- read.csv(f); cat(sapply(t, class), sep = '\n') }";
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 2);
    let out = dir.path().join("results");
    analyze(&study, &out, &[]);
    let table = out.join("springs.csv");
    let told = Command::new("Rscript").args(["-e", READ, text(&table)]).output();
    let told = match told {
        Ok(told) if told.status.success() => String::from_utf8(told.stdout).unwrap(),
        other => {
            assert!(
                std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1"),
                "Rscript did not run: {other:?}"
            );
            println!("skipped the check against R: {other:?}");
            return;
        }
    };
    let classes: Vec<&str> = told.lines().collect();
    let mut reader = csv::Reader::from_path(&table).unwrap();
    let counted = reader
        .headers()
        .unwrap()
        .iter()
        .position(|h| h == "counted")
        .unwrap();
    assert_eq!(classes[counted], "logical");
}

#[test]
fn the_dataset_of_combined_shards_is_that_of_one_run() {
    let dir = tempfile::tempdir().unwrap();
    let study = two_sites(dir.path());
    let [whole, out] = ["whole", "out"].map(|n| dir.path().join(n));
    analyze(&study, &whole, &["--cohort"]);
    assert!(whole.join("cohort.html").is_file() && whole.join("dataset/tests").is_dir());
    let parts = [1, 2].map(|n| dir.path().join(format!("part-{n}")));
    for (i, part) in parts.iter().enumerate() {
        analyze(&study, part, &["--shard", &format!("{}/2", i + 1)]);
    }
    let [a, b] = [text(&parts[0]), text(&parts[1])];
    let done = run(&["--quiet", "combine", a, b, "--out", text(&out), "--cohort"]);
    assert_eq!(code(&done), 1, "{}", err(&done));
    assert_same(&whole, &out);
}

#[test]
fn the_spark_example_runs_on_a_cluster_of_two_workers_and_gives_the_bytes_of_one_run() {
    if std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1") {
        println!("skipped the run on Spark: TAUTPOINT_FULL_TESTS=1 runs it");
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 2);
    let [whole, parts, out] = ["whole", "parts", "out"].map(|n| dir.path().join(n));
    analyze(&study, &whole, &["--cohort"]);
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("schedulers/spark.py");
    // Two worker processes of one core each, apart from the driver.
    let master = "--master local-cluster[2,1,1024] --conf spark.ui.enabled=false pyspark-shell";
    let done = Command::new("python3")
        .args([
            text(&script),
            text(&study),
            text(&parts),
            text(&out),
            "--shards",
            "5",
        ])
        .args(["--program", env!("CARGO_BIN_EXE_tautpoint")])
        .env("PYSPARK_SUBMIT_ARGS", master)
        .env("SPARK_LOCAL_IP", "127.0.0.1")
        .current_dir(dir.path())
        .output()
        .unwrap();
    assert_eq!(code(&done), 1, "{}", err(&done));
    assert_same(&whole, &out);
}
