//! Lamp and sounder. They tell the level only, never the cause.
//!
//! Alarm: three sounds every 7 s, lamp at 1 Hz. Warning: two sounds every 60 s, lamp at 0.5 Hz. Acknowledged: steady
//! lamp. Caution: one blink every 10 s, silent. Power-up: lamp for 2 s and one sound.

use super::alarms::Outlook;
use crate::finding::Level;
use crate::time::Instant;

/// What lamp and sounder do at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Signals {
    /// The lamp is lit.
    pub lamp: bool,
    /// The sounder sounds.
    pub sound: bool,
}

/// One sound, and the pause between two, in ms.
const SOUND_MS: u32 = 300;
const ALARM_REPEAT_MS: u32 = 7_000;
const WARNING_REPEAT_MS: u32 = 60_000;
const CAUTION_REPEAT_MS: u32 = 10_000;
const CAUTION_BLINK_MS: u32 = 500;
const POWER_UP_LAMP_MS: u32 = 2_000;
/// A silenced finding that nobody acknowledged sounds again after this (IMO MSC.302(87) 7.3.5).
const SILENCE_MS: u32 = 30_000;

/// Turns the outlook into patterns that begin when the outlook changes.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Annunciator {
    outlook: Outlook,
    // Moments are low 32 bits of milliseconds: a step back of the clock looks like a long time and begins a pattern anew.
    lamp_since_ms: u32,
    sound_since_ms: u32,
    silenced_at_ms: Option<u32>,
    /// The silence ended between two steps.
    silence_over: bool,
    powered_up_at_ms: Option<u32>,
}

impl Annunciator {
    pub(crate) const fn new() -> Self {
        Self {
            outlook: Outlook { unacknowledged: None, sounding: None, silenced: None, acknowledged: None },
            lamp_since_ms: 0,
            sound_since_ms: 0,
            silenced_at_ms: None,
            silence_over: false,
            powered_up_at_ms: None,
        }
    }

    /// Power-up: shows that lamp and sounder work. The patterns of open findings begin anew.
    pub(crate) fn power_up(&mut self, now: Instant) {
        let now_ms = now.low_millis();
        self.powered_up_at_ms = Some(now_ms);
        self.lamp_since_ms = now_ms;
        self.sound_since_ms = now_ms;
        self.silenced_at_ms = self.silenced_at_ms.map(|_| now_ms);
    }

    /// Takes the outlook after something may have changed.
    pub(crate) fn update(&mut self, now: Instant, outlook: Outlook) {
        let now_ms = now.low_millis();
        if (outlook.unacknowledged, outlook.acknowledged) != (self.outlook.unacknowledged, self.outlook.acknowledged) {
            self.lamp_since_ms = now_ms;
        }
        if outlook.sounding != self.outlook.sounding {
            self.sound_since_ms = now_ms;
        }
        if outlook.silenced.is_none() {
            self.silenced_at_ms = None;
        } else if outlook.silenced != self.outlook.silenced {
            self.silenced_at_ms = Some(now_ms);
        }
        self.outlook = outlook;
    }

    /// Whether silenced findings sound again; asked once.
    pub(crate) fn take_silence_over(&mut self, now: Instant) -> bool {
        let now_ms = now.low_millis();
        let over = self.silenced_at_ms.is_some_and(|at_ms| now_ms.wrapping_sub(at_ms) >= SILENCE_MS);
        core::mem::take(&mut self.silence_over) || over
    }

    /// Whether anything blinks or sounds.
    pub(crate) const fn is_active(&self) -> bool {
        self.outlook.unacknowledged.is_some() || self.outlook.acknowledged.is_some() || self.powered_up_at_ms.is_some()
    }

    /// Lamp and sounder at this moment. Beginnings of patterns are moved on by whole periods as time passes, so that
    /// no division is needed: this is called 20 times a second.
    pub(crate) fn signals(&mut self, now: Instant) -> Signals {
        let now_ms = now.low_millis();
        if let Some(at_ms) = self.powered_up_at_ms {
            let age_ms = now_ms.wrapping_sub(at_ms);
            if age_ms < POWER_UP_LAMP_MS {
                return Signals { lamp: true, sound: age_ms < SOUND_MS };
            }
            self.powered_up_at_ms = None;
        }
        Signals { lamp: self.lamp(now_ms), sound: self.sound(now_ms) }
    }

    fn lamp(&mut self, now_ms: u32) -> bool {
        let (period_ms, lit_ms) = match (self.outlook.unacknowledged, self.outlook.acknowledged) {
            (Some(Level::Alarm), _) => (1_000, 500),
            (Some(Level::Warning), _) => (2_000, 1_000),
            (_, Some(Level::Alarm | Level::Warning)) => return true,
            (_, Some(Level::Caution)) => (CAUTION_REPEAT_MS, CAUTION_BLINK_MS),
            _ => return false,
        };
        within_period(&mut self.lamp_since_ms, now_ms, period_ms) < lit_ms
    }

    fn sound(&mut self, now_ms: u32) -> bool {
        if self.outlook.silenced > self.outlook.sounding
            && let Some(at_ms) = self.silenced_at_ms
            && now_ms.wrapping_sub(at_ms) >= SILENCE_MS
        {
            // Nobody acknowledged: it sounds again. The next step makes that known to the alarm states.
            self.sound_since_ms = at_ms.wrapping_add(SILENCE_MS);
            self.silenced_at_ms = None;
            self.outlook.sounding = self.outlook.silenced.take();
            self.silence_over = true;
        }
        // Sounds and pauses of equal length.
        match self.outlook.sounding {
            Some(Level::Alarm) => {
                let age_ms = within_period(&mut self.sound_since_ms, now_ms, ALARM_REPEAT_MS);
                matches!(age_ms, 0..300 | 600..900 | 1_200..1_500)
            }
            Some(Level::Warning) => {
                let age_ms = within_period(&mut self.sound_since_ms, now_ms, WARNING_REPEAT_MS);
                matches!(age_ms, 0..300 | 600..900)
            }
            Some(Level::Caution) | None => false,
        }
    }
}

/// Age within a pattern. The pattern's beginning is moved on by a period when one is over; where nobody looked for
/// longer than that the pattern begins anew.
// Once, not at each call.
#[inline(never)]
fn within_period(since_ms: &mut u32, now_ms: u32, period_ms: u32) -> u32 {
    let age_ms = now_ms.wrapping_sub(*since_ms);
    if age_ms < period_ms {
        return age_ms;
    }
    let into_next_ms = age_ms.saturating_sub(period_ms);
    if into_next_ms < period_ms {
        *since_ms = since_ms.wrapping_add(period_ms);
        into_next_ms
    } else {
        *since_ms = now_ms;
        0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    extern crate std;
    use std::vec::Vec;

    /// Moments in ms at which lamp and sounder turn on or off, looked at 50 times a second.
    fn edges(annunciator: &mut Annunciator, until_ms: i64) -> (Vec<i64>, Vec<i64>) {
        let mut last = Signals::default();
        let (mut lamp, mut sound) = (Vec::new(), Vec::new());
        for now in (0..until_ms).step_by(20) {
            let signals = annunciator.signals(Instant::from_millis(now));
            if signals.lamp != last.lamp {
                lamp.push(now);
            }
            if signals.sound != last.sound {
                sound.push(now);
            }
            last = signals;
        }
        (lamp, sound)
    }

    fn close(found: &[i64], expected: &[i64]) -> bool {
        found.len() == expected.len() && found.iter().zip(expected).all(|(a, b)| (a - b).abs() <= 20)
    }

    #[test]
    fn patterns_at_fifty_looks_a_second() {
        let unacknowledged =
            |level| Outlook { unacknowledged: Some(level), sounding: Some(level), ..Outlook::default() };
        let acknowledged = |level| Outlook { acknowledged: Some(level), ..Outlook::default() };
        type Case = (&'static str, Outlook, i64, &'static [i64], &'static [i64]);
        let cases: [Case; 5] = [
            (
                "alarm",
                unacknowledged(Level::Alarm),
                9_000,
                &[0, 300, 600, 900, 1_200, 1_500, 7_000, 7_300, 7_600, 7_900, 8_200, 8_500],
                &[
                    0, 500, 1_000, 1_500, 2_000, 2_500, 3_000, 3_500, 4_000, 4_500, 5_000, 5_500, 6_000, 6_500, 7_000,
                    7_500, 8_000, 8_500,
                ],
            ),
            ("warning", unacknowledged(Level::Warning), 5_000, &[0, 300, 600, 900], &[0, 1_000, 2_000, 3_000, 4_000]),
            ("acknowledged alarm", acknowledged(Level::Alarm), 70_000, &[], &[0]),
            ("caution", acknowledged(Level::Caution), 11_000, &[], &[0, 500, 10_000, 10_500]),
            ("nothing", Outlook::default(), 10_000, &[], &[]),
        ];
        for (name, outlook, until_ms, sound, lamp) in cases {
            let mut annunciator = Annunciator::new();
            annunciator.update(Instant::from_millis(0), outlook);
            let (lamps, sounds) = edges(&mut annunciator, until_ms);
            assert!(close(&sounds, sound), "{name}: sound {sounds:?}");
            assert!(close(&lamps, lamp), "{name}: lamp {lamps:?}");
        }
    }

    #[test]
    fn warning_sounds_again_after_a_minute() {
        let mut annunciator = Annunciator::new();
        let level = Some(Level::Warning);
        annunciator
            .update(Instant::from_millis(0), Outlook { unacknowledged: level, sounding: level, ..Outlook::default() });
        let (_, sounds) = edges(&mut annunciator, 62_000);
        assert!(close(&sounds, &[0, 300, 600, 900, 60_000, 60_300, 60_600, 60_900]), "{sounds:?}");
    }

    #[test]
    fn power_up_shows_lamp_and_sounder() {
        let mut annunciator = Annunciator::new();
        annunciator.power_up(Instant::from_millis(0));
        let (lamps, sounds) = edges(&mut annunciator, 20_000);
        assert!(close(&lamps, &[0, 2_000]) && close(&sounds, &[0, 300]), "{lamps:?} {sounds:?}");
    }

    #[test]
    fn silence_ends_after_thirty_seconds() {
        let mut annunciator = Annunciator::new();
        let level = Some(Level::Alarm);
        annunciator
            .update(Instant::from_millis(0), Outlook { unacknowledged: level, silenced: level, ..Outlook::default() });
        let (_, sounds) = edges(&mut annunciator, 31_000);
        assert!(close(&sounds, &[30_000, 30_300, 30_600, 30_900]), "{sounds:?}");
    }

    #[test]
    fn a_step_after_the_silence_learns_of_its_end_once() {
        let level = Some(Level::Alarm);
        let silenced = Outlook { unacknowledged: level, silenced: level, ..Outlook::default() };
        for look in [false, true] {
            let mut annunciator = Annunciator::new();
            annunciator.update(Instant::from_millis(0), silenced);
            assert!(!annunciator.take_silence_over(Instant::from_millis(29_900)));
            let after = Instant::from_millis(30_100);
            if look {
                annunciator.signals(after);
            }
            assert!(annunciator.take_silence_over(after), "looked at between: {look}");
            annunciator.update(after, Outlook { unacknowledged: level, sounding: level, ..Outlook::default() });
            assert!(!annunciator.take_silence_over(Instant::from_millis(90_000)), "looked at between: {look}");
        }
    }
}
