//! The even clock behind stamps that stray about it.

/// Packets on either side that a lost one is seen by.
const SIDE: usize = 12;
/// Packets that a pace is taken over, and the fewest that tell of a clock.
const PACE: usize = 32;
const FEWEST_PACKETS: usize = 20;
/// A jump of the stamps by so many standard deviations of what is seen is no chance.
const CHANCE_SD: f64 = 6.0;
/// A jump of the stamps by fewer samples than this is none, where samples share stamps (their number to a stamp may
/// differ by one) and where each has its own.
const LEAST_SHARED: f64 = 1.5;
const LEAST_FREE: f64 = 0.6;
/// How often what was lost is looked for again with a better pace.
const ROUNDS: usize = 6;
/// This share of the stamps must keep to the clock.
const KEPT_SHARE: f64 = 0.95;
/// By this many samples, or half a packet where that is more.
const NEAR: f64 = 1.0;

/// In which way stamps are not the times of samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Straying {
    /// Several samples share one.
    Shared,
    /// Each has its own, unevenly.
    Free,
}

/// Samples that were lost before one that was not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Lost {
    pub before: usize,
    pub samples: usize,
}

/// A clock that ticks evenly.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct EvenClock {
    pub step_s: f64,
    start_s: f64,
    pub lost: Vec<Lost>,
    straying: Straying,
    /// Samples that share a stamp, and how far apart stamps are.
    packet: usize,
    packet_s: f64,
    /// How far 95 % of the stamps keep to it.
    strays_s: f64,
}

impl EvenClock {
    /// The times of so many samples.
    pub fn times(&self, count: usize) -> Vec<f64> {
        let mut lost = self.lost.iter().peekable();
        let mut ahead = 0;
        (0..count)
            .map(|i| {
                while let Some(gap) = lost.next_if(|gap| gap.before <= i) {
                    ahead += gap.samples;
                }
                self.start_s + (i + ahead) as f64 * self.step_s
            })
            .collect()
    }

    /// What is said of it; `lost` counts gaps and the samples missing in them, over the whole recording.
    pub fn note(&self, lost: (usize, usize)) -> String {
        let found = match self.straying {
            Straying::Shared => format!(
                "samples came {} to a stamp, stamps {:.1} ms apart",
                self.packet,
                1e3 * self.packet_s
            ),
            Straying::Free => format!("stamps stray by up to {:.2} ms about an even clock", 1e3 * self.strays_s),
        };
        let gaps = match lost {
            (0, _) => String::new(),
            (1, samples) => format!("; a real gap of {samples} samples stays one"),
            (gaps, samples) => format!("; {gaps} real gaps of together {samples} samples stay gaps"),
        };
        let rate_hz = 1.0 / self.step_s;
        format!("time stamps rebuilt: {found}; read as {rate_hz:.1} samples a second, evenly spaced{gaps}")
    }
}

/// Samples that came together: the first one's number, and the stamp.
#[derive(Debug, Clone, Copy)]
struct Packet {
    first: usize,
    stamp_s: f64,
}

/// Where a packet stands among the samples.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Counted {
    ByFirst,
    ByLast,
}

/// The clock, where there is one.
pub(super) fn even_clock(stamps: &[f64], straying: Straying) -> Option<EvenClock> {
    let packets = packets(stamps, straying);
    if packets.len() < FEWEST_PACKETS {
        return None;
    }
    let by_first = fit(&packets, stamps.len(), straying, Counted::ByFirst);
    let by_last = match straying {
        Straying::Shared => fit(&packets, stamps.len(), straying, Counted::ByLast),
        Straying::Free => None,
    };
    match (by_first, by_last) {
        (Some(a), Some(b)) if b.strays_s < a.strays_s => Some(b),
        (a, b) => a.or(b),
    }
}

fn packets(stamps: &[f64], straying: Straying) -> Vec<Packet> {
    let mean = (stamps[stamps.len() - 1] - stamps[0]) / (stamps.len() - 1) as f64;
    let apart = match straying {
        Straying::Shared => 0.75 * mean,
        Straying::Free => -1.0,
    };
    let begins = stamps.array_windows().enumerate();
    let begins = begins.filter(|(_, [a, b])| b - a > apart).map(|(i, _)| i + 1);
    let packet = |first: usize| Packet {
        first,
        stamp_s: stamps[first],
    };
    std::iter::once(0).chain(begins).map(packet).collect()
}

/// Packets with how many samples came before each, those that were lost too.
struct PacketCounts {
    stamp_s: Vec<f64>,
    seen: Vec<f64>,
    lost: Vec<f64>,
}

impl PacketCounts {
    fn index(&self, j: usize) -> f64 {
        self.seen[j] + self.lost[j]
    }

    /// Median pace over [`PACE`] packets.
    fn pace_s(&self) -> Option<f64> {
        let over = PACE.min(self.seen.len() / 4).max(1);
        let paces = (over..self.seen.len()).map(|j| {
            (self.stamp_s[j] - self.stamp_s[j - over]) / (self.index(j) - self.index(j - over))
        });
        Some(median(&mut paces.collect::<Vec<f64>>())).filter(|p| p.is_finite() && *p > 0.0)
    }

    /// What stamps are over a clock of this pace that begins at nought.
    fn over(&self, step_s: f64) -> Vec<f64> {
        (0..self.seen.len())
            .map(|j| self.stamp_s[j] - step_s * self.index(j))
            .collect()
    }

    /// The line through all stamps that keep near it.
    fn line(&self, step_s: f64) -> Option<f64> {
        let over = self.over(step_s);
        let centre = median(&mut over.clone());
        let spread = median(&mut over.iter().map(|r| (r - centre).abs()).collect::<Vec<f64>>());
        let limit = 4.0 * 1.4826 * spread + 1e-9 * step_s;
        let (mut n, mut si, mut sr, mut sii, mut sir) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (j, r) in over.iter().enumerate().filter(|(_, r)| (**r - centre).abs() <= limit) {
            let (i, r) = (self.index(j) - self.seen[0], r - centre);
            n += 1.0;
            si += i;
            sr += r;
            sii += i * i;
            sir += i * r;
        }
        let slope = (n * sir - si * sr) / (n * sii - si * si);
        Some(step_s + slope).filter(|p| p.is_finite() && *p > 0.0)
    }
}

fn fit(packets: &[Packet], samples: usize, straying: Straying, counted: Counted) -> Option<EvenClock> {
    let end_of = |j: usize| packets.get(j + 1).map_or(samples, |p| p.first);
    let seen = (0..packets.len()).map(|j| match counted {
        Counted::ByFirst => packets[j].first as f64,
        Counted::ByLast => (end_of(j) - 1) as f64,
    });
    let mut counts = PacketCounts {
        stamp_s: packets.iter().map(|p| p.stamp_s).collect(),
        seen: seen.collect(),
        lost: vec![0.0; packets.len()],
    };
    let mut step_s = counts.pace_s()?;
    for round in 0..ROUNDS {
        let found = jumps(&counts.over(step_s), step_s, straying);
        let none = found.is_empty();
        for (at, by) in found {
            counts.lost[at..].iter_mut().for_each(|l| *l += by);
        }
        // The first pace is that of most packets, whatever was lost between the others; a line is sharper once that is known.
        step_s = counts.line(step_s)?;
        if none && round > 0 {
            break;
        }
    }
    let over = counts.over(step_s);
    let start_s = median(&mut over.clone());
    let mut strays: Vec<f64> = over.iter().map(|r| (r - start_s).abs()).collect();
    let kept = ((KEPT_SHARE * strays.len() as f64) as usize).min(strays.len() - 1);
    let (_, &mut strays_s, _) = strays.select_nth_unstable_by(kept, f64::total_cmp);
    let mut apart: Vec<f64> = counts.stamp_s.array_windows().map(|[a, b]| b - a).collect();
    let packet_s = median(&mut apart);
    let near = (NEAR * step_s).max(match straying {
        Straying::Shared => 0.5 * packet_s,
        Straying::Free => 0.0,
    });
    if strays_s > near {
        return None;
    }
    let lost = lost(packets, &counts.lost)?;
    Some(EvenClock {
        step_s,
        start_s,
        lost,
        straying,
        packet: ((packet_s / step_s).round() as usize).max(1),
        packet_s,
        strays_s,
    })
}

/// Lost samples at each packet as gaps; `None` when samples would have to be lost and come back.
fn lost(packets: &[Packet], lost: &[f64]) -> Option<Vec<Lost>> {
    let mut gaps = Vec::new();
    for (j, [a, b]) in lost.array_windows().enumerate() {
        if b < a {
            return None;
        }
        if b > a {
            gaps.push(Lost {
                before: packets[j + 1].first,
                samples: (b - a) as usize,
            });
        }
    }
    Some(gaps)
}

/// Where stamps jump against the clock and stay there, and by how many samples.
fn jumps(over: &[f64], step_s: f64, straying: Straying) -> Vec<(usize, f64)> {
    let mut changes: Vec<f64> = over.array_windows().map(|[a, b]| (b - a).abs()).collect();
    let sd = 1.4826 * median(&mut changes) / std::f64::consts::SQRT_2;
    // The median of n numbers varies 1.25/√n times as much as one; here two of them are held against each other.
    let of_medians = 1.25 * (2.0 / SIDE as f64).sqrt() * sd;
    let least = match straying {
        Straying::Shared => LEAST_SHARED,
        Straying::Free => LEAST_FREE,
    };
    let limit = (least * step_s).max(CHANCE_SD * of_medians);
    let jump = |j: usize| {
        let before = median(&mut over[j.saturating_sub(SIDE)..j].to_vec());
        let after = median(&mut over[j..(j + SIDE).min(over.len())].to_vec());
        after - before
    };
    let mut found = Vec::new();
    let mut j = 2;
    while j + 2 < over.len() {
        let by = jump(j);
        if by.abs() <= limit {
            j += 1;
            continue;
        }
        // Medians see a jump from half a side away: it is where the stamps themselves change most.
        let end = (j + SIDE).min(over.len());
        let sharpest = (j..end).max_by(|a, b| {
            let change = |j: usize| by.signum() * (over[j] - over[j - 1]);
            change(*a).total_cmp(&change(*b))
        });
        let at = sharpest.unwrap_or(j);
        let samples = (jump(at) / step_s).round();
        if samples != 0.0 {
            found.push((at, samples));
        }
        j = at.max(j) + SIDE;
    }
    found
}

fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    let middle = values.len() / 2;
    let (_, &mut median, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    median
}
