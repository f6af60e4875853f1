//! Bytes of an encoding as text.

use crate::error::Problem;
use crate::study::import::TextEncoding;
use std::borrow::Cow;

/// What windows-1252 has from 0x80 on where ISO 8859-1 has control signs (Unicode's mapping table CP1252.TXT); nought is none.
const FROM_80: [u16; 32] = [
    0x20AC, 0, 0x201A, 0x0192, 0x201E, 0x2026, 0x2020, 0x2021, 0x02C6, 0x2030, 0x0160, 0x2039, 0x0152, 0, 0x017D, 0, 0,
    0x2018, 0x2019, 0x201C, 0x201D, 0x2022, 0x2013, 0x2014, 0x02DC, 0x2122, 0x0161, 0x203A, 0x0153, 0, 0x017E, 0x0178,
];

/// The text without byte order mark.
pub(super) fn decode<'a>(bytes: &'a [u8], file: &str, encoding: TextEncoding) -> Result<Cow<'a, str>, Problem> {
    let text = match encoding {
        TextEncoding::Utf8 => {
            let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
            std::str::from_utf8(bytes).ok().map(Cow::Borrowed)
        }
        TextEncoding::Utf16Le => utf_16(bytes, u16::from_le_bytes).map(Cow::Owned),
        TextEncoding::Utf16Be => utf_16(bytes, u16::from_be_bytes).map(Cow::Owned),
        TextEncoding::Windows1252 => Some(Cow::Owned(bytes.iter().map(|b| windows_1252(*b)).collect())),
    };
    text.ok_or_else(|| {
        Problem::error(
            file,
            format!("bytes that are no {} text", encoding.word()),
            "the encoding that [import] names",
            "correct encoding under [import], or save the file as UTF-8",
        )
    })
}

fn utf_16(bytes: &[u8], unit: fn([u8; 2]) -> u16) -> Option<String> {
    let (pairs, []) = bytes.as_chunks::<2>() else {
        return None;
    };
    let units = pairs.iter().map(|pair| unit(*pair));
    let text: Result<String, _> = char::decode_utf16(units).collect();
    let text = text.ok()?;
    Some(text.strip_prefix('\u{feff}').map_or(text.clone(), str::to_owned))
}

fn windows_1252(byte: u8) -> char {
    let special = byte.checked_sub(0x80).and_then(|k| FROM_80.get(usize::from(k)));
    match special {
        Some(code) => char::from_u32(u32::from(*code)).filter(|c| *c != '\0').unwrap_or('\u{fffd}'),
        None => char::from(byte),
    }
}

/// The encoding that bytes are most likely of.
pub(super) fn likely(bytes: &[u8]) -> TextEncoding {
    let begin = &bytes[..bytes.len().min(4096)];
    if begin.starts_with(&[0xFF, 0xFE]) {
        return TextEncoding::Utf16Le;
    }
    if begin.starts_with(&[0xFE, 0xFF]) {
        return TextEncoding::Utf16Be;
    }
    let noughts = |from: usize| begin.iter().skip(from).step_by(2).filter(|b| **b == 0).count();
    let half = begin.len() / 2;
    match (noughts(0), noughts(1)) {
        (0, odd) if odd * 10 > half * 9 && half > 8 => TextEncoding::Utf16Le,
        (even, 0) if even * 10 > half * 9 && half > 8 => TextEncoding::Utf16Be,
        _ if std::str::from_utf8(bytes).is_ok() => TextEncoding::Utf8,
        _ => TextEncoding::Windows1252,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_comes_back_from_every_encoding() {
        let text = "Weg (µm);5 €\r\n";
        let units: Vec<u16> = text.encode_utf16().collect();
        let le: Vec<u8> = [0xFEFF].iter().chain(&units).flat_map(|u| u.to_le_bytes()).collect();
        let be: Vec<u8> = units.iter().flat_map(|u| u.to_be_bytes()).collect();
        let western = b"Weg (\xB5m);5 \x80\r\n";
        for (bytes, encoding) in [
            (text.as_bytes(), TextEncoding::Utf8),
            (le.as_slice(), TextEncoding::Utf16Le),
            (be.as_slice(), TextEncoding::Utf16Be),
            (western.as_slice(), TextEncoding::Windows1252),
        ] {
            assert_eq!(decode(bytes, "a.csv", encoding).unwrap(), text, "{encoding:?}");
        }
        assert_eq!(likely(&le), TextEncoding::Utf16Le);
        assert_eq!(likely(western), TextEncoding::Windows1252);
        assert!(decode(&le[..7], "a.csv", TextEncoding::Utf16Le).is_err());
    }
}
