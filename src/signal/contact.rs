//! Where the hand is on, on the zero-phase signals, and what the reader should know of it.

use super::condition::{Conditioned, SideSignals};
use super::episodes::SideEpisode;
use super::view::SideView;
use super::unloaded::ChannelNoise;
use super::zero::ForceZero;
use crate::settings::Settings;
use crate::trace::Note;
use std::ops::Range;

/// One side of a trace, zeroed: what tests are measured on.
pub struct ZeroedSide<'a> {
    pub signals: &'a SideSignals,
    pub force_n: Vec<f64>,
    pub zero: ForceZero,
    pub force_noise: ChannelNoise,
    pub displacement_noise: Option<ChannelNoise>,
    pub zero_known: bool,
}

/// Moves the detector's contact to where the zero-phase, zeroed force passes the contact limit. An end that a person set
/// stays.
pub fn refine_contact(view: &SideView, side: &SideEpisode, settings: &Settings) -> Range<usize> {
    let (contact, edits) = (&side.contact, &side.edits);
    let found = passages(view, contact, settings);
    let begin = if edits.begin_fixed { contact.start } else { found.start };
    let end = if edits.end_fixed { contact.end.min(view.force_n.len()) } else { found.end };
    begin.min(end.saturating_sub(1))..end
}

fn passages(view: &SideView, contact: &Range<usize>, settings: &Settings) -> Range<usize> {
    let f = view.force_n;
    let top = contact
        .clone()
        .filter_map(|i| f.get(i))
        .copied()
        .fold(0.0, f64::max);
    let floor = settings.detect.contact_floor_n.min(0.05 * top);
    let limit = (settings.detect.contact_sigma * view.noise.sample_sd(view.force_noise_n)).max(floor);
    let reach = ((0.25 * view.rate_hz) as usize).max(2);
    let mut begin = contact.start;
    if f[begin] >= limit {
        while begin > contact.start.saturating_sub(reach) && begin > 0 && f[begin - 1] >= limit {
            begin -= 1;
        }
    } else {
        begin = (begin..(begin + reach).min(contact.end))
            .find(|i| f[*i] >= limit)
            .unwrap_or(begin);
    }
    let last = contact.end.saturating_sub(1).min(f.len() - 1);
    let mut end = last;
    if f[last] >= limit {
        while end + 1 < f.len() && end < last + reach && f[end + 1] >= limit {
            end += 1;
        }
    } else {
        end = (last.saturating_sub(reach).max(begin)..=last)
            .rev()
            .find(|i| f[*i] >= limit)
            .unwrap_or(last);
    }
    begin..(end + 1).max(begin + 1)
}

/// Notes on how the contact begins and ends, its zero, and the load cell's limit.
pub fn describe_contact(own: &ZeroedSide, side: &SideEpisode, c: &Conditioned, notes: &mut Vec<Note>) {
    if !own.zero_known {
        notes.push(Note::NoZero);
    } else if !own.zero.known_before(&side.contact) {
        notes.push(Note::NoZeroBefore);
    }
    if side.contact.start == 0 {
        notes.push(Note::BeginsLoaded);
    }
    if side.cut_off {
        notes.push(Note::CutOff);
    }
    let seconds = |ranges: &[Range<usize>]| -> f64 {
        let within = overlapping(ranges, &side.contact);
        within.map(|r| r.len() as f64 * c.grid.step_s).sum()
    };
    let (saturated_s, stopped_s) = (seconds(&own.signals.saturated), seconds(&own.signals.stopped));
    if saturated_s > 0.0 {
        notes.push(Note::Saturated { seconds: saturated_s });
    }
    if stopped_s > 0.0 {
        notes.push(Note::DisplacementStopped { seconds: stopped_s });
    }
}

/// Ranges that touch a range.
pub fn overlapping<'a>(
    ranges: &'a [Range<usize>],
    within: &'a Range<usize>,
) -> impl Iterator<Item = &'a Range<usize>> {
    ranges
        .iter()
        .filter(move |r| r.start < within.end && within.start < r.end)
}

#[cfg(test)]
mod tests {
    use super::super::fit::made::noise;
    use super::*;

    #[test]
    fn a_contact_moves_to_its_limit_by_a_quarter_of_a_second_at_most() {
        let filtered = noise(200.0);
        let of = |force: &[f64], contact: Range<usize>| {
            let view = SideView {
                rate_hz: 200.0,
                force_n: force,
                displacement_mm: None,
                force_noise_n: 0.01,
                displacement_noise_mm: 0.0,
                force_times_white: 1.0,
                displacement_times_white: 1.0,
                noise: &filtered,
            };
            passages(&view, &contact, &Settings::default())
        };
        assert_eq!(of(&[20.0; 800], 300..500), 250..550);
        let mut force = [0.0; 800];
        force[290..520].fill(20.0);
        assert_eq!(of(&force, 300..500), 290..520);
        assert_eq!(of(&force, 270..540), 290..520);
        assert_eq!(of(&force, 400..500), 350..520);
    }
}
