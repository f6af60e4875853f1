//! The decoder fed with what the firmware sends, bits changed on the way.

use super::{are_here, make};
use crate::wire::{damage::expected, heard, samples};
use std::process::Command;
use tautpoint::simulate::Rng;

#[test]
fn of_the_firmwares_frames_with_bits_changed_every_whole_one_is_kept_and_none_invented() {
    if !are_here(&["make", "cc", "cppcheck"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    make(folder.path(), &["check"]);
    let test = folder.path().join("core_test");
    let sent = Command::new(test)
        .args(["stream", "20000"])
        .output()
        .unwrap()
        .stdout;
    // The first zero ends nothing.
    let frames: Vec<Vec<u8>> = sent[1..]
        .split_inclusive(|b| *b == 0)
        .map(<[u8]>::to_vec)
        .collect();
    assert_eq!(frames.len(), 20_020);
    for (share, seed) in [(1e-5, 1), (1e-4, 2), (1e-3, 3), (1e-2, 4)] {
        let mut rng = Rng::new(seed);
        let mut bytes = frames.concat();
        for byte in &mut bytes[frames[0].len()..] {
            for bit in 0..8 {
                if rng.uniform() < share {
                    *byte ^= 1 << bit;
                }
            }
        }
        let expected = expected(&frames, &bytes);
        let (all, counts) = heard(&bytes);
        let hellos = expected
            .whole
            .iter()
            .filter(|&&i| frames[i][1] == 1 || frames[i][1] == 0 || frames[i].len() > 30)
            .count();
        let kept = expected.whole.len() - hellos;
        let got = samples(&all).len();
        println!("{share} of the bits: {kept} whole samples, {got} taken, {counts:?}");
        // A damaged frame that is right by chance may come in between, and cost the one after it.
        assert!(
            got.abs_diff(kept) <= 2 * expected.by_chance as usize,
            "{kept} {got}"
        );
        assert!(counts.bad >= expected.bad && counts.bad <= expected.bad + 2 * expected.by_chance);
    }
}
