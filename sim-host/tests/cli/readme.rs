//! The README shows what the command really prints.

use std::path::Path;
use std::process::Command;

#[test]
fn the_first_command_of_the_readme_prints_what_the_readme_shows() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let readme = std::fs::read_to_string(root.join("README.md")).expect("README.md");
    let block = |language: &str| {
        let from = readme.split_once(&format!("```{language}\n")).expect("a block").1;
        from.split_once("```").expect("its end").0
    };
    let line = block("sh").lines().next().expect("a command");
    let arguments = line.split_once(" -- ").expect("arguments of lookastern").1.split(' ');
    let output = Command::new(env!("CARGO_BIN_EXE_lookastern"))
        .args(arguments)
        .current_dir(&root)
        .output()
        .expect("lookastern runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(String::from_utf8_lossy(&output.stdout), block("text"));
}
