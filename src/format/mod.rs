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
    fn coverage_has_no_needless_decimals() {
        assert_eq!(coverage(0.95), "95 %");
        assert_eq!(coverage(0.999), "99.9 %");
        assert_eq!(coverage(0.9), "90 %");
    }
}
