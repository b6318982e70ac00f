//! Bytes one behind the other, for what is kept in one piece.

/// Puts little-endian numbers behind each other; what finds no room is left out, and that is known.
#[derive(Debug)]
pub(crate) struct Packer<'a> {
    bytes: &'a mut [u8],
    used: usize,
    complete: bool,
}

impl<'a> Packer<'a> {
    pub(crate) const fn new(bytes: &'a mut [u8]) -> Self {
        Self { bytes, used: 0, complete: true }
    }

    pub(crate) fn u8(&mut self, value: u8) {
        self.raw(&[value]);
    }

    pub(crate) fn u16(&mut self, value: u16) {
        self.raw(&value.to_le_bytes());
    }

    pub(crate) fn u32(&mut self, value: u32) {
        self.raw(&value.to_le_bytes());
    }

    fn raw(&mut self, number: &[u8]) {
        let end = self.used.saturating_add(number.len());
        let Some(place) = self.bytes.get_mut(self.used..end) else {
            self.complete = false;
            return;
        };
        for (to, from) in place.iter_mut().zip(number) {
            *to = *from;
        }
        self.used = end;
    }

    /// Bytes used; 0 if anything found no room.
    pub(crate) const fn finish(self) -> usize {
        if self.complete { self.used } else { 0 }
    }
}

/// Takes little-endian numbers from the front; `None` behind the end.
#[derive(Debug)]
pub(crate) struct Unpacker<'a> {
    bytes: &'a [u8],
}

impl<'a> Unpacker<'a> {
    pub(crate) const fn new(bytes: &'a [u8]) -> Self {
        Self { bytes }
    }

    pub(crate) fn u8(&mut self) -> Option<u8> {
        let [value] = self.raw()?;
        Some(value)
    }

    pub(crate) fn u16(&mut self) -> Option<u16> {
        self.raw().map(u16::from_le_bytes)
    }

    pub(crate) fn u32(&mut self) -> Option<u32> {
        self.raw().map(u32::from_le_bytes)
    }

    fn raw<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (number, rest) = self.bytes.split_first_chunk::<N>()?;
        self.bytes = rest;
        Some(*number)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_come_back_in_their_order() {
        let mut bytes = [0; 6];
        let mut packer = Packer::new(&mut bytes);
        packer.u8(0xA5);
        packer.u32(0xDEAD_BEEF);
        assert_eq!(packer.finish(), 5);
        assert_eq!(bytes, [0xA5, 0xEF, 0xBE, 0xAD, 0xDE, 0]);
        let mut unpacker = Unpacker::new(&bytes[..5]);
        assert_eq!((unpacker.u8(), unpacker.u32()), (Some(0xA5), Some(0xDEAD_BEEF)));
        assert_eq!((unpacker.u8(), unpacker.u32()), (None, None));
    }

    #[test]
    fn what_does_not_fit_makes_the_whole_unusable() {
        let mut bytes = [0; 6];
        let mut packer = Packer::new(&mut bytes);
        packer.u32(7);
        packer.u32(8);
        assert_eq!(packer.finish(), 0);
    }
}
