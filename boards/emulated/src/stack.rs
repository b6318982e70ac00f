//! How deep the stack has been: before `main`, `cortex-m-rt` paints all of it.

use core::ptr::read_volatile;

use cortex_m_rt::STACK_PAINT_VALUE;

unsafe extern "C" {
    /// Lowest word that the stack may use; placed by the linker script of `cortex-m-rt`.
    static _stack_end: u32;
    /// End of the RAM, where the stack begins; placed likewise.
    static _stack_start: u32;
}

/// Bytes from the top of the stack to the deepest word that has lost its paint.
pub(crate) fn deepest_bytes() -> Option<u32> {
    let top = &raw const _stack_start;
    let mut word = &raw const _stack_end;
    while word < top {
        // SAFETY: between the two ends that the linker script names there is RAM, which anyone may read.
        let value = unsafe { read_volatile(word) };
        if value != STACK_PAINT_VALUE {
            break;
        }
        word = word.wrapping_add(1);
    }
    u32::try_from(top.addr().saturating_sub(word.addr())).ok()
}
