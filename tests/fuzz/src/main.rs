//! The fuzzer's way in: the target is named by the variable FUZZ_TARGET. With FUZZ_SEEDS it writes the inputs to begin with
//! into that folder, one folder a target, and ends.

#![no_main]

mod seeds;

use std::path::Path;
use std::sync::OnceLock;

use cagehand_fuzz::{TARGETS, Target};
use libfuzzer_sys::fuzz_target;

static TARGET: OnceLock<Target> = OnceLock::new();

fn prepare() {
    if let Ok(folder) = std::env::var("FUZZ_SEEDS") {
        let written = seeds::write(Path::new(&folder));
        written.unwrap_or_else(|error| panic!("the seeds cannot be made: {error}"));
        std::process::exit(0);
    }
    let name = std::env::var("FUZZ_TARGET").unwrap_or_default();
    let found = TARGETS.iter().find(|(known, _)| *known == name);
    let names: Vec<_> = TARGETS.iter().map(|(known, _)| *known).collect();
    let (_, target) = found.unwrap_or_else(|| panic!("FUZZ_TARGET must be one of {names:?}"));
    // A panic that the program itself catches is no finding, so the fuzzer's own hook, which ends the process at every
    // panic, gives way. One that gets out of the target ends the process all the same; its words are printed here.
    std::panic::set_hook(Box::new(|_| {}));
    let _ = TARGET.set(*target);
}

fuzz_target!(init: prepare(), |data: &[u8]| {
    let Some(target) = TARGET.get() else { return };
    if let Err(panic) = std::panic::catch_unwind(|| target(data)) {
        let words = panic
            .downcast_ref::<String>()
            .map(String::as_str)
            .or(panic.downcast_ref::<&str>().copied());
        eprintln!("panic: {}", words.unwrap_or("without words"));
        std::process::abort();
    }
});
