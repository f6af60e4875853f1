//! The wire format: against its sources, against the C encoder, and whatever happens to the bytes.

mod c_encoder;
pub mod damage;
mod order;
mod vectors;

use tautpoint::acquire::station::{ChannelQuantity, MAX_CHANNELS, Station, StationChannel};
use tautpoint::acquire::wire::{Decoder, Message, WireCounts, hello_frame, sample_frame};
use tautpoint::simulate::Rng;

/// A sample heard: time and values.
type Sample = (u32, [f64; MAX_CHANNELS]);

/// Everything a decoder says to these bytes in one go.
pub fn heard(bytes: &[u8]) -> (Vec<Message>, WireCounts) {
    let mut decoder = Decoder::default();
    let mut all = Vec::new();
    decoder.push(bytes, |h| all.push(h));
    (all, decoder.counts())
}

pub fn samples(heard: &[Message]) -> Vec<Sample> {
    let sample = |h: &Message| match h {
        Message::Sample { time_us, values } => Some((*time_us, *values)),
        _ => None,
    };
    heard.iter().filter_map(sample).collect()
}

/// A force in N and a displacement in mm, a thousandth a count.
fn station() -> Station {
    let channel = |quantity, unit: &str| StationChannel {
        quantity,
        side: None,
        unit: unit.to_owned(),
        per_count: 0.001,
        sensor: None,
        calibration: None,
    };
    Station {
        device: "bench".to_owned(),
        rate_hz: 2000.0,
        channels: vec![
            channel(ChannelQuantity::Force, "N"),
            channel(ChannelQuantity::Displacement, "mm"),
        ],
    }
}

/// Frames with their delimiters: a hello, then samples every 500 µs, their values drawn; number and time begin shortly
/// before both wrap.
fn stream(count: u32, seed: u64) -> Vec<Vec<u8>> {
    let mut rng = Rng::new(seed);
    let (sequence, time_us) = (65_500_u16, u32::MAX - 10_000);
    let mut frames = vec![hello_frame(sequence, time_us, &station()).unwrap()];
    for i in 0..count {
        let counts = [rng.below(400_000) as i32 - 200_000, rng.below(100) as i32];
        frames.push(sample_frame(
            sequence.wrapping_add(i as u16),
            time_us.wrapping_add(500 * i),
            &counts,
        ));
    }
    frames
}
