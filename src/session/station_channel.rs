//! What one channel of a station does at rest and when it is pushed, by its values alone.

use super::station_findings::{ChannelFault, MainsRipple, touch_limit_n};
use crate::acquire::station::ChannelQuantity;
use crate::live::sign::{PushDirection, SignWatch};
use crate::settings::Settings;
use crate::signal::filter::LowPass;
use crate::signal::noise::{FilteredNoise, white_noise_sd};
use crate::stats::line::line;
use crate::stats::moments::{mad, median, median_in_place, sd};

/// A shorter rest tells no drift of a minute.
const DRIFT_OVER_S: f64 = 10.0;
/// Equal highest values in a row, this far above rest, are a sensor at its limit.
const FLAT_SAMPLES: usize = 8;
const FLAT_ABOVE_N: f64 = 10.0;
/// A displacement at rest stays this near the line through it, in mm; a force, within what counts as contact.
const AT_REST_MM: f64 = 0.05;
/// And within so many standard deviations of its white noise after the low pass; slow noise has more than white.
const MOVED: f64 = 20.0;
/// The same of counts, and what a push of counts is, in standard deviations of a sample and in steps: nobody knows their newtons.
const MOVED_COUNTS: f64 = 50.0;
/// Frequencies of the mains.
const MAINS_HZ: [f64; 2] = [50.0, 60.0];
/// A ripple that white noise gives by chance in one check of a thousand: √(2·ln 1000).
const CHANCE: f64 = 3.717;
/// Equal values for so long, in s and in samples, are no noise where a channel has shown that it has some.
const FROZEN_S: f64 = 1.0;
const FROZEN_SAMPLES: usize = 20;
/// Stretches in which it is looked for, in s, and how many of them must have it.
const ALIVE_S: f64 = 0.25;
const ALIVE: usize = 2;
/// A lone value so many standard deviations of the others away is none of noise.
const LONE: f64 = 10.0;
/// The ends of converters of 16, 24 and 32 bits.
const RAILS: [f64; 6] = [32_767.0, -32_768.0, 8_388_607.0, -8_388_608.0, 2_147_483_647.0, -2_147_483_647.0];

/// Values of one channel.
pub struct ChannelSamples<'a> {
    pub quantity: ChannelQuantity,
    /// In counts that no calibration fits.
    pub in_counts: bool,
    pub rate_hz: f64,
    pub time_s: &'a [f64],
    pub values: &'a [f64],
    /// The same as the device's whole numbers.
    pub counts: &'a [f64],
    /// So many of the first samples nothing touched it.
    pub quiet: usize,
}

/// What a channel does while nothing touches it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtRest {
    pub rest: f64,
    /// Standard deviation of one sample about the line through them.
    pub noise: f64,
    pub filtered: f64,
    pub equivalent: f64,
    pub moved: bool,
    pub drift_per_min: Option<f64>,
    pub mains: Option<MainsRipple>,
    /// Share of lone values.
    pub lone: f64,
}

impl ChannelSamples<'_> {
    /// Step between neighbouring values: of all that came, since a ripple may keep those in a row apart.
    pub fn step(&self) -> f64 {
        let mut sorted: Vec<f64> = self.values.iter().copied().filter(|v| v.is_finite()).collect();
        sorted.sort_unstable_by(f64::total_cmp);
        let scale = sorted.first().zip(sorted.last()).map_or(0.0, |(a, b)| a.abs().max(b.abs()));
        let gaps = sorted.windows(2).map(|w| w[1] - w[0]).filter(|d| *d > 1e-11 * scale);
        let least = gaps.fold(f64::INFINITY, f64::min);
        if least.is_finite() { least } else { 0.0 }
    }

    pub fn at_rest(&self, settings: &Settings) -> AtRest {
        let quiet = self.time_s.iter().zip(self.values).take(self.quiet).filter(|(_, v)| v.is_finite());
        let (time, y): (Vec<f64>, Vec<f64>) = quiet.map(|(t, v)| (*t, *v)).unzip();
        let rest = median_in_place(&mut y.clone()).unwrap_or(f64::NAN);
        let trend = line(&time, &y).ok();
        let span_s = time.last().zip(time.first()).map_or(0.0, |(l, f)| l - f);
        let level: Vec<f64> = time.iter().zip(&y).map(|(t, v)| v - trend.map_or(rest, |l| l.at(*t))).collect();
        let noise = sd(&level).unwrap_or(0.0);
        let white = white_noise_sd(&y, &[]);
        let mut found = AtRest {
            rest,
            noise,
            filtered: noise,
            equivalent: noise,
            moved: false,
            drift_per_min: trend.filter(|_| span_s >= DRIFT_OVER_S).map(|l| 60.0 * l.slope),
            mains: ripple(&time, &level, self.rate_hz),
            lone: lone(&level, self.step()),
        };
        if let Ok(low_pass) = LowPass::zero_phase(settings.filter.low_pass_hz, self.rate_hz)
            && level.len() > 64
        {
            let left = FilteredNoise::new(&low_pass, self.rate_hz, settings.filter.low_pass_hz).sample_sd(1.0);
            let smooth = low_pass.apply(&level);
            found.filtered = sd(&smooth).unwrap_or(noise);
            found.equivalent = (found.filtered / left).max(white);
            let furthest = smooth.iter().fold(0.0, |most: f64, v| most.max(v.abs()));
            let least = match self.quantity {
                _ if self.in_counts => MOVED_COUNTS * white.max(self.step()),
                ChannelQuantity::Force => settings.detect.contact_floor_n,
                _ => AT_REST_MM,
            };
            found.moved = furthest > least && furthest > MOVED * white * left;
        }
        found
    }

    /// How far from rest a force is clearly pushed, in its unit.
    pub fn clear(&self, at_rest: &AtRest, settings: &Settings) -> f64 {
        match self.in_counts {
            true => MOVED_COUNTS * at_rest.noise.max(self.step()),
            false => SignWatch::clear_n(touch_limit_n(at_rest.filtered, settings)),
        }
    }

    /// Which way a force counts when it is pushed.
    pub fn direction(&self, at_rest: &AtRest, settings: &Settings) -> PushDirection {
        // Counts as though their clear push were the one of newtons.
        let (per, limit) = match self.in_counts {
            true => (SignWatch::clear_n(0.0) / self.clear(at_rest, settings), 1.0),
            false => (1.0, touch_limit_n(at_rest.filtered, settings)),
        };
        if !per.is_finite() || !at_rest.rest.is_finite() {
            return PushDirection::Unknown;
        }
        let mut watch = SignWatch::default();
        for (t, v) in self.time_s.iter().zip(self.smooth(settings, at_rest.rest)) {
            // Counts may rest anywhere: from their rest on.
            let (v, rest) = if self.in_counts { (per * (v - at_rest.rest), 0.0) } else { (v, at_rest.rest) };
            watch.push(*t, v, rest, limit);
        }
        watch.direction()
    }

    /// After the low pass; a value that is missing is the last one before it.
    fn smooth(&self, settings: &Settings, rest: f64) -> Vec<f64> {
        let mut last = rest;
        let filled: Vec<f64> = self
            .values
            .iter()
            .map(|v| {
                last = if v.is_finite() { *v } else { last };
                last
            })
            .collect();
        LowPass::zero_phase(settings.filter.low_pass_hz, self.rate_hz).map_or(filled.clone(), |low_pass| low_pass.apply(&filled))
    }

    /// Of a channel that has a value regularly, but not with every sample: with every how many.
    pub fn every(&self) -> Option<usize> {
        let with: Vec<usize> = (0..self.values.len()).filter(|&i| self.values[i].is_finite()).collect();
        let mut steps: Vec<usize> = with.windows(2).map(|w| w[1] - w[0]).collect();
        steps.sort_unstable();
        let (low, high) = (*steps.get(steps.len() / 20)?, *steps.get(steps.len() - 1 - steps.len() / 20)?);
        // Two clocks: one more now and then.
        (low > 1 && high - low <= 1).then(|| steps[steps.len() / 2])
    }

    /// The highest value of a force, when it stood at it far from rest. A displacement that turns round stands still for a while.
    pub fn limit(&self, rest: f64) -> Option<f64> {
        if self.quantity != ChannelQuantity::Force {
            return None;
        }
        let far = |v: f64| (v - rest).abs();
        let finite = self.values.iter().copied().filter(|v| v.is_finite());
        let top = finite.max_by(|a, b| far(*a).total_cmp(&far(*b)))?;
        let longest = self.values.chunk_by(|a, b| a == b).filter(|run| run[0] == top).map(<[f64]>::len).max()?;
        (longest >= FLAT_SAMPLES && far(top) > FLAT_ABOVE_N).then_some(top)
    }

    /// A converter's end that it stood at.
    pub fn rail(&self) -> Option<ChannelFault> {
        let mut runs = self.counts.chunk_by(|a, b| a == b);
        let at_end = |run: &&[f64]| run.len() >= FLAT_SAMPLES && RAILS.contains(&run[0]);
        runs.find(at_end).map(|run| ChannelFault::Rail { counts: run[0] })
    }

    /// A value that it stood still at where a channel that lives does not: a force all through its rest, whatever has noise for so
    /// long that no noise does that. A displacement that counts pulses may well rest.
    pub fn frozen(&self, limit: Option<f64>) -> Option<ChannelFault> {
        let quiet = self.quiet.min(self.values.len());
        let (rest, all) = (&self.values[..quiet], self.values);
        if self.quantity == ChannelQuantity::Force && rest.len() >= FROZEN_SAMPLES {
            let mut given = rest.iter().copied().filter(|v| v.is_finite());
            let first = given.next()?;
            if given.all(|v| v == first) {
                return Some(ChannelFault::Frozen { value: first, seconds: rest.len() as f64 / self.rate_hz });
            }
        }
        let step = self.step();
        let stretch = ((ALIVE_S * self.rate_hz) as usize).max(8);
        let lives = |part: &&[f64]| part.len() == stretch && sd(part).is_ok_and(|s| s >= step);
        if step == 0.0 || rest.chunks(stretch).filter(lives).count() < ALIVE {
            return None;
        }
        let longest = all.chunk_by(|a, b| a == b).filter(|run| Some(run[0]) != limit).max_by_key(|run| run.len())?;
        let seconds = longest.len() as f64 / self.rate_hz;
        (longest.len() >= FROZEN_SAMPLES && seconds >= FROZEN_S)
            .then(|| ChannelFault::Frozen { value: longest[0], seconds })
    }

    /// What a displacement did while its force was pushed, when that is wrong.
    pub fn beside_push(&self, at_rest: &AtRest, force: &[f64], force_rest: f64) -> Option<ChannelFault> {
        let away = |f: f64| (f - force_rest).abs();
        let most = force.iter().copied().filter(|f| f.is_finite()).map(away).fold(0.0, f64::max);
        let pushed = force.iter().zip(self.values).filter(|(f, v)| v.is_finite() && away(**f) > 0.5 * most);
        let pushed: Vec<f64> = pushed.map(|(_, v)| *v).collect();
        let way = median(&pushed).ok()? - at_rest.rest;
        let least = match self.in_counts {
            true => 5.0 * at_rest.noise.max(self.step()),
            false => AT_REST_MM.max(5.0 * at_rest.filtered),
        };
        match () {
            () if way.abs() <= least => Some(ChannelFault::Unmoved),
            () if way < 0.0 => Some(ChannelFault::Inverted),
            () => None,
        }
    }
}

/// Share of values that stand alone far from all others.
fn lone(level: &[f64], step: f64) -> f64 {
    let Ok(deviation) = mad(level) else { return 0.0 };
    let limit = LONE * (1.4826 * deviation).max(step);
    level.iter().filter(|v| v.abs() > limit).count() as f64 / level.len() as f64
}

/// The stronger of both ripples, where it is more than white noise gives by chance.
fn ripple(time_s: &[f64], level: &[f64], rate_hz: f64) -> Option<MainsRipple> {
    let spread = sd(level).ok()?;
    let n = level.len() as f64;
    MAINS_HZ
        .iter()
        .filter_map(|&hz| {
            let seen_at_hz = (hz - (hz / rate_hz).round() * rate_hz).abs();
            // At rest or at half the rate its size is not known.
            if seen_at_hz < 1.0 || seen_at_hz > 0.49 * rate_hz {
                return None;
            }
            let (mut re, mut im) = (0.0, 0.0);
            for (t, v) in time_s.iter().zip(level) {
                let phase = std::f64::consts::TAU * hz * t;
                re += v * phase.cos();
                im += v * phase.sin();
            }
            let amplitude = 2.0 * re.hypot(im) / n;
            let by_chance = CHANCE * spread * (2.0 / n).sqrt();
            (amplitude > by_chance).then_some(MainsRipple { hz, seen_at_hz, amplitude })
        })
        .max_by(|a, b| a.amplitude.total_cmp(&b.amplitude))
}
