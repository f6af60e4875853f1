//! Any chunks, any order, any garbage between.

use super::{heard, samples, station, stream};
use proptest::prelude::*;
use tautpoint::acquire::wire::{Decoder, MAX_STUFFED_BYTES, Message, hello_frame, sample_frame, sample_line};

#[test]
fn every_split_of_the_bytes_is_heard_alike() {
    let bytes = stream(4, 3).concat();
    let (whole, counts) = heard(&bytes);
    assert_eq!((whole.len(), counts.good, counts.bad), (5, 5, 0));
    for split in 0..=bytes.len() {
        let mut decoder = Decoder::default();
        let mut parts = Vec::new();
        decoder.push(&bytes[..split], |h| parts.push(h));
        decoder.push(&bytes[split..], |h| parts.push(h));
        // NaN is not equal to itself: what is printed is.
        assert_eq!(format!("{parts:?}"), format!("{whole:?}"));
        assert_eq!(decoder.counts(), counts);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Whatever comes, in whatever pieces: the same is heard, nothing panics and nothing piles up.
    #[test]
    fn garbage_never_panics_nor_piles_up(
        start in 0..3_usize,
        garbage in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..700), 0..12),
        piece in 1..200_usize,
    ) {
        let mut bytes = match start {
            0 => Vec::new(),
            1 => stream(3, 1).concat(),
            _ => b"#tautpoint 1;rate_hz=200;channels=force_n\n0,0,1\n".to_vec(),
        };
        bytes.extend(garbage.concat());
        let (whole, counts) = heard(&bytes);
        let mut decoder = Decoder::default();
        let mut parts = Vec::new();
        for piece in bytes.chunks(piece) {
            decoder.push(piece, |h| parts.push(h));
            prop_assert!(decoder.waiting_bytes() <= 2 * MAX_STUFFED_BYTES);
        }
        prop_assert_eq!(decoder.counts(), counts);
        // NaN is not equal to itself: what is printed is.
        prop_assert_eq!(format!("{parts:?}"), format!("{whole:?}"));
    }

    /// Frames that come twice or change places are dropped and counted; those kept go forward.
    #[test]
    fn doubled_and_swapped_frames_are_dropped_and_counted(
        swapped in prop::collection::btree_set(2..299_usize, 0..40),
        doubled in prop::collection::btree_set(1..300_usize, 0..40),
    ) {
        let frames = stream(300, 5);
        let mut order: Vec<usize> = (0..frames.len()).collect();
        let mut last = 0;
        for &i in swapped.iter().filter(|i| **i % 2 == 0) {
            prop_assert!(i > last);
            order.swap(i, i + 1);
            last = i;
        }
        let order: Vec<usize> = order.into_iter().flat_map(|i| vec![i; 1 + usize::from(doubled.contains(&i))]).collect();
        let bytes: Vec<u8> = order.iter().flat_map(|&i| frames[i].clone()).collect();
        let (all, counts) = heard(&bytes);
        let mut newest = 0;
        let mut kept = Vec::new();
        for &i in &order[1..] {
            if i > newest {
                newest = i;
                kept.push(i);
            }
        }
        let times: Vec<u32> = samples(&all).iter().map(|s| s.0).collect();
        let expected: Vec<u32> = kept.iter().map(|&i| (u32::MAX - 10_000).wrapping_add(500 * (i as u32 - 1))).collect();
        prop_assert_eq!(times, expected);
        prop_assert_eq!(counts.late as usize, order.len() - 1 - kept.len());
        prop_assert_eq!(counts.lost as usize, newest - kept.len());
        prop_assert_eq!(counts.bad, 0);
    }
}

#[test]
fn a_megabyte_without_a_delimiter_counts_as_one_bad_stretch_and_is_not_kept() {
    let mut decoder = Decoder::default();
    decoder.push(&stream(2, 1).concat(), |_| ());
    for _ in 0..1000 {
        decoder.push(&[0x55; 1000], |_| ());
        assert!(decoder.waiting_bytes() <= MAX_STUFFED_BYTES);
    }
    decoder.push(&[0], |_| ());
    assert_eq!(decoder.counts().bad, 1);
}

#[test]
fn a_reader_that_comes_late_hears_from_the_next_hello_on() {
    let mut bytes = stream(50, 2).concat()[30..].to_vec();
    assert_eq!(heard(&bytes).0, []);
    bytes.extend(hello_frame(14, 14_999, &station()).unwrap());
    bytes.extend(sample_frame(14, 14_999, &[1, 2]));
    let (heard, counts) = heard(&bytes);
    assert_eq!(heard.len(), 2);
    assert_eq!((counts.good, counts.bad, counts.lost), (2, 0, 0));
}

#[test]
fn a_change_of_the_hello_is_believed_when_it_comes_twice() {
    let mut other = station();
    other.channels.truncate(1);
    let hello = hello_frame(3, 1500, &other).unwrap();
    let mut bytes = stream(2, 1).concat();
    bytes.extend(&hello);
    let once = heard(&bytes).0.len();
    bytes.extend(&hello);
    let all = heard(&bytes).0;
    assert_eq!(all.len(), once + 1);
    assert!(matches!(&all[once], Message::Hello { station, .. } if *station == other));
}

#[test]
fn a_hello_of_another_version_says_so() {
    let mut plain = vec![1, 0, 0, 0, 0, 0, 0, 9];
    plain.extend(tautpoint::acquire::wire::crc16(&plain).to_le_bytes());
    let (heard, _) = heard(&tautpoint::acquire::wire::stuffed(&plain));
    assert!(
        matches!(&heard[0], Message::Unusable(words) if words.contains("version 9")),
        "{heard:?}"
    );
}

#[test]
fn lines_lost_doubled_and_broken_are_counted() {
    let mut bytes = b"#tautpoint 1;rate_hz=100;channels=force_n\n".to_vec();
    for i in [0, 1, 1, 4, 3, 5_u16] {
        bytes.extend(sample_line(i, u32::from(i) * 10_000, &[f64::from(i)], false));
    }
    bytes.extend(b"# a remark\n\n6,60000,\n7,oops\n");
    let (heard, counts) = heard(&bytes);
    let times: Vec<u32> = samples(&heard).iter().map(|s| s.0 / 10_000).collect();
    assert_eq!(times, [0, 1, 4, 5, 6]);
    assert_eq!((counts.bad, counts.lost, counts.late), (1, 2, 2));
}
