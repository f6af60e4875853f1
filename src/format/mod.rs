//! Numbers as people write them.

/// A number as people write it: a true minus sign, no `-0`.
pub fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let zero = text.chars().all(|c| matches!(c, '-' | '0' | '.'));
    match text.strip_prefix('-') {
        Some(rest) if zero => rest.to_owned(),
        Some(rest) => format!("\u{2212}{rest}"),
        None => text,
    }
}

/// Coverage of an interval as people write it: `95 %`, `99.9 %`.
pub fn coverage(confidence: f64) -> String {
    let text = format!("{:.2}", 100.0 * confidence);
    format!("{} %", text.trim_end_matches('0').trim_end_matches('.'))
}

/// A value with the half-width of its interval; up to two more decimals when the half-width would print as 0.
pub fn plus_minus(value: f64, u95: Option<f64>, decimals: usize) -> String {
    let Some(u) = u95.filter(|u| u.is_finite() && *u > 0.0) else {
        return number(value, decimals);
    };
    let shows = |d: usize| u >= 0.5 * 10f64.powi(-(d as i32));
    let d = (decimals..=decimals + 2)
        .find(|&d| shows(d))
        .unwrap_or(decimals + 2);
    format!("{} ± {}", number(value, d), number(u, d))
}

/// `1 test`, `2 tests`; for words whose plural ends in s.
pub fn counted(n: usize, word: &str) -> String {
    format!("{n} {word}{}", if n == 1 { "" } else { "s" })
}

/// How long something lasted: in ms where a hundredth of a second would tell nothing.
pub fn duration(seconds: f64) -> String {
    match seconds {
        s if s < 0.000_5 => "under 1 ms".to_owned(),
        s if s < 0.1 => format!("{} ms", number(1e3 * s, 0)),
        s if s < 60.0 => format!("{} s", number(s, 2)),
        s => moment(s),
    }
}

/// A time in a recording: in minutes or hours too where seconds alone are hard to find.
pub fn moment(seconds: f64) -> String {
    let decimals = if seconds.abs() < 1e6 { 2 } else { 0 };
    let plain = format!("{} s", number(seconds, decimals));
    let whole = seconds.abs().floor();
    // A clock of another epoch is no time in a recording.
    if !(60.0..360_000.0).contains(&whole) || seconds < 0.0 {
        return plain;
    }
    let (hours, minutes, rest) = (whole as u64 / 3600, whole as u64 / 60 % 60, whole as u64 % 60);
    match hours {
        0 => format!("{plain} ({minutes}:{rest:02} min)"),
        _ => format!("{plain} ({hours}:{minutes:02}:{rest:02} h)"),
    }
}

/// What stands in place of a number whose interval is wider than itself.
pub const NOT_DETERMINED: &str = "not determined";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_half_width_is_never_printed_as_nought() {
        assert_eq!(plus_minus(8.2, Some(0.02), 2), "8.20 ± 0.02");
        assert_eq!(plus_minus(17.5, Some(0.4), 1), "17.5 ± 0.4");
        assert_eq!(plus_minus(17.5, Some(0.013), 1), "17.50 ± 0.01");
        assert_eq!(plus_minus(17.5, None, 1), "17.5");
        assert_eq!(number(-0.04, 1), "0.0");
        assert_eq!(number(-3.0, 0), "\u{2212}3");
    }

    #[test]
    fn times_are_printed_as_a_person_reads_them() {
        assert_eq!(duration(0.015), "15 ms");
        assert_eq!(duration(0.0), "under 1 ms");
        assert_eq!(duration(0.2), "0.20 s");
        assert_eq!(moment(5.0), "5.00 s");
        assert_eq!(moment(3600.001), "3600.00 s (1:00:00 h)");
        assert_eq!(moment(75.5), "75.50 s (1:15 min)");
        assert_eq!(moment(1.7e9), "1700000000 s");
        assert_eq!(moment(-61.0), "\u{2212}61.00 s");
    }

    #[test]
    fn coverage_has_no_needless_decimals() {
        assert_eq!(coverage(0.95), "95 %");
        assert_eq!(coverage(0.999), "99.9 %");
        assert_eq!(coverage(0.9), "90 %");
    }
}
