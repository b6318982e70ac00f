//! The store on the real flash controller of a Cortex-M0 that QEMU emulates as machine `microbit`, worked without a
//! pause, so that a debugger can cut its power.
//!
//! Arguments: `endurance`, then how many rounds on an erased flash; 0: on the flash as it is, for ever.
#![no_std]
#![no_main]

#[macro_use]
mod markers;
mod nvmc;
mod stack;
mod store_marks;

use core::panic::PanicInfo;
use core::sync::atomic::{AtomicU32, Ordering};

use board_app::endurance::run_endurance;
use cortex_m_rt::entry;
use monitor_core::ledger::store::{REGION_BYTES, Store};
use semihost::{ExitCode, Rounds};

use crate::nvmc::Nvmc;
use crate::store_marks::StoreMarks;

/// The upper 64 KiB of the flash; `memory.x` keeps the image out of them.
const REGION_START: u32 = 0x0003_0000;

/// Its name is kept so that its size can be read from the image.
#[unsafe(no_mangle)]
static mut STORE: Store = Store::new();

/// Words that are still to be written until [`mark_cut`]; 0: never. A debugger sets it. It keeps its value over a reset,
/// so that words of the recovery can be counted too.
#[unsafe(no_mangle)]
#[unsafe(link_section = ".uninit.words_until_cut")]
static WORDS_UNTIL_CUT: AtomicU32 = AtomicU32::new(0);

#[entry]
fn main() -> ! {
    let store = &raw mut STORE;
    // SAFETY: `main` runs once, nothing else names the static, and no interrupt is enabled.
    let store = unsafe { &mut *store };
    // SAFETY: the memory map ends the image below this region, which holds whole pages, and this is the only driver.
    let flash = unsafe { Nvmc::new(REGION_START, REGION_BYTES, count_word) };
    semihost::exit(endure(store, flash) as u8)
}

fn endure(store: &mut Store, mut flash: Nvmc) -> ExitCode {
    let rounds = match Rounds::asked_for() {
        Ok(Rounds::ForEver) => None,
        Ok(Rounds::OnErasedFlash(rounds)) => {
            if flash.erase_all().is_err() {
                return ExitCode::Store;
            }
            Some(rounds)
        }
        Err(code) => return code,
    };
    semihost::endurance(&mut StoreMarks, stack::deepest_bytes, |listener| run_endurance(store, flash, rounds, listener))
}

/// Counts down to the cut.
fn count_word(address: u32, value: u32) {
    let left = WORDS_UNTIL_CUT.load(Ordering::Relaxed);
    if left == 0 {
        return;
    }
    WORDS_UNTIL_CUT.store(left.wrapping_sub(1), Ordering::Relaxed);
    if left == 1 {
        mark_cut(address, value);
    }
}

/// Where a debugger stops the processor just before `value` is written to `address`; both stand in registers 0 and 1.
/// `memory.x` gives it a page of its own.
#[inline(never)]
#[unsafe(no_mangle)]
#[unsafe(link_section = ".cut")]
extern "C" fn mark_cut(address: u32, value: u32) {
    // SAFETY: it does nothing, with two registers that hold the arguments.
    unsafe { core::arch::asm!("nop", in("r0") address, in("r1") value, options(nomem, nostack, preserves_flags)) };
}

/// Not linked while no panic path is left in the image.
#[panic_handler]
fn panicked(_info: &PanicInfo<'_>) -> ! {
    panic_path_linked()
}

/// Its name in an image says that something in it can panic; the project's checks look for it.
#[inline(never)]
#[unsafe(no_mangle)]
extern "C" fn panic_path_linked() -> ! {
    semihost::exit(101)
}
