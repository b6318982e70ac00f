//! The queue as a journal that is never full: entries of 32 bytes, read back from the first.

use embassy_embedded_hal::adapter::BlockingAsync;
use embassy_futures::block_on;
use embedded_storage::nor_flash::ReadNorFlash as _;
use powercut::{SharedFlash, SimError, Subject};
use sequential_storage::Error;
use sequential_storage::cache::{Cache, CacheImpl};
use sequential_storage::queue::{QueueConfig, QueueStorage};

const ENTRY_BYTES: usize = 32;

pub(crate) struct Queue<const WORD: usize, const PAGE: usize> {
    pub(crate) pages: usize,
}

type Handle<const WORD: usize, const PAGE: usize> = SharedFlash<WORD, PAGE>;

fn storage<const WORD: usize, const PAGE: usize>(
    flash: &Handle<WORD, PAGE>,
) -> QueueStorage<BlockingAsync<Handle<WORD, PAGE>>, impl CacheImpl<()>> {
    let end = u32::try_from(flash.capacity()).expect("test flashes are small");
    QueueStorage::new(BlockingAsync::new(flash.clone()), QueueConfig::new(0..end), Cache::new_uncached())
}

impl<const WORD: usize, const PAGE: usize> Subject<WORD, PAGE> for Queue<WORD, PAGE> {
    type Store = Handle<WORD, PAGE>;
    type Op = u32;
    /// The entries, oldest first; 0 for one that is garbled.
    type State = Vec<u32>;
    type Error = Error<SimError>;

    fn open(&self, flash: Handle<WORD, PAGE>) -> Result<Self::Store, Self::Error> {
        assert_eq!(flash.capacity(), self.pages * PAGE, "the whole flash belongs to the queue");
        Ok(flash)
    }

    fn apply(&self, flash: &mut Self::Store, op: &u32) -> Result<(), Self::Error> {
        let bytes: Vec<u8> = op.to_le_bytes().into_iter().cycle().take(ENTRY_BYTES).collect();
        block_on(storage(flash).push(&bytes, false))
    }

    fn read_back(&self, flash: &mut Self::Store) -> Result<Self::State, Self::Error> {
        let mut storage = storage(flash);
        let mut entries = Vec::new();
        block_on(async {
            let mut iterator = storage.iter().await?;
            let mut buffer = [0; 128];
            while let Some(entry) = iterator.next(&mut buffer).await? {
                let number = |at: &[u8]| at.try_into().map(u32::from_le_bytes).unwrap_or(0);
                let first = entry.get(..4).map_or(0, number);
                let whole = entry.len() == ENTRY_BYTES && entry.chunks_exact(4).all(|chunk| number(chunk) == first);
                entries.push(if whole { first } else { 0 });
            }
            Ok::<(), Self::Error>(())
        })?;
        Ok(entries)
    }

    fn expected(&self, before: &Self::State, op: &u32) -> Self::State {
        let mut after = before.clone();
        after.push(*op);
        after
    }
}
