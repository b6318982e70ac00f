//! The one instruction that asks the emulating machine for something.

/// What can be asked; the numbers are those of the specification.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(usize)]
pub(crate) enum Operation {
    Open = 0x01,
    Close = 0x02,
    Write = 0x05,
    Read = 0x06,
    GetCommandLine = 0x15,
    ExitExtended = 0x20,
}

/// Asks for `operation`. Addresses among the arguments must be of memory whose provenance is exposed, which stays
/// valid during the call, and which is writable where the operation writes.
pub(crate) fn call<const N: usize>(operation: Operation, arguments: &mut [usize; N]) -> usize {
    let answer: usize;
    #[cfg(target_arch = "arm")]
    // SAFETY: breakpoint 0xAB with the operation in r0 and the address of its arguments in r1 is the call of the
    // specification; the answer comes back in r0 and no other register changes. All memory that it touches is either
    // `arguments` or was handed over by the modules of this crate, which borrow it for the length of the call.
    unsafe {
        core::arch::asm!(
            "bkpt #0xab",
            inlateout("r0") operation as usize => answer,
            in("r1") arguments.as_mut_ptr(),
            options(nostack, preserves_flags),
        );
    }
    #[cfg(target_arch = "riscv32")]
    // SAFETY: these three uncompressed instructions, on one page because they are aligned to 16 bytes, are the call of
    // the specification, with the operation in a0 and the address of its arguments in a1; the answer comes back in a0
    // and no other register changes. Memory: as above.
    unsafe {
        core::arch::asm!(
            ".balign 16",
            ".option push",
            ".option norvc",
            "slli zero, zero, 0x1f",
            "ebreak",
            "srai zero, zero, 7",
            ".option pop",
            inlateout("a0") operation as usize => answer,
            in("a1") arguments.as_mut_ptr(),
            options(nostack, preserves_flags),
        );
    }
    #[cfg(not(any(target_arch = "arm", target_arch = "riscv32")))]
    {
        // Elsewhere there is nobody to ask; this keeps the crate checkable with a host's tools.
        let _ = (operation as usize, arguments);
        answer = usize::MAX;
    }
    answer
}

/// Ends the emulation; `code` becomes the exit code of the emulator.
pub fn exit(code: u8) -> ! {
    /// The program ended by itself.
    const APPLICATION_EXIT: usize = 0x2_0026;
    loop {
        call(Operation::ExitExtended, &mut [APPLICATION_EXIT, usize::from(code)]);
    }
}
