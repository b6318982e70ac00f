//! The map: three keys, values of 24 bytes.

use embassy_embedded_hal::adapter::BlockingAsync;
use embassy_futures::block_on;
use embedded_storage::nor_flash::ReadNorFlash as _;
use powercut::{SharedFlash, SimError, Subject};
use sequential_storage::Error;
use sequential_storage::cache::{Cache, CacheImpl};
use sequential_storage::map::{MapConfig, MapStorage};

pub(crate) const KEYS: usize = 3;
const VALUE_BYTES: usize = 24;
/// Stores of one value at most, so that a value that never reads back ends in an error.
const ATTEMPTS: usize = 4;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Wrapping {
    AsItIs,
    ReadBack,
    ReadBackAndCopy,
}

pub(crate) struct Map<const WORD: usize, const PAGE: usize> {
    pub(crate) wrapping: Wrapping,
    pub(crate) pages: usize,
}

#[derive(Debug)]
pub(crate) enum Fault {
    Crate(#[expect(dead_code, reason = "printed in reports")] Error<SimError>),
    Garbled,
    NeverReadBack,
}

impl From<Error<SimError>> for Fault {
    fn from(error: Error<SimError>) -> Self {
        Self::Crate(error)
    }
}

type Handle<const WORD: usize, const PAGE: usize> = SharedFlash<WORD, PAGE>;

/// Nothing is cached, so a new storage for every call is the same storage.
fn storage<const WORD: usize, const PAGE: usize>(
    flash: &Handle<WORD, PAGE>,
) -> MapStorage<u8, BlockingAsync<Handle<WORD, PAGE>>, impl CacheImpl<u8>> {
    let end = u32::try_from(flash.capacity()).expect("test flashes are small");
    MapStorage::new(BlockingAsync::new(flash.clone()), MapConfig::new(0..end), Cache::new_uncached())
}

fn fetch<const WORD: usize, const PAGE: usize>(flash: &Handle<WORD, PAGE>, key: usize) -> Result<u32, Fault> {
    let mut buffer = [0; 128];
    let key = u8::try_from(key).expect("few keys");
    let found: Option<&[u8]> = block_on(storage(flash).fetch_item(&mut buffer, &key))?;
    let Some(bytes) = found else { return Ok(0) };
    let number = |at: &[u8]| at.try_into().map(u32::from_le_bytes).unwrap_or(0);
    let first = bytes.get(..4).map_or(0, number);
    let whole = bytes.len() == VALUE_BYTES && bytes.chunks_exact(4).all(|chunk| number(chunk) == first);
    if whole { Ok(first) } else { Err(Fault::Garbled) }
}

fn store<const WORD: usize, const PAGE: usize>(
    flash: &Handle<WORD, PAGE>,
    key: usize,
    value: u32,
) -> Result<(), Fault> {
    let mut buffer = [0; 128];
    let key = u8::try_from(key).expect("few keys");
    let bytes: Vec<u8> = value.to_le_bytes().into_iter().cycle().take(VALUE_BYTES).collect();
    Ok(block_on(storage(flash).store_item(&mut buffer, &key, &bytes.as_slice()))?)
}

impl<const WORD: usize, const PAGE: usize> Map<WORD, PAGE> {
    fn store(&self, flash: &Handle<WORD, PAGE>, key: usize, value: u32) -> Result<(), Fault> {
        if self.wrapping == Wrapping::AsItIs {
            return store(flash, key, value);
        }
        for _ in 0..ATTEMPTS {
            store(flash, key, value)?;
            if fetch(flash, key)? == value {
                return Ok(());
            }
        }
        Err(Fault::NeverReadBack)
    }
}

impl<const WORD: usize, const PAGE: usize> Subject<WORD, PAGE> for Map<WORD, PAGE> {
    type Store = Handle<WORD, PAGE>;
    /// Key and value.
    type Op = (usize, u32);
    type State = [u32; KEYS];
    type Error = Fault;

    fn open(&self, flash: Handle<WORD, PAGE>) -> Result<Self::Store, Fault> {
        assert_eq!(flash.capacity(), self.pages * PAGE, "the whole flash belongs to the map");
        if self.wrapping == Wrapping::ReadBackAndCopy {
            for key in 0..KEYS {
                let value = fetch(&flash, key)?;
                if value != 0 {
                    self.store(&flash, key, value)?;
                }
            }
        }
        Ok(flash)
    }

    fn apply(&self, flash: &mut Self::Store, &(key, value): &Self::Op) -> Result<(), Fault> {
        self.store(flash, key, value)
    }

    fn read_back(&self, flash: &mut Self::Store) -> Result<Self::State, Fault> {
        Ok([fetch(flash, 0)?, fetch(flash, 1)?, fetch(flash, 2)?])
    }

    fn expected(&self, before: &Self::State, &(key, value): &Self::Op) -> Self::State {
        let mut after = *before;
        after[key] = value;
        after
    }
}
