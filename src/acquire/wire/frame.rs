//! One frame: fields, CRC-16, COBS.

use crc::{CRC_16_IBM_3740, Crc};

/// Type of a frame that says what the device is.
pub const HELLO: u8 = 1;
/// Type of a frame that holds one sample of every channel.
pub const SAMPLE: u8 = 2;
/// The count that stands for a sample that the device does not have.
pub const MISSING: i32 = i32::MIN;
/// Bytes of a frame beside its content: type, sequence, time, CRC.
pub const FIXED_BYTES: usize = 1 + 2 + 4 + 2;
/// Longest frame before stuffing; a hello with eight channels and every text at its longest has 640.
pub const MAX_FRAME_BYTES: usize = 640;
/// Longest frame after stuffing, without its delimiter: one byte more for each 254 begun.
pub const MAX_STUFFED_BYTES: usize = cobs::max_encoding_length(MAX_FRAME_BYTES);

const CRC: Crc<u16> = Crc::<u16>::new(&CRC_16_IBM_3740);

/// CRC-16/IBM-3740: polynomial 0x1021, start 0xFFFF, nothing reflected, nothing inverted.
///
/// ```
/// // The check value of the catalogue of parametrised CRC algorithms.
/// assert_eq!(tautpoint::acquire::wire::crc16(b"123456789"), 0x29B1);
/// ```
pub fn crc16(bytes: &[u8]) -> u16 {
    CRC.checksum(bytes)
}

/// Fields that every frame begins with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct FrameHeader {
    pub kind: u8,
    /// Of a sample: its number, modulo 65536. Of a hello: the number that the next sample will have.
    pub sequence: u16,
    /// The device's µs counter, modulo 2³².
    pub time_us: u32,
}

/// A frame with its delimiter, ready to be sent.
pub(super) fn build(header: FrameHeader, content: &[u8]) -> Vec<u8> {
    let mut plain = Vec::with_capacity(FIXED_BYTES + content.len());
    plain.push(header.kind);
    plain.extend(header.sequence.to_le_bytes());
    plain.extend(header.time_us.to_le_bytes());
    plain.extend(content);
    plain.extend(crc16(&plain).to_le_bytes());
    stuffed(&plain)
}

/// Bytes stuffed by COBS so that none of them is zero, and the zero that ends them.
pub fn stuffed(plain: &[u8]) -> Vec<u8> {
    let mut out = cobs::encode_vec(plain);
    out.push(0);
    out
}

/// Takes a segment between two delimiters apart, in place. `None` unless it is a whole frame with the right CRC.
pub(super) fn open(segment: &mut [u8]) -> Option<(FrameHeader, &[u8])> {
    let length = cobs::decode_in_place(segment).ok()?;
    let plain = segment.get(..length)?;
    let (body, crc) = plain.split_last_chunk::<2>()?;
    if crc16(body) != u16::from_le_bytes(*crc) {
        return None;
    }
    let (&kind, rest) = body.split_first()?;
    let (sequence, rest) = rest.split_first_chunk::<2>()?;
    let (time_us, content) = rest.split_first_chunk::<4>()?;
    let header = FrameHeader {
        kind,
        sequence: u16::from_le_bytes(*sequence),
        time_us: u32::from_le_bytes(*time_us),
    };
    Some((header, content))
}

/// A frame with one sample, its delimiter included. `counts` in the order of the hello's channels; [`MISSING`] where
/// there is no value.
pub fn sample_frame(sequence: u16, time_us: u32, counts: &[i32]) -> Vec<u8> {
    let content: Vec<u8> = counts.iter().flat_map(|c| c.to_le_bytes()).collect();
    let header = FrameHeader {
        kind: SAMPLE,
        sequence,
        time_us,
    };
    build(header, &content)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sample_frame_opens_to_what_was_put_in() {
        let mut bytes = sample_frame(0x1234, 0xDEAD_BEEF, &[0, -1, 256]);
        assert_eq!(bytes.pop(), Some(0));
        assert!(!bytes.contains(&0));
        let (header, content) = open(&mut bytes).unwrap();
        assert_eq!(
            (header.kind, header.sequence, header.time_us),
            (SAMPLE, 0x1234, 0xDEAD_BEEF)
        );
        assert_eq!(content, [0, 0, 0, 0, 255, 255, 255, 255, 0, 1, 0, 0]);
    }

    #[test]
    fn any_single_changed_byte_of_a_frame_is_noticed() {
        let right = sample_frame(7, 1_000_000, &[12_345, -678]);
        for at in 0..right.len() - 1 {
            for flip in 1..=255_u8 {
                let mut wrong = right[..right.len() - 1].to_vec();
                wrong[at] ^= flip;
                if wrong[at] != 0 {
                    assert_eq!(open(&mut wrong), None, "byte {at} changed by {flip:#04x}");
                }
            }
        }
    }
}
