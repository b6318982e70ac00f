//! An engine on a test bench, from pin edges and converter counts to events, on a Cortex-M0 that QEMU emulates as
//! machine
//! `microbit`.
#![no_std]
#![no_main]

#[macro_use]
mod markers;
mod driver_marks;
mod stack;

use core::panic::PanicInfo;

use board_app::bench::{BenchRoom, Pins};
use cortex_m_rt::entry;
use monitor_core::Monitor;

use crate::driver_marks::DriverMarks;

/// Built in place and never moved. Its name is kept so that its size can be read from the image.
#[unsafe(no_mangle)]
static mut MONITOR: Monitor = Monitor::new();

/// Kept out of the stack, whose depth is measured.
static mut ROOM: BenchRoom<'static> = BenchRoom::new();

/// What a converter writes and the drivers read.
static PINS: Pins = Pins::new();

#[entry]
fn main() -> ! {
    let (monitor, room) = (&raw mut MONITOR, &raw mut ROOM);
    // SAFETY: `main` runs once, nothing else names the two statics, and no interrupt is enabled.
    let monitor = unsafe { &mut *monitor };
    // SAFETY: as above.
    let room = unsafe { &mut *room };
    semihost::exit(semihost::bench(monitor, room, &PINS, &mut DriverMarks, stack::deepest_bytes) as u8)
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
