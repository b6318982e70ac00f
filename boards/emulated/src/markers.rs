//! Places in an image between which an emulator plugin counts instructions.

/// Declares functions that do nothing that matters. Each has a number of its own, or the linker would fold their equal
/// bodies into one address.
macro_rules! markers {
    ($($(#[$doc:meta])* $name:ident: $number:literal;)+) => {$(
        $(#[$doc])*
        #[inline(never)]
        #[unsafe(no_mangle)]
        extern "C" fn $name() {
            // SAFETY: it puts a number into a register that a called function may use, and changes the flags.
            unsafe { core::arch::asm!("movs r0, #{}", const $number, out("r0") _) };
        }
    )+};
}
