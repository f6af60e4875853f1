//! SensorReadings under known loads: a small table that people keep.

use crate::calibrate::gravity::{
    AIR_KG_PER_M3, MASS_KG_PER_M3, STANDARD_G, UNKNOWN_PLACE_U_PERCENT, newtons_per_kg,
};
use crate::calibrate::{Direction, Reading, SensorReadings};
use crate::error::{Problem, Severity};
use crate::study::table::{TextRow, TextTable};
use crate::study::words::{nearest, shown};
use crate::units::{Quantity, Unit};

/// Headings besides the one of the loads.
const OTHERS: [&str; 4] = ["indicated", "run", "direction", "channel"];
/// Headings of loads that are offered.
const LOADS: [&str; 6] = [
    "applied_n",
    "applied_kgf",
    "applied_lbf",
    "mass_kg",
    "mass_g",
    "applied_mm",
];

/// How masses become forces, and which readings are meant.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ReadingsOptions {
    /// Local gravity in m/s²; standard gravity, with its uncertainty, when `None`.
    pub gravity: Option<f64>,
    /// In kg/m³; 1.2 when `None`.
    pub air_kg_per_m3: Option<f64>,
    /// In kg/m³; 8000 when `None`.
    pub mass_kg_per_m3: Option<f64>,
    /// The channel wanted, where the table holds several.
    pub channel: Option<String>,
}

/// The column of loads.
struct LoadColumn {
    heading: String,
    quantity: Quantity,
    /// To N or mm.
    scale: f64,
    is_mass: bool,
}

/// Reads a table of readings. `file` is the name that problems carry.
///
/// Columns: one of `applied_n|_kn|_gf|_kgf|_lbf`, `mass_kg|_g` or `applied_mm|_um|_m|_in`, and `indicated`; optional
/// `run`, `direction` (`up`, `down`) and `channel`. Rows may stand in any order.
///
/// `None` when the table cannot be used; the problems then hold at least one error.
pub fn read_readings(
    file: &str,
    text: &str,
    options: &ReadingsOptions,
) -> (Option<SensorReadings>, Vec<Problem>) {
    let mut problems = Vec::new();
    let readings = match TextTable::parse(file, text, &mut problems) {
        Ok(table) => from_table(file, text, &table, options, &mut problems),
        Err(problem) => {
            problems.push(problem);
            None
        }
    };
    let usable = !problems.iter().any(|p| p.severity == Severity::Error);
    (readings.filter(|_| usable), problems)
}

fn from_table(
    file: &str,
    text: &str,
    table: &TextTable,
    options: &ReadingsOptions,
    problems: &mut Vec<Problem>,
) -> Option<SensorReadings> {
    let loads = find_loads(file, table, problems)?;
    let known: Vec<&str> = std::iter::once(loads.heading.as_str())
        .chain(OTHERS[1..].iter().copied())
        .collect();
    if !table.check_headings(file, &["indicated"], &known, problems) {
        return None;
    }
    let channel = choose_channel(file, table, options, problems)?;
    let first_line = text
        .lines()
        .find(|l| !l.trim().is_empty() && !l.starts_with('#'))
        .unwrap_or("");
    let decimal_comma = first_line.contains(';');
    let mut notes = Vec::new();
    let mut load_u_percent = None;
    let scale = match loads.is_mass {
        true => loads.scale * per_kg(options, &mut notes, &mut load_u_percent),
        false => loads.scale,
    };
    let mut readings = Vec::new();
    let mut decimals = 0;
    for row in &table.rows {
        if channel.is_some() && row.get("channel") != channel.as_deref() {
            continue;
        }
        let mut cells = ReadingCells {
            file,
            row,
            decimal_comma,
            problems,
        };
        let (applied, indicated) = (cells.number(&loads.heading), cells.number("indicated"));
        let direction = cells.direction();
        let (Some((applied, _)), Some((indicated, places))) = (applied, indicated) else {
            continue;
        };
        decimals = decimals.max(places);
        readings.push(Reading {
            applied: applied * scale,
            indicated,
            run: row.get("run").map(str::to_owned),
            direction,
            line: row.line,
        });
    }
    Some(SensorReadings {
        file: file.to_owned(),
        quantity: loads.quantity,
        applied_heading: loads.heading,
        channel,
        readings,
        written_step: Some(10f64.powi(-decimals)),
        load_u_percent,
        notes,
    })
}

/// Newtons a kilogram, with where that came from.
fn per_kg(options: &ReadingsOptions, notes: &mut Vec<String>, load_u_percent: &mut Option<f64>) -> f64 {
    let air = options.air_kg_per_m3.unwrap_or(AIR_KG_PER_M3);
    let mass = options.mass_kg_per_m3.unwrap_or(MASS_KG_PER_M3);
    let g = options.gravity.unwrap_or(STANDARD_G);
    notes.push(format!(
        "loads from masses of {mass} kg/m3 in air of {air} kg/m3 under gravity of {g:.6} m/s2"
    ));
    if options.gravity.is_none() {
        notes.push(format!(
            "local gravity was not given: standard gravity is used, and {UNKNOWN_PLACE_U_PERCENT} % counted for it"
        ));
        *load_u_percent = Some(UNKNOWN_PLACE_U_PERCENT);
    }
    newtons_per_kg(g, air, mass)
}

fn find_loads(file: &str, table: &TextTable, problems: &mut Vec<Problem>) -> Option<LoadColumn> {
    let mut found: Vec<LoadColumn> = table.headings.iter().filter_map(|h| loads_of(h)).collect();
    let fault = |found: String, advice: String, column: Option<&str>| {
        let mut p = Problem::error(
            file,
            found,
            format!("one column out of {}", LOADS.join(", ")),
            advice,
        )
        .at_line(table.header_line);
        p.column = column.map(shown);
        p
    };
    match found.len() {
        1 => found.pop(),
        0 => {
            let like = table.headings.iter().find(|h| {
                h.starts_with("applied")
                    || h.starts_with("mass")
                    || h.starts_with("load")
                    || h.starts_with("force")
            });
            problems.push(match like {
                Some(heading) => {
                    let near = nearest(heading, LOADS).map_or(String::new(), |n| format!(", {n} for one"));
                    fault(
                        format!("the column {} without a known unit", shown(heading)),
                        format!("put the unit at the end of the heading{near}"),
                        Some(heading),
                    )
                }
                None => fault(
                    "no column of loads".to_owned(),
                    "add what was applied".to_owned(),
                    None,
                ),
            });
            None
        }
        _ => {
            let names: Vec<String> = found.iter().map(|l| shown(&l.heading)).collect();
            problems.push(fault(
                format!("{} columns of loads: {}", names.len(), names.join(", ")),
                "leave one and rename or delete the others".to_owned(),
                None,
            ));
            None
        }
    }
}

fn loads_of(heading: &str) -> Option<LoadColumn> {
    let made = |quantity, scale, is_mass| {
        Some(LoadColumn {
            heading: heading.to_owned(),
            quantity,
            scale,
            is_mass,
        })
    };
    match heading {
        "mass_kg" => return made(Quantity::Force, 1.0, true),
        "mass_g" => return made(Quantity::Force, 1e-3, true),
        _ => {}
    }
    let suffix = heading.strip_prefix("applied_")?;
    [Quantity::Force, Quantity::Displacement]
        .into_iter()
        .find_map(|quantity| match Unit::parse(quantity, suffix)? {
            Unit::Scale(scale) => made(quantity, scale, false),
            Unit::Counts => None,
        })
}

/// The channel whose readings are used: the one asked for, or the only one. The inner `None` is a table without.
fn choose_channel(
    file: &str,
    table: &TextTable,
    options: &ReadingsOptions,
    problems: &mut Vec<Problem>,
) -> Option<Option<String>> {
    let mut there: Vec<String> = table
        .rows
        .iter()
        .filter_map(|r| r.get("channel"))
        .map(str::to_owned)
        .collect();
    there.sort();
    there.dedup();
    let listed = there.iter().map(|c| shown(c)).collect::<Vec<_>>().join(", ");
    let fault = |found: String, expected: String, advice: &str| {
        Problem::error(file, found, expected, advice).in_column("channel")
    };
    match (&options.channel, there.len()) {
        (None, 0) => Some(None),
        (None, 1) => Some(there.pop()),
        (None, n) => {
            problems.push(fault(
                format!("readings of {n} channels: {listed}"),
                "one channel at a time".to_owned(),
                "say which with --channel; each gets its own certificate",
            ));
            None
        }
        (Some(wanted), 0) if !table.headings.iter().any(|h| h == "channel") => Some(Some(wanted.clone())),
        (Some(wanted), _) if there.contains(wanted) => Some(Some(wanted.clone())),
        (Some(wanted), _) => {
            problems.push(fault(
                format!("no reading of channel {}", shown(wanted)),
                format!("one of {listed}"),
                "correct --channel or the column",
            ));
            None
        }
    }
}

/// The cells of one row.
struct ReadingCells<'a, 'p> {
    file: &'a str,
    row: &'a TextRow,
    decimal_comma: bool,
    problems: &'p mut Vec<Problem>,
}

impl ReadingCells<'_, '_> {
    fn fault(&mut self, heading: &str, found: String, expected: &str, advice: &str) {
        self.problems.push(
            Problem::error(self.file, found, expected, advice)
                .at_line(self.row.line)
                .in_column(heading),
        );
    }

    /// A number and how many decimals it is written with.
    fn number(&mut self, heading: &str) -> Option<(f64, i32)> {
        let Some(cell) = self.row.get(heading) else {
            self.fault(
                heading,
                "an empty cell".to_owned(),
                "a number",
                "complete the reading or take the row out",
            );
            return None;
        };
        let plain = match self.decimal_comma {
            true => cell.replacen(',', ".", 1),
            false => cell.to_owned(),
        };
        match fast_float2::parse::<f64, _>(&plain) {
            Ok(value) if value.is_finite() => Some((value, decimals(&plain))),
            _ => {
                self.fault(
                    heading,
                    shown(cell),
                    "a number",
                    "correct the cell or take the row out",
                );
                None
            }
        }
    }

    fn direction(&mut self) -> Option<Direction> {
        let word = self.row.get("direction")?;
        let direction = Direction::parse(word);
        if direction.is_none() {
            self.fault(
                "direction",
                shown(word),
                "up, down or nothing",
                "correct the word",
            );
        }
        direction
    }
}

/// Decimals of a written number; a power of ten shifts them.
fn decimals(number: &str) -> i32 {
    let (digits, power) = match number.split_once(['e', 'E']) {
        Some((digits, power)) => (digits, power.parse().unwrap_or(0)),
        None => (number, 0),
    };
    let places = digits.split_once('.').map_or(0, |(_, after)| after.len() as i32);
    (places - power).clamp(-300, 300)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_of_written_numbers() {
        assert_eq!(
            ["8123", ".11019", "1.10190E-01", "2e3"].map(decimals),
            [0, 5, 6, -3]
        );
    }

    #[test]
    fn a_decimal_comma_goes_with_semicolons() {
        let text = "applied_n;indicated\n0,5;8123,25\n1,5;9000,5\n";
        let (r, problems) = read_readings("a.csv", text, &ReadingsOptions::default());
        assert_eq!((r.unwrap().readings[0].indicated, problems.len()), (8123.25, 0));
    }

    #[test]
    fn a_mass_without_a_unit_is_refused() {
        let (r, problems) = read_readings("a.csv", "mass,indicated\n0,1\n", &ReadingsOptions::default());
        assert!(r.is_none());
        assert!(
            problems[0].found.contains("mass without a known unit"),
            "{}",
            problems[0]
        );
        assert!(problems[0].advice.contains("mass_"), "{}", problems[0]);
    }
}
