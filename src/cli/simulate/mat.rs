//! `simulate trace --mat`: the same push on a pressure mat.

use super::within;
use crate::simulate::{BadFrame, MatSensor, Pad, SimulatedMat, SimulatedTests, simulate_mat};
use crate::study::mat_setup::{MatSetup, MatUnit};
use anyhow::bail;
use clap::Args as ClapArgs;

/// Frames a second of a simulated mat when nothing else is said.
pub const RATE_HZ: f64 = 100.0;
/// Half axes of a simulated hand across and along, in mm.
const HAND_MM: [f64; 2] = [24.0, 18.0];

/// What a simulated mat may be.
#[derive(Debug, ClapArgs)]
#[command(next_help_heading = "Pressure mat")]
pub struct MatArgs {
    /// Make a pressure mat's file: time, then one column a cell.
    #[arg(long)]
    pub mat: bool,
    /// Rows and columns of cells.
    #[arg(long, value_name = "ROWSxCOLS", default_value = "32x40", requires = "mat", value_parser = size)]
    mat_cells: (usize, usize),
    /// Middle to middle of two cells.
    #[arg(long, value_name = "MM", default_value_t = 8.0, requires = "mat")]
    mat_pitch_mm: f64,
    /// Noise of one cell.
    #[arg(long, value_name = "KPA", default_value_t = 0.2, requires = "mat")]
    mat_noise_kpa: f64,
    /// With --bilateral: free space between both hands.
    #[arg(long, value_name = "MM", default_value_t = 40.0, requires = "mat")]
    mat_apart_mm: f64,
    /// A fault of the mat to make: dead-row, stuck-cell, bad-frames, third-area or crossing.
    #[arg(long, value_name = "WORD", requires = "mat", value_parser = ["dead-row", "stuck-cell", "bad-frames", "third-area", "crossing"])]
    mat_fault: Option<String>,
}

fn size(text: &str) -> Result<(usize, usize), String> {
    let wrong = || "expected rows x columns, each from 8 to 256, such as 32x40".to_owned();
    let (rows, cols) = text.split_once('x').ok_or_else(wrong)?;
    let number = |text: &str| {
        let n: usize = text.parse().map_err(|_| wrong())?;
        (8..=256).contains(&n).then_some(n).ok_or_else(wrong)
    };
    Ok((number(rows)?, number(cols)?))
}

impl MatArgs {
    /// The simulated push on the mat: one hand a channel, side by side about the middle.
    pub fn simulate(&self, made: &SimulatedTests, seed: u64) -> anyhow::Result<SimulatedMat> {
        let (rows, cols) = self.mat_cells;
        let pitch = within("--mat-pitch-mm", self.mat_pitch_mm, 2.0, 40.0)?;
        let apart = within("--mat-apart-mm", self.mat_apart_mm, 0.0, 1000.0)?;
        let mut setup = MatSetup::new(rows, cols, pitch, MatUnit::Kpa);
        let (wide, high) = (cols as f64 * pitch, rows as f64 * pitch);
        let middle = [0.5 * wide, 0.5 * high];
        let both = made.noise_free.channels.len() == 2;
        let reach = HAND_MM[0] + 0.5 * apart;
        let least = 2.0 * (if both { reach } else { 0.0 } + 1.2 * HAND_MM[0]);
        if wide < least || high < 3.0 * HAND_MM[1] {
            bail!(
                "the mat is {wide} × {high} mm; the hands need {least} × {} mm",
                3.0 * HAND_MM[1]
            );
        }
        let mut pads = match both {
            true => vec![
                Pad::still([middle[0] - reach, middle[1]], HAND_MM),
                Pad::still([middle[0] + reach, middle[1]], HAND_MM),
            ],
            false => vec![Pad::still(
                [middle[0] - 40.0_f64.min(0.25 * wide), middle[1]],
                HAND_MM,
            )],
        };
        setup.midline_mm = Some(middle[0]);
        let mut sensor = MatSensor::good(setup);
        sensor.noise_kpa = within("--mat-noise-kpa", self.mat_noise_kpa, 0.0, 20.0)?;
        let mut further = Vec::new();
        match self.mat_fault.as_deref() {
            Some("dead-row") => sensor.dead = (rows / 2 * cols..(rows / 2 + 1) * cols).collect(),
            Some("stuck-cell") => sensor.stuck = vec![(cols + 3, 60.0)],
            Some("bad-frames") => {
                let n = made.noise_free.time_s.len();
                sensor.bad_frames = vec![
                    (n / 3, BadFrame::AllZero),
                    (n / 2, BadFrame::Saturated),
                    (n / 2 + 7, BadFrame::Short),
                ];
            }
            Some("third-area") => {
                let corner = Pad::still([0.9 * wide, 0.12 * high], [14.0, 14.0]);
                further.push((corner, 15.0));
            }
            // Both move, so that the left hand crosses the midline and never meets the right one.
            Some("crossing") => pads.iter_mut().for_each(|p| {
                p.at_mm[0] -= 0.1 * wide;
                p.moves_mm = [0.3 * wide, 0.0];
            }),
            _ => {}
        }
        Ok(simulate_mat(
            &made.noise_free,
            &made.trace,
            sensor,
            &pads,
            &further,
            seed,
        ))
    }
}
