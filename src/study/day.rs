//! Days as they are written in a study: 2026-09-01.

/// Whether the text is a day of the calendar, written year-month-day with four, two and two digits.
pub fn is_day(text: &str) -> bool {
    let parts: Vec<&str> = text.split('-').collect();
    let [year, month, day] = parts[..] else {
        return false;
    };
    let number = |part: &str, digits: usize| {
        let plain = part.len() == digits && part.bytes().all(|b| b.is_ascii_digit());
        plain.then(|| part.parse::<u32>().ok()).flatten()
    };
    let (Some(year), Some(month), Some(day)) = (number(year, 4), number(month, 2), number(day, 2)) else {
        return false;
    };
    (1..=12).contains(&month) && day >= 1 && day <= days_in(year, month)
}

/// Today by universal time, from the system's clock. A clock before 1970 gives 1970-01-01.
pub fn today() -> String {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    day_after_1970(since.map_or(0, |s| s.as_secs() / 86_400))
}

/// The day so many days after 1970-01-01, counted off by years and months: nobody waits for a few thousand steps.
fn day_after_1970(mut days: u64) -> String {
    let mut year = 1970;
    while days >= days_of(year) && year < 9999 {
        days -= days_of(year);
        year += 1;
    }
    let mut month = 1;
    while month < 12 && days >= u64::from(days_in(year, month)) {
        days -= u64::from(days_in(year, month));
        month += 1;
    }
    format!("{year:04}-{month:02}-{:02}", days.min(30) + 1)
}

fn days_of(year: u32) -> u64 {
    365 + u64::from(is_leap(year))
}

/// Gregorian rule: every fourth year, of the centuries only every fourth.
fn is_leap(year: u32) -> bool {
    year.is_multiple_of(4) && (!year.is_multiple_of(100) || year.is_multiple_of(400))
}

fn days_in(year: u32, month: u32) -> u32 {
    match month {
        4 | 6 | 9 | 11 => 30,
        2 => 28 + u32::from(is_leap(year)),
        _ => 31,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_exists_in_the_calendar() {
        for day in ["2026-09-01", "2024-02-29", "2000-02-29", "1999-12-31"] {
            assert!(is_day(day), "{day}");
        }
        for text in [
            "",
            "yesterday",
            "2026-9-1",
            "2026-02-29",
            "1900-02-29",
            "2026-13-01",
            "2026-04-31",
            "2026-00-10",
            "2026-01-00",
            "+026-01-01",
            "2026-01-01T10:00",
            "2026-01-01 ",
            "２０２６-01-01",
        ] {
            assert!(!is_day(text), "{text}");
        }
    }

    #[test]
    fn days_are_counted_as_the_calendar_has_them() {
        // `date -u -d @SECONDS +%F` of GNU coreutils 9.
        for (seconds, day) in [
            (0_u64, "1970-01-01"),
            (951_782_400, "2000-02-29"),
            (1_000_000_000, "2001-09-09"),
            (1_709_164_800, "2024-02-29"),
            (1_735_603_200, "2024-12-31"),
            (4_107_542_400, "2100-03-01"),
        ] {
            assert_eq!(day_after_1970(seconds / 86_400), day);
        }
        assert!(is_day(&today()));
    }
}
