//! What no analysis can use: too slow or too short (METHODS.md §1.1).

use crate::error::Problem;
use crate::terms::Side;
use crate::trace::{Channel, Trace};

/// Lowest median rate, in Hz.
pub const LOWEST_RATE_HZ: f64 = 50.0;
/// Shortest recording, in s.
pub const SHORTEST_S: f64 = 1.0;

/// Problems that would keep a trace from being analysed; empty when there are none.
///
/// Rate = 1 / median step; duration = last time − first time.
pub fn validity(trace: &Trace) -> Vec<Problem> {
    let mut problems = Vec::new();
    let duration_s = match (trace.time_s.first(), trace.time_s.last()) {
        (Some(first), Some(last)) => last - first,
        _ => 0.0,
    };
    // One sample's worth of rounding: 1 s at 50 Hz is 50 or 51 samples.
    if duration_s < SHORTEST_S - 1e-9 {
        problems.push(Problem::error(
            &trace.recording,
            format!("{duration_s:.3} s of data"),
            format!("at least {SHORTEST_S} s"),
            "record the whole test, from before touching to after leaving",
        ));
    }
    if let Some(step_s) = median_step_s(&trace.time_s)
        && 1.0 / step_s < LOWEST_RATE_HZ - 1e-6
    {
        problems.push(Problem::error(
            &trace.recording,
            format!("{:.4} samples a second", 1.0 / step_s),
            format!("at least {LOWEST_RATE_HZ} a second"),
            "record faster; if it was faster, check the unit of the time column",
        ));
    }
    problems.extend(trace.channels.iter().filter_map(|c| stuck(trace, c)));
    problems
}

/// A displacement that is the same number in every sample: an unplugged sensor's. The recording is used by force alone.
fn stuck(trace: &Trace, channel: &Channel) -> Option<Problem> {
    let mut values = channel.displacement_mm.iter().flatten().filter(|v| v.is_finite());
    let first = values.next()?;
    if channel.displacement_shared && channel.side == Some(Side::Right) || values.any(|v| v != first) {
        return None;
    }
    let of = channel.side.map_or(String::new(), |side| format!("_{side}"));
    Some(
        Problem::warning(
            &trace.recording,
            format!("{first} mm in every sample"),
            "a displacement that moves as the hand presses",
            "check that its sensor was plugged in; until then nothing that needs displacement is reported",
        )
        .in_column(format!("displacement{of}")),
    )
}

pub(super) fn median_step_s(time_s: &[f64]) -> Option<f64> {
    let mut steps: Vec<f64> = time_s.windows(2).map(|w| w[1] - w[0]).collect();
    if steps.is_empty() {
        return None;
    }
    let middle = steps.len() / 2;
    let (_, median, _) = steps.select_nth_unstable_by(middle, f64::total_cmp);
    Some(*median)
}
