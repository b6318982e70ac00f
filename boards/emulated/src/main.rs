//! The monitor on a Cortex-M0 that QEMU emulates as machine `microbit`.
#![no_std]
#![no_main]

#[macro_use]
mod markers;
mod marks;
mod stack;

use core::hint::black_box;
use core::panic::PanicInfo;

use board_app::Blocks;
use cortex_m_rt::entry;
use monitor_core::Monitor;

use crate::marks::Marks;

/// Built in place and never moved. Its name is kept so that its size can be read from the image.
#[unsafe(no_mangle)]
static mut MONITOR: Monitor = Monitor::new();

/// Kept out of the stack, whose depth is measured.
static mut BLOCKS: Blocks = Blocks::new();

#[entry]
fn main() -> ! {
    let (monitor, blocks) = (&raw mut MONITOR, &raw mut BLOCKS);
    // SAFETY: `main` runs once, nothing else names the two statics, and no interrupt is enabled.
    let monitor = unsafe { &mut *monitor };
    // Fields are then reached from a register. With an address known to the compiler each function would keep a list of
    // the addresses of all the fields it touches, which is longer and slower.
    let monitor = black_box(monitor);
    // SAFETY: as above.
    let blocks = unsafe { &mut *blocks };
    semihost::exit(semihost::replay(monitor, blocks, &mut Marks, stack::deepest_bytes) as u8)
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
