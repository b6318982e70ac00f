//! A store that is opened on a flash of which nobody knows what it holds.

use std::convert::Infallible;
use std::sync::OnceLock;

use board_app::endurance::{Listener, Said, Task, run_endurance};
use monitor_core::ledger::Totals;
use monitor_core::ledger::store::{Conditions, REGION_BYTES, Store, Work};
use powercut::{SharedFlash, SimFlash};

use crate::input::Input;

const REGION: usize = REGION_BYTES as usize;
const PAGES: usize = REGION / 1_024;
type Flash = SharedFlash<4, 1_024>;

/// More than all areas together need after power-up.
const MOST_CALLS: usize = 1_000;

/// The first byte chooses what the flash holds: zeros, ones, or the image of a store in use. Patches follow: a place, a
/// length, bytes. The store must open, become ready, take hours, and have the same after a power-down.
///
/// # Panics
/// It does not.
pub fn flash_image(data: &[u8]) {
    let mut input = Input::new(data);
    let mut bytes = match input.byte() % 4 {
        0 => vec![0x00; REGION],
        1 => vec![0xFF; REGION],
        _ => image_in_use().to_vec(),
    };
    while !input.is_used_up() {
        let (place, length) = (usize::from(input.number()), usize::from(input.byte()));
        for (at, byte) in (place..).zip(input.bytes(length)) {
            if let Some(old) = bytes.get_mut(at) {
                *old = *byte;
            }
        }
    }
    let flash = Flash::new(SimFlash::from_bytes(bytes));
    let found = open(&flash, None);
    let mut more = found;
    more.running_ms[0] = more.running_ms[0].saturating_add(60_000);
    let saved = open(&flash, Some(more));
    assert!(saved.all_running_ms() >= found.all_running_ms(), "{found:?} became {saved:?}");
    assert_eq!(open(&flash, None), saved, "after a power-down");
    assert_eq!(flash.with(|flash| flash.breach()), None);
}

/// Opens a store, lets it do all it has to do, for `hours` if there are any, and tells the hours it has.
fn open(flash: &Flash, hours: Option<Totals>) -> Totals {
    let mut flash = flash.clone();
    let mut store = Store::new();
    store.open(&mut flash, 0).unwrap_or_else(|error| panic!("{error}"));
    let standing = Conditions { engine_runs: false, supply_is_good: true };
    let hours = hours.unwrap_or(Totals::NONE);
    for _ in 0..MOST_CALLS {
        let work = store.service(&mut flash, &hours, standing).unwrap_or_else(|error| panic!("{error}"));
        if work == Work::Nothing && store.is_ready() {
            read_all(&store, &mut flash);
            return store.hours.saved().unwrap_or_else(|| panic!("ready without hours"));
        }
    }
    panic!("not ready after {MOST_CALLS} calls");
}

/// Whatever can be read can be read without harm.
fn read_all(store: &Store, flash: &mut Flash) {
    store.journal.tally(flash).unwrap_or_else(|error| panic!("{error}"));
    let mut walk = store.journal.newest();
    let mut entries = 0;
    while store.journal.older(flash, &mut walk).unwrap_or_else(|error| panic!("{error}")).is_some() {
        entries += 1;
        assert!(entries <= 768, "the journal has no end");
    }
    let mut learned = [0; 512];
    store.learned.load(flash, &mut learned).unwrap_or_else(|error| panic!("{error}"));
}

/// The image of a store that was worked through more than one turn of each ring.
fn image_in_use() -> &'static [u8] {
    static IMAGE: OnceLock<Vec<u8>> = OnceLock::new();
    IMAGE.get_or_init(|| {
        let flash = Flash::new(SimFlash::new(PAGES));
        run_endurance(&mut Store::new(), flash.clone(), Some(900), &mut Deaf)
            .unwrap_or_else(|error| panic!("{error:?}"));

        flash.with(|flash| flash.bytes().to_vec())
    })
}

/// Nobody listens.
struct Deaf;

impl Listener for Deaf {
    type Error = Infallible;

    fn begins(&mut self, _task: Task) {}

    fn ended(&mut self, _task: Task, _work: Work) {}

    fn hear(&mut self, _said: Said, _value: u32) -> Result<(), Infallible> {
        Ok(())
    }
}
