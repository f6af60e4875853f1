//! The compact protocol of Apache Thrift (`thrift-compact-protocol.md`), as far as Parquet uses it: any structure to a tree
//! and back.

/// How deep structures may lie within one another; Parquet's own stay under ten.
const DEEPEST: u32 = 32;

/// A value of any type.
#[derive(Debug, Clone, PartialEq)]
pub enum ThriftValue {
    Bool(bool),
    Byte(u8),
    /// A whole number with the type code it was written with.
    Whole(u8, i64),
    Double([u8; 8]),
    Binary(Vec<u8>),
    /// A list or set: type code, type code of its elements, elements.
    List(u8, u8, Vec<ThriftValue>),
    Struct(Structure),
}

/// Fields by their identifiers, in the order of the file.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Structure(pub Vec<(i16, ThriftValue)>);

const TRUE: u8 = 1;
const FALSE: u8 = 2;
const BYTE: u8 = 3;
const I16: u8 = 4;
/// Type code of a 32-bit whole number.
pub const I32: u8 = 5;
const I64: u8 = 6;
const DOUBLE: u8 = 7;
const BINARY: u8 = 8;
const LIST: u8 = 9;
const SET: u8 = 10;
const STRUCT: u8 = 12;

impl Structure {
    pub fn get(&self, field: i16) -> Option<&ThriftValue> {
        self.0.iter().find(|(id, _)| *id == field).map(|(_, v)| v)
    }

    pub fn get_mut(&mut self, field: i16) -> Option<&mut ThriftValue> {
        self.0.iter_mut().find(|(id, _)| *id == field).map(|(_, v)| v)
    }

    pub fn whole(&self, field: i16) -> Option<i64> {
        match self.get(field)? {
            ThriftValue::Whole(_, v) => Some(*v),
            _ => None,
        }
    }

    pub fn structure(&self, field: i16) -> Option<&Structure> {
        match self.get(field)? {
            ThriftValue::Struct(s) => Some(s),
            _ => None,
        }
    }

    pub fn list(&self, field: i16) -> Option<&[ThriftValue]> {
        match self.get(field)? {
            ThriftValue::List(_, _, all) => Some(all),
            _ => None,
        }
    }

    /// The structures of a list.
    pub fn structures(&self, field: i16) -> impl Iterator<Item = &Structure> {
        self.list(field).unwrap_or_default().iter().filter_map(|v| match v {
            ThriftValue::Struct(s) => Some(s),
            _ => None,
        })
    }
}

/// Reads one structure; gives it and how many bytes it took. `None` when the bytes are no such structure or end before
/// it does. No count in them makes it take more memory than their length allows.
pub fn read(bytes: &[u8]) -> Option<(Structure, usize)> {
    let mut reader = Reader { bytes, at: 0 };
    let structure = reader.structure(0)?;
    Some((structure, reader.at))
}

struct Reader<'b> {
    bytes: &'b [u8],
    at: usize,
}

impl Reader<'_> {
    fn byte(&mut self) -> Option<u8> {
        let byte = *self.bytes.get(self.at)?;
        self.at += 1;
        Some(byte)
    }

    fn varint(&mut self) -> Option<u64> {
        let mut value = 0_u64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            value |= u64::from(byte & 0x7f).checked_shl(shift)?;
            if byte < 0x80 {
                return Some(value);
            }
        }
        None
    }

    fn zigzag(&mut self) -> Option<i64> {
        let raw = self.varint()?;
        Some((raw >> 1) as i64 ^ -((raw & 1) as i64))
    }

    fn take(&mut self, n: usize) -> Option<&[u8]> {
        let part = self.bytes.get(self.at..self.at.checked_add(n)?)?;
        self.at += n;
        Some(part)
    }

    fn structure(&mut self, depth: u32) -> Option<Structure> {
        if depth > DEEPEST {
            return None;
        }
        let mut fields = Vec::new();
        let mut last = 0_i16;
        loop {
            let head = self.byte()?;
            if head == 0 {
                return Some(Structure(fields));
            }
            let (delta, kind) = (i16::from(head >> 4), head & 0x0f);
            last = match delta {
                0 => i16::try_from(self.zigzag()?).ok()?,
                delta => last.checked_add(delta)?,
            };
            let value = match kind {
                TRUE => ThriftValue::Bool(true),
                FALSE => ThriftValue::Bool(false),
                other => self.value(other, depth)?,
            };
            fields.push((last, value));
        }
    }

    fn value(&mut self, kind: u8, depth: u32) -> Option<ThriftValue> {
        Some(match kind {
            TRUE | FALSE => ThriftValue::Bool(self.byte()? == TRUE),
            BYTE => ThriftValue::Byte(self.byte()?),
            I16 | I32 | I64 => ThriftValue::Whole(kind, self.zigzag()?),
            DOUBLE => ThriftValue::Double(self.take(8)?.try_into().ok()?),
            BINARY => {
                let n = usize::try_from(self.varint()?).ok()?;
                ThriftValue::Binary(self.take(n)?.to_vec())
            }
            LIST | SET => self.list(kind, depth + 1)?,
            STRUCT => ThriftValue::Struct(self.structure(depth + 1)?),
            _ => return None,
        })
    }

    fn list(&mut self, kind: u8, depth: u32) -> Option<ThriftValue> {
        if depth > DEEPEST {
            return None;
        }
        let head = self.byte()?;
        let (short, element) = (head >> 4, head & 0x0f);
        let n = match short {
            15 => self.varint()?,
            n => u64::from(n),
        };
        // Each element takes a byte at least.
        let left = (self.bytes.len() - self.at) as u64;
        if n > left {
            return None;
        }
        let mut all = Vec::new();
        for _ in 0..n {
            all.push(self.value(element, depth)?);
        }
        Some(ThriftValue::List(kind, element, all))
    }
}

/// Writes one structure.
pub fn write(structure: &Structure, to: &mut Vec<u8>) {
    let mut last = 0;
    for (id, value) in &structure.0 {
        let kind = match value {
            ThriftValue::Bool(true) => TRUE,
            ThriftValue::Bool(false) => FALSE,
            ThriftValue::Byte(_) => BYTE,
            ThriftValue::Whole(kind, _) | ThriftValue::List(kind, ..) => *kind,
            ThriftValue::Double(_) => DOUBLE,
            ThriftValue::Binary(_) => BINARY,
            ThriftValue::Struct(_) => STRUCT,
        };
        match id - last {
            delta @ 1..=15 => to.push((delta as u8) << 4 | kind),
            _ => {
                to.push(kind);
                write_zigzag(i64::from(*id), to);
            }
        }
        last = *id;
        if !matches!(value, ThriftValue::Bool(_)) {
            write_value(value, to);
        }
    }
    to.push(0);
}

fn write_value(value: &ThriftValue, to: &mut Vec<u8>) {
    match value {
        ThriftValue::Bool(v) => to.push(if *v { TRUE } else { FALSE }),
        ThriftValue::Byte(v) => to.push(*v),
        ThriftValue::Whole(_, v) => write_zigzag(*v, to),
        ThriftValue::Double(v) => to.extend(v),
        ThriftValue::Binary(v) => {
            write_varint(v.len() as u64, to);
            to.extend(v);
        }
        ThriftValue::List(_, element, all) => {
            match u8::try_from(all.len()) {
                Ok(n @ 0..=14) => to.push(n << 4 | element),
                _ => {
                    to.push(0xf0 | element);
                    write_varint(all.len() as u64, to);
                }
            }
            for value in all {
                write_value(value, to);
            }
        }
        ThriftValue::Struct(s) => write(s, to),
    }
}

fn write_zigzag(value: i64, to: &mut Vec<u8>) {
    write_varint(((value << 1) ^ (value >> 63)) as u64, to);
}

fn write_varint(mut value: u64, to: &mut Vec<u8>) {
    while value >= 0x80 {
        to.push(value as u8 | 0x80);
        value >>= 7;
    }
    to.push(value as u8);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_again() {
        let inner = Structure(vec![(1, ThriftValue::Bool(true)), (2, ThriftValue::Double([1, 2, 3, 4, 5, 6, 7, 8]))]);
        let whole = Structure(vec![
            (1, ThriftValue::Whole(I32, -1)),
            (2, ThriftValue::Whole(I64, i64::MIN)),
            (40, ThriftValue::Binary(b"abc".to_vec())),
            (41, ThriftValue::List(LIST, STRUCT, vec![ThriftValue::Struct(inner); 20])),
            (42, ThriftValue::List(LIST, TRUE, vec![ThriftValue::Bool(false), ThriftValue::Bool(true)])),
            (43, ThriftValue::Byte(200)),
        ]);
        let mut bytes = Vec::new();
        write(&whole, &mut bytes);
        let n = bytes.len();
        bytes.extend([7, 7, 7]);
        assert_eq!(read(&bytes), Some((whole, n)));
        for cut in 0..n {
            assert_eq!(read(&bytes[..cut]), None, "{cut}");
        }
    }

    #[test]
    fn numbers_are_those_of_the_protocol() {
        // "Integer encoding" of thrift-compact-protocol.md: 0, -1, 1, -2, 2 become 0, 1, 2, 3, 4; 50399 becomes DF 89 03.
        for (value, raw) in [(0, 0), (-1, 1), (1, 2), (-2, 3), (2, 4)] {
            let mut bytes = Vec::new();
            write_zigzag(value, &mut bytes);
            assert_eq!(bytes, [raw]);
        }
        let mut bytes = Vec::new();
        write_varint(50_399, &mut bytes);
        assert_eq!(bytes, [0xDF, 0x89, 0x03]);
    }

    #[test]
    fn a_list_of_billions_or_a_thousand_levels_takes_no_memory() {
        // A list whose count no file could hold; a structure within a structure without end.
        assert_eq!(read(&[0x19, 0xf3, 0xff, 0xff, 0xff, 0xff, 0x0f, 0, 0]), None);
        assert_eq!(read(&[0x1c; 100_000]), None);
        assert_eq!(read(&[0x19; 100_000]), None);
    }
}
