//! What came first: sessions in order, and how long a scan took.

use crate::trace::Test;
use std::cmp::Ordering;
use std::collections::BTreeMap;

/// A recording that begins later than this on its own clock has a clock that did not start with it.
const FIRST_CONTACT_WITHIN_S: f64 = 600.0;

/// A point in time as a sidecar writes it: seconds since 1970, and whether the text named a zone.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Stamp {
    seconds: f64,
    zoned: bool,
}

impl Stamp {
    /// Reads `2026-09-14T10:03:20Z`, with or without fraction, offset or zone; `None` for anything else.
    fn parse(text: &str) -> Option<Stamp> {
        let text = text.trim();
        if let Ok(instant) = text.parse::<jiff::Timestamp>() {
            return Some(Stamp {
                seconds: instant.as_duration().as_secs_f64(),
                zoned: true,
            });
        }
        // A day alone tells no time.
        let clock = text
            .parse::<jiff::civil::DateTime>()
            .ok()
            .filter(|_| text.contains(':'))?;
        let instant = jiff::tz::TimeZone::UTC.to_timestamp(clock).ok()?;
        Some(Stamp {
            seconds: instant.as_duration().as_secs_f64(),
            zoned: false,
        })
    }
}

/// Whether stamps can be held against each other: all with a zone, or all without.
fn comparable(stamps: &[Stamp]) -> bool {
    stamps.windows(2).all(|w| w[0].zoned == w[1].zoned)
}

/// Texts with their numbers read as numbers: `week 2` before `week 10`.
pub fn natural(a: &str, b: &str) -> Ordering {
    let (mut a, mut b) = (a, b);
    loop {
        let digits = |s: &str| s.bytes().take_while(u8::is_ascii_digit).count();
        let (da, db) = (digits(a), digits(b));
        if da > 0 && db > 0 {
            let (na, nb) = (a[..da].trim_start_matches('0'), b[..db].trim_start_matches('0'));
            let order = na.len().cmp(&nb.len()).then_with(|| na.cmp(nb));
            if order != Ordering::Equal {
                return order;
            }
            (a, b) = (&a[da..], &b[db..]);
            continue;
        }
        match (a.chars().next(), b.chars().next()) {
            (Some(ca), Some(cb)) if ca == cb => (a, b) = (&a[ca.len_utf8()..], &b[cb.len_utf8()..]),
            (ca, cb) => return ca.cmp(&cb),
        }
    }
}

/// Every session named by these tests, the earliest first: by when its recordings were made where each says so,
/// else by its name.
pub fn sessions<'a>(tests: impl Iterator<Item = &'a Test>) -> Vec<String> {
    let mut first: BTreeMap<&str, Option<Stamp>> = BTreeMap::new();
    for test in tests {
        let Some(session) = test.about.session.as_deref() else {
            continue;
        };
        let stamp = test.about.recorded_at.as_deref().and_then(Stamp::parse);
        let earliest = first.entry(session).or_insert(stamp);
        *earliest = match (*earliest, stamp) {
            (Some(a), Some(b)) if b.seconds < a.seconds => Some(b),
            (Some(a), Some(_)) => Some(a),
            _ => None,
        };
    }
    let stamps: Vec<Stamp> = first.values().copied().flatten().collect();
    let by_time = stamps.len() == first.len() && comparable(&stamps);
    let mut sessions: Vec<(&str, Option<Stamp>)> = first.into_iter().collect();
    sessions.sort_by(|a, b| {
        let time = match (by_time, a.1, b.1) {
            (true, Some(a), Some(b)) => a.seconds.total_cmp(&b.seconds),
            _ => Ordering::Equal,
        };
        time.then_with(|| natural(a.0, b.0))
    });
    sessions.into_iter().map(|s| s.0.to_owned()).collect()
}

/// How long a scan took.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScanTime {
    pub seconds: f64,
    /// What it is counted from and to, in words.
    pub from: &'static str,
}

const WHOLE: &str = "from the first touch to the last release";
const STARTS: &str = "from the start of the first recording to the start of the last";

/// Time of one scan. `None` when it cannot be had: several recordings of which one does not say when it was made, or
/// says it in another form.
///
/// `hidden` are tests whose phases are not to be told; only when recordings began is then used.
pub fn scan_time(tests: &[&Test], hidden: bool) -> Option<ScanTime> {
    let mut recordings: BTreeMap<&str, (f64, f64, Option<&str>)> = BTreeMap::new();
    for test in tests {
        let (begin, end) = (test.phases.contact_begin_s, test.phases.contact_end_s);
        let of = recordings
            .entry(&test.recording)
            .or_insert((begin, end, test.about.recorded_at.as_deref()));
        of.0 = of.0.min(begin);
        of.1 = of.1.max(end);
    }
    let in_one = |(begin, end, _): &(f64, f64, Option<&str>)| ScanTime {
        seconds: to_milliseconds(end - begin),
        from: WHOLE,
    };
    if recordings.len() == 1 {
        return (!hidden)
            .then(|| recordings.values().next().map(in_one))
            .flatten();
    }
    let stamped: Option<Vec<(Stamp, f64, f64)>> = recordings
        .values()
        .map(|(begin, end, at)| Some((Stamp::parse((*at)?)?, *begin, *end)))
        .collect();
    let stamped = stamped?;
    let stamps: Vec<Stamp> = stamped.iter().map(|s| s.0).collect();
    if !comparable(&stamps) || stamps.is_empty() {
        return None;
    }
    let own_clock = stamped
        .iter()
        .all(|(_, begin, _)| (0.0..FIRST_CONTACT_WITHIN_S).contains(begin));
    let (from, ends) = match hidden || !own_clock {
        true => (STARTS, false),
        false => (WHOLE, true),
    };
    let at = |stamp: &Stamp, s: f64| stamp.seconds + if ends { s } else { 0.0 };
    let first = stamped.iter().map(|(t, begin, _)| at(t, *begin));
    let last = stamped.iter().map(|(t, _, end)| at(t, *end));
    let seconds = last.fold(f64::NEG_INFINITY, f64::max) - first.fold(f64::INFINITY, f64::min);
    Some(ScanTime {
        seconds: to_milliseconds(seconds),
        from,
    })
}

/// Seconds since 1970 hold no more than that.
fn to_milliseconds(seconds: f64) -> f64 {
    (seconds * 1e3).round() / 1e3
}

/// Tests in the order in which they were made; `None` when the recordings do not tell.
pub fn in_time<'a>(tests: &[&'a Test]) -> Option<Vec<&'a Test>> {
    let mut stamped: Vec<(f64, &Test)> = Vec::with_capacity(tests.len());
    let one = tests.windows(2).all(|w| w[0].recording == w[1].recording);
    let mut stamps = Vec::new();
    for test in tests {
        let stamp = match one {
            true => Stamp {
                seconds: 0.0,
                zoned: true,
            },
            false => Stamp::parse(test.about.recorded_at.as_deref()?)?,
        };
        stamps.push(stamp);
        stamped.push((stamp.seconds, test));
    }
    if !comparable(&stamps) {
        return None;
    }
    stamped.sort_by(|a, b| {
        let recording = || a.1.recording.cmp(&b.1.recording);
        a.0.total_cmp(&b.0)
            .then_with(recording)
            .then_with(|| a.1.test.cmp(&b.1.test))
    });
    // Two recordings with one stamp: which came first is not told.
    let told = |w: &[(f64, &Test)]| w[0].0 != w[1].0 || w[0].1.recording == w[1].1.recording;
    (one || stamped.windows(2).all(told)).then(|| stamped.into_iter().map(|s| s.1).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seconds(text: &str) -> Option<f64> {
        Stamp::parse(text).map(|s| s.seconds)
    }

    #[test]
    fn stamps_are_seconds_since_1970() {
        // `date -u -d '2026-09-14T10:03:20Z' +%s` of GNU coreutils 9, and so on.
        assert_eq!(seconds("1970-01-01T00:00:00Z"), Some(0.0));
        assert_eq!(seconds("2000-02-29T12:00:00Z"), Some(951_825_600.0));
        assert_eq!(seconds("2026-09-14T10:03:20Z"), Some(1_789_380_200.0));
        assert_eq!(seconds("2026-09-14T12:03:20+02:00"), Some(1_789_380_200.0));
        assert_eq!(seconds("2026-09-14 10:03:20.5"), Some(1_789_380_200.5));
        for text in [
            "",
            "2026-09-14",
            "2026-02-30T10:00:00Z",
            "2026-09-14T25:00:00Z",
            "10:00",
        ] {
            assert_eq!(seconds(text), None, "{text}");
        }
    }

    #[test]
    fn numbers_in_names_count_as_numbers() {
        let mut names = ["week 10", "week 2", "week 02b", "week"];
        names.sort_by(|a, b| natural(a, b));
        assert_eq!(names, ["week", "week 2", "week 02b", "week 10"]);
    }
}
