//! The same designs by lme4, lmerTest, pbkrtest and statsmodels, live. Skipped with a word where they are not installed;
//! a failure under TAUTPOINT_FULL_TESTS=1.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::process::{Command, Output, Stdio};
use tautpoint::stats::mixed::{MixedDesign, MixedFit, RandomTerm};

/// What a program prints to this input; `None`, with the reason printed, where it does not run.
pub fn answer(what: &str, program: &str, args: &[&str], input: &str) -> Option<String> {
    let run = || -> std::io::Result<Output> {
        let mut child = Command::new(program)
            .args(args)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()?;
        let _ = child.stdin.take().unwrap().write_all(input.as_bytes());
        child.wait_with_output()
    };
    let problem = match run() {
        Ok(out) if out.status.success() => return Some(String::from_utf8(out.stdout).unwrap()),
        Ok(out) => String::from_utf8_lossy(&out.stderr).into_owned(),
        Err(e) => e.to_string(),
    };
    assert!(
        std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1"),
        "{what} did not run: {problem}"
    );
    println!("skipped the check against {what}: {problem}");
    None
}

/// A design as R tells it, with what R finds.
#[derive(Default)]
struct Told {
    name: String,
    columns: Vec<(String, Vec<f64>)>,
    variances: BTreeMap<String, f64>,
    deviance: f64,
    /// Estimate, standard error, Satterthwaite's df, Kenward and Roger's error and df.
    fixed: Vec<Vec<f64>>,
}

impl Told {
    fn column(&self, name: &str) -> Vec<f64> {
        self.columns.iter().find(|c| c.0 == name).unwrap().1.clone()
    }

    fn named(&self, first: &str) -> impl Iterator<Item = &(String, Vec<f64>)> {
        self.columns.iter().filter(move |c| c.0.starts_with(first))
    }

    fn fit(&self) -> (Vec<String>, MixedFit) {
        let fixed: Vec<Vec<f64>> = self.named("x").map(|c| c.1.clone()).collect();
        let levels = |name: &str| self.column(name).iter().map(|v| *v as i64).collect::<Vec<_>>();
        let plain = self
            .named("g")
            .map(|c| (c.0.clone(), RandomTerm::new(&levels(&c.0))));
        let slopes = self
            .named("s_")
            .map(|c| (c.0.clone(), RandomTerm::new(&levels(&c.0[2..])).along(&c.1)));
        let (names, terms): (Vec<String>, Vec<RandomTerm>) = plain.chain(slopes).unzip();
        let y = self.column("y");
        (
            names,
            MixedDesign::new(y.len(), &fixed, &terms)
                .unwrap()
                .fit(&y)
                .unwrap(),
        )
    }
}

fn designs(text: &str) -> Vec<Told> {
    let mut all: Vec<Told> = Vec::new();
    for line in text.lines() {
        let words: Vec<&str> = line.split_whitespace().collect();
        let numbers = |from: usize| {
            words[from..]
                .iter()
                .map(|w| w.parse().unwrap())
                .collect::<Vec<f64>>()
        };
        if words[0] == "design" {
            all.push(Told {
                name: words[1].to_owned(),
                ..Told::default()
            });
        }
        let Some(now) = all.last_mut() else { continue };
        match words[0] {
            "column" => now.columns.push((words[1].to_owned(), numbers(2))),
            "variance" => {
                now.variances.insert(words[1].to_owned(), numbers(2)[0]);
            }
            "deviance" => now.deviance = numbers(1)[0],
            "fixed" => now.fixed.push(numbers(2)),
            _ => {}
        }
    }
    all
}

#[test]
fn variances_fixed_effects_and_degrees_of_freedom_equal_those_of_lme4_lmertest_and_pbkrtest() {
    let script = include_str!("../../reference/mixed/designs.R");
    let Some(text) = answer(
        "R with lme4, lmerTest and pbkrtest",
        "Rscript",
        &["-e", script],
        "",
    ) else {
        return;
    };
    let all = designs(&text);
    assert_eq!(all.len(), 10);
    for told in &all {
        let (names, found) = told.fit();
        let total: f64 = told.variances.values().sum();
        let close = |what: &str, found: f64, expected: f64, off: f64| {
            assert!(
                (found - expected).abs() <= off,
                "{}: {what}: found {found}, R {expected}",
                told.name
            );
        };
        for (name, variance) in names
            .iter()
            .map(String::as_str)
            .chain(["Residual"])
            .zip(&found.variances)
        {
            close(name, *variance, told.variances[name], 1e-4 * total);
        }
        close(
            "deviance",
            found.deviance,
            told.deviance,
            1e-5 * told.deviance.abs(),
        );
        for (mine, theirs) in found.fixed.iter().zip(&told.fixed) {
            close("estimate", mine.estimate, theirs[0], 1e-4 * theirs[0].abs());
            close("standard error", mine.standard_error, theirs[1], 1e-4 * theirs[1]);
            close(
                "Satterthwaite",
                mine.satterthwaite_df.unwrap(),
                theirs[2],
                0.01 * theirs[2],
            );
            close(
                "wider error",
                mine.kenward_roger_error,
                theirs[3],
                1e-4 * theirs[3],
            );
            close(
                "Kenward-Roger",
                mine.kenward_roger_df.unwrap(),
                theirs[4],
                0.01 * theirs[4],
            );
        }
    }
    let standard = |name: &str| {
        let told = all.iter().find(|t| t.name == name).unwrap();
        told.fit()
            .1
            .variances
            .iter()
            .map(|v| v.sqrt())
            .collect::<Vec<f64>>()
    };
    // As lme4's manual and vignette print them: standard deviations of terms and residual (from memory).
    let printed: [(&str, &[f64]); 4] = [
        ("sleepstudy", &[37.12, 30.99]),
        ("sleepstudy-slopes", &[25.051, 5.988, 25.565]),
        ("Penicillin", &[0.8467, 1.9316, 0.5499]),
        ("Pastes", &[1.2874, 2.9041, 0.8234]),
    ];
    for (name, printed) in printed {
        for (found, printed) in standard(name).iter().zip(printed) {
            assert!(
                (found / printed - 1.0).abs() < 2e-4,
                "{name}: {found}, printed {printed}"
            );
        }
    }
}

#[test]
fn nested_and_crossed_variances_equal_those_of_statsmodels() {
    let mut draw = super::Draw::new(8);
    let (mut text, mut values) = ("y,s,d,e\n".to_owned(), Vec::new());
    let mut is: Vec<[usize; 3]> = Vec::new();
    let examiners = draw.normals(4, 0.5);
    for subject in 0..14 {
        let own = draw.normal(1.0);
        for day in 0..2 {
            let on_day = own + draw.normal(0.4);
            for (examiner, of_examiner) in examiners.iter().enumerate() {
                // Every fifth test is missing.
                if (subject + 2 * day + examiner) % 5 == 0 {
                    continue;
                }
                let y = 10.0 + on_day + of_examiner + draw.normal(0.6);
                text += &format!("{y},{subject},{},{examiner}\n", subject * 2 + day);
                values.push(y);
                is.push([subject, subject * 2 + day, examiner]);
            }
        }
    }
    let script = r#"
import sys, warnings, pandas as pd
from statsmodels.regression.mixed_linear_model import MixedLM
warnings.simplefilter("ignore")
d = pd.read_csv(sys.stdin)
nested = MixedLM.from_formula("y ~ 1", groups="s", re_formula="1", vc_formula={"day": "0 + C(d)"}, data=d).fit(reml=True, gtol=1e-10)
print(float(nested.cov_re.iloc[0, 0]), float(nested.vcomp[0]), float(nested.scale), float(nested.fe_params.iloc[0]))
d["one"] = 1
parts = {"a": "0 + C(s)", "b": "0 + C(e)"}
crossed = MixedLM.from_formula("y ~ 1", groups="one", vc_formula=parts, data=d).fit(reml=True, gtol=1e-10)
print(float(crossed.vcomp[0]), float(crossed.vcomp[1]), float(crossed.scale), float(crossed.fe_params.iloc[0]))
"#;
    let Some(told) = answer("statsmodels", "python3", &["-c", script], &text) else {
        return;
    };
    let term = |t: usize| RandomTerm::new(&is.iter().map(|i| i[t]).collect::<Vec<_>>());
    let fits = [[term(0), term(1)], [term(0), term(2)]].map(|terms| super::fit(&values, &terms).unwrap());
    for (line, found) in told.lines().zip(&fits) {
        let theirs: Vec<f64> = line.split_whitespace().map(|w| w.parse().unwrap()).collect();
        let total: f64 = found.variances.iter().sum();
        for (mine, theirs) in found.variances.iter().zip(&theirs) {
            assert!(
                (mine - theirs).abs() < 1e-4 * total,
                "{:?} {line}",
                found.variances
            );
        }
        assert!((found.fixed[0].estimate / theirs[3] - 1.0).abs() < 1e-4);
    }
    assert_eq!(told.lines().count(), 2);
}
