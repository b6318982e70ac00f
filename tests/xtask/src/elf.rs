//! Just enough of the ELF format (32 bit, little-endian) to measure an image: sizes of sections, symbols.

use std::fs;
use std::path::Path;

/// A symbol of an image.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Symbol {
    /// Name, mangled.
    pub(crate) name: String,
    /// Address, or 0 where undefined.
    pub(crate) address: u32,
    /// Size in bytes.
    pub(crate) bytes: u32,
}

/// What an image holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Image {
    /// Name and size in bytes of each section.
    pub(crate) sections: Vec<(String, u32)>,
    /// Every symbol with a name.
    pub(crate) symbols: Vec<Symbol>,
}

struct Section {
    name: u32,
    kind: u32,
    offset: u32,
    bytes: u32,
    link: u32,
}

const SYMBOL_TABLE: u32 = 2;

impl Image {
    /// Reads an image.
    pub(crate) fn load(path: &Path) -> Result<Self, String> {
        let bytes = fs::read(path).map_err(|error| format!("{}: {error}", path.display()))?;
        Self::parse(&bytes).ok_or_else(|| format!("{}: not a 32-bit little-endian ELF image", path.display()))
    }

    fn parse(file: &[u8]) -> Option<Self> {
        if file.get(..6)? != b"\x7fELF\x01\x01" {
            return None;
        }
        let table = word(file, 32)? as usize;
        let entry_bytes = usize::from(half(file, 46)?);
        let count = usize::from(half(file, 48)?);
        let names_index = usize::from(half(file, 50)?);
        let sections: Vec<Section> =
            (0..count).map(|index| section(file, table + index * entry_bytes)).collect::<Option<_>>()?;
        let names = sections.get(names_index)?;
        let mut image = Self { sections: Vec::new(), symbols: Vec::new() };
        for section in &sections {
            image.sections.push((text(file, names, section.name)?, section.bytes));
            if section.kind == SYMBOL_TABLE {
                image.symbols.extend(symbols(file, section, sections.get(section.link as usize)?)?);
            }
        }
        Some(image)
    }

    /// Size of the section of that name; 0 where there is none.
    pub(crate) fn section_bytes(&self, name: &str) -> u64 {
        self.sections.iter().filter(|(found, _)| found == name).map(|(_, bytes)| u64::from(*bytes)).sum()
    }

    /// The symbol of exactly that name.
    pub(crate) fn symbol(&self, name: &str) -> Result<&Symbol, String> {
        self.symbols.iter().find(|symbol| symbol.name == name).ok_or_else(|| format!("the image has no symbol {name}"))
    }

    /// Bytes of all functions whose names hold one of `parts`.
    pub(crate) fn bytes_with(&self, parts: &[&str]) -> u64 {
        let found = self.symbols.iter().filter(|symbol| parts.iter().any(|part| symbol.name.contains(part)));
        found.map(|symbol| u64::from(symbol.bytes)).sum()
    }

    /// Names of the symbols that hold one of `parts`.
    pub(crate) fn names_with(&self, parts: &[&str]) -> Vec<&str> {
        let names = self.symbols.iter().map(|symbol| symbol.name.as_str());
        names.filter(|name| parts.iter().any(|part| name.contains(part))).collect()
    }
}

fn section(file: &[u8], at: usize) -> Option<Section> {
    const HEADER_BYTES: usize = 40;
    let header = file.get(at..at + HEADER_BYTES)?;
    Some(Section {
        name: word(header, 0)?,
        kind: word(header, 4)?,
        offset: word(header, 16)?,
        bytes: word(header, 20)?,
        link: word(header, 24)?,
    })
}

fn symbols(file: &[u8], table: &Section, names: &Section) -> Option<Vec<Symbol>> {
    const ENTRY_BYTES: u32 = 16;
    let mut found = Vec::new();
    for index in 0..table.bytes / ENTRY_BYTES {
        let at = table.offset as usize + (index * ENTRY_BYTES) as usize;
        let name = text(file, names, word(file, at)?)?;
        if !name.is_empty() {
            found.push(Symbol { name, address: word(file, at + 4)?, bytes: word(file, at + 8)? });
        }
    }
    Some(found)
}

fn text(file: &[u8], names: &Section, offset: u32) -> Option<String> {
    let bytes = file.get(names.offset as usize + offset as usize..)?;
    let length = bytes.iter().position(|byte| *byte == 0)?;
    Some(String::from_utf8_lossy(bytes.get(..length)?).into_owned())
}

fn word(file: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_le_bytes(file.get(at..at + 4)?.try_into().ok()?))
}

fn half(file: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_le_bytes(file.get(at..at + 2)?.try_into().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An image with one section of code, a symbol table and names, as a linker would write it.
    fn small_image() -> Vec<u8> {
        let names = b"\0.text\0.symtab\0.strtab\0MONITOR\0core9panicking\0";
        let symbols: [[u32; 4]; 3] = [[0; 4], [23, 0x2000_0000, 112, 0], [31, 0x100, 4, 0]];
        let names_at = 52;
        let symbols_at = names_at + names.len() as u32;
        let table_at = symbols_at + 48;
        let mut file = b"\x7fELF\x01\x01".to_vec();
        file.resize(52, 0);
        file[32..36].copy_from_slice(&table_at.to_le_bytes());
        file[46..52].copy_from_slice(&[40, 0, 4, 0, 3, 0]);
        file.extend(names);
        file.extend(symbols.iter().flatten().flat_map(|value| value.to_le_bytes()));
        let sections: [[u32; 10]; 4] = [
            [0; 10],
            [1, 1, 0, 0, 0, 1_234, 0, 0, 0, 0],
            [7, 2, 0, 0, symbols_at, 48, 3, 0, 0, 16],
            [15, 3, 0, 0, names_at, names.len() as u32, 0, 0, 0, 0],
        ];
        file.extend(sections.iter().flatten().flat_map(|value| value.to_le_bytes()));
        file
    }

    #[test]
    fn sections_and_symbols_are_read() {
        let image = Image::parse(&small_image()).unwrap();
        assert_eq!((image.section_bytes(".text"), image.section_bytes(".data")), (1_234, 0));
        let monitor = Symbol { name: "MONITOR".to_owned(), address: 0x2000_0000, bytes: 112 };
        assert_eq!(image.symbol("MONITOR"), Ok(&monitor));
        assert!(image.symbol("MONI").is_err());
        assert_eq!(image.names_with(&["panicking", "unwind"]), ["core9panicking"]);
    }

    #[test]
    fn other_files_and_cut_off_images_are_refused() {
        assert_eq!(Image::parse(b"#!/bin/sh"), None);
        let whole = small_image();
        for length in 0..whole.len() {
            assert_eq!(Image::parse(&whole[..length]), None, "cut after {length} bytes");
        }
    }
}
