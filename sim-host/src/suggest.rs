//! Finds the known name that a mistyped one was meant to be.

use strsim::osa_distance;

/// Shortest word that counts as a hint when it stands alone inside a longer name: `c` in `head_c` says nothing.
const SHORTEST_HINT: usize = 3;

/// The candidate nearest to `word`, where one is near enough to be meant.
///
/// Near is: the same but for case and separators, a few letters apart (a third of the word, at least one), or one name
/// standing as a whole word inside the other. Of two equally near the earlier one is taken.
#[must_use]
pub fn nearest<'a>(word: &str, candidates: &[&'a str]) -> Option<&'a str> {
    let wanted = plain(word);
    candidates
        .iter()
        .filter_map(|candidate| distance(&wanted, &plain(candidate)).map(|distance| (distance, *candidate)))
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// What to do about the unknown `word`: the nearest known name, or all of them where none is near.
#[must_use]
pub fn remedy(word: &str, known: &[&str]) -> String {
    match nearest(word, known) {
        Some(near) => format!("Did you mean {near}?"),
        None => format!("Use one of: {}", known.join(", ")),
    }
}

/// How far apart two plain names are; `None` where nobody would take one for the other.
fn distance(wanted: &str, candidate: &str) -> Option<usize> {
    if wanted.is_empty() || candidate.is_empty() {
        return None;
    }
    let letters = osa_distance(wanted, candidate);
    let allowed = (wanted.chars().count() / 3).max(1);
    if letters <= allowed && letters < candidate.chars().count() {
        return Some(letters);
    }
    (has_words(wanted, candidate) || has_words(candidate, wanted)).then_some(allowed + 1)
}

/// Whether `short` stands inside `long` as whole words.
fn has_words(long: &str, short: &str) -> bool {
    short.len() >= SHORTEST_HINT && format!(" {long} ").contains(&format!(" {short} "))
}

/// The name in lower case, with one blank for every run of other signs than letters and digits.
fn plain(name: &str) -> String {
    let spaced: String = name.chars().map(|sign| if sign.is_alphanumeric() { sign } else { ' ' }).collect();
    spaced.to_lowercase().split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nearest_name_is_the_one_that_was_meant() {
        let known = ["t_s", "rpm", "head_c", "flow_lpm", "supply_v", "speed_kn"];
        let cases = [
            ("other case", "RPM", Some("rpm")),
            ("letters swapped", "haed_c", Some("head_c")),
            ("letter left out", "suply_v", Some("supply_v")),
            ("other separator", "flow-lpm", Some("flow_lpm")),
            ("whole word of a longer name", "Engine RPM [RPM]", Some("rpm")),
            ("unit left out", "speed", Some("speed_kn")),
            ("nothing alike", "fuel_pressure", None),
            ("one letter alone is no hint", "c", None),
            ("empty", "", None),
            ("signs only", "[]", None),
        ];
        for (name, word, expected) in cases {
            assert_eq!(nearest(word, &known), expected, "{name}");
        }
    }

    #[test]
    fn remedy_names_the_nearest_or_all() {
        let cases =
            [("near", "idel_rpm", "Did you mean idle_rpm?"), ("far", "colour", "Use one of: strokes, idle_rpm")];
        for (name, word, expected) in cases {
            assert_eq!(remedy(word, &["strokes", "idle_rpm"]), expected, "{name}");
        }
    }
}
