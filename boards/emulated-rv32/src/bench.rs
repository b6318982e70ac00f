//! An engine on a test bench, from pin edges and converter counts to events, on a 32-bit RISC-V core that QEMU emulates
//! as machine `virt`.
#![no_std]
#![no_main]

use core::panic::PanicInfo;

use board_app::bench::{BenchRoom, NoWitness, Pins};
use monitor_core::Monitor;
use riscv_rt::entry;

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
    // SAFETY: `main` runs once, on the only core, nothing else names the two statics, and no interrupt is enabled.
    let monitor = unsafe { &mut *monitor };
    // SAFETY: as above.
    let room = unsafe { &mut *room };
    semihost::exit(semihost::bench(monitor, room, &PINS, &mut NoWitness, || None) as u8)
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
