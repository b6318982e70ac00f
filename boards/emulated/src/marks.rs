//! Places in the image between which an emulator plugin counts instructions.

use core::arch::asm;

/// Calls the markers below.
#[derive(Debug)]
pub(crate) struct Marks;

impl board_app::Marks for Marks {
    fn step_begins(&mut self) {
        mark_step_begins();
    }
    fn step_ended(&mut self) {
        mark_step_ended();
    }
    fn signals_begin(&mut self) {
        mark_signals_begin();
    }
    fn signals_ended(&mut self) {
        mark_signals_ended();
    }
}

/// Declares functions that do nothing. Each has a body of its own, or the linker would fold them into one address.
macro_rules! markers {
    ($($(#[$doc:meta])* $name:ident: $($nop:literal)+;)+) => {$(
        $(#[$doc])*
        #[inline(never)]
        #[unsafe(no_mangle)]
        extern "C" fn $name() {
            // SAFETY: `nop` changes nothing.
            unsafe { asm!($($nop),+) };
        }
    )+};
}

markers! {
    mark_step_begins: "nop";
    mark_step_ended: "nop" "nop";
    mark_signals_begin: "nop" "nop" "nop";
    mark_signals_ended: "nop" "nop" "nop" "nop";
}
