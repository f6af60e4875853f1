//! Lines of plain text for a terminal.

use crate::error::printable;
use crate::trace::Estimate;
use std::fmt::Write;

/// Columns of a terminal that the text keeps to.
pub(super) const WIDTH: usize = 100;

/// `8.20 ± 0.02`; an interval too small for the decimals is shown as less than the last one.
pub(super) fn with_interval(e: Estimate, decimals: usize) -> String {
    let value = format!("{:.decimals$}", e.value);
    match e.u95() {
        None => value,
        Some(u95) => {
            let least = 10f64.powi(-(decimals as i32));
            if u95 < least / 2.0 {
                format!("{value} ± <{least:.decimals$}")
            } else {
                format!("{value} ± {u95:.decimals$}")
            }
        }
    }
}

pub(super) fn section(out: &mut String, title: &str, items: impl Iterator<Item = String>) {
    let mut items = items.peekable();
    if items.peek().is_none() {
        return;
    }
    if !title.is_empty() {
        let _ = writeln!(out, "{title}");
    }
    for item in items {
        paragraph(out, "  - ", &item);
    }
}

/// Writes text broken at spaces (not at no-break ones) to the width, later lines indented as far as the first one's lead.
pub(super) fn paragraph(out: &mut String, lead: &str, text: &str) {
    let indent = " ".repeat(lead.chars().count());
    let mut line = lead.to_owned();
    let mut used = line.chars().count();
    let mut fresh = true;
    for word in plain(text).split(' ').filter(|word| !word.is_empty()) {
        let length = word.chars().count();
        if !fresh && used + 1 + length > WIDTH {
            let _ = writeln!(out, "{}", line.trim_end());
            line.clone_from(&indent);
            used = indent.chars().count();
            fresh = true;
        }
        if !fresh {
            line.push(' ');
            used += 1;
        }
        line.push_str(&word.replace('\u{a0}', " "));
        used += length;
        fresh = false;
    }
    let _ = writeln!(out, "{}", line.trim_end());
}

/// Takes out what is not for reading: nothing that comes from a file may steer the terminal or turn the writing
/// direction of what stands around it.
pub(super) fn plain(text: &str) -> String {
    printable(text.replace(['\n', '\r', '\t'], " "))
}

/// The text on exactly `width` columns.
pub(super) fn padded(text: &str, width: usize) -> String {
    format!("{:<width$}", cut(&plain(text), width))
}

/// The text on at most `width` columns, its end marked when cut.
pub(super) fn cut(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    let kept: String = text.chars().take(width.saturating_sub(1)).collect();
    format!("{kept}…")
}

pub(super) fn file_name(path: &str) -> &str {
    path.rsplit('/').next().unwrap_or(path)
}
