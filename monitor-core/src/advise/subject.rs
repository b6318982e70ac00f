//! What a finding is about, in one byte: a sensor, an item of the service plan, or the engine itself.

use crate::acquire::Channel;
use crate::ledger::Item;
use crate::ledger::store::codes::{channel_code, channel_of, item_code, item_of};

/// Tells items from channels.
const ITEM: u8 = 0x80;

/// The numbers are those of the store.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Subject(u8);

impl Subject {
    pub(crate) const fn of_channel(channel: Option<Channel>) -> Self {
        match channel {
            Some(channel) => Self(channel_code(channel)),
            None => Self(0),
        }
    }

    pub(crate) const fn of_item(item: Item) -> Self {
        Self(ITEM | item_code(item))
    }

    pub(crate) const fn channel(self) -> Option<Channel> {
        channel_of(self.0)
    }

    pub(crate) const fn item(self) -> Option<Item> {
        if self.0 & ITEM == 0 { None } else { item_of(self.0 & !ITEM) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn channels_and_items_come_back_and_are_told_apart() {
        for channel in Channel::ALL {
            let subject = Subject::of_channel(Some(channel));
            assert_eq!((subject.channel(), subject.item()), (Some(channel), None));
        }
        for item in Item::ALL {
            let subject = Subject::of_item(item);
            assert_eq!((subject.channel(), subject.item()), (None, Some(item)));
        }
        let none = Subject::of_channel(None);
        assert_eq!((none.channel(), none.item()), (None, None));
    }
}
