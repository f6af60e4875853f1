//! `plan-size`: how large a study must be.

use super::Outcome;
use super::change::measured;
use super::terms::term;
use crate::columns::Measure;
use crate::planning::{MEASURE, PlanQuestion, PlanRequest, PlannedDesign, Spreads, answers, pilot};
use crate::report::planning::PlanReport;
use crate::settings::Settings;
use crate::write::OutputFolder;
use anyhow::{Context, bail};
use std::path::PathBuf;

/// How many volunteers, examiners, sessions and trials a question needs, by simulation with the program's own rules.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint plan-size side --effect 30 --trials 2,3,5
  tautpoint plan-size icc --wanted 0.2 --subjects 10,20,40 --examiners 2,3
  tautpoint plan-size change-place --effect 30 --margin 10 --subjects 6,12 --sessions 2 --trials 2,3
  tautpoint plan-size group --effect 25 --margin 5 --subjects 20,40,60 --sessions 1 --out plan
  tautpoint plan-size group --from pilot-study --effect 25 --subjects 20,40

Every combination of the numbers given is simulated. Spreads are standard deviations in percent: those given, else those
of --from where the pilot tells them, else those of the program's own simulated studies.

Exit code: 0 done; 1 done, but no design gave an answer; 2 nothing done.")]
pub struct PlanSizeArgs {
    /// What the study is to answer.
    #[arg(value_name = "QUESTION", value_parser = term::<PlanQuestion>())]
    question: PlanQuestion,
    /// Width or probability that is wanted; 0.8 for a probability, 0.2 for ICC, 40 (percent) for SEM if not given.
    #[arg(long, value_name = "NUMBER")]
    wanted: Option<f64>,
    /// The effect that is to be found, in percent: of right over left, of a change, of one group over another.
    #[arg(long, value_name = "PERCENT", allow_negative_numbers = true)]
    effect: Option<f64>,
    /// How large a change or difference must be to matter, in percent; otherwise that of the pilot's study.toml.
    #[arg(long, value_name = "PERCENT")]
    margin: Option<f64>,
    /// Volunteers.
    #[arg(long, value_delimiter = ',', default_value = "10,20,40", value_name = "N,N")]
    subjects: Vec<u32>,
    /// Examiners, each of whom tests everybody.
    #[arg(long, value_delimiter = ',', default_value = "1", value_name = "N,N")]
    examiners: Vec<u32>,
    /// Sessions.
    #[arg(long, value_delimiter = ',', value_name = "N,N")]
    sessions: Vec<u32>,
    /// Trials a side at each level, by each examiner in each session.
    #[arg(long, value_delimiter = ',', default_value = "3", value_name = "N,N")]
    trials: Vec<u32>,
    /// Levels, each left and right.
    #[arg(long, value_delimiter = ',', default_value = "5", value_name = "N,N")]
    levels: Vec<u32>,
    /// A study whose spreads are taken.
    #[arg(long, value_name = "STUDY")]
    from: Option<PathBuf>,
    /// The pilot's measure that is planned for.
    #[arg(
        long,
        default_value = "end_feel_n_per_mm",
        value_name = "COLUMN",
        requires = "from"
    )]
    measure: String,
    /// Standard deviation between people, in percent.
    #[arg(long, value_name = "PERCENT")]
    subject_sd: Option<f64>,
    /// Of a level about its person's own.
    #[arg(long, value_name = "PERCENT")]
    place_sd: Option<f64>,
    /// Between examiners.
    #[arg(long, value_name = "PERCENT")]
    examiner_sd: Option<f64>,
    /// Of a person between sessions when nothing changes.
    #[arg(long, value_name = "PERCENT")]
    session_sd: Option<f64>,
    /// Of a place between sessions, beyond that.
    #[arg(long, value_name = "PERCENT")]
    place_session_sd: Option<f64>,
    /// Between one test and its repetition.
    #[arg(long, value_name = "PERCENT")]
    trial_sd: Option<f64>,
    /// Simulated studies a design.
    #[arg(long, default_value_t = 200, value_parser = clap::value_parser!(u32).range(20..=100_000))]
    draws: u32,
    /// Whole number that all random choices follow from.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Folder for page, table and figure; written whole or not at all.
    #[arg(long, short, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Prints one JSON object instead of the summary.
    #[arg(long)]
    json: bool,
}

/// More designs or tests than anybody waits for.
const MOST_DESIGNS: usize = 100;
const MOST_TESTS: u64 = 50_000;

/// Runs the command.
pub fn run(args: &PlanSizeArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let mut settings = Settings::default();
    let (mut spreads, mut notes) = (stated(args, &Spreads::USUAL)?, Vec::new());
    if let Some(study) = &args.from {
        let measure = Measure::ALL.into_iter().find(|m| m.info().name == args.measure);
        let measure =
            measure.with_context(|| format!("--measure {}: no such column of tests.csv", args.measure))?;
        let (results, roster) = measured(study, quiet)?;
        if results.blinded {
            bail!(
                "{}: the study is blind and not opened: its spreads cannot be taken; state them",
                study.display()
            );
        }
        let found = pilot(&results.tests, &roster, measure, &spreads);
        (spreads, notes) = found.map_err(|why| anyhow::anyhow!("{}: {why}", study.display()))?;
        // What is stated stands, whatever the pilot says.
        spreads = stated(args, &spreads)?;
        settings = results.settings.clone();
        if let Some(margin) = results.settings.change.0.get(measure.info().name) {
            settings.change.0.insert(MEASURE.info().name.to_owned(), *margin);
        }
    }
    if let Some(margin) = args.margin {
        settings.change.0.insert(
            MEASURE.info().name.to_owned(),
            percent("--margin", margin, 1e-6, 300.0)?,
        );
    }
    notes.extend(in_percent(args));
    // One measure alone is planned for: nothing else is there to be corrected for.
    settings.groups.primary = Some(MEASURE.info().name.to_owned());
    settings.check()?;
    let margin = settings.change.0.get(MEASURE.info().name).copied();
    let request = PlanRequest {
        question: args.question,
        spreads,
        effect: effect(args, margin)?,
        wanted: wanted(args)?,
        draws: args.draws,
        seed: args.seed,
    };
    let designs = designs(args)?;
    let needs_margin = !args.question.is_width() && args.question != PlanQuestion::Side;
    let report = PlanReport {
        answers: answers(&request, &designs, &settings),
        margin_percent: match args.question {
            PlanQuestion::Side => Some(settings.compare.threshold_percent),
            _ => margin.filter(|_| needs_margin),
        },
        request,
        notes,
    };
    if let Some(out) = &args.out {
        let inputs: Vec<PathBuf> = args.from.iter().cloned().collect();
        let mut folder = OutputFolder::begin(out, &inputs)?;
        report.write(&mut folder)?;
        folder.finish(report.record())?;
    }
    if args.json {
        say!("{}", report.object_text());
    } else if args.out.is_none() || !quiet {
        say!("{}", report.summary());
    }
    if let (Some(out), false) = (&args.out, quiet) {
        note!("report: {}", out.join("plan-size.html").display());
    }
    Ok(match report.answers.iter().all(|a| a.value.is_none()) {
        true => {
            note!(
                "no design gave an answer: with so few volunteers, sessions or trials the question cannot be told"
            );
            Outcome::Partly
        }
        false => Outcome::Done,
    })
}

/// Numbers below 1 % that may be shares of 1.
fn in_percent(args: &PlanSizeArgs) -> Vec<String> {
    let wanted = args.wanted.filter(|_| args.question == PlanQuestion::Sem);
    let given = [
        ("--wanted", wanted),
        ("--effect", args.effect),
        ("--margin", args.margin),
        ("--subject-sd", args.subject_sd),
        ("--place-sd", args.place_sd),
        ("--examiner-sd", args.examiner_sd),
        ("--session-sd", args.session_sd),
        ("--place-session-sd", args.place_session_sd),
        ("--trial-sd", args.trial_sd),
    ];
    let small = given
        .into_iter()
        .filter_map(|(what, v)| Some((what, v.filter(|v| *v != 0.0 && v.abs() < 1.0)?)));
    let told = small.map(|(what, v)| {
        format!("check {what} {v}: it is in percent, so that 20 % is written 20 and {v} is {v} %")
    });
    told.collect()
}

fn percent(what: &str, value: f64, low: f64, high: f64) -> anyhow::Result<f64> {
    match value.is_finite() && (low..=high).contains(&value) {
        true => Ok(value),
        false => bail!("{what} is {value}; expected a number from {low} to {high}"),
    }
}

/// The spreads as given, in percent, else these.
fn stated(args: &PlanSizeArgs, usual: &Spreads) -> anyhow::Result<Spreads> {
    let one = |what: &str, given: Option<f64>, usual: f64| match given {
        Some(given) => Ok(percent(what, given, 0.0, 200.0)? / 100.0),
        None => anyhow::Ok(usual),
    };
    Ok(Spreads {
        subject: one("--subject-sd", args.subject_sd, usual.subject)?,
        place: one("--place-sd", args.place_sd, usual.place)?,
        examiner: one("--examiner-sd", args.examiner_sd, usual.examiner)?,
        session: one("--session-sd", args.session_sd, usual.session)?,
        place_at_session: one(
            "--place-session-sd",
            args.place_session_sd,
            usual.place_at_session,
        )?,
        trial: match args.trial_sd {
            Some(given) => percent("--trial-sd", given, 0.01, 200.0)? / 100.0,
            None => usual.trial,
        },
    })
}

/// The effect as a logarithm.
fn effect(args: &PlanSizeArgs, margin: Option<f64>) -> anyhow::Result<f64> {
    if args.question.is_width() {
        return Ok(0.0);
    }
    let Some(given) = args.effect else {
        bail!("--effect is missing: how large, in percent, is what the study is to find?");
    };
    let log = (percent("--effect", given, -90.0, 900.0)? / 100.0).ln_1p();
    if args.question == PlanQuestion::Side {
        return Ok(log);
    }
    let Some(margin) = margin else {
        bail!("--margin is missing: words need one; how large, in percent, must it be to matter?");
    };
    if log.abs() <= (margin / 100.0).ln_1p() {
        bail!(
            "--effect {given} lies within the margin of {margin} %: no study, however large, should name it"
        );
    }
    Ok(log)
}

fn wanted(args: &PlanSizeArgs) -> anyhow::Result<f64> {
    let (otherwise, most) = match args.question {
        PlanQuestion::Icc => (0.2, 1.0),
        PlanQuestion::Sem => (40.0, 1000.0),
        _ => (0.8, 0.9999),
    };
    percent("--wanted", args.wanted.unwrap_or(otherwise), 1e-4, most)
}

fn designs(args: &PlanSizeArgs) -> anyhow::Result<Vec<PlannedDesign>> {
    let (least_sessions, least_subjects) = match args.question {
        PlanQuestion::ChangePlace | PlanQuestion::ChangeVolunteer | PlanQuestion::ChangeAll => (2, 2),
        PlanQuestion::GroupBySession => (2, 3),
        PlanQuestion::Group => (1, 3),
        _ => (1, 1),
    };
    let sessions = match args.sessions.is_empty() {
        true => vec![least_sessions],
        false => args.sessions.clone(),
    };
    let most_levels = PlannedDesign::LEVELS.len() as u32;
    for (what, all, least, most) in [
        ("--subjects", &args.subjects, least_subjects, 2000),
        ("--examiners", &args.examiners, 1, 100),
        ("--sessions", &sessions, least_sessions, 50),
        ("--trials", &args.trials, 1, 100),
        ("--levels", &args.levels, 1, most_levels),
    ] {
        if let Some(n) = all.iter().find(|n| !(least..=most).contains(*n)) {
            bail!(
                "{what} {n}: for {} expected whole numbers from {least} to {most}",
                args.question
            );
        }
    }
    let mut made = Vec::new();
    for &levels in &args.levels {
        for &sessions in &sessions {
            for &examiners in &args.examiners {
                for &trials in &args.trials {
                    made.extend(args.subjects.iter().map(|&subjects| PlannedDesign {
                        subjects,
                        examiners,
                        sessions,
                        trials,
                        levels,
                    }));
                }
            }
        }
    }
    // A number given twice is one design.
    let mut seen = Vec::new();
    made.retain(|d| {
        let new = !seen.contains(d);
        seen.push(*d);
        new
    });
    if made.len() > MOST_DESIGNS {
        bail!(
            "{} designs; expected at most {MOST_DESIGNS}: give fewer numbers",
            made.len()
        );
    }
    if let Some(d) = made.iter().find(|d| d.tests() > MOST_TESTS) {
        bail!(
            "a design of {} tests; expected at most {MOST_TESTS}: give smaller numbers",
            d.tests()
        );
    }
    Ok(made)
}
