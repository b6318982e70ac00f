//! Takes a record apart into its cells.

use std::borrow::Cow;

use memchr::memchr_iter;

use super::records::{blanks, closing_quote};

/// Records up to this length in bytes have short cells.
const SHORT_RECORD: usize = 256;

/// Picks the wanted cells out of one record after another without allocating.
#[derive(Debug)]
pub(super) struct Cells {
    /// Wanted columns, rising.
    wanted: Vec<usize>,
    /// Number of columns that the header has.
    width: usize,
    /// Where the wanted cells stand.
    spans: Vec<(usize, usize)>,
    /// Cells of a record with quotes, without them; empty where the record has none.
    unquoted: Vec<u8>,
    is_quoted: bool,
    count: usize,
    has_text_behind: bool,
}

impl Cells {
    /// Picks the columns `wanted`, which rise, of records under a header of `width` columns.
    pub(super) fn new(wanted: Vec<usize>, width: usize) -> Self {
        let spans = vec![(0, 0); wanted.len()];
        Self { wanted, width, spans, unquoted: Vec::new(), is_quoted: false, count: 0, has_text_behind: false }
    }

    /// Takes a record apart.
    #[inline]
    pub(super) fn split(&mut self, record: &[u8], quoted: bool) {
        self.is_quoted = quoted;
        self.has_text_behind = false;
        self.count = 0;
        if quoted {
            self.split_quoted(record);
        } else {
            self.split_plain(record);
        }
    }

    /// The cell of the wanted column number `slot` of the record that was split last, without blanks around it.
    #[inline]
    pub(super) fn get<'a>(&'a self, slot: usize, record: &'a [u8]) -> &'a [u8] {
        let text = if self.is_quoted { &self.unquoted } else { record };
        self.spans.get(slot).and_then(|(start, end)| text.get(*start..*end)).unwrap_or(&[]).trim_ascii()
    }

    /// Whether the record has as many cells as the header; blank cells behind the last column do not count.
    #[inline]
    pub(super) fn fits(&self) -> bool {
        self.count == self.width || (self.count > self.width && !self.has_text_behind)
    }

    /// The number of cells of the record.
    pub(super) fn count(&self) -> usize {
        self.count
    }

    /// The number of columns of the header.
    pub(super) fn width(&self) -> usize {
        self.width
    }

    #[inline]
    fn split_plain(&mut self, record: &[u8]) {
        let (mut slot, mut column, mut start) = (0, 0, 0);
        let mut next_wanted = self.wanted.first().copied();
        let mut cell = |end: usize| {
            if next_wanted == Some(column) {
                if let Some(span) = self.spans.get_mut(slot) {
                    *span = (start, end);
                }
                slot += 1;
                next_wanted = self.wanted.get(slot).copied();
            } else if column >= self.width {
                self.has_text_behind |= record.get(start..end).is_some_and(|cell| !is_blank(cell));
            }
            column += 1;
            start = end + 1;
        };
        if record.len() < SHORT_RECORD {
            // Cells of a few bytes: looking at each byte is quicker than searching again for each comma.
            for (at, byte) in record.iter().enumerate() {
                if *byte == b',' {
                    cell(at);
                }
            }
        } else {
            memchr_iter(b',', record).for_each(&mut cell);
        }
        cell(record.len());
        self.count = column;
        self.forget_from(slot);
    }

    fn split_quoted(&mut self, record: &[u8]) {
        self.unquoted.clear();
        let mut slot = 0;
        let mut column = 0;
        for cell in QuotedCells::new(record) {
            if self.wanted.get(slot) == Some(&column) {
                let start = self.unquoted.len();
                self.unquoted.extend_from_slice(&cell);
                if let Some(span) = self.spans.get_mut(slot) {
                    *span = (start, self.unquoted.len());
                }
                slot += 1;
            } else if column >= self.width {
                self.has_text_behind |= !is_blank(&cell);
            }
            column += 1;
        }
        self.count = column;
        self.forget_from(slot);
    }

    /// Cells that this record does not have must not be those of the record before.
    #[inline]
    fn forget_from(&mut self, slot: usize) {
        if let Some(missing) = self.spans.get_mut(slot..) {
            missing.fill((0, 0));
        }
    }
}

/// All cells of one record, without quotes and without blanks around them.
pub(super) fn all(record: &[u8], quoted: bool) -> Vec<Cow<'_, [u8]>> {
    if quoted {
        QuotedCells::new(record).collect()
    } else {
        record.split(|byte| *byte == b',').map(|cell| Cow::Borrowed(cell.trim_ascii())).collect()
    }
}

fn is_blank(cell: &[u8]) -> bool {
    cell.trim_ascii().is_empty()
}

/// The cells of a record with quotes that [`super::records`] has found to be in order.
struct QuotedCells<'a> {
    record: &'a [u8],
    at: usize,
    is_over: bool,
}

impl<'a> QuotedCells<'a> {
    fn new(record: &'a [u8]) -> Self {
        Self { record, at: 0, is_over: false }
    }

    fn quoted_cell(&mut self) -> Cow<'a, [u8]> {
        let start = self.at + 1;
        let end = closing_quote(self.record, start).unwrap_or(self.record.len());
        self.at = (end + 1).min(self.record.len());
        let text = self.record.get(start..end).unwrap_or(&[]).trim_ascii();
        if text.contains(&b'"') {
            // In a cell in order quotes come in pairs, each for one in the text.
            let mut in_pair = false;
            let single = text.iter().copied().filter(|byte| {
                in_pair = *byte == b'"' && !in_pair;
                !in_pair
            });
            Cow::Owned(single.collect())
        } else {
            Cow::Borrowed(text)
        }
    }
}

impl<'a> Iterator for QuotedCells<'a> {
    type Item = Cow<'a, [u8]>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.is_over {
            return None;
        }
        let after_blanks = self.at + blanks(self.record, self.at);
        let mut cell = None;
        if self.record.get(after_blanks) == Some(&b'"') {
            self.at = after_blanks;
            cell = Some(self.quoted_cell());
        }
        let rest = self.record.get(self.at..).unwrap_or(&[]);
        let length = memchr::memchr(b',', rest);
        self.is_over = length.is_none();
        let plain = rest.get(..length.unwrap_or(rest.len())).unwrap_or(rest);
        self.at += plain.len() + 1;
        Some(cell.unwrap_or(Cow::Borrowed(plain.trim_ascii())))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Name, record, whether it has quotes, the wanted cells, how many there are, whether that fits the header.
    type Case = (&'static str, &'static str, bool, [&'static str; 3], usize, bool);

    #[test]
    fn wanted_cells_are_picked() {
        let cases: [Case; 11] = [
            ("plain", "a,b,c,d", false, ["a", "c", "d"], 4, true),
            ("blanks around", " a ,b,\tc,d\r", false, ["a", "c", "d"], 4, true),
            ("blank cells", ",,,", false, ["", "", ""], 4, true),
            ("too few", "a,b", false, ["a", "", ""], 2, false),
            ("too many", "a,b,c,d,e", false, ["a", "c", "d"], 5, false),
            ("too many, but blank", "a,b,c,d,, ", false, ["a", "c", "d"], 6, true),
            ("nothing", "", false, ["", "", ""], 1, false),
            ("quotes", "\"a\",\"b,x\", \"c\" ,d", true, ["a", "c", "d"], 4, true),
            ("quotes in quotes", "\"a\"\"\",b,\"\"\"\",\"\"\"d\"\"\"\"\"", true, ["a\"", "\"", "\"d\"\""], 4, true),
            ("blank in quotes behind", "\"\",b,\" c\nd \",,\"\"", true, ["", "c\nd", ""], 5, true),
            ("quote inside a cell", "5\" pipe,b,\"c\",d", true, ["5\" pipe", "c", "d"], 4, true),
        ];
        let mut cells = Cells::new(vec![0, 2, 3], 4);
        for (name, record, quoted, expected, count, fits) in cases {
            cells.split(b"1,2,3,4", false);
            cells.split(record.as_bytes(), quoted);
            for (slot, text) in expected.into_iter().enumerate() {
                let cell = String::from_utf8_lossy(cells.get(slot, record.as_bytes()));
                assert_eq!(cell, text, "{name}, cell {slot}");
            }
            assert_eq!((cells.count(), cells.fits()), (count, fits), "{name}");
            let all: Vec<_> = all(record.as_bytes(), quoted);
            assert_eq!(all.len(), count, "{name}, all cells");
            assert_eq!(
                all.first().map(|cell| cell.as_ref()),
                Some(expected[0].as_bytes()),
                "{name}, first of all cells"
            );
        }
    }
}
