//! An image of the persistent memory as text: Intel, *Hexadecimal Object File Format Specification*, revision A, 1988.
//!
//! Each line is `:LLAAAATT[DD...]CC`: length, address, type, data, and a check value with which all bytes sum to zero
//! modulo 256. Types: 00 data, 01 end, 02 and 04 the upper part of the addresses that follow, 03 and 05 where a
//! program starts, which says nothing about data.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::error::given;
use super::faults::HexFault;
use super::{Fact, GridDocument, GridFileError, GridFileErrorKind as Kind, Loss, MissingFacts, Reading, record};

/// Bytes of data on a line, as most programs write it.
const BYTES_PER_LINE: usize = 16;
const DATA: u8 = 0;
const END: u8 = 1;
const SEGMENT_ADDRESS: u8 = 2;
const SEGMENT_START: u8 = 3;
const LINEAR_ADDRESS: u8 = 4;
const LINEAR_START: u8 = 5;

/// One checked line.
struct Line {
    address: u16,
    kind: u8,
    data: Vec<u8>,
}

/// The record at the given address of an image.
pub(super) fn parse(file: &str, text: &[u8], facts: &MissingFacts) -> Result<Reading, GridFileError> {
    let error = |kind| GridFileError::new(file, kind);
    facts.need(&[Fact::Address]).map_err(error)?;
    let address = given(facts.address, Fact::Address).map_err(error)?;
    let memory = parse_image(file, text)?;
    let after = |bytes: &[u8]| address.checked_add(u32::try_from(bytes.len()).ok()?);
    let mut bytes = Vec::new();
    while let Some(value) = after(&bytes).and_then(|next| memory.get(&next)) {
        bytes.push(*value);
        if bytes.len() == record::LARGEST_BYTES {
            break;
        }
    }
    if bytes.is_empty() {
        return Err(error(Kind::Hex(HexFault::NothingAt(address, starts(&memory)))));
    }
    record::parse_first(&bytes).map(|(reading, _)| reading).map_err(error)
}

/// The first addresses of the runs of data, in words; only so many as a person will read.
fn starts(memory: &BTreeMap<u32, u8>) -> String {
    let begins_run = |address: &u32| address.checked_sub(1).is_none_or(|before| !memory.contains_key(&before));
    let starts: Vec<String> = memory.keys().copied().filter(begins_run).take(5).map(|at| format!("{at:X}")).collect();
    if starts.is_empty() { "no address".to_owned() } else { starts.join(", ") }
}

/// The bytes of an image by their addresses.
fn parse_image(file: &str, text: &[u8]) -> Result<BTreeMap<u32, u8>, GridFileError> {
    let mut memory = BTreeMap::new();
    let (mut base, mut in_segment, mut has_ended) = (0_u32, false, false);
    let mut start = 0;
    for raw_line in text.split_inclusive(|byte| *byte == b'\n') {
        let at = |fault| GridFileError::at(file, text, start, Kind::Hex(fault));
        let line = raw_line.trim_ascii();
        if !line.is_empty() {
            if has_ended {
                return Err(at(HexFault::AfterEnd));
            }
            let line = parse_line(line).map_err(at)?;
            match (line.kind, line.data.as_slice()) {
                (DATA, data) => put(&mut memory, base, in_segment, line.address, data).map_err(at)?,
                (END, _) => has_ended = true,
                (SEGMENT_ADDRESS, &[high, low]) => {
                    (base, in_segment) = (u32::from(u16::from_be_bytes([high, low])) << 4, true);
                }
                (LINEAR_ADDRESS, &[high, low]) => {
                    (base, in_segment) = (u32::from(u16::from_be_bytes([high, low])) << 16, false);
                }
                // Where a program starts; `parse_line` knows no other types.
                _ => {}
            }
        }
        start += raw_line.len();
    }
    if has_ended { Ok(memory) } else { Err(GridFileError::at(file, text, text.len(), Kind::Hex(HexFault::NoEnd))) }
}

/// Puts the data of a line in its place. In a segment addresses wrap after 64 KiB, otherwise after 4 GiB.
fn put(memory: &mut BTreeMap<u32, u8>, base: u32, in_segment: bool, first: u16, data: &[u8]) -> Result<(), HexFault> {
    for (offset, value) in (0_u16..).zip(data) {
        let address = if in_segment {
            base.wrapping_add(first.wrapping_add(offset).into())
        } else {
            base.wrapping_add(first.into()).wrapping_add(offset.into())
        };
        if memory.insert(address, *value).is_some_and(|old| old != *value) {
            return Err(HexFault::Conflict(address));
        }
    }
    Ok(())
}

fn parse_line(line: &[u8]) -> Result<Line, HexFault> {
    let digits = line.strip_prefix(b":").ok_or(HexFault::NoColon)?;
    let digit = |byte: u8| char::from(byte).to_digit(16).and_then(|digit| u8::try_from(digit).ok());
    let byte = |pair: &[u8]| match pair {
        &[high, low] => Some(digit(high)? << 4 | digit(low)?),
        _ => None,
    };
    let bytes: Option<Vec<u8>> = digits.chunks(2).map(byte).collect();
    let bytes = bytes.ok_or(HexFault::Digits)?;
    let &[length, high, low, kind, ref data @ .., checksum] = bytes.as_slice() else {
        return Err(HexFault::Length(bytes.first().copied().unwrap_or(0).into(), 0));
    };
    if data.len() != usize::from(length) {
        return Err(HexFault::Length(length.into(), data.len()));
    }
    let right = check_value(&bytes[..bytes.len() - 1]);
    if checksum != right {
        return Err(HexFault::Checksum(checksum, right));
    }
    let wanted = match kind {
        DATA => data.len(),
        END => 0,
        SEGMENT_ADDRESS | LINEAR_ADDRESS => 2,
        SEGMENT_START | LINEAR_START => 4,
        _ => return Err(HexFault::Type(kind)),
    };
    if data.len() != wanted {
        return Err(HexFault::TypeLength(kind, wanted));
    }
    Ok(Line { address: u16::from_be_bytes([high, low]), kind, data: data.to_vec() })
}

/// What makes all bytes of a line sum to zero.
fn check_value(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte)).wrapping_neg()
}

/// The image of a memory that holds the document's record at the given address, and nothing else.
pub(super) fn render(document: &GridDocument, facts: &MissingFacts) -> Result<(Vec<u8>, Vec<Loss>), Kind> {
    let told = MissingFacts { bed_temperature_c: document.bed_temperature_c, ..facts.clone() };
    told.need(&[Fact::BedTemperature, Fact::Setup, Fact::Address])?;
    let address = given(facts.address, Fact::Address)?;
    let (bytes, losses) = record::render(document, facts)?;
    let text = render_image(address, &bytes).ok_or(Kind::Hex(HexFault::BeyondMemory(address)))?;
    Ok((text.into_bytes(), losses))
}

/// No text if the bytes reach beyond the last address.
fn render_image(first: u32, bytes: &[u8]) -> Option<String> {
    let mut text = String::new();
    let mut upper = 0;
    let (mut address, mut rest) = (first, bytes);
    while !rest.is_empty() {
        let [high, low, ..] = address.to_be_bytes();
        if upper != u16::from_be_bytes([high, low]) {
            upper = u16::from_be_bytes([high, low]);
            write_line(&mut text, 0, LINEAR_ADDRESS, &[high, low]);
        }
        // At most 64 KiB, which fits every `usize` this tool is built for. No line crosses the upper part.
        let until_upper = 0x1_0000 - (address & 0xFFFF) as usize;
        let (data, after) = rest.split_at(rest.len().min(BYTES_PER_LINE).min(until_upper));
        // The lower half.
        write_line(&mut text, address as u16, DATA, data);
        rest = after;
        if !rest.is_empty() {
            address = address.checked_add(u32::try_from(data.len()).ok()?)?;
        }
    }
    write_line(&mut text, 0, END, &[]);
    Some(text)
}

fn write_line(text: &mut String, address: u16, kind: u8, data: &[u8]) {
    let [high, low] = address.to_be_bytes();
    // At most sixteen bytes of data.
    let mut bytes = vec![data.len() as u8, high, low, kind];
    bytes.extend_from_slice(data);
    bytes.push(check_value(&bytes));
    text.push(':');
    for byte in bytes {
        // Writing to a string does not fail.
        let _ = write!(text, "{byte:02X}");
    }
    text.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;

    fn image(text: &str) -> Result<BTreeMap<u32, u8>, String> {
        parse_image("image.hex", text.as_bytes()).map_err(|error| error.to_string())
    }

    fn run(first: u32, bytes: &[u8]) -> BTreeMap<u32, u8> {
        (first..).zip(bytes.iter().copied()).collect()
    }

    /// Rows: lines found in public documents. All are read; one changed digit of any of them is found.
    #[test]
    fn x5_x6_published_lines() {
        let lines = [
            ":10010000214601360121470136007EFE09D2190140",
            ":100110002146017E17C20001FF5F16002148011928",
            ":10012000194E79234623965778239EDA3F01B2CAA7",
            ":100130003F0156702B5E712B722B732146013421C7",
            ":04FEDC00210080CFB2",
            ":10246200464C5549442050524F46494C4500464C33",
            ":07002000DBFEDCFADDF62235",
            ":03012300010203D3",
            ":00000001FF",
        ];
        // They come from several documents, and two of them are for the same address.
        let end = lines[8];
        let block = image(&[lines[0], lines[1], lines[2], lines[3], lines[4], end].join("\r\n")).unwrap();
        assert_eq!(block.len(), 4 * 16 + 4);
        assert_eq!((block[&0x0100], block[&0x0125], block[&0xFEDF]), (0x21, 0x23, 0xCF));
        for (line, first, bytes) in [
            (lines[5], 0x2462, b"FLUID PROFILE\0FL".as_slice()),
            (lines[6], 0x0020, &[0xDB, 0xFE, 0xDC, 0xFA, 0xDD, 0xF6, 0x22]),
            (lines[7], 0x0123, &[1, 2, 3]),
        ] {
            assert_eq!(image(&format!("{line}\n{end}")).unwrap(), run(first, bytes));
        }
        for line in lines {
            for index in 1..line.len() {
                let mut bytes = line.as_bytes().to_vec();
                bytes[index] = if bytes[index] == b'0' { b'1' } else { b'0' };
                assert!(parse_line(&bytes).is_err(), "{line} at {index}");
            }
        }
    }

    /// Row X-7: the extended lines, as the specification's own addresses.
    #[test]
    fn x7_extended_lines() {
        let data = ":03012300010203D3\n:00000001FF\n";
        assert_eq!(image(&format!(":020000021200EA\n{data}")).unwrap(), run(0x1_2123, &[1, 2, 3]));
        assert_eq!(image(&format!(":020000040800F2\n{data}")).unwrap(), run(0x0800_0123, &[1, 2, 3]));
        let starts = ":0400000500000000F7\n:0400000300003800C1\n";
        assert_eq!(image(&format!("{starts}{data}")).unwrap(), run(0x123, &[1, 2, 3]));
        assert_eq!(render_image(0x0800_0123, &[1, 2, 3]).unwrap(), format!(":020000040800F2\n{data}"));
    }

    /// Row X-8: two images written by another program.
    #[test]
    fn x8_images_are_written_as_others_write_them() {
        let digits = ":0901000031323334353637383919\n:00000001FF\n";
        assert_eq!(render_image(0x0100, b"123456789").unwrap(), digits);
        assert_eq!(image(digits).unwrap(), run(0x0100, b"123456789"));
        // Row X-16: the floats of row X-11, little-endian.
        let floats: Vec<u8> = [0.125_f32, -0.25, 0.5, 1.0, -2.0, 0.0625].iter().flat_map(|f| f.to_le_bytes()).collect();
        let text = ":100000000000003E000080BE0000003F0000803F76\n:08001000000000C00000803D6B\n:00000001FF\n";
        assert_eq!(render_image(0, &floats).unwrap(), text);
        assert_eq!(image(text).unwrap(), run(0, &floats));
    }

    #[test]
    fn no_line_crosses_64_kib_and_no_image_the_last_address() {
        let text = render_image(0xFFFE, &[1, 2, 3]).unwrap();
        assert_eq!(text, ":02FFFE000102FE\n:020000040001F9\n:0100000003FC\n:00000001FF\n");
        assert_eq!(image(&text).unwrap(), run(0xFFFE, &[1, 2, 3]));
        assert_eq!(image(&render_image(u32::MAX, &[7]).unwrap()).unwrap(), BTreeMap::from([(u32::MAX, 7)]));
        assert_eq!(render_image(u32::MAX, &[7, 8]), None);
    }

    #[test]
    fn a_damaged_image_is_refused_with_its_line() {
        for (text, start) in [
            ("", "image.hex:1:1: the last line does not say the end"),
            (":03012300010203D3\n", "image.hex:2:1: the last line does not say the end"),
            (":03012300010203D4\n", "image.hex:1:1: the check value is D4, but the line's bytes ask for D3"),
            (":00000001FF\n:00000001FF\n", "image.hex:2:1: there are lines after the line that says the end"),
            (":0301230001020\n", "image.hex:1:1: a line has something else than pairs"),
            (":04012300010203D2\n", "image.hex:1:1: the line states 4 bytes of data and has 3"),
            (":FF\n", "image.hex:1:1: the line states 255 bytes of data and has 0"),
            (":00000006FA\n", "image.hex:1:1: there is no line of type 06"),
            (":0100000400FB\n", "image.hex:1:1: a line of type 04 does not have 2 bytes of data"),
            ("S9030000FC\n", "image.hex:1:1: a line does not begin with a colon"),
            (":0100000001FE\n:0100000002FD\n", "image.hex:2:1: the address 0 already has another value"),
        ] {
            let message = image(text).unwrap_err();
            assert!(message.starts_with(start), "{message}");
        }
    }
}
