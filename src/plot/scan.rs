//! One scan: each level's difference with its 95 % interval on a log-ratio axis, the threshold as a band, the
//! decision in words.

use super::axis::{MARGIN, SMALL, Scale};
use super::canvas::{Canvas, Figure};
use super::palette::{ACCENT, BAND, GREY, HAIR, INK, QUIET};
use super::scan_words::{Section, alt, call_words, decide_words, decision_word, percent_words, row_label};
use super::shape::{Align, Area, words};
use super::text;
use crate::format;
use crate::columns::Measure;
use crate::compare::{Comparison, ComparisonKind, Decision};
use crate::terms::{Level, Region};

const WIDTH: f64 = 1000.0;
const ROW: f64 = 23.0;
/// Extra room between regions of the spine, in px.
const REGION_GAP: f64 = 7.0;
const PLOT_LEFT: f64 = 152.0;
const PLOT_RIGHT: f64 = 492.0;
/// Left edges of the columns of words: decision, percent, tests, call, what would decide.
const LEFT_RIGHT_COLUMNS: [f64; 5] = [510.0, 594.0, 727.0, 783.0, 876.0];
const NEIGHBOUR_COLUMNS: [f64; 5] = [510.0, 686.0, 819.0, 876.0, 876.0];
/// Widest axis: intervals that leave it end in an arrow.
const WIDEST_PERCENT: f64 = 100.0;

/// What the figure of a scan needs besides its findings.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanOptions {
    /// Who, by whom, when: stands small beside the title.
    pub about: String,
    /// The measure whose findings are drawn.
    pub measure: Measure,
    /// Coverage of the intervals, from 0 to 1 (`compare.confidence`).
    pub confidence: f64,
}

/// Draws the findings of one scan for one measure; others are left aside.
///
/// `None` when no finding of that measure has an interval in percent.
pub fn scan_overview(comparisons: &[&Comparison], options: &ScanOptions) -> Option<Figure> {
    let sections: Vec<Section<'_>> = [ComparisonKind::LeftRight, ComparisonKind::Neighbours]
        .into_iter()
        .map(|kind| Section::of(kind, options.measure, comparisons))
        .filter(|s| !s.rows.is_empty())
        .collect();
    if sections.is_empty() {
        return None;
    }
    let height = 40.0 + sections.iter().map(section_height).sum::<f64>();
    let mut canvas = Canvas::new(WIDTH, height);
    let title = match sections[0].kind {
        ComparisonKind::LeftRight => "Does one side resist more, and by more than this lab can measure?",
        ComparisonKind::Neighbours => "Does a level resist more than the levels beside it?",
    };
    canvas.words((MARGIN, 22.0), title, words(15.0, INK).bold());
    let room = WIDTH - 60.0 - text::width(title, 15.0, true);
    let about = text::fit(&text::one_line(&options.about), SMALL, room);
    canvas.words(
        (WIDTH - MARGIN, 22.0),
        &about,
        words(SMALL, QUIET).aligned(Align::End),
    );
    let mut top = 40.0;
    for section in &sections {
        draw_section(&mut canvas, section, top, options);
        top += section_height(section);
    }
    let alt = alt(&sections, options.measure);
    let title = match options.about.is_empty() {
        true => title.to_owned(),
        false => format!("{title} {}", text::one_line(&options.about)),
    };
    Some(canvas.figure(title, alt))
}

fn region_of(comparison: &Comparison) -> Option<Region> {
    comparison.key.level.map(Level::region)
}

fn region_breaks(rows: &[&Comparison]) -> usize {
    rows.windows(2)
        .filter(|w| region_of(w[0]) != region_of(w[1]))
        .count()
}

fn section_height(section: &Section<'_>) -> f64 {
    let gaps = REGION_GAP * region_breaks(&section.rows) as f64;
    44.0 + ROW * section.rows.len() as f64 + gaps + 62.0
}

/// Log ratio of an asymmetry in percent: the inverse of 200·tanh(d/2) (METHODS.md §6.2).
fn log_ratio(percent: f64) -> f64 {
    2.0 * (percent / 200.0).clamp(-0.995, 0.995).atanh()
}

/// The axis's end in percent: all intervals and the band, up to the widest axis.
fn axis_end(section: &Section<'_>) -> f64 {
    let far = section
        .rows
        .iter()
        .flat_map(|f| {
            [
                f.low_percent,
                f.high_percent,
                f.threshold_percent.map(|t| 1.6 * t),
            ]
        })
        .flatten()
        .filter(|v| v.is_finite())
        .fold(30.0, |far: f64, v| far.max(v.abs()));
    ((far * 1.05 / 10.0).ceil() * 10.0).min(WIDEST_PERCENT)
}

fn draw_section(canvas: &mut Canvas, section: &Section<'_>, top: f64, options: &ScanOptions) {
    let end = axis_end(section);
    let x = Scale::new(-log_ratio(end), log_ratio(end), PLOT_LEFT, PLOT_RIGHT);
    let rows_top = top + 44.0;
    let gaps = REGION_GAP * region_breaks(&section.rows) as f64;
    let rows_bottom = rows_top + ROW * section.rows.len() as f64 + gaps;
    threshold_band(canvas, section, x, rows_top, rows_bottom);
    canvas.hair((x.px(0.0), rows_top), (x.px(0.0), rows_bottom), HAIR);
    percent_axis(canvas, section, x, end, rows_bottom, options.measure);
    heads(canvas, section, rows_top, options.confidence);
    let mut y = rows_top + ROW / 2.0;
    for (i, comparison) in section.rows.iter().enumerate() {
        if i > 0 && region_of(section.rows[i - 1]) != region_of(comparison) {
            y += REGION_GAP;
        }
        let label = text::fit(
            &row_label(comparison, &section.rows),
            SMALL + 1.0,
            PLOT_LEFT - 24.0,
        );
        let style = words(SMALL + 1.0, INK).aligned(Align::End);
        canvas.words((PLOT_LEFT - 10.0, y + 4.5), &label, style);
        interval(canvas, comparison, x, y);
        row_words(canvas, section, comparison, y + 4.2);
        y += ROW;
    }
}

fn threshold_band(canvas: &mut Canvas, section: &Section<'_>, x: Scale, top: f64, bottom: f64) {
    let Some(threshold) = section.threshold_percent() else {
        return;
    };
    let half = log_ratio(threshold);
    let area = Area {
        left: x.px(-half).max(PLOT_LEFT),
        top,
        right: x.px(half).min(PLOT_RIGHT),
        bottom,
    };
    canvas.area(area, BAND);
    let middle = words(SMALL - 1.0, QUIET).aligned(Align::Middle);
    let number = format::number(threshold, if threshold.fract() == 0.0 { 0 } else { 1 });
    canvas.words((x.px(0.0), top - 20.0), "within the threshold", middle);
    canvas.words((x.px(0.0), top - 7.0), &format!("± {number} %"), middle);
}

/// Ticks at round percentages, equally named on both sides, and what the ends mean.
fn percent_axis(
    canvas: &mut Canvas,
    section: &Section<'_>,
    x: Scale,
    end: f64,
    bottom: f64,
    measure: Measure,
) {
    canvas.hair((PLOT_LEFT, bottom), (PLOT_RIGHT, bottom), INK);
    let step = match end {
        e if e <= 40.0 => 10.0,
        e if e <= 70.0 => 20.0,
        _ => 25.0,
    };
    let count = (end / step + 1e-9).floor() as i32;
    for i in -count..=count {
        let percent = f64::from(i) * step;
        let px = x.px(log_ratio(percent));
        canvas.hair((px, bottom), (px, bottom + 4.0), INK);
        let label = match i {
            0 => "0".to_owned(),
            _ => format!("{} %", format::number(percent.abs(), 0)),
        };
        let style = words(SMALL - 1.0, QUIET).aligned(Align::Middle);
        canvas.words((px, bottom + 16.0), &label, style);
    }
    let (low, high, against) = match section.kind {
        ComparisonKind::LeftRight => ("left stiffer", "right stiffer", "right against left"),
        ComparisonKind::Neighbours => ("softer", "stiffer", "against the levels beside it"),
    };
    let style = words(SMALL, INK);
    canvas.words((PLOT_LEFT, bottom + 32.0), &format!("← {low}"), style);
    canvas.words(
        (PLOT_RIGHT, bottom + 32.0),
        &format!("{high} →"),
        style.aligned(Align::End),
    );
    let name = format!("{}, {against}", measure.info().label);
    let middle = (PLOT_LEFT + PLOT_RIGHT) / 2.0;
    canvas.words(
        (middle, bottom + 48.0),
        &name,
        words(SMALL, QUIET).aligned(Align::Middle),
    );
}

fn heads(canvas: &mut Canvas, section: &Section<'_>, rows_top: f64, confidence: f64) {
    let interval = format!("({} interval)", format::coverage(confidence));
    let style = words(SMALL - 1.0, QUIET);
    let columns = section_columns(section);
    let mut head = |at: f64, lines: [&str; 2]| {
        canvas.words((at, rows_top - 20.0), lines[0], style);
        canvas.words((at, rows_top - 7.0), lines[1], style);
    };
    let names: [[&str; 2]; 3] = match section.kind {
        ComparisonKind::LeftRight => [
            ["side of", "resistance"],
            ["right against left", &interval],
            ["tests", "L + R"],
        ],
        ComparisonKind::Neighbours => [
            ["against its", "neighbours"],
            ["difference", &interval],
            ["", "tests"],
        ],
    };
    for (at, lines) in columns.iter().zip(names) {
        head(*at, lines);
    }
    if section.has_calls() {
        head(columns[3], ["examiner's", "call"]);
    }
    if section.has_undecided() {
        head(columns[4], ["what would", "decide it"]);
    }
}

fn section_columns(section: &Section<'_>) -> [f64; 5] {
    match section.kind {
        ComparisonKind::LeftRight if section.has_calls() => LEFT_RIGHT_COLUMNS,
        ComparisonKind::LeftRight => {
            let [a, b, c, d, _] = LEFT_RIGHT_COLUMNS;
            [a, b, c, d, d + 16.0]
        }
        ComparisonKind::Neighbours => NEIGHBOUR_COLUMNS,
    }
}

/// The interval and its dot; ends that leave the axis are arrows.
fn interval(canvas: &mut Canvas, comparison: &Comparison, x: Scale, y: f64) {
    let (Some(at), Some(low), Some(high)) = (
        comparison.asymmetry_percent,
        comparison.low_percent,
        comparison.high_percent,
    ) else {
        return;
    };
    let px = |percent: f64| x.px(log_ratio(percent));
    let (from, to) = (px(low).max(PLOT_LEFT), px(high).min(PLOT_RIGHT));
    let named = matches!(
        comparison.side_of_resistance,
        Some(Decision::Left | Decision::Right | Decision::StifferThanNeighbours)
    );
    let (colour, width) = if named { (ACCENT, 2.2) } else { (INK, 1.2) };
    canvas.line(
        &[(from.min(PLOT_RIGHT), y), (to.max(PLOT_LEFT), y)],
        colour,
        width,
    );
    for (beyond, tip, back) in [
        (px(low) < PLOT_LEFT - 0.5, PLOT_LEFT - 3.0, 8.0),
        (px(high) > PLOT_RIGHT + 0.5, PLOT_RIGHT + 3.0, -8.0),
    ] {
        if beyond {
            canvas.fill(&[(tip, y), (tip + back, y - 4.0), (tip + back, y + 4.0)], colour);
        }
    }
    let dot = px(at);
    if !(PLOT_LEFT - 0.5..=PLOT_RIGHT + 0.5).contains(&dot) {
        return;
    }
    match comparison.side_of_resistance {
        _ if named => canvas.dot((dot, y), 5.6, ACCENT),
        Some(Decision::Even | Decision::LikeNeighbours) => canvas.dot((dot, y), 5.0, GREY),
        _ => canvas.ring((dot, y), 4.6, INK, 1.4),
    }
}

fn row_words(canvas: &mut Canvas, section: &Section<'_>, comparison: &Comparison, y: f64) {
    let columns = section_columns(section);
    let named = matches!(
        comparison.side_of_resistance,
        Some(Decision::Left | Decision::Right | Decision::StifferThanNeighbours)
    );
    let style = if named {
        words(SMALL, ACCENT).bold()
    } else {
        words(SMALL, QUIET)
    };
    canvas.words((columns[0], y), decision_word(comparison), style);
    let plain = if named {
        words(SMALL, ACCENT)
    } else {
        words(SMALL, QUIET)
    };
    canvas.words((columns[1], y), &percent_words(comparison), plain);
    let tests = match section.kind {
        ComparisonKind::LeftRight => format!("{} + {}", comparison.left_trials, comparison.right_trials),
        ComparisonKind::Neighbours => comparison.right_trials.to_string(),
    };
    canvas.words((columns[2], y), &tests, words(SMALL, QUIET));
    if let Some(call) = call_words(comparison) {
        let call = text::fit(&call, SMALL, columns[4] - columns[3] - 4.0);
        canvas.words((columns[3], y), &call, words(SMALL, QUIET));
    }
    if let Some(decide) = decide_words(comparison) {
        canvas.words((columns[4], y), &decide, words(SMALL, QUIET));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_axis_is_the_inverse_of_the_reported_percent() {
        for d in [-0.9, -0.1, 0.0, 0.35, 1.2f64] {
            let percent = 200.0 * (d / 2.0).tanh();
            assert!((log_ratio(percent) - d).abs() < 1e-12);
        }
    }
}
