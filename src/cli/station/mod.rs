//! `station`: whether a station is fit for the work, and what limits it.

mod block;
mod words;

use super::Outcome;
use super::calibrate::day;
use super::open::sound_study;
use super::record::setup::port_or_only;
use crate::acquire::open_line;
use crate::acquire::station::{LineCounts, LineEvent, Station};
use crate::batch::settings_in_use;
use crate::error::Error;
use crate::fault::isolated;
use crate::instrument::{Instrument, from_reference_springs};
use crate::report::station::{StationPage, station_page};
use crate::session::calibrations_of;
use crate::session::station_check::StationCheck;
use crate::session::station_findings::{StationFindings, told};
use crate::settings::Settings;
use crate::study::gains::ColumnGains;
use crate::study::inputs::Study;
use crate::study::study_file;
use crate::study::words::shown;
use crate::terms::Day;
use crate::write::{refuse_existing, write_files_whole, write_new};
use anyhow::{Context, bail};
use block::{block, study_with};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};
use words::{also, decimals, of_channel, tables};

/// Looks at a station before anybody is pressed: shows each channel, and says whether it is fit for the work and what limits it.
///
/// First hands off, for noise, drift and mains ripple; then every sensor is pushed, for sign and saturation.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint station --port /dev/ttyACM0 --study autumn-term
  tautpoint station --port /dev/ttyUSB0@500000 --page cell-4.html
  tautpoint station --port sim --seconds 0.7 --push-seconds 12    try it with no hardware
  tautpoint station --port /dev/ttyACM0 --spring                 push a steel spring: its loop gives the delay")]
pub struct StationArgs {
    /// Serial port, or `sim` for a virtual device; the only USB device when left out.
    #[arg(long, value_name = "PORT")]
    port: Option<String>,
    /// Study whose calibrations, gains and settings hold.
    #[arg(long, value_name = "STUDY")]
    study: Option<PathBuf>,
    /// How long nothing touches the station.
    #[arg(long, value_name = "N", default_value_t = 60.0, value_parser = seconds)]
    seconds: f64,
    /// How long its sensors are pushed afterwards.
    #[arg(long, value_name = "N", default_value_t = 20.0, value_parser = seconds)]
    push_seconds: f64,
    /// What is pushed is a steel spring, ten times at the rhythm of the work.
    #[arg(long)]
    spring: bool,
    /// Adds what was found of a station that is fit to the study's study.toml, where it holds nothing of the kind yet.
    #[arg(long, requires = "study")]
    write: bool,
    /// Page to print that is made.
    #[arg(long, value_name = "FILE")]
    page: Option<PathBuf>,
    /// Day of the check; today when left out.
    #[arg(long, value_name = "DATE", value_parser = day)]
    date: Option<Day>,
}

/// How long no sample may come.
const PATIENCE: Duration = Duration::from_secs(20);
/// How often a device may begin anew before it is given up.
const RESTARTS: u32 = 5;
/// And how long a check may last: so many times what it is to, and this.
const TIMES_AS_LONG: f64 = 4.0;

fn seconds(text: &str) -> Result<f64, String> {
    let seconds = text.parse().ok().filter(|s: &f64| (0.5..=3600.0).contains(s));
    seconds.ok_or_else(|| "expected seconds from 0.5 to 3600".to_owned())
}

/// Runs the command. A station that is not fit is a result: exit code 1.
///
/// # Errors
/// No port, a device that never sends, or a page that is there already.
pub fn run(args: &StationArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let study = args.study.as_deref().map(sound_study).transpose()?;
    if let Some(page) = &args.page {
        refuse_existing(page)?;
    }
    let settings = study.as_ref().map_or_else(Settings::default, settings_in_use);
    let port = port_or_only(args.port.as_deref())?;
    let mut watch = Watch {
        line: open_line(&port),
        study,
        quiet,
        args,
        check: None,
        counts: LineCounts::default(),
        restarts: 0,
        gone: None,
    };
    let check = watch.listen()?;
    let gains = watch.gains();
    let findings =
        isolated(|| check.findings(&settings, &gains)).map_err(|fault| anyhow::anyhow!("{fault}"))?;
    let findings = findings
        .context("too few samples came to say anything: see to it that the device sends all the time")?;
    let instrument = match args.spring {
        true => Some(delay(&check, &settings)),
        false => None,
    };
    tell(&findings, instrument.as_ref(), args)?;
    Ok(if findings.is_fit() {
        Outcome::Done
    } else {
        Outcome::Partly
    })
}

/// Listens to the line and shows what comes.
struct Watch<'a> {
    line: Receiver<LineEvent>,
    study: Option<Study>,
    quiet: bool,
    args: &'a StationArgs,
    check: Option<StationCheck>,
    counts: LineCounts,
    restarts: u32,
    /// Why the line last said that nothing of use comes.
    gone: Option<String>,
}

impl Watch<'_> {
    fn gains(&self) -> ColumnGains {
        self.study.as_ref().map(|s| s.gains.clone()).unwrap_or_default()
    }

    /// Until both times are over.
    fn listen(&mut self) -> anyhow::Result<StationCheck> {
        let whole_s = self.args.seconds + self.args.push_seconds;
        let begun = Instant::now();
        let (mut heard, mut told_s, mut pushing) = (begun, 0.0, false);
        loop {
            match self.line.recv_timeout(Duration::from_millis(100)) {
                Ok(LineEvent::Connected(station)) => {
                    self.connected(station)?;
                    told_s = 0.0;
                    pushing = false;
                }
                Ok(LineEvent::Samples(samples)) => {
                    // The first sample after each beginning comes from a clock that stands still, too.
                    if samples.iter().any(|s| s.time_s > 0.0) {
                        heard = Instant::now();
                    }
                    if let Some(check) = &mut self.check {
                        check.push(&samples);
                    }
                }
                Ok(LineEvent::Counts(counts)) => {
                    self.counts = counts;
                    if let Some(check) = &mut self.check {
                        check.count(counts);
                    }
                }
                Ok(LineEvent::Gone(words)) => {
                    note!("{words}");
                    self.gone = Some(words);
                }
                Ok(LineEvent::Failed(words)) => bail!("{words}"),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => bail!("the line ended"),
            }
            self.give_up(heard, begun, whole_s)?;
            let Some(check) = &self.check else { continue };
            let now_s = check.seconds();
            if !pushing && now_s >= self.args.seconds {
                pushing = true;
                self.say(match self.args.spring {
                    true => "Now press the steel spring ten times, without leaving it.",
                    false => "Now push every force sensor, one after the other, as hard as the work does, so that its displacement moves too.",
                });
            }
            if now_s >= told_s + 1.0 {
                told_s = now_s;
                self.show(check);
            }
            if now_s >= whole_s {
                break;
            }
        }
        self.check.take().context("no device was heard")
    }

    /// Ends a check that cannot come to an end.
    fn give_up(&self, heard: Instant, begun: Instant, whole_s: f64) -> anyhow::Result<()> {
        if heard.elapsed() > PATIENCE {
            let patience_s = PATIENCE.as_secs();
            match &self.gone {
                Some(words) => bail!("no sample that counts came for {patience_s} s: {words}"),
                None => bail!("nothing came for {patience_s} s: look at cable, port and speed"),
            }
        }
        if self.restarts > RESTARTS {
            bail!(
                "the device began anew {RESTARTS} times within this check ({}): look at its supply, at its plug, and at what its \
                 watchdog waits for",
                self.gone.as_deref().unwrap_or("it said nothing of why")
            );
        }
        let lasted_s = begun.elapsed().as_secs_f64();
        if lasted_s > TIMES_AS_LONG * whole_s + PATIENCE.as_secs_f64() {
            bail!(
                "after {lasted_s:.0} s the device's stamps are at {:.1} s: its clock is too slow, or it keeps beginning anew",
                self.check.as_ref().map_or(0.0, StationCheck::seconds)
            );
        }
        Ok(())
    }

    fn connected(&mut self, station: Station) -> anyhow::Result<()> {
        if self.check.is_some() {
            self.restarts += 1;
            note!("warning: the device began anew; the check begins anew too");
        }
        let calibrations = match &self.study {
            Some(study) => {
                let (calibrations, problems) = calibrations_of(study, &station);
                problems.iter().for_each(|p| note!("warning: {p}"));
                calibrations
            }
            None => Vec::new(),
        };
        self.say(&format!(
            "{}: hands off for {} s.",
            shown(&station.device),
            self.args.seconds
        ));
        let check = StationCheck::new(station, &calibrations, &self.gains(), self.args.seconds);
        self.check = Some(check.counting_from(self.counts));
        Ok(())
    }

    fn say(&self, words: &str) {
        if !self.quiet {
            note!("{words}");
        }
    }

    fn show(&self, check: &StationCheck) {
        let now: Vec<String> = check
            .now()
            .into_iter()
            .map(|(heading, value, unit)| match value.is_finite() {
                true => format!("{heading} {} {unit}", told(value, decimals(&unit, 3))),
                false => format!("{heading} no value"),
            })
            .collect();
        self.say(&format!("{:5.0} s  {}", check.seconds(), now.join("   ")));
    }
}

/// The delay by the steel spring, or why there is none.
fn delay(check: &StationCheck, settings: &Settings) -> Result<Instrument, String> {
    let trace = check.pressed().ok_or("this station has no force")?;
    let found = isolated(|| from_reference_springs(&[trace], settings)).map_err(|fault| fault.to_string())?;
    found.map_err(|e: Error| e.to_string())
}

fn tell(
    found: &StationFindings,
    spring: Option<&Result<Instrument, String>>,
    args: &StationArgs,
) -> anyhow::Result<()> {
    let date = args.date.unwrap_or_else(Day::today).to_string();
    let remarks: Vec<String> = found.remarks.iter().map(|(_, words)| words.clone()).collect();
    let also = also(found, spring);
    let block = block(found, spring, &date);
    sayln!("{}", found.verdict());
    for words in &remarks {
        sayln!("  - {words}");
    }
    for words in &also {
        sayln!("{words}");
    }
    for channel in &found.channels {
        sayln!("{}", of_channel(channel));
    }
    if !block.is_empty() {
        sayln!("\nFor study.toml:\n{block}");
    }
    let study = args
        .study
        .as_ref()
        .filter(|_| args.write)
        .map(|root| root.join(study_file::FILE_NAME));
    let study = study.filter(|path| {
        if !found.is_fit() {
            sayln!(
                "nothing was written into {}: the station is not fit yet",
                path.display()
            );
        }
        found.is_fit()
    });
    let html = args.page.as_ref().map(|_| {
        station_page(StationPage {
            device: &shown(&found.station.device),
            date: &date,
            verdict: found.verdict(),
            remarks: &remarks,
            also: &also,
            tables: tables(found),
            block: &block,
        })
    });
    let html = html.transpose()?;
    let page = args.page.iter().zip(&html);
    let with_block = match study.as_ref().map(|path| study_with(path, &block)).transpose() {
        Ok(with_block) => with_block,
        Err(refused) => {
            // A check takes minutes: its page is not lost with a block that the study has no place for.
            for (path, text) in page {
                write_new(path, text)?;
            }
            return Err(refused);
        }
    };
    // Both or neither: with the block alone the next run would be told that the study holds one already.
    let files = study.iter().zip(&with_block).chain(page);
    let files: Vec<(&Path, &[u8])> = files
        .map(|(path, text)| (path.as_path(), text.as_bytes()))
        .collect();
    write_files_whole(&files)?;
    if let Some(path) = study {
        sayln!("written into {}", path.display());
    }
    Ok(())
}
