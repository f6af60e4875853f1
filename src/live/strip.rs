//! The running strip: thousands of samples a second thinned to what a screen can show, highest and lowest kept.

use serde::Serialize;
use std::collections::VecDeque;

/// Bins a second: about one a pixel on a strip of ten seconds.
pub const BINS_PER_S: f64 = 120.0;
/// Bins that wait for a view; older ones are thrown away.
const MOST: usize = 2400;

/// A few samples of one side as one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SideBin {
    pub low_n: f64,
    pub high_n: f64,
    pub mean_n: f64,
    pub displacement_mm: Option<f64>,
}

/// A few samples of all sides as one.
#[derive(Debug, Clone, PartialEq)]
pub struct Bin {
    /// Device time of the last sample in it.
    pub time_s: f64,
    pub sides: Vec<SideBin>,
}

/// Bins since the last view, as the page draws them: parallel lists, rounded to what can be seen.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct StripPart {
    /// Number of the first bin; they count through the whole stream.
    pub from: u64,
    pub time_s: Vec<f64>,
    pub sides: Vec<StripSide>,
}

/// One side's part of a strip.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct StripSide {
    pub low_n: Vec<f64>,
    pub high_n: Vec<f64>,
    pub displacement_mm: Vec<Option<f64>>,
}

#[derive(Debug, Clone, Copy)]
struct OpenBin {
    low_n: f64,
    high_n: f64,
    sum_n: f64,
    sum_mm: f64,
    with_mm: u32,
}

const EMPTY: OpenBin = OpenBin {
    low_n: f64::INFINITY,
    high_n: f64::NEG_INFINITY,
    sum_n: 0.0,
    sum_mm: 0.0,
    with_mm: 0,
};

/// Thins a stream.
#[derive(Debug)]
pub struct Strip {
    per_bin: u32,
    open: Vec<OpenBin>,
    count: u32,
    ready: VecDeque<Bin>,
    /// Number of the first bin that is ready.
    first: u64,
}

impl Strip {
    pub fn new(rate_hz: f64, sides: usize) -> Self {
        Strip {
            per_bin: ((rate_hz / BINS_PER_S).round() as u32).max(1),
            open: vec![EMPTY; sides],
            count: 0,
            ready: VecDeque::new(),
            first: 0,
        }
    }

    /// Takes force and displacement of every side; the bin that this sample closed, if it did.
    pub fn push(&mut self, time_s: f64, sides: impl Iterator<Item = (f64, Option<f64>)>) -> Option<&Bin> {
        for (open, (force_n, x)) in self.open.iter_mut().zip(sides) {
            open.low_n = open.low_n.min(force_n);
            open.high_n = open.high_n.max(force_n);
            open.sum_n += force_n;
            if let Some(x) = x {
                open.sum_mm += x;
                open.with_mm += 1;
            }
        }
        self.count += 1;
        if self.count < self.per_bin {
            return None;
        }
        let n = f64::from(self.count);
        let sides = self.open.iter().map(|o| SideBin {
            low_n: o.low_n,
            high_n: o.high_n,
            mean_n: o.sum_n / n,
            displacement_mm: (o.with_mm > 0).then(|| o.sum_mm / f64::from(o.with_mm)),
        });
        let bin = Bin {
            time_s,
            sides: sides.collect(),
        };
        self.open.fill(EMPTY);
        self.count = 0;
        if self.ready.len() == MOST {
            self.ready.pop_front();
            self.first += 1;
        }
        self.ready.push_back(bin);
        self.ready.back()
    }

    /// The newest bins, newest last.
    pub fn newest(&self, count: usize) -> impl Iterator<Item = &Bin> {
        self.ready.iter().skip(self.ready.len().saturating_sub(count))
    }

    /// Gives the bins of the last views' time out and forgets them.
    pub fn take(&mut self) -> StripPart {
        let mut part = StripPart {
            from: self.first,
            time_s: Vec::with_capacity(self.ready.len()),
            sides: vec![StripSide::default(); self.open.len()],
        };
        for bin in self.ready.drain(..) {
            self.first += 1;
            part.time_s.push(round(bin.time_s, 1e4));
            for (to, side) in part.sides.iter_mut().zip(&bin.sides) {
                to.low_n.push(round(side.low_n, 1e2));
                to.high_n.push(round(side.high_n, 1e2));
                to.displacement_mm
                    .push(side.displacement_mm.map(|x| round(x, 1e3)));
            }
        }
        part
    }
}

/// Rounded to a part of one.
pub fn round(value: f64, parts: f64) -> f64 {
    (value * parts).round() / parts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_peak_of_one_sample_stays_on_the_strip() {
        let mut strip = Strip::new(2000.0, 1);
        let mut highest = f64::NEG_INFINITY;
        for i in 0..2000 {
            let force = if i == 777 { 93.0 } else { 10.0 };
            strip.push(f64::from(i) / 2000.0, [(force, Some(1.0))].into_iter());
        }
        let part = strip.take();
        for v in &part.sides[0].high_n {
            highest = highest.max(*v);
        }
        assert_eq!(highest, 93.0);
        assert!((part.time_s.len() as f64 - BINS_PER_S).abs() <= 5.0);
        assert_eq!(strip.take().from, part.time_s.len() as u64);
    }
}
