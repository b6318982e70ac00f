//! Hands the memory map to the linker.

use std::path::PathBuf;
use std::{env, fs, io};

fn main() -> io::Result<()> {
    let out = PathBuf::from(env::var_os("OUT_DIR").ok_or_else(|| io::Error::other("cargo did not set OUT_DIR"))?);
    fs::copy("memory.x", out.join("memory.x"))?;
    println!("cargo::rustc-link-search={}", out.display());
    println!("cargo::rerun-if-changed=memory.x");
    // Here and not in a config file, so that the image links right from whatever directory cargo is called.
    println!("cargo::rustc-link-arg-bins=-Tlink.x");
    println!("cargo::rustc-link-arg-bins=--nmagic");
    Ok(())
}
