//! Command lines that a reader can copy.

/// A word as a shell reads it.
pub(crate) fn word(word: &str) -> String {
    let is_plain = |character: char| character.is_ascii_alphanumeric() || "./_-".contains(character);
    if !word.is_empty() && word.chars().all(is_plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', r"'\''"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn file_names_come_out_as_they_are_typed() {
        let cases = [
            ("scenarios/tune/a-b_1.toml", "scenarios/tune/a-b_1.toml"),
            ("my boat.toml", "'my boat.toml'"),
            ("it's.toml", r"'it'\''s.toml'"),
            ("", "''"),
        ];
        for (file, expected) in cases {
            assert_eq!(word(file), expected);
        }
    }
}
