//! Sensors that count the wrong way round: a force that falls when it is pushed, a displacement that falls while the force
//! rises (METHODS.md §1.2).

use crate::error::Problem;
use crate::stats::moments::{median_in_place, median_of_five};
use crate::study::words::list;
use crate::trace::{Channel, Trace};

/// Signals are looked at in medians over so long, in s, and a running median over five of those.
const BLOCK_S: f64 = 0.01;
const MEDIAN: usize = 5;
/// The recording begins and ends at the medians over so long, in s.
const EDGE_S: f64 = 0.3;
/// A force that moves less says nothing of its sign, in N; so does one that moves less than this share of the other hand's,
/// which may lever it.
const LEAST_N: f64 = 5.0;
const LEAST_SHARE: f64 = 0.25;
/// An inverted force rises above where it begins and ends by no more than this share of its fall.
const RISE_SHARE: f64 = 0.25;
/// A displacement that moves less says nothing, in mm.
const LEAST_MM: f64 = 0.5;
/// Force and displacement run against each other from this correlation on, of values and of their changes over so long, in s.
const AGAINST: f64 = -0.5;
const CHANGE_S: f64 = 0.3;

/// What one column of the file is multiplied by, under its heading.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ColumnSign {
    /// The key under `[gain]`.
    pub word: &'static str,
    pub heading: String,
    pub gain: f64,
}

/// Columns of one channel.
pub(super) struct ChannelSigns {
    pub force: ColumnSign,
    pub displacement: Option<ColumnSign>,
}

/// A problem when a sensor counts the wrong way round, which would turn every number; `signs` are in the order of channels.
pub(super) fn inverted(trace: &Trace, signs: &[ChannelSigns]) -> Option<Problem> {
    let rate_hz = rate_hz(&trace.time_s)?;
    let looks: Vec<ForceLook> = trace
        .channels
        .iter()
        .map(|c| ForceLook::new(&blocks(&c.force_n, rate_hz)))
        .collect();
    let most_n = looks.iter().map(ForceLook::range_n).fold(0.0, f64::max);
    let least_n = LEAST_N.max(LEAST_SHARE * most_n);
    let mut found: Option<(SignFault, Vec<&ColumnSign>, f64)> = None;
    for ((channel, look), signs) in trace.channels.iter().zip(&looks).zip(signs) {
        let Some((what, columns, block)) = of_channel(channel, look, signs, rate_hz, least_n) else {
            continue;
        };
        let at_s = trace.time_s.get(block * block_len(rate_hz)).copied().unwrap_or_default();
        let (_, all, _) = found.get_or_insert((what, Vec::new(), at_s));
        all.extend(columns.into_iter().filter(|c| !all.contains(c)).collect::<Vec<_>>());
    }
    found.map(|(what, columns, at_s)| problem(trace, what, &columns, at_s))
}

/// What is the matter with a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum SignFault {
    ForceFalls,
    DisplacementFalls,
    /// It is open which of the two is turned round.
    OneOfTwo,
}

impl SignFault {
    fn words(self) -> &'static str {
        match self {
            SignFault::ForceFalls => "a force that falls from where it begins and ends, and hardly rises above it",
            SignFault::DisplacementFalls => "a displacement that falls while the force rises",
            SignFault::OneOfTwo => "a force and a displacement of which one falls while the other rises",
        }
    }
}

/// What is the matter with a channel: the columns to turn, and the block of the furthest force.
fn of_channel<'s>(
    channel: &Channel,
    look: &ForceLook,
    signs: &'s ChannelSigns,
    rate_hz: f64,
    least_n: f64,
) -> Option<(SignFault, Vec<&'s ColumnSign>, usize)> {
    if look.range_n() < least_n {
        return None;
    }
    let falls = look.falls(least_n);
    let x = channel.displacement_mm.as_ref().zip(signs.displacement.as_ref());
    let together = x.and_then(|(x, sign)| Some((together(&look.force_n, &blocks(x, rate_hz))?, sign)));
    Some(match (falls, together) {
        (true, Some((Together::Same, x))) => (SignFault::ForceFalls, vec![&signs.force, x], look.lowest),
        (true, _) => (SignFault::ForceFalls, vec![&signs.force], look.lowest),
        (false, Some((Together::Against, x))) => match look.mostly_up() {
            Some(true) => (SignFault::DisplacementFalls, vec![x], look.highest),
            Some(false) => (SignFault::ForceFalls, vec![&signs.force], look.lowest),
            None => (SignFault::OneOfTwo, vec![&signs.force, x], look.highest),
        },
        (false, _) => return None,
    })
}

fn problem(trace: &Trace, what: SignFault, columns: &[&ColumnSign], at_s: f64) -> Problem {
    let lines: Vec<String> = columns.iter().map(|c| format!("{} = {}", c.word, -c.gain)).collect();
    let turned = match what {
        SignFault::OneOfTwo => format!("find out which of the two is turned round, and write {}", lines.join(" or ")),
        _ => format!("if the sensor counts a push as negative, write {}", list(&lines)),
    };
    let headings: Vec<&str> = columns.iter().map(|c| c.heading.as_str()).collect();
    Problem::error(
        &trace.recording,
        format!("{} (furthest at {at_s:.2} s)", what.words()),
        "force and displacement that rise when the hand presses",
        format!("{turned} under [gain] in study.toml, or as its gain under [columns] in the recording's sidecar"),
    )
    .in_column(headings.join(", "))
}

/// A force as far as its sign goes.
struct ForceLook {
    force_n: Vec<f64>,
    /// How far it goes above and below where it begins and ends.
    rise_n: f64,
    fall_n: f64,
    high_n: f64,
    low_n: f64,
    /// Blocks of the highest and the lowest.
    highest: usize,
    lowest: usize,
}

impl ForceLook {
    fn new(force_n: &[f64]) -> ForceLook {
        let edge = (EDGE_S / BLOCK_S) as usize;
        let (begin_n, end_n) = (
            median(force_n.get(..edge).unwrap_or(force_n)),
            median(force_n.get(force_n.len().saturating_sub(edge)..).unwrap_or(force_n)),
        );
        let extreme = |better: fn(f64, f64) -> bool| {
            let mut at = None;
            for (i, v) in force_n.iter().enumerate().filter(|(_, v)| v.is_finite()) {
                if at.is_none_or(|(_, best)| better(*v, best)) {
                    at = Some((i, *v));
                }
            }
            at.unwrap_or((0, 0.0))
        };
        let ((highest, high_n), (lowest, low_n)) = (extreme(|a, b| a > b), extreme(|a, b| a < b));
        ForceLook {
            force_n: force_n.to_vec(),
            rise_n: high_n - begin_n.max(end_n),
            fall_n: begin_n.min(end_n) - low_n,
            high_n,
            low_n,
            highest,
            lowest,
        }
    }

    fn range_n(&self) -> f64 {
        self.high_n - self.low_n
    }

    /// Whether it can only be a push that counts down: a recording that begins and ends under a hand falls as well, but to
    /// the sensor's own zero and not far below it.
    fn falls(&self, least_n: f64) -> bool {
        self.fall_n >= least_n && self.rise_n <= RISE_SHARE * self.fall_n && -self.low_n >= 0.5 * self.fall_n
    }

    /// Whether it goes up rather than down, when where it begins and where its own zero is say the same.
    fn mostly_up(&self) -> Option<bool> {
        let up = self.rise_n > self.fall_n;
        (up == (self.high_n > -self.low_n)).then_some(up)
    }
}

#[derive(Clone, Copy)]
enum Together {
    Same,
    Against,
}

/// Whether force and displacement clearly rise together, or against each other.
fn together(force_n: &[f64], x_mm: &[f64]) -> Option<Together> {
    let pairs: Vec<(f64, f64)> = force_n
        .iter()
        .zip(x_mm)
        .map(|(f, x)| (*f, *x))
        .filter(|(f, x)| f.is_finite() && x.is_finite())
        .collect();
    let (low, high) = pairs
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), (_, x)| (l.min(*x), h.max(*x)));
    if high - low < LEAST_MM {
        return None;
    }
    let lag = (CHANGE_S / BLOCK_S) as usize;
    let changes: Vec<(f64, f64)> = pairs
        .iter()
        .zip(pairs.iter().skip(lag))
        .map(|(a, b)| (b.0 - a.0, b.1 - a.1))
        .collect();
    let (values, changes) = (correlation(&pairs)?, correlation(&changes)?);
    if values <= AGAINST && changes <= AGAINST {
        return Some(Together::Against);
    }
    (values >= -AGAINST && changes >= -AGAINST).then_some(Together::Same)
}

fn correlation(pairs: &[(f64, f64)]) -> Option<f64> {
    let n = pairs.len() as f64;
    let (sum_a, sum_b) = pairs.iter().fold((0.0, 0.0), |(a, b), p| (a + p.0, b + p.1));
    let (mean_a, mean_b) = (sum_a / n, sum_b / n);
    let (mut aa, mut bb, mut ab) = (0.0, 0.0, 0.0);
    for (a, b) in pairs {
        let (a, b) = (a - mean_a, b - mean_b);
        aa += a * a;
        bb += b * b;
        ab += a * b;
    }
    let r = ab / (aa * bb).sqrt();
    r.is_finite().then_some(r)
}

fn rate_hz(time_s: &[f64]) -> Option<f64> {
    let (first, last) = (time_s.first()?, time_s.last()?);
    let rate = (time_s.len() - 1) as f64 / (last - first);
    (rate.is_finite() && rate > 0.0).then_some(rate)
}

fn block_len(rate_hz: f64) -> usize {
    ((rate_hz * BLOCK_S) as usize).max(1)
}

/// Medians over blocks, and over five of those: what remains is no spike.
fn blocks(values: &[f64], rate_hz: f64) -> Vec<f64> {
    let medians = medians(values, block_len(rate_hz));
    if medians.len() < MEDIAN {
        return medians;
    }
    let half = MEDIAN / 2;
    let mut out = vec![f64::NAN; medians.len()];
    for (to, window) in out.iter_mut().skip(half).zip(medians.array_windows::<MEDIAN>()) {
        *to = match window.iter().any(|v| v.is_nan()) {
            true => median(window),
            false => median_of_five(*window),
        };
    }
    out
}

/// Blocks that are sorted side by side.
const LANES: usize = 8;

/// Medians of blocks of so many samples; the last may be shorter.
fn medians(values: &[f64], len: usize) -> Vec<f64> {
    let mut medians = Vec::with_capacity(values.len() / len + 1);
    let mut sorted = vec![[0.0; LANES]; len];
    for group in values.chunks(LANES * len) {
        if group.len() < LANES * len || group.iter().any(|v| !v.is_finite()) {
            medians.extend(group.chunks(len).map(median));
            continue;
        }
        for (k, block) in group.chunks_exact(len).enumerate() {
            sorted.iter_mut().zip(block).for_each(|(row, v)| row[k] = *v);
        }
        // Neighbours that stand the wrong way round change places, odd and even pairs in turn, in all blocks at once.
        for round in 0..len {
            for pair in sorted[round % 2..].chunks_exact_mut(2) {
                let (low, high) = (pair[0], pair[1]);
                for k in 0..LANES {
                    pair[0][k] = if high[k] < low[k] { high[k] } else { low[k] };
                    pair[1][k] = if high[k] < low[k] { low[k] } else { high[k] };
                }
            }
        }
        let (lower, upper) = (sorted[(len - 1) / 2], sorted[len / 2]);
        medians.extend(lower.iter().zip(upper).map(|(a, b)| if len % 2 == 1 { b } else { 0.5 * a + 0.5 * b }));
    }
    medians
}

fn median(values: &[f64]) -> f64 {
    let mut valid: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    median_in_place(&mut valid).unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_side_by_side_have_the_medians_of_each_by_itself() {
        let value = |i: u32| f64::from(i.wrapping_mul(2_654_435_761).rotate_left(11) >> 10) / 1e4 - 200.0;
        for len in [1, 2, 5, 10, 20] {
            let mut values: Vec<f64> = (0..1003).map(value).collect();
            let each: Vec<f64> = values.chunks(len).map(median).collect();
            assert_eq!(medians(&values, len), each, "{len}");
            values[500] = f64::NAN;
            let each: Vec<f64> = values.chunks(len).map(median).collect();
            let bits = |v: &[f64]| v.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
            assert_eq!(bits(&medians(&values, len)), bits(&each), "{len}");
        }
    }
}
