//! Cuts a stream of text into records, one line each or, inside quotes, more. Memory stays the same for any input.

use std::io::{self, Read};

use memchr::{memchr, memchr_iter, memchr2};

/// Longest record in bytes, its line end not counted.
pub(super) const RECORD_LIMIT: usize = 64 * 1024;
/// Holds any record, and enough beside it that reading is not a crawl.
const BUFFER: usize = 4 * RECORD_LIMIT;

/// The next piece of the stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Piece {
    /// A record that can be taken apart.
    Record(Record),
    /// A line that cannot.
    Bad {
        /// Counted from 1.
        line: u64,
        /// Why.
        fault: Fault,
    },
    /// The stream is over, or has failed: see [`Records::failure`].
    End,
}

/// Why a line is no record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// Longer than [`RECORD_LIMIT`].
    TooLong,
    /// A quote is opened that is never closed, or closed in the middle of a cell.
    Quote,
    /// The stream ends in the middle of the line.
    CutOff,
}

/// Where a record stands in the buffer; valid until the next call of [`Records::next`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Record {
    start: usize,
    end: usize,
    /// The line it begins in, counted from 1.
    pub(super) line: u64,
    /// Whether there are quotes in it.
    pub(super) quoted: bool,
    /// Whether a line feed ends it; only the last one of a file may have none.
    pub(super) ended: bool,
}

/// The records of a stream.
pub(super) struct Records<R> {
    source: R,
    buffer: Box<[u8]>,
    start: usize,
    end: usize,
    line: u64,
    exhausted: bool,
    failure: Option<io::Error>,
}

impl<R: Read> Records<R> {
    /// The records of `source`; a byte-order mark before the first is passed over.
    pub(super) fn new(source: R) -> Self {
        let buffer = vec![0; BUFFER].into_boxed_slice();
        let mut records = Self { source, buffer, start: 0, end: 0, line: 1, exhausted: false, failure: None };
        while records.pending().len() < BYTE_ORDER_MARK.len() && records.fill() {}
        if records.pending().starts_with(BYTE_ORDER_MARK) {
            records.start = BYTE_ORDER_MARK.len();
        }
        records
    }

    /// The error that ended the stream, where it did not end by itself.
    pub(super) fn failure(&self) -> Option<&io::Error> {
        self.failure.as_ref()
    }

    /// The number of the line that comes next.
    pub(super) fn line(&self) -> u64 {
        self.line
    }

    /// The bytes of a record, without its line end.
    #[inline]
    pub(super) fn bytes(&self, record: Record) -> &[u8] {
        self.buffer.get(record.start..record.end).unwrap_or(&[])
    }

    /// The next record or bad line. Empty lines and lines that begin with `#` are passed over.
    #[inline]
    pub(super) fn next(&mut self) -> Piece {
        loop {
            let Some((length, quoted)) = self.find_line() else { return self.last_line() };
            if length > RECORD_LIMIT && !self.fits_without_carriage_return(length) {
                return self.drop_long_line();
            }
            let line = self.line;
            if quoted {
                return self.quoted_record();
            }
            let (start, end) = self.take(length, 1);
            if end > start && !self.is_comment(start, end) {
                return Piece::Record(Record { start, end, line, quoted: false, ended: true });
            }
        }
    }

    fn pending(&self) -> &[u8] {
        self.buffer.get(self.start..self.end).unwrap_or(&[])
    }

    /// The length of the next line and whether it has quotes that matter, or `None` where no line feed is left.
    #[inline]
    fn find_line(&mut self) -> Option<(usize, bool)> {
        let mut searched = 0;
        loop {
            let pending = self.pending();
            let fresh = pending.get(searched..).unwrap_or(&[]);
            match memchr2(b'\n', b'"', fresh) {
                Some(at) if fresh.get(at) == Some(&b'\n') => return Some((searched + at, false)),
                Some(at) if !begins_with_mark(pending) => return Some((searched + at, true)),
                Some(_) => {
                    if let Some(at) = memchr(b'\n', fresh) {
                        return Some((searched + at, false));
                    }
                }
                None => {}
            }
            searched = pending.len();
            if searched > RECORD_LIMIT + 1 {
                return Some((searched, false));
            }
            if !self.fill() {
                return None;
            }
        }
    }

    fn fits_without_carriage_return(&self, length: usize) -> bool {
        length == RECORD_LIMIT + 1 && self.pending().get(RECORD_LIMIT) == Some(&b'\r')
    }

    /// Consumes `length` bytes and the line feed behind them; returns where they stand without a carriage return.
    #[inline]
    fn take(&mut self, length: usize, lines: u64) -> (usize, usize) {
        let start = self.start;
        let mut end = start + length;
        self.start = (end + 1).min(self.end);
        self.line += lines;
        if end > start && self.buffer.get(end - 1) == Some(&b'\r') {
            end -= 1;
        }
        (start, end)
    }

    fn is_comment(&self, start: usize, end: usize) -> bool {
        self.buffer.get(start..end).is_some_and(begins_with_mark)
    }

    /// What stands behind the last line feed.
    fn last_line(&mut self) -> Piece {
        let length = self.pending().len();
        let line = self.line;
        if length == 0 {
            return Piece::End;
        }
        let (start, end) = self.take(length, 1);
        if end - start > RECORD_LIMIT {
            return Piece::Bad { line, fault: Fault::TooLong };
        }
        if self.failure.is_some() || end == start || self.is_comment(start, end) {
            self.line = line;
            return Piece::End;
        }
        Piece::Record(Record { start, end, line, quoted: false, ended: false })
    }

    fn drop_long_line(&mut self) -> Piece {
        let line = self.line;
        loop {
            if let Some(length) = memchr(b'\n', self.pending()) {
                self.take(length, 1);
                break;
            }
            self.start = self.end;
            if !self.fill() {
                self.line += 1;
                break;
            }
        }
        Piece::Bad { line, fault: Fault::TooLong }
    }

    /// A record with quotes: it may go on over several lines, but only where every quote is closed as it should be.
    fn quoted_record(&mut self) -> Piece {
        let line = self.line;
        loop {
            let window = self.pending();
            let window = window.get(..window.len().min(RECORD_LIMIT + 2)).unwrap_or(window);
            match scan(window) {
                Scan::LineFeed(length) if length <= RECORD_LIMIT => {
                    let lines = window.get(..length).map_or(0, |record| memchr_iter(b'\n', record).count());
                    let (start, end) = self.take(length, 1 + u64::try_from(lines).unwrap_or(0));
                    return Piece::Record(Record { start, end, line, quoted: true, ended: true });
                }
                Scan::MoreNeeded { in_quotes } if window.len() <= RECORD_LIMIT => {
                    if !self.fill() {
                        return self.last_quoted_record(in_quotes);
                    }
                }
                Scan::LineFeed(_) | Scan::MoreNeeded { .. } | Scan::Broken => {
                    return self.drop_first_line(Fault::Quote);
                }
            }
        }
    }

    /// The rest of the stream holds one record without a line feed behind it.
    fn last_quoted_record(&mut self, in_quotes: bool) -> Piece {
        if in_quotes || self.failure.is_some() {
            return self.drop_first_line(Fault::Quote);
        }
        let line = self.line;
        let length = self.pending().len();
        let lines = memchr_iter(b'\n', self.pending()).count();
        let (start, end) = self.take(length, 1 + u64::try_from(lines).unwrap_or(0));
        Piece::Record(Record { start, end, line, quoted: true, ended: false })
    }

    /// Gives up the first line of a record whose quotes do not fit; reading goes on behind that line.
    fn drop_first_line(&mut self, fault: Fault) -> Piece {
        let line = self.line;
        loop {
            if let Some(length) = memchr(b'\n', self.pending()) {
                self.take(length, 1);
                let fault = if length > RECORD_LIMIT { Fault::TooLong } else { fault };
                return Piece::Bad { line, fault };
            }
            if self.pending().len() > RECORD_LIMIT + 1 {
                return self.drop_long_line();
            }
            if !self.fill() {
                if self.failure.is_some() {
                    self.start = self.end;
                    return Piece::End;
                }
                self.take(self.pending().len(), 1);
                return Piece::Bad { line, fault: Fault::CutOff };
            }
        }
    }

    /// Reads more behind what is pending; false where there is no more.
    fn fill(&mut self) -> bool {
        if self.exhausted {
            return false;
        }
        if self.start > 0 {
            self.buffer.copy_within(self.start..self.end, 0);
            self.end -= self.start;
            self.start = 0;
        }
        let room = self.buffer.get_mut(self.end..).unwrap_or(&mut []);
        loop {
            match self.source.read(room) {
                Ok(0) => break,
                Ok(read) => {
                    self.end += read;
                    return true;
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => {
                    self.failure = Some(error);
                    break;
                }
            }
        }
        self.exhausted = true;
        false
    }
}

/// What some editors put before UTF-8 text.
pub(super) const BYTE_ORDER_MARK: &[u8] = b"\xef\xbb\xbf";

/// Whether the line is a comment.
#[inline]
fn begins_with_mark(line: &[u8]) -> bool {
    line.iter().find(|byte| !matches!(byte, b' ' | b'\t')) == Some(&b'#')
}

/// Where a record with quotes ends.
enum Scan {
    /// At the line feed at this place.
    LineFeed(usize),
    /// Not within these bytes.
    MoreNeeded { in_quotes: bool },
    /// Nowhere: behind a closing quote stands neither a comma nor a line end.
    Broken,
}

/// Follows the quotes of RFC 4180: one counts only where it begins a cell, blanks aside.
fn scan(bytes: &[u8]) -> Scan {
    let mut at = 0;
    loop {
        at += blanks(bytes, at);
        if bytes.get(at) == Some(&b'"') {
            let Some(closing) = closing_quote(bytes, at + 1) else { return Scan::MoreNeeded { in_quotes: true } };
            at = closing + 1;
            at += blanks(bytes, at);
        } else {
            let rest = bytes.get(at..).unwrap_or(&[]);
            at += memchr2(b',', b'\n', rest).unwrap_or(rest.len());
        }
        match bytes.get(at) {
            None => return Scan::MoreNeeded { in_quotes: false },
            Some(b'\n') => return Scan::LineFeed(at),
            Some(b',') => at += 1,
            Some(_) => return Scan::Broken,
        }
    }
}

/// The place of the quote that closes a cell, from behind the opening one. Two quotes stand for one in the text.
pub(super) fn closing_quote(bytes: &[u8], from: usize) -> Option<usize> {
    let mut at = from;
    loop {
        at += memchr(b'"', bytes.get(at..)?)?;
        if bytes.get(at + 1) != Some(&b'"') {
            return Some(at);
        }
        at += 2;
    }
}

/// The number of blanks at a place, carriage returns among them.
pub(super) fn blanks(bytes: &[u8], at: usize) -> usize {
    bytes.get(at..).map_or(0, |rest| rest.iter().take_while(|byte| matches!(byte, b' ' | b'\t' | b'\r')).count())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gives its bytes one at a time, so that every line is cut by the end of the buffer.
    struct Drip<'a>(&'a [u8]);

    impl Read for Drip<'_> {
        fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
            let Some((first, rest)) = self.0.split_first() else { return Ok(0) };
            self.0 = rest;
            buffer[0] = *first;
            Ok(1)
        }
    }

    fn pieces(source: impl Read) -> Vec<(u64, String)> {
        let mut records = Records::new(source);
        let mut found = Vec::new();
        loop {
            match records.next() {
                Piece::Record(record) => {
                    let text = String::from_utf8_lossy(records.bytes(record)).into_owned();
                    let open_end = if record.ended { "" } else { "~" };
                    found.push((record.line, format!("{text}{open_end}")));
                }
                Piece::Bad { line, fault } => found.push((line, format!("{fault:?}"))),
                Piece::End => return found,
            }
        }
    }

    /// Name, text, and what is found: line, text of the record or fault; `~` marks a record without line feed.
    type Case = (&'static str, &'static str, &'static [(u64, &'static str)]);

    #[test]
    fn lines_become_records() {
        let cases: [Case; 16] = [
            ("empty", "", &[]),
            ("only a byte-order mark", "\u{feff}", &[]),
            ("line feeds", "a\nb\n", &[(1, "a"), (2, "b")]),
            ("carriage returns", "a\r\nb\r\n", &[(1, "a"), (2, "b")]),
            ("byte-order mark", "\u{feff}a\n", &[(1, "a")]),
            ("no last line feed", "a\nb", &[(1, "a"), (2, "b~")]),
            ("empty lines and comments", "#x\n\n a\n\r\n  # \"y\n#z", &[(3, " a")]),
            ("comma in quotes", "\"a,b\",c\nd\n", &[(1, "\"a,b\",c"), (2, "d")]),
            ("line break in quotes", "\"a\nb\",c\nd\n", &[(1, "\"a\nb\",c"), (3, "d")]),
            ("quote in quotes", "\"a\"\"\nb\"\nd", &[(1, "\"a\"\"\nb\""), (3, "d~")]),
            ("quote inside a cell", "5\" pipe,b\nc\n", &[(1, "5\" pipe,b"), (2, "c")]),
            ("quote never closed", "a\n\"b\nc\nd\n", &[(1, "a"), (2, "Quote"), (3, "c"), (4, "d")]),
            ("quote closed too early", "\"a\"b,c\nd\n", &[(1, "Quote"), (2, "d")]),
            (
                "two open quotes do not swallow the lines between",
                "\"a\nb\n\"c\nd\n",
                &[(1, "Quote"), (2, "b"), (3, "Quote"), (4, "d")],
            ),
            ("cut off in quotes", "a\n\"b", &[(1, "a"), (2, "CutOff")]),
            ("quoted last cell", "a,\"b\"", &[(1, "a,\"b\"~")]),
        ];
        for (name, text, expected) in cases {
            let expected: Vec<_> = expected.iter().map(|(line, text)| (*line, (*text).to_owned())).collect();
            assert_eq!(pieces(text.as_bytes()), expected, "{name}");
            assert_eq!(pieces(Drip(text.as_bytes())), expected, "{name}, byte by byte");
        }
    }

    #[test]
    fn long_lines_are_bad_and_no_more() {
        let fits = "x".repeat(RECORD_LIMIT);
        let too_long = "x".repeat(RECORD_LIMIT + 1);
        let endless = "x".repeat(3 * BUFFER);
        let fits_in_quotes = format!("\"{}\n\"", "y\n".repeat(RECORD_LIMIT / 2 - 2));
        let open_for_long = format!("\"\n{}", "y\n".repeat(RECORD_LIMIT));
        let record = |line: u64, text: &str| (line, text.to_owned());
        let after = |line: u64| vec![record(line, "TooLong"), record(line + 1, "b")];
        let cases = [
            ("as long as allowed", format!("{fits}\nb\n"), vec![record(1, &fits), record(2, "b")]),
            ("carriage return not counted", format!("{fits}\r\nb\n"), vec![record(1, &fits), record(2, "b")]),
            ("one byte longer", format!("{too_long}\nb\n"), after(1)),
            ("longer than the buffer", format!("{endless}\nb\n"), after(1)),
            ("with a quote behind the limit", format!("{endless},\"\nb\n"), after(1)),
            ("with a quote at its start", format!("\"{endless}\nb\n"), after(1)),
            ("without an end", endless.clone(), vec![record(1, "TooLong")]),
        ];
        for (name, text, expected) in cases {
            assert!(pieces(text.as_bytes()) == expected, "{name}");
        }
        assert_eq!(pieces(fits_in_quotes.as_bytes()).len(), 1, "a record of several lines up to the limit");
        let lines = pieces(open_for_long.as_bytes());
        assert_eq!(lines.first(), Some(&record(1, "Quote")));
        assert_eq!(lines.len(), 1 + RECORD_LIMIT, "only the line with the open quote is lost");
    }

    #[test]
    fn stream_that_fails_gives_its_whole_lines_first() {
        struct Failing(bool);
        impl Read for Failing {
            fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
                if self.0 {
                    return Err(io::ErrorKind::UnexpectedEof.into());
                }
                self.0 = true;
                buffer[..5].copy_from_slice(b"a\nb,c");
                Ok(5)
            }
        }
        let mut records = Records::new(Failing(false));
        assert!(matches!(records.next(), Piece::Record(Record { line: 1, .. })));
        assert!(records.failure().is_none());
        assert_eq!(records.next(), Piece::End);
        assert!(records.failure().is_some(), "the reader tells what it lost");
        assert_eq!(records.line(), 2);
    }
}
