//! Days and times as they are written in a study, in ISO 8601: 2026-09-01, 2026-09-14T10:02:31+02:00.

use std::fmt;

/// A day of the calendar.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Day {
    /// Year.
    pub year: u16,
    /// Month, from 1.
    pub month: u8,
    /// Day of the month, from 1.
    pub day: u8,
}

impl Day {
    /// Whether the text is a day and nothing else.
    pub fn is_day(text: &str) -> bool {
        text.len() == 10 && Day::parse(text).is_some()
    }

    /// Today, by the clock on the wall: the day that a person would write, and that recordings are dated by.
    pub fn today() -> Day {
        let today = jiff::ZonedDateTime::now().date();
        Day {
            year: today.year().unsigned_abs(),
            month: today.month().unsigned_abs(),
            day: today.day().unsigned_abs(),
        }
    }

    /// The day so many days later.
    pub fn plus_days(self, days: i64) -> Day {
        Day::from_unix_days(self.unix_days() + days)
    }

    /// Days since 1970-01-01 (Hinnant's days-from-civil).
    fn unix_days(self) -> i64 {
        let (month, day) = (i64::from(self.month), i64::from(self.day));
        let year = i64::from(self.year) - i64::from(month <= 2);
        let era = year.div_euclid(400);
        let of_era = year.rem_euclid(400);
        let of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
        era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719_468
    }

    /// Reads `YYYY-MM-DD`; a time of day after it (`T…` or a blank) is passed over.
    pub fn parse(text: &str) -> Option<Day> {
        let (date, rest) = text.split_at_checked(10)?;
        if !(rest.is_empty() || rest.starts_with(['T', 't', ' '])) {
            return None;
        }
        let mut parts = date.split('-');
        let mut number = |digits: usize| {
            let part = parts.next()?;
            let plain = part.len() == digits && part.bytes().all(|b| b.is_ascii_digit());
            plain.then(|| part.parse::<u16>().ok())?
        };
        let (year, month, day) = (number(4)?, number(2)?, number(2)?);
        let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
        let days = match month {
            1 | 3 | 5 | 7 | 8 | 10 | 12 => 31,
            4 | 6 | 9 | 11 => 30,
            2 if leap => 29,
            2 => 28,
            _ => return None,
        };
        (1..=days).contains(&day).then_some(Day {
            year,
            month: month as u8,
            day: day as u8,
        })
    }

    /// Day of a number of days since 1970-01-01 (Hinnant's civil-from-days).
    pub fn from_unix_days(days: i64) -> Day {
        let z = days + 719_468;
        let era = z.div_euclid(146_097);
        let of_era = z.rem_euclid(146_097);
        let year_of_era = (of_era - of_era / 1460 + of_era / 36_524 - of_era / 146_096) / 365;
        let day_of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
        let m = (5 * day_of_year + 2) / 153;
        let month = if m < 10 { m + 3 } else { m - 9 };
        Day {
            year: (year_of_era + era * 400 + i64::from(month <= 2)) as u16,
            month: month as u8,
            day: (day_of_year - (153 * m + 2) / 5 + 1) as u8,
        }
    }
}

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}-{:02}", self.year, self.month, self.day)
    }
}

/// Whether the text is a day or a time of ISO 8601: `2026-09-14`, `2026-09-14T10:02:31+02:00`. Only such text sorts by
/// time, and only its day can be held against a calibration's.
pub fn is_moment(text: &str) -> bool {
    Day::is_day(text)
        || (Day::parse(text).is_some()
            && (text.parse::<jiff::Timestamp>().is_ok() || text.parse::<jiff::civil::DateTime>().is_ok()))
}

/// Whether a session's name is a day in another form than ISO 8601. As a name it would sort as text, the 28th of August
/// after the 4th of September.
pub fn looks_like_a_day(text: &str) -> bool {
    let text = text.trim();
    if is_moment(text) {
        return false;
    }
    let digits = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    if text.len() == 8 && digits(text) {
        return Day::parse(&format!("{}-{}-{}", &text[..4], &text[4..6], &text[6..])).is_some();
    }
    let parts: Vec<&str> = text
        .split(['.', '/', '-', ' ', ','])
        .filter(|p| !p.is_empty())
        .collect();
    let [a, b, c] = parts[..] else { return false };
    let year = |part: &str| digits(part) && (part.len() == 2 || (part.len() == 4 && part.starts_with(['1', '2'])));
    let small = |part: &str| digits(part) && part.len() <= 2;
    let month = |part: &str| {
        let start: String = part.chars().take(3).collect::<String>().to_lowercase();
        MONTHS.contains(&start.as_str())
    };
    (small(a) && (small(b) || month(b)) && year(c))
        || (month(a) && small(b) && year(c))
        || (a.len() == 4 && year(a) && (small(b) || month(b)) && small(c))
}

/// How the names of months begin in English.
const MONTHS: [&str; 12] = [
    "jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec",
];

/// This moment by universal time, in whole seconds.
pub fn now() -> String {
    let now = jiff::Timestamp::now();
    jiff::Timestamp::from_second(now.as_second()).map_or_else(|_| now.to_string(), |t| t.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_exists_in_the_calendar() {
        for day in ["2026-09-01", "2024-02-29", "2000-02-29", "1999-12-31"] {
            assert!(Day::is_day(day), "{day}");
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
            assert!(!Day::is_day(text), "{text}");
        }
    }

    #[test]
    fn days_are_counted_as_the_calendar_has_them() {
        // `date -u -d @SECONDS +%F` of GNU coreutils 9.
        for (seconds, day) in [
            (0_i64, "1970-01-01"),
            (951_782_400, "2000-02-29"),
            (1_000_000_000, "2001-09-09"),
            (1_709_164_800, "2024-02-29"),
            (1_735_603_200, "2024-12-31"),
            (4_107_542_400, "2100-03-01"),
        ] {
            assert_eq!(Day::from_unix_days(seconds / 86_400).to_string(), day);
        }
        assert!(Day::is_day(&Day::today().to_string()));
        let start = Day::parse("2026-09-07").unwrap();
        // 7 September 2026 + 133 days = 18 January 2027, by calendar.
        assert_eq!(start.plus_days(133).to_string(), "2027-01-18");
    }

    #[test]
    fn a_moment_is_a_day_or_a_time_in_iso_8601() {
        for text in [
            "2026-09-14",
            "2026-09-14T10:02",
            "2026-09-14 10:02:31",
            "2026-09-14T10:02:31.250+02:00",
            "2026-09-14T10:02:31Z",
        ] {
            assert!(is_moment(text), "{text}");
        }
        for text in ["28.08.2026", "2026-02-30", "2026-09-14T25:00", "14 September", "2026-09-14Tx"] {
            assert!(!is_moment(text), "{text}");
        }
    }

    #[test]
    fn a_name_is_told_from_a_day_in_another_form() {
        for text in ["28.08.2026", "28.8.26", "8/28/2026", "2026/08/28", "2026-9-1", "2026-02-30", "28 Aug 2026", "20260828"] {
            assert!(looks_like_a_day(text), "{text}");
        }
        for text in ["2026-09-01", "2026-09-01T10:00", "s1", "week 10", "2026", "1.2.3", "2026-12-03b", "A-01-02"] {
            assert!(!looks_like_a_day(text), "{text}");
        }
    }

    #[test]
    fn days_are_read_and_counted() {
        assert_eq!(
            Day::parse("2026-09-14T10:02:31+02:00").map(|d| d.to_string()),
            Some("2026-09-14".to_owned())
        );
        for wrong in [
            "2026-02-29",
            "2026-13-01",
            "14.09.2026",
            "2026-9-14",
            "",
            "2026-09-145",
        ] {
            assert_eq!(Day::parse(wrong), None, "{wrong}");
        }
        // 2000-03-01 is day 11017 (counted by hand: 30 years, 7 leap days before 2000, then 31 + 29).
        assert_eq!(Day::from_unix_days(11_017).to_string(), "2000-03-01");
        assert_eq!(Day::from_unix_days(0).to_string(), "1970-01-01");
        assert_eq!(Day::from_unix_days(11_016).to_string(), "2000-02-29");
    }
}
