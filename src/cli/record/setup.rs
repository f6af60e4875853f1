//! What is settled before the first sample: the study, the lock, codes, plan, port, cautions.

use super::args::RecordArgs;
use crate::acquire::port::ports;
use crate::acquire::recorder::disk::FileDisk;
use crate::acquire::recorder::lock::StudyLock;
use crate::acquire::recorder::{RecordingRequest, sessions, stamp};
use crate::cli::open::sound_study;
use crate::cli::terminal::is_watched;
use crate::error::{Error, Severity};
use crate::session::SessionSetup;
use crate::study::cautions::CAUTIONS;
use crate::study::estimates;
use crate::study::inputs::{Study, collect_any};
use crate::study::plan::Plan;
use crate::study::words::shown;
use crate::terms::Day;
use crate::terms::Feedback;
use anyhow::{Context, bail};
use std::io::{BufRead, IsTerminal};
use std::path::Path;
use std::time::Duration;

/// Settles it. Warnings and cautions are printed here. The lock is given up when dropped.
pub fn setup(args: &RecordArgs) -> anyhow::Result<(SessionSetup, Option<StudyLock>)> {
    let study = sound_study(&args.study)?;
    let lock = match args.practice {
        true => None,
        false => StudyLock::take(&study.root, &stamp())?,
    };
    if lock.is_none() && !args.practice {
        note!("warning: this disk cannot lock: see to it that nobody else records into this study");
    }
    let mut request = request(args, &study)?;
    request.check_personal(&study.roster)?;
    let inputs = collect_any(std::slice::from_ref(&args.study))?;
    for problem in inputs
        .problems
        .iter()
        .filter(|p| ["roster.csv", "calls.csv", estimates::FILE_NAME].contains(&p.file.as_str()))
    {
        let word = match problem.severity {
            Severity::Warning => "warning",
            Severity::Error => "error",
        };
        note!("{word}: {problem}");
    }
    for warning in request.warnings(&study.roster) {
        note!("warning: {warning}");
    }
    let port = port_or_only(args.port.as_deref())?;
    request.check_codes()?;
    request.cautions = Some(cautions(&study.root, &request)?);
    let setup = SessionSetup {
        study,
        inputs,
        request,
        port,
        stop_after: args.seconds.map(Duration::from_secs_f64),
    };
    Ok((setup, lock))
}

fn request(args: &RecordArgs, study: &Study) -> anyhow::Result<RecordingRequest> {
    let trimmed = |code: &Option<String>| code.as_deref().map(|c| c.trim().to_owned());
    let mut feedback = args.feedback;
    if study.hidden() && feedback != Feedback::None {
        note!(
            "warning: the study is blind: no measured value is shown until it is opened (--feedback none); the ceiling \
             alarm is on"
        );
        feedback = Feedback::None;
    }
    Ok(RecordingRequest {
        subject: trimmed(&args.subject),
        examiner: trimmed(&args.examiner),
        session: trimmed(&args.session).unwrap_or_else(|| Day::today().to_string()),
        plan: args.plan.as_deref().map(|name| plan(name, study)).transpose()?,
        drawn: false,
        level: args.level,
        side: args.side,
        contact: args.contact,
        feedback,
        calls: args.calls,
        estimates: args.estimates,
        practice: args.practice,
        afresh: false,
        others_record: false,
        tests_are_seen: true,
        cautions: None,
    })
}

fn plan(name: &str, study: &Study) -> anyhow::Result<Plan> {
    study
        .plan(name)
        .ok_or_else(|| Error::from(study.no_plan(name, "--plan")).into())
}

/// The port that was named, or the only USB device.
pub fn port_or_only(named: Option<&str>) -> anyhow::Result<String> {
    if let Some(port) = named {
        return Ok(port.to_owned());
    }
    let usb: Vec<_> = ports()?.into_iter().filter(|p| p.usb).collect();
    match usb.as_slice() {
        [one] => {
            note!("port {} {}", shown(&one.name), shown(&one.description));
            Ok(one.name.clone())
        }
        [] => bail!(
            "no USB serial device is plugged in: plug it in, name a port with --port, or try --port sim"
        ),
        several => {
            let names: Vec<String> = several.iter().map(|p| shown(&p.name)).collect();
            bail!(
                "there are several USB serial devices: name one with --port: {}",
                names.join(", ")
            )
        }
    }
}

/// Shows the cautions once a session for each subject, and has them confirmed where somebody can. Gives how they were met, which is
/// stored unless nothing is to be kept.
fn cautions(root: &Path, request: &RecordingRequest) -> anyhow::Result<&'static str> {
    let asks = std::io::stdin().is_terminal() && is_watched();
    let before = sessions::met(root, &request.session, request.subject.as_deref());
    if let Some(met) = before
        && (met == "confirmed" || !asks)
    {
        return Ok(met);
    }
    match &request.subject {
        Some(subject) => note!("Before {} is touched in this session:", shown(subject)),
        None => note!("Before anybody is touched in this session:"),
    }
    for caution in CAUTIONS {
        note!("  - {caution}");
    }
    let met = if asks {
        note!("Press Enter when all of this holds; Ctrl-C otherwise.");
        let mut line = String::new();
        let read = std::io::stdin()
            .lock()
            .read_line(&mut line)
            .context("the keyboard cannot be read")?;
        if read == 0 {
            bail!("the cautions were not confirmed: nothing was recorded");
        }
        "confirmed"
    } else {
        "shown"
    };
    if !request.practice {
        sessions::store(&FileDisk, root, &request.session, request.subject.as_deref(), met)?;
    }
    Ok(met)
}
