//! `sensor-noisy`: a reading jumps to and fro from second to second far more than it used to.
//!
//! One channel is watched at a time, sixteen ticks long: memory for one instead of seven, and no engine's sensor gets
//! noisy for a minute only. The measure is the second difference, to which a steady rise adds nothing; how many of them
//! are too large counts, not how large: a spike of the ignition is one.

use super::{Scene, Standing, sensor_level};
use crate::acquire::Channel;

/// Ticks of one look.
const TICKS: u8 = 16;
/// Differences of a look that must be too large.
const LEAST_LARGE: u8 = 9;
/// Too large is so many times the usual.
const TIMES_USUAL: i32 = 4;

/// Second differences of this part of the value are no noise: 1/64.
const LEAST_SHARE_SHIFT: u32 = 6;

/// The look at one channel.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SensorNoisy {
    channel: u8,
    ticks: u8,
    large: u8,
    last: [i32; 2],
    sum: i32,
    /// Sum of the first differences.
    path: i32,
    /// A bit for each channel that was found noisy in its last look, and for each that was so once.
    noisy: u8,
    suspect: u8,
}

impl SensorNoisy {
    pub(crate) const fn new() -> Self {
        Self { channel: 0, ticks: 0, large: 0, last: [0; 2], sum: 0, path: 0, noisy: 0, suspect: 0 }
    }

    fn watched(&self) -> Channel {
        Channel::ALL.get(usize::from(self.channel)).copied().unwrap_or(Channel::Rpm)
    }

    /// Takes one tick; returns the channel whose look is over, with the mean of its second differences.
    pub(crate) fn update(&mut self, scene: &Scene) -> Option<(Channel, i32)> {
        let channel = self.watched();
        let value = match scene.good(channel) {
            Some(value) if scene.tick.run.running && !scene.tick.after_hole() => value,
            _ => {
                self.turn(scene);
                return None;
            }
        };
        let [newer, older] = self.last;
        self.last = [value, newer];
        // A look is over long before this or `large` could wrap.
        self.ticks = self.ticks.wrapping_add(1);
        if self.ticks <= 2 {
            return None;
        }
        let second = value.wrapping_sub(newer).wrapping_sub(newer.wrapping_sub(older)).wrapping_abs();
        self.sum = self.sum.wrapping_add(second.min(1 << 20_u32));
        self.path = self.path.wrapping_add(value.wrapping_sub(newer).wrapping_abs().min(1 << 20_u32));
        let known = scene.normal.noise(channel);
        let usual = known.max(least(scene, channel)).max(value.min(1 << 20_u32) >> LEAST_SHARE_SHIFT);
        if second > usual.wrapping_mul(TIMES_USUAL) {
            self.large = self.large.wrapping_add(1);
        }
        if self.ticks < TICKS.saturating_add(2) {
            return None;
        }
        let mean = self.sum >> 4_u32;
        let bit = 1_u8 << self.channel;
        // What jumps to and fro has second differences √3 times the first; what swings slowly has smaller ones.
        let jumps = self.sum.wrapping_mul(2) >= self.path.wrapping_mul(3);
        // What is usual must have been seen before something can be unusual.
        if self.large < LEAST_LARGE || !jumps || known == 0 {
            self.noisy &= !bit;
            self.suspect &= !bit;
            self.turn(scene);
            return Some((channel, mean.max(1)));
        }
        if self.suspect & bit == 0 {
            // Once more before it is said.
            self.suspect |= bit;
            self.begin();
        } else {
            self.noisy |= bit;
            self.turn(scene);
        }
        None
    }

    fn begin(&mut self) {
        self.ticks = 0;
        self.large = 0;
        self.sum = 0;
        self.path = 0;
    }

    /// The next channel that there is.
    fn turn(&mut self, scene: &Scene) {
        self.begin();
        for _ in 0..Channel::COUNT {
            self.channel = self.channel.wrapping_add(1);
            if usize::from(self.channel) >= Channel::COUNT {
                self.channel = 0;
            }
            if scene.channels.contains(self.watched()) {
                return;
            }
        }
    }

    /// Judges one channel.
    pub(crate) fn judge(&self, scene: &Scene, channel: Channel) -> Standing {
        let bit = 1_u8 << (channel as u8);
        if !scene.tick.run.running || scene.good(channel).is_none() {
            Standing::Unjudged
        } else if self.noisy & bit != 0 {
            Standing::Present(sensor_level(channel))
        } else {
            Standing::Absent
        }
    }

    /// Channels found noisy.
    pub(crate) const fn any(&self) -> bool {
        self.noisy != 0
    }
}

/// Second differences that no installation is free of, in the unit of the channel (own convention).
fn least(scene: &Scene, channel: Channel) -> i32 {
    match channel {
        Channel::Rpm => 30 * 4,
        Channel::Head | Channel::Water => i32::try_from(scene.tick.head_resolution.unwrap_or(0)).unwrap_or(0).max(250),
        Channel::Flow => 60,
        Channel::Supply => 150,
        Channel::Speed => 250,
        Channel::Oil => 5_000,
    }
}
