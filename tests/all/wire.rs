//! The wire format against its sources, and whatever happens to the bytes.

use tautpoint::acquire::wire::{Decoder, crc16};

#[test]
fn the_checksum_has_the_catalogued_check_value() {
    // CRC-16/IBM-3740, check value for "123456789": catalogue of parametrised CRC algorithms.
    assert_eq!(crc16(b"123456789"), 0x29B1);
    assert!(Decoder::default().wants_hello());
}
