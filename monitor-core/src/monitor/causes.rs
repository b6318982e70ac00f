//! What rests on this engine's own normal: when which cause is judged, and when it is raised.

use super::Monitor;
use crate::condition::RunState;
use crate::detect::Causes;
use crate::finding::Finding;

impl Monitor {
    /// Takes the tick, the block that closed last, and judges what has its turn.
    pub(super) fn decide_causes(&mut self) {
        let sound = self.scene.tick.run.state != RunState::OnHose && !self.alarms.anything_stands();
        self.causes.update(&mut self.scene, &self.stream, sound);
        if let Some((block, ticks)) = self.steady.last().filter(|_| !self.a_cause_is_coming()) {
            self.causes.update_block(&mut self.scene, block, ticks, sound, &self.hours);
        }
        // What rests on blocks changes with them: one or two findings have their turn in each tick.
        let turn = usize::from(self.steady.ticks());
        let pressing = self.causes.is_pressing();
        if pressing || self.alarms.one_stands_of(Causes::JUDGED_SET) {
            for (finding, place) in Causes::JUDGED.iter().zip(0_usize..) {
                // In between only what stands has to be followed.
                if pressing || place & 7 == turn || self.alarms.stands(*finding) {
                    self.decide_cause(*finding);
                }
            }
        } else {
            for place in [turn, turn.saturating_add(8)] {
                if let Some(finding) = Causes::JUDGED.get(place) {
                    self.decide_cause(*finding);
                }
            }
        }
        let suspicion = self.causes.suspects_sensors();
        if suspicion || self.alarms.one_stands_of(Causes::OF_SENSORS_SET) {
            self.decide_suspected(suspicion);
        }
    }

    fn decide_cause(&mut self, finding: Finding) {
        let elected = self.causes.elected();
        let standing = self.causes.judge(finding, &self.scene);
        // What was found in this tick is raised in the next one, which is kept free for it.
        if self.causes.elected() == elected || elected.is_some() {
            self.settle(finding, standing);
        }
    }

    /// A cause was found in the tick before and is raised in this one, with all the conditions that it replaces: no step
    /// has to do that and everything else.
    pub(super) fn a_cause_is_coming(&self) -> bool {
        self.causes.elected().is_some_and(|cause| !self.alarms.stands(cause))
    }

    /// Judges the sensors by what is normal. Without a suspicion only what stands has to be followed.
    fn decide_suspected(&mut self, suspicion: bool) {
        for (finding, channels) in Causes::OF_SENSORS {
            if !suspicion && !self.alarms.stands(finding) {
                continue;
            }
            for &channel in channels {
                let standing = self.causes.judge_sensor(finding, channel, &self.scene);
                if self.alarms.wants(finding, standing) {
                    self.advise(finding, Some(channel), standing);
                }
            }
        }
    }
}
