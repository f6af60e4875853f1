//! The wire format: how a device says what it is and sends its samples (`firmware-notes/README.md` has the tables).
//!
//! Two ways of saying the same. **Frames**: type, sequence number, device time in µs and the channels as 32-bit
//! counts, closed by a CRC-16, stuffed by COBS, ended by a zero byte. **Lines** of text, for a bench. The device
//! speaks whenever it likes; the computer sends one thing only, [`ASK`].
//!
//! Pure: bytes in, [`Message`] out. Nothing here knows a port or a clock.
//!
//! # Source
//! Cheshire & Baker 1999, IEEE/ACM Transactions on Networking 7:159-172 (COBS); CRC-16/IBM-3740 as in the catalogue
//! of parametrised CRC algorithms, check value 0x29B1.

mod decoder;
mod sequence;
mod frame;
mod hello;
mod text;
mod validate;

pub use decoder::{Decoder, Message, WireCounts};
pub use frame::{
    FIXED_BYTES, HELLO, MAX_FRAME_BYTES, MAX_STUFFED_BYTES, MISSING, SAMPLE, crc16, sample_frame, stuffed,
};
pub use hello::hello_frame;
pub use text::{hello_line, sample_line};
pub use validate::{MAX_TEXT_BYTES, usable};

/// What the computer sends to ask a device for its hello.
pub const ASK: &[u8] = b"?\n";
/// Version of the format, in every hello.
pub const VERSION: u8 = 1;
