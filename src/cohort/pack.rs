//! Values to bytes and back, exactly: a number keeps its bits, a text its bytes.
//!
//! Little-endian, lengths before what they count, no names. What is packed is read back by the same version of the
//! program only, so nothing here need be stable over versions.

use std::collections::BTreeSet;
use std::sync::Mutex;

/// A value that can be packed.
pub trait Pack: Sized {
    /// Appends the value.
    fn pack(&self, to: &mut Vec<u8>);
    /// Takes the value off the front; `None` when the bytes are no such value.
    fn unpack(from: &mut &[u8]) -> Option<Self>;
}

/// The next `n` bytes.
pub fn take<'a>(from: &mut &'a [u8], n: usize) -> Option<&'a [u8]> {
    let (taken, rest) = from.split_at_checked(n)?;
    *from = rest;
    Some(taken)
}

/// Numbers of a fixed size.
macro_rules! pack_numbers {
    ($($number:ty),*) => {$(
        impl Pack for $number {
            fn pack(&self, to: &mut Vec<u8>) {
                to.extend_from_slice(&self.to_le_bytes());
            }
            fn unpack(from: &mut &[u8]) -> Option<Self> {
                let bytes = take(from, size_of::<$number>())?;
                Some(<$number>::from_le_bytes(bytes.try_into().ok()?))
            }
        }
    )*};
}
pack_numbers!(u8, u32, u64, f32, f64);

/// Structs by their fields, all of which must be named: one that is added later does not compile until it is.
macro_rules! pack_struct {
    ($name:ident { $($field:ident),* $(,)? }) => {
        impl $crate::cohort::pack::Pack for $name {
            fn pack(&self, to: &mut Vec<u8>) {
                let $name { $($field),* } = self;
                $($crate::cohort::pack::Pack::pack($field, to);)*
            }
            fn unpack(from: &mut &[u8]) -> Option<Self> {
                $(let $field = $crate::cohort::pack::Pack::unpack(from)?;)*
                Some($name { $($field),* })
            }
        }
    };
}

/// Enums without content, by a number each; all variants must be named.
macro_rules! pack_enum {
    ($name:ident { $($variant:ident = $number:literal),* $(,)? }) => {
        impl $crate::cohort::pack::Pack for $name {
            fn pack(&self, to: &mut Vec<u8>) {
                let number: u8 = match self { $($name::$variant => $number),* };
                to.push(number);
            }
            fn unpack(from: &mut &[u8]) -> Option<Self> {
                match <u8 as $crate::cohort::pack::Pack>::unpack(from)? {
                    $($number => Some($name::$variant),)*
                    _ => None,
                }
            }
        }
    };
}

/// What serde can keep, by its length and then as MessagePack.
macro_rules! pack_serde {
    ($name:ident) => {
        impl $crate::cohort::pack::Pack for $name {
            fn pack(&self, to: &mut Vec<u8>) {
                // Plain data into memory: nothing here can fail.
                let bytes = rmp_serde::to_vec(self).unwrap_or_default();
                $crate::cohort::pack::Pack::pack(&bytes.len(), to);
                to.extend_from_slice(&bytes);
            }
            fn unpack(from: &mut &[u8]) -> Option<Self> {
                let n = $crate::cohort::pack::Pack::unpack(from)?;
                rmp_serde::from_slice($crate::cohort::pack::take(from, n)?).ok()
            }
        }
    };
}

pub(super) use {pack_enum, pack_serde, pack_struct};

impl Pack for bool {
    fn pack(&self, to: &mut Vec<u8>) {
        to.push(u8::from(*self));
    }
    fn unpack(from: &mut &[u8]) -> Option<Self> {
        match u8::unpack(from)? {
            0 => Some(false),
            1 => Some(true),
            _ => None,
        }
    }
}

impl Pack for usize {
    fn pack(&self, to: &mut Vec<u8>) {
        (*self as u64).pack(to);
    }
    fn unpack(from: &mut &[u8]) -> Option<Self> {
        usize::try_from(u64::unpack(from)?).ok()
    }
}

fn pack_length(n: usize, to: &mut Vec<u8>) {
    // Nothing here comes near 2^32 entries; should it, the length does not fit the content and the record is refused.
    u32::try_from(n).unwrap_or(u32::MAX).pack(to);
}

fn unpack_length(from: &mut &[u8]) -> Option<usize> {
    usize::try_from(u32::unpack(from)?).ok()
}

impl Pack for String {
    fn pack(&self, to: &mut Vec<u8>) {
        pack_length(self.len(), to);
        to.extend_from_slice(self.as_bytes());
    }
    fn unpack(from: &mut &[u8]) -> Option<Self> {
        let n = unpack_length(from)?;
        Some(std::str::from_utf8(take(from, n)?).ok()?.to_owned())
    }
}

/// Fixed words of the program. Those read back are kept for good, since the program's own live as long as it does.
impl Pack for &'static str {
    fn pack(&self, to: &mut Vec<u8>) {
        pack_length(self.len(), to);
        to.extend_from_slice(self.as_bytes());
    }
    fn unpack(from: &mut &[u8]) -> Option<Self> {
        let n = unpack_length(from)?;
        fixed(std::str::from_utf8(take(from, n)?).ok()?)
    }
}

/// More different fixed words than the program has: a file that is not ours.
const WORDS_AT_MOST: usize = 4096;

fn fixed(word: &str) -> Option<&'static str> {
    static WORDS: Mutex<BTreeSet<&'static str>> = Mutex::new(BTreeSet::new());
    let mut words = WORDS.lock().ok()?;
    if let Some(known) = words.get(word) {
        return Some(known);
    }
    if words.len() >= WORDS_AT_MOST || word.len() > 200 {
        return None;
    }
    let kept: &'static str = Box::leak(word.to_owned().into_boxed_str());
    words.insert(kept);
    Some(kept)
}

impl<T: Pack> Pack for Option<T> {
    fn pack(&self, to: &mut Vec<u8>) {
        self.is_some().pack(to);
        if let Some(value) = self {
            value.pack(to);
        }
    }
    fn unpack(from: &mut &[u8]) -> Option<Self> {
        Some(if bool::unpack(from)? {
            Some(T::unpack(from)?)
        } else {
            None
        })
    }
}

impl<T: Pack> Pack for Vec<T> {
    fn pack(&self, to: &mut Vec<u8>) {
        pack_length(self.len(), to);
        for value in self {
            value.pack(to);
        }
    }
    fn unpack(from: &mut &[u8]) -> Option<Self> {
        let n = unpack_length(from)?;
        // Every value takes a byte or more: a length beyond the bytes is no length.
        let mut values = Vec::with_capacity(n.min(from.len()));
        for _ in 0..n {
            values.push(T::unpack(from)?);
        }
        Some(values)
    }
}

impl<T: Pack + Copy + Default, const N: usize> Pack for [T; N] {
    fn pack(&self, to: &mut Vec<u8>) {
        for value in self {
            value.pack(to);
        }
    }
    fn unpack(from: &mut &[u8]) -> Option<Self> {
        let mut values = [T::default(); N];
        for value in &mut values {
            *value = T::unpack(from)?;
        }
        Some(values)
    }
}

impl<A: Pack, B: Pack> Pack for (A, B) {
    fn pack(&self, to: &mut Vec<u8>) {
        self.0.pack(to);
        self.1.pack(to);
    }
    fn unpack(from: &mut &[u8]) -> Option<Self> {
        Some((A::unpack(from)?, B::unpack(from)?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn there_and_back<T: Pack>(value: &T) -> T {
        let mut bytes = Vec::new();
        value.pack(&mut bytes);
        let mut rest = bytes.as_slice();
        let back = T::unpack(&mut rest).unwrap();
        assert!(rest.is_empty());
        // Cut anywhere it is no value, and never a panic.
        for n in 0..bytes.len() {
            assert!(T::unpack(&mut &bytes[..n]).is_none(), "{n}");
        }
        back
    }

    #[test]
    fn every_number_keeps_its_bits() {
        for number in [
            0.0,
            -0.0,
            0.1 + 0.2,
            f64::MIN_POSITIVE / 3.0,
            f64::INFINITY,
            f64::NAN,
        ] {
            assert_eq!(there_and_back(&number).to_bits(), number.to_bits());
        }
        assert_eq!(there_and_back(&Some([1.5_f32, -2.0])), Some([1.5, -2.0]));
        assert_eq!(there_and_back(&vec![usize::MAX, 0]), [usize::MAX, 0]);
    }

    #[test]
    fn texts_lists_and_fixed_words_come_back() {
        assert_eq!(there_and_back(&"N·s/mm".to_owned()), "N·s/mm");
        assert_eq!(
            there_and_back(&vec![Some("a".to_owned()), None]),
            [Some("a".to_owned()), None]
        );
        let word: &'static str = "both preloads";
        assert_eq!(there_and_back(&word), word);
    }

    #[test]
    fn a_length_beyond_the_bytes_is_no_list() {
        let mut bytes = Vec::new();
        u32::MAX.pack(&mut bytes);
        assert_eq!(Vec::<u64>::unpack(&mut bytes.as_slice()), None);
        assert_eq!(String::unpack(&mut bytes.as_slice()), None);
        assert_eq!(bool::unpack(&mut [7].as_slice()), None);
    }
}
