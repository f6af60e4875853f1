//! A recording's stretches between its pauses (METHODS.md §1.2): each is conditioned by itself, so that no time in which
//! nothing was recorded is filled.

use crate::error::Problem;
use crate::format::moment;
use crate::trace::{Channel, Trace};
use std::borrow::Cow;
use std::ops::Range;

/// A gap in time longer than this ends a stretch: no straight line stands for what a hand did meanwhile.
pub const PAUSE_S: f64 = 2.0;

/// Samples of each stretch, in order; one that holds all when there is no pause.
pub fn stretches(trace: &Trace) -> Vec<Range<usize>> {
    let mut found = Vec::new();
    let mut from = 0;
    for (i, pair) in trace.time_s.windows(2).enumerate() {
        if pair[1] - pair[0] > PAUSE_S {
            found.push(from..i + 1);
            from = i + 1;
        }
    }
    found.push(from..trace.time_s.len());
    found
}

/// The part of a trace within a stretch.
pub fn part<'a>(trace: &'a Trace, stretch: &Range<usize>) -> Cow<'a, Trace> {
    if stretch.len() == trace.time_s.len() {
        return Cow::Borrowed(trace);
    }
    fn cut<T: Clone>(all: &[T], stretch: &Range<usize>) -> Vec<T> {
        all.get(stretch.clone()).map_or(Vec::new(), <[T]>::to_vec)
    }
    let channel = |c: &Channel| Channel {
        side: c.side,
        force_n: cut(&c.force_n, stretch),
        displacement_mm: c.displacement_mm.as_ref().map(|x| cut(x, stretch)),
        displacement_shared: c.displacement_shared,
    };
    Cow::Owned(Trace {
        recording: trace.recording.clone(),
        time_s: cut(&trace.time_s, stretch),
        channels: trace.channels.iter().map(channel).collect(),
        marker: trace.marker.as_ref().map(|m| cut(m, stretch)),
        drive_deg: trace.drive_deg.as_ref().map(|d| cut(d, stretch)),
        about: trace.about.clone(),
        notes: trace.notes.clone(),
    })
}

/// What the pauses of a recording cost it. `refused` are the stretches that could not be analysed, each with why.
pub fn describe(trace: &Trace, refused: &[(Range<usize>, Problem)]) -> Option<Problem> {
    let t = &trace.time_s;
    let pauses = t.windows(2).filter(|p| p[1] - p[0] > PAUSE_S);
    let count = pauses.clone().count();
    let longest = pauses.max_by(|a, b| (a[1] - a[0]).total_cmp(&(b[1] - b[0])))?;
    let found = match count {
        1 => format!("a pause of {} after {}", moment(longest[1] - longest[0]), moment(longest[0])),
        n => format!(
            "{n} pauses, the longest of {} after {}",
            moment(longest[1] - longest[0]),
            moment(longest[0])
        ),
    };
    let left_out = refused.first().map_or(String::new(), |(stretch, why)| {
        let n = refused.len();
        let are = if n == 1 { "stretch is" } else { "stretches are" };
        let begin = t.get(stretch.start).copied().unwrap_or(f64::NAN);
        format!("; {n} {are} left out, the first at {}: {}", moment(begin), why.found)
    });
    Some(
        Problem::warning(
            &trace.recording,
            found,
            format!("time that runs on; a gap of over {PAUSE_S} s is a pause"),
            format!(
                "each stretch between pauses is analysed by itself{left_out}; see whether the clock was set meanwhile \
                 or rows are missing"
            ),
        )
        .in_column("time"),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::About;

    fn trace(time_s: Vec<f64>) -> Trace {
        Trace {
            recording: "r.csv".to_owned(),
            channels: vec![Channel {
                side: None,
                force_n: time_s.clone(),
                displacement_mm: None,
                displacement_shared: false,
            }],
            time_s,
            marker: None,
            drive_deg: None,
            about: About::default(),
            notes: Vec::new(),
        }
    }

    #[test]
    fn stretches_end_at_pauses_and_hold_every_sample() {
        let whole = trace(vec![0.0, 1.0, 2.0, 4.0]);
        assert_eq!(stretches(&whole), vec![0..4]);
        assert!(matches!(part(&whole, &(0..4)), Cow::Borrowed(_)));
        let paused = trace(vec![0.0, 1.0, 1e18, 2e18]);
        assert_eq!(stretches(&paused), [0..2, 2..3, 3..4]);
        assert_eq!(part(&paused, &(2..3)).channels[0].force_n, [1e18]);
        let said = describe(&paused, &[]).unwrap().to_string();
        assert!(said.contains("2 pauses, the longest of 1000000000000000000 s"), "{said}");
        assert!(describe(&whole, &[]).is_none());
    }
}
