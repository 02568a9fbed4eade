//! Lines of a file, each within a bound.

use std::io::{BufRead, Read};

/// What is there to read next.
#[derive(Debug, PartialEq, Eq)]
pub enum Next {
    /// A whole line, without its end (`\n` or `\r\n`).
    Line(Vec<u8>),
    /// The last line, without an end: torn off, perhaps.
    Torn(Vec<u8>),
    /// More than a line may be long.
    TooLong,
    /// Nothing more.
    End,
}

/// The next line of at most `longest` bytes, its end included.
///
/// # Errors
/// What reading failed with.
pub fn next(file: &mut impl BufRead, longest: usize) -> std::io::Result<Next> {
    let mut line = Vec::new();
    let most = u64::try_from(longest).unwrap_or(u64::MAX);
    file.take(most).read_until(b'\n', &mut line)?;
    if line.pop_if(|last| *last == b'\n').is_some() {
        line.pop_if(|last| *last == b'\r');
        return Ok(Next::Line(line));
    }
    Ok(match line.len() {
        0 => Next::End,
        length if length >= longest => Next::TooLong,
        _ => Next::Torn(line),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_end_where_they_end_and_none_is_longer_than_it_may_be() {
        let mut file = b"one\r\n\ntorn".as_slice();
        let mut read = || next(&mut file, 6).unwrap();
        assert_eq!(read(), Next::Line(b"one".to_vec()));
        assert_eq!(read(), Next::Line(Vec::new()));
        assert_eq!(read(), Next::Torn(b"torn".to_vec()));
        assert_eq!(read(), Next::End);
        assert_eq!(next(&mut b"123456".as_slice(), 6).unwrap(), Next::TooLong);
    }
}
