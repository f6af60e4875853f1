//! What is known of the lab's instrument: calibrations and the reference spring's result.

use crate::study::door;
use crate::calibrate::Calibration;
use crate::calibrate::budget::{Used, add_to_test};
use crate::error::Problem;
use crate::instrument::{FILE_NAME, Instrument};
use crate::read::calibrations::Calibrations;
use crate::read::counts::CalibratedColumn;
use crate::settings::Settings;
use crate::study::inputs::Study;
use crate::study::mapping::ColumnKey;
use crate::study::toml_doc::read_text;
use crate::terms::Side;
use crate::trace::Test;

/// The setting that instrument.toml gives.
const DELAY: &str = "instrument.force_delay_ms";

/// Calibrations at hand and what a reference spring told.
#[derive(Debug, Default)]
pub struct InstrumentContext {
    pub calibrations: Calibrations,
    pub instrument: Option<Instrument>,
}

impl InstrumentContext {
    /// Reads `calibrations/` and instrument.toml of a study; the delay goes into the settings unless study.toml or the
    /// command line sets one.
    pub fn of_study(
        study: Option<&Study>,
        settings: &mut Settings,
        problems: &mut Vec<Problem>,
    ) -> InstrumentContext {
        let Some(study) = study else {
            return InstrumentContext::default();
        };
        let (calibrations, found) = Calibrations::in_folder(&study.root);
        problems.extend(found);
        let instrument = read_instrument(study, problems);
        if let Some(instrument) = &instrument {
            match settings.set_in(DELAY) {
                None => {
                    settings.instrument.force_delay_ms = instrument.force_delay_ms;
                    settings.set_in.push((DELAY.to_owned(), FILE_NAME.to_owned()));
                }
                Some(source) if settings.instrument.force_delay_ms != instrument.force_delay_ms => {
                    problems.push(
                        Problem::warning(
                            FILE_NAME,
                            format!("a delay of {:.3} ms", instrument.force_delay_ms),
                            format!("{:.3} ms, as {source} sets", settings.instrument.force_delay_ms),
                            format!(
                                "{source} goes first; take {DELAY} out of it to use what the spring showed"
                            ),
                        )
                        .in_column("force_delay_ms"),
                    );
                }
                Some(_) => {}
            }
        }
        InstrumentContext {
            calibrations,
            instrument,
        }
    }

    /// Adds what the instrument adds to the uncertainty of tests, and takes its loop off their loss.
    pub fn finish(&self, calibrated: &[CalibratedColumn], tests: &mut [Test]) {
        for test in tests {
            let side = test.side();
            let used = Used {
                force: of(
                    calibrated,
                    side,
                    [ColumnKey::Force, ColumnKey::ForceLeft, ColumnKey::ForceRight],
                ),
                displacement: of(
                    calibrated,
                    side,
                    [
                        ColumnKey::Displacement,
                        ColumnKey::DisplacementLeft,
                        ColumnKey::DisplacementRight,
                    ],
                ),
            };
            add_to_test(test, used);
            if let Some(instrument) = &self.instrument {
                instrument.take_off_loop(test);
            }
        }
    }
}

/// The calibration of one side: its own column's, else that of the column without a side.
fn of(calibrated: &[CalibratedColumn], side: Option<Side>, keys: [ColumnKey; 3]) -> Option<&Calibration> {
    let [plain, left, right] = keys;
    let own = match side {
        Some(Side::Left) => left,
        Some(Side::Right) => right,
        _ => plain,
    };
    let find = |key| {
        calibrated
            .iter()
            .find(|c| c.column == key)
            .map(|c| &c.calibration)
    };
    find(own).or_else(|| find(plain))
}

fn read_instrument(study: &Study, problems: &mut Vec<Problem>) -> Option<Instrument> {
    let path = study.root.join(FILE_NAME);
    if !door::is_there(&path) {
        return None;
    }
    match read_text(&path, FILE_NAME) {
        Ok(text) => {
            let (instrument, found) = Instrument::parse(FILE_NAME, &text);
            problems.extend(found);
            instrument
        }
        Err(problem) => {
            problems.push(problem);
            None
        }
    }
}
