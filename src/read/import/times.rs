//! Moments in a time column as seconds from the first one.

use crate::study::import::TimeForm;
use crate::terms::is_moment;
use jiff::civil::DateTime;

const DAY_NS: i128 = 86_400_000_000_000;

/// The first moment of a column, and what is needed for the next.
#[derive(Debug, Default)]
pub(super) struct TimeOrigin {
    first_ns: Option<i128>,
    last_ns: i128,
    days: i128,
}

impl TimeOrigin {
    /// Seconds since the first moment, as text; `None` for a text of another form.
    pub fn seconds(&mut self, text: &str, form: TimeForm) -> Option<String> {
        let ns = match form {
            TimeForm::Number => return None,
            TimeForm::Iso => iso_ns(text)?,
            TimeForm::Clock => {
                let ns = clock_ns(text)?;
                // A clock that is half a day behind has passed midnight; less is time that runs backwards, told later.
                if self.first_ns.is_some() && self.last_ns - (ns + self.days * DAY_NS) > DAY_NS / 2 {
                    self.days += 1;
                }
                ns + self.days * DAY_NS
            }
        };
        self.last_ns = ns;
        let since = ns - *self.first_ns.get_or_insert(ns);
        let (sign, since) = (if since < 0 { "-" } else { "" }, since.abs());
        Some(format!("{sign}{}.{:09}", since / 1_000_000_000, since % 1_000_000_000))
    }
}

/// Of which form a text is, when it is a moment.
pub(super) fn form_of(text: &str) -> Option<TimeForm> {
    if iso_ns(text).is_some() {
        return Some(TimeForm::Iso);
    }
    clock_ns(text).map(|_| TimeForm::Clock)
}

/// Nanoseconds of a day and a time, from some moment on that is the same for all.
fn iso_ns(text: &str) -> Option<i128> {
    let text = text.trim().replace(',', ".");
    if !text.contains(':') || !is_moment(&text) {
        return None;
    }
    if let Ok(moment) = text.parse::<jiff::Timestamp>() {
        return Some(moment.as_nanosecond());
    }
    let local: DateTime = text.parse().ok()?;
    let epoch = DateTime::constant(1970, 1, 1, 0, 0, 0, 0);
    Some(local.duration_since(epoch).as_nanos())
}

/// Nanoseconds since midnight of `10:02:31.125`.
fn clock_ns(text: &str) -> Option<i128> {
    let text = text.trim().replace(',', ".");
    let (hours, rest) = text.split_once(':')?;
    let (minutes, seconds) = rest.split_once(':')?;
    let whole = |part: &str, most: i128| -> Option<i128> {
        let plain = matches!(part.len(), 1..=2) && part.bytes().all(|b| b.is_ascii_digit());
        part.parse().ok().filter(|n| plain && *n <= most)
    };
    let (seconds, fraction) = seconds.split_once('.').unwrap_or((seconds, ""));
    if fraction.len() > 9 || !fraction.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let ns: i128 = format!("{fraction:0<9}").parse().ok()?;
    let (hours, minutes, seconds) = (whole(hours, 23)?, whole(minutes, 59)?, whole(seconds, 60)?);
    Some(((hours * 60 + minutes) * 60 + seconds) * 1_000_000_000 + ns)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_become_seconds_over_midnight_too() {
        let mut iso = TimeOrigin::default();
        for (text, seconds) in [
            ("2026-09-14T23:59:59.999", "0.000000000"),
            ("2026-09-15 00:00:00,004", "0.005000000"),
        ] {
            assert_eq!(iso.seconds(text, TimeForm::Iso).as_deref(), Some(seconds));
        }
        let mut zoned = TimeOrigin::default();
        assert!(zoned.seconds("2026-09-14T10:00:00+02:00", TimeForm::Iso).is_some());
        let later = zoned.seconds("2026-09-14T08:00:01.5Z", TimeForm::Iso);
        assert_eq!(later.as_deref(), Some("1.500000000"));
        let mut clock = TimeOrigin::default();
        for (text, seconds) in [("23:59:59.5", "0.000000000"), ("0:00:00.25", "0.750000000")] {
            assert_eq!(clock.seconds(text, TimeForm::Clock).as_deref(), Some(seconds));
        }
        assert_eq!(clock.seconds("0:00:00.20", TimeForm::Clock).as_deref(), Some("0.700000000"));
        for text in ["12", "12:30", "25:00:00", "2026-09-14", "10:00:00.x"] {
            assert_eq!(form_of(text), None, "{text}");
        }
    }
}
