//! One byte in a hundred changed: every good frame kept, every bad one counted, none invented.
//!
//! A CRC of 16 bits cannot promise the last: of damaged frames that it sees whole, one in 65,536 is right by chance.
//! The checks here look for those with the same checksum and hold the decoder to everything else exactly.

use super::{heard, samples, station, stream};
use proptest::prelude::*;
use std::collections::HashMap;
use tautpoint::acquire::wire::{MAX_STUFFED_BYTES, WireCounts, crc16, hello_line, sample_line};
use tautpoint::simulate::Rng;

/// What must be heard of a damaged stream, by looking at the stretches between zeros.
pub struct Expected {
    /// Frames that came through, by their place in the stream (the hello is 0).
    pub whole: Vec<usize>,
    /// Stretches that are none of the frames sent, and have a wrong checksum or none.
    pub bad: u64,
    /// Stretches that are none of the frames sent but have a right checksum.
    pub by_chance: u64,
}

pub fn expected(frames: &[Vec<u8>], bytes: &[u8]) -> Expected {
    let places: HashMap<&[u8], usize> = frames
        .iter()
        .enumerate()
        .map(|(i, f)| (&f[..f.len() - 1], i))
        .collect();
    let mut expected = Expected {
        whole: Vec::new(),
        bad: 0,
        by_chance: 0,
    };
    let end = bytes.iter().rposition(|b| *b == 0).map_or(0, |last| last + 1);
    for stretch in bytes[..end].split(|b| *b == 0).filter(|s| !s.is_empty()) {
        match places.get(stretch) {
            Some(&place) => expected.whole.push(place),
            None if right_by_chance(stretch) => expected.by_chance += 1,
            None => expected.bad += 1,
        }
    }
    expected
}

fn right_by_chance(stretch: &[u8]) -> bool {
    let Ok(plain) = cobs::decode_vec(stretch) else {
        return false;
    };
    let body = plain.len().saturating_sub(2);
    stretch.len() <= MAX_STUFFED_BYTES
        && plain.len() >= 9
        && crc16(&plain[..body]).to_le_bytes() == plain[body..]
}

fn damaged(frames: &[Vec<u8>], share: f64, rng: &mut Rng) -> Vec<u8> {
    let mut bytes = frames.concat();
    // The hello comes through: before it there is nothing to count.
    for byte in &mut bytes[frames[0].len()..] {
        if rng.uniform() < share {
            *byte ^= 1 + rng.below(255) as u8;
        }
    }
    bytes
}

/// Times that the frames at these places carry.
fn times(places: &[usize]) -> Vec<u32> {
    let time = |&i: &usize| (u32::MAX - 10_000).wrapping_add(500 * (i as u32 - 1));
    places[1..].iter().map(time).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn with_one_byte_in_a_hundred_changed_good_frames_are_kept_and_bad_ones_counted(
        seed in any::<u64>(),
        share in prop_oneof![Just(0.01), 0.0..0.05_f64],
    ) {
        let frames = stream(3000, seed);
        let bytes = damaged(&frames, share, &mut Rng::stream(seed, 9));
        let expected = expected(&frames, &bytes);
        let (all, counts) = heard(&bytes);
        let got: Vec<u32> = samples(&all).iter().map(|s| s.0).collect();
        if expected.by_chance == 0 {
            prop_assert_eq!(&got, &times(&expected.whole));
            prop_assert_eq!(counts, WireCounts {
                good: expected.whole.len() as u64,
                bad: expected.bad,
                lost: (expected.whole.last().unwrap() + 1 - expected.whole.len()) as u64,
                late: 0,
            });
        } else {
            let invented = got.iter().filter(|t| !times(&expected.whole).contains(t)).count() as u64;
            prop_assert!(invented <= expected.by_chance);
            prop_assert_eq!(counts.good + counts.bad, expected.whole.len() as u64 + expected.bad + expected.by_chance);
        }
    }

    /// The same for lines of text with checksums.
    #[test]
    fn with_one_byte_in_a_hundred_changed_good_lines_are_kept(seed in any::<u64>()) {
        let mut rng = Rng::new(seed);
        let mut lines = vec![hello_line(&station(), true)];
        for i in 0..500_u16 {
            lines.push(sample_line(i, u32::from(i) * 500, &[f64::from(i), 0.25 * f64::from(i % 7)], true));
        }
        let bytes = damaged(&lines, 0.01, &mut rng);
        let (all, counts) = heard(&bytes);
        let whole: Vec<u32> = bytes.split(|b| *b == b'\n').filter_map(|got| {
            // A checksum reads the same in letters of either case, and one changed bit makes that of one.
            let place = lines.iter().position(|l| l[..l.len() - 1].eq_ignore_ascii_case(got))?;
            (place > 0).then(|| 500 * (place as u32 - 1))
        }).collect();
        let got: Vec<u32> = samples(&all).iter().map(|s| s.0).collect();
        let missed = whole.iter().filter(|t| !got.contains(t)).count();
        prop_assert_eq!(missed, 0);
        // Right by chance: one in 65,536 damaged lines.
        prop_assert!(got.len() - whole.len() <= 1, "{} {}", got.len(), whole.len());
        prop_assert!(counts.bad > 0);
    }
}

/// How often a damaged frame passes: over many frames, held against what a 16-bit checksum leaves. More of them with
/// `TAUTPOINT_TRIALS=200`.
#[test]
fn damaged_frames_pass_no_more_often_than_a_checksum_of_sixteen_bits_lets_them() {
    let (mut bad, mut by_chance, mut invented, mut sent) = (0, 0, 0, 0);
    let trials: u64 = std::env::var("TAUTPOINT_TRIALS").map_or(4, |t| t.parse().unwrap());
    for seed in 0..trials {
        let frames = stream(60_000, seed);
        let bytes = damaged(&frames, 0.01, &mut Rng::stream(seed, 9));
        let expected = expected(&frames, &bytes);
        let (all, counts) = heard(&bytes);
        sent += frames.len();
        bad += expected.bad;
        by_chance += expected.by_chance;
        let whole = times(&expected.whole);
        let got = samples(&all);
        // Times go forward, so a sample that was never sent stands out by its own.
        let mut at = 0;
        for (time_us, _) in &got {
            match whole[at..].iter().position(|t| t == time_us) {
                Some(further) => at += further + 1,
                None => invented += 1,
            }
        }
        assert!(got.len() + 8 >= whole.len() && counts.good + counts.bad >= expected.bad);
    }
    println!("{sent} frames, {bad} bad stretches, {by_chance} right by chance, {invented} of them taken");
    assert!(bad > 7_000 * trials);
    assert!(invented <= by_chance);
    // Poisson with a mean of bad/65,536 at the most, and six times its root and a little over it.
    let mean = bad as f64 / 65_536.0;
    assert!(
        (by_chance as f64) < mean + 6.0 * mean.sqrt() + 2.0,
        "{by_chance} of {bad}"
    );
}
