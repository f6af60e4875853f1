//! Whatever bytes come, in whatever pieces: no panic, nothing piles up, the same is heard, counts and times go forward.
//!
//! The first byte says how long the pieces are and what stands before the rest: nothing, a stream of frames, or a
//! hello line. Where bit 6 is set, the rest is taken as contents of frames, closed and stuffed rightly, so that
//! what lies behind the checksum is reached too.

#![no_main]

use libfuzzer_sys::fuzz_target;
use tautpoint::acquire::wire::{Decoder, Message, MAX_STUFFED_BYTES, crc16, hello_frame, sample_frame, stuffed};

fuzz_target!(|data: &[u8]| {
    let Some((&first, rest)) = data.split_first() else {
        return;
    };
    let mut bytes = match first & 3 {
        0 | 1 => start(),
        2 => b"#tautpoint 1;rate_hz=200;channels=force_n,displacement_mm\n0,0,1,2\n".to_vec(),
        _ => Vec::new(),
    };
    if first & 64 == 0 {
        bytes.extend(rest);
    } else {
        for content in rest.split(|b| *b == b'|') {
            let mut plain = content.to_vec();
            plain.extend(crc16(content).to_le_bytes());
            bytes.extend(stuffed(&plain));
        }
    }
    let mut whole = Vec::new();
    let mut decoder = Decoder::default();
    decoder.push(&bytes, |h| whole.push(h));
    let counts = decoder.counts();

    let piece = 1 + usize::from(first >> 2 & 15);
    let mut pieces = Vec::new();
    let mut other = Decoder::default();
    let mut before = other.counts();
    for bytes in bytes.chunks(piece) {
        other.push(bytes, |h| pieces.push(h));
        assert!(other.waiting_bytes() <= 2 * MAX_STUFFED_BYTES);
        let now = other.counts();
        assert!(now.good + now.bad >= before.good + before.bad && now.lost >= before.lost);
        before = now;
    }
    assert_eq!(before, counts);
    // NaN is not equal to itself: what is printed is.
    assert_eq!(format!("{whole:?}"), format!("{pieces:?}"));
    check(&whole);
});

/// A hello and three samples.
fn start() -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut decoder = Decoder::default();
    decoder.push(b"#tautpoint 1;rate_hz=200;channels=force_n,displacement_mm\n", |h| {
        if let Message::Hello { station, .. } = h {
            bytes.extend(hello_frame(65_534, 0, &station).unwrap_or_default());
        }
    });
    for i in 0..3_u16 {
        bytes.extend(sample_frame(65_534_u16.wrapping_add(i), 5000 * u32::from(i), &[1, 2]));
    }
    bytes
}

fn check(heard: &[Message]) {
    let mut channels = None;
    for one in heard {
        match one {
            // What can be heard can be said: the encoder takes it, and the decoder hears the same.
            Message::Hello { station, .. } => {
                channels = Some(station.channels.len());
                let Ok(frame) = hello_frame(1, 2, station) else {
                    // A text may grow when broken UTF-8 in it is replaced.
                    continue;
                };
                let mut again = Vec::new();
                Decoder::default().push(&frame, |h| again.push(h));
                assert!(matches!(again.as_slice(), [Message::Hello { station: s, .. }] if same(s, station)));
            }
            Message::Sample { values, .. } => {
                let channels = channels.expect("a hello before the first sample");
                assert!(values[channels..].iter().all(|v| v.is_nan()));
                assert!(values.iter().all(|v| !v.is_infinite()));
            }
            Message::Unusable(words) => assert!(words.len() < 2000),
        }
    }
}

/// The frame keeps nine digits of a factor and a thousandth of a hertz.
fn same(a: &tautpoint::acquire::station::Station, b: &tautpoint::acquire::station::Station) -> bool {
    let near = |x: f64, y: f64| (x - y).abs() <= 1e-7 * y.abs();
    a.device == b.device
        && (a.rate_hz - b.rate_hz).abs() <= 0.000_500_1
        && a.channels.len() == b.channels.len()
        && a.channels.iter().zip(&b.channels).all(|(a, b)| {
            a.quantity == b.quantity && a.side == b.side && a.unit == b.unit && near(a.per_count, b.per_count)
        })
}
