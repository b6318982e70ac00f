//! The one button: a short press silences, another acknowledges, holding does nothing.

use crate::time::Instant;

/// Shorter contact is bounce or noise, in ms.
const LEAST_PRESS_MS: u32 = 30;
/// Longer contact is holding, or a button that sticks, in ms.
const LONGEST_PRESS_MS: u32 = 1_500;

/// Tells short presses from bounce and from holding.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Button {
    pressed_at: Option<Instant>,
}

impl Button {
    pub(crate) const fn new() -> Self {
        Self { pressed_at: None }
    }

    /// Takes the state of the contact; returns whether a short press has just ended.
    pub(crate) fn update(&mut self, now: Instant, pressed: bool) -> bool {
        if pressed {
            self.pressed_at.get_or_insert(now);
            return false;
        }
        let Some(pressed_at) = self.pressed_at.take() else { return false };
        (LEAST_PRESS_MS..=LONGEST_PRESS_MS).contains(&now.millis_since(pressed_at))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn presses() {
        let cases = [
            ("bounce", 20, false),
            ("short", 30, true),
            ("slow finger", 1_500, true),
            ("held", 1_501, false),
            ("stuck for a day", 86_400_000, false),
        ];
        for (name, held_ms, expected) in cases {
            let mut button = Button::new();
            assert!(!button.update(Instant::from_millis(0), true), "{name}");
            assert!(!button.update(Instant::from_millis(held_ms / 2), true), "{name}");
            assert_eq!(button.update(Instant::from_millis(held_ms), false), expected, "{name}");
            assert!(!button.update(Instant::from_millis(held_ms + 50), false), "{name}: only once");
        }
    }
}
