//! Lines of text out, without the formatting machinery: a name and whole numbers.

use crate::write_byte;

/// Writes a name and numbers on a line of their own.
pub fn line(name: &str, numbers: &[u32]) {
    for &byte in name.as_bytes() {
        write_byte(byte);
    }
    for &number in numbers {
        write_byte(b' ');
        write_decimal(number);
    }
    write_byte(b'\n');
}

/// Writes a name and two words as sixteen hexadecimal digits.
pub fn digest_line(name: &str, number: u32, words: [u32; 2]) {
    for &byte in name.as_bytes() {
        write_byte(byte);
    }
    write_byte(b' ');
    write_decimal(number);
    write_byte(b' ');
    for word in words {
        for shift in [28, 24, 20, 16, 12, 8, 4, 0] {
            let digit = (word >> shift & 15) as u8;
            write_byte(if digit < 10 { b'0' + digit } else { b'a' + digit - 10 });
        }
    }
    write_byte(b'\n');
}

fn write_decimal(number: u32) {
    let mut digits = [0; 10];
    let (mut rest, mut count) = (number, 0);
    for digit in digits.iter_mut().rev() {
        *digit = b'0' + (rest % 10) as u8;
        rest /= 10;
        count += 1;
        if rest == 0 {
            break;
        }
    }
    for &digit in digits.iter().skip(10 - count) {
        write_byte(digit);
    }
}
