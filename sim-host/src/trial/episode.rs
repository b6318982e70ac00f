//! What was said: events put together to episodes, from raised to gone.

use monitor_core::event::{Event, State};
use monitor_core::finding::Level;

use super::fault::Moment;
use super::relations::Named;

/// One finding from its raising to its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Episode {
    /// What was said.
    pub(super) named: Named,
    /// When it was raised for the first time; it belongs to this moment.
    pub(super) raised: Moment,
    /// The start of the run in which it was raised, where the engine ran.
    pub(super) run_began: Option<Moment>,
    /// When it was first a warning or an alarm.
    pub(super) warned: Option<Moment>,
    /// When it had gone; `None` while it stands.
    pub(super) gone: Option<Moment>,
}

/// Puts events together.
#[derive(Debug, Default)]
pub(super) struct EpisodeBook {
    episodes: Vec<(u32, Episode)>,
}

impl EpisodeBook {
    /// Takes the next event. `run_began` is the start of the run at that moment, where the engine runs.
    pub(super) fn take(&mut self, event: &Event, run_began: Option<Moment>) {
        let at = Moment { trip: event.trip, at_ms: event.stamp.as_millis() };
        let known = self.episodes.iter_mut().rev().find(|(id, _)| *id == event.id).map(|(_, episode)| episode);
        match (event.state, known) {
            (State::Raised, None) => {
                let named = Named { finding: event.finding, channel: event.channel };
                let warned = (event.level >= Level::Warning).then_some(at);
                self.episodes.push((event.id, Episode { named, raised: at, run_began, warned, gone: None }));
            }
            (State::Raised | State::LevelChanged, Some(episode)) => {
                episode.gone = None;
                if event.level >= Level::Warning {
                    episode.warned = episode.warned.or(Some(at));
                }
            }
            (State::Cleared | State::Replaced, Some(episode)) => episode.gone = Some(at),
            // What people do changes nothing of what was said, and nobody does anything in a trial.
            _ => {}
        }
    }

    /// The episodes in the order in which they were raised.
    #[must_use]
    pub(super) fn finish(self) -> Vec<Episode> {
        self.episodes.into_iter().map(|(_, episode)| episode).collect()
    }
}

#[cfg(test)]
mod tests {
    use monitor_core::event::{AlarmState, Evidence};
    use monitor_core::finding::Finding;
    use monitor_core::time::Instant;

    use super::*;

    fn event(at_ms: i64, id: u32, state: State, level: Level) -> Event {
        Event {
            trip: 0,
            stamp: Instant::from_millis(at_ms),
            id,
            finding: Finding::HeadClimbing,
            channel: None,
            item: None,
            level,
            state,
            alarm_state: AlarmState::Unacknowledged,
            evidence: Evidence::NONE,
            candidates: [None; 3],
            replaced_by: None,
        }
    }

    #[test]
    fn what_is_raised_again_with_the_old_id_is_the_same_episode() {
        let mut book = EpisodeBook::default();
        let told = [
            event(1_000, 1, State::Raised, Level::Caution),
            event(5_000, 1, State::Cleared, Level::Caution),
            event(9_000, 1, State::Raised, Level::Warning),
            event(12_000, 1, State::LevelChanged, Level::Alarm),
            event(20_000, 1, State::Replaced, Level::Alarm),
            event(90_000, 2, State::Raised, Level::Warning),
        ];
        for event in &told {
            book.take(event, None);
        }
        let at = |at_ms| Moment { trip: 0, at_ms };
        let episodes = book.finish();
        let seen: Vec<_> = episodes.iter().map(|episode| (episode.raised, episode.warned, episode.gone)).collect();
        let first = (at(1_000), Some(at(9_000)), Some(at(20_000)));
        assert_eq!(seen, [first, (at(90_000), Some(at(90_000)), None)]);
    }
}
