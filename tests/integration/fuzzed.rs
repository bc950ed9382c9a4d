//! Inputs that once were a fuzzer's findings, and those that it begins with, run by the fuzz targets' own code.

use std::fs;

use crate::fuzz_targets::TARGETS;
use crate::program::project;

#[test]
fn what_a_fuzzer_found_is_mended_for_good() {
    let all = project("tests/data/fuzz");
    let mut ran = 0;
    for (name, target) in TARGETS {
        let Ok(folder) = fs::read_dir(all.join(name)) else {
            continue;
        };
        for entry in folder {
            let path = entry.unwrap().path();
            eprintln!("{}", path.display());
            target(&fs::read(&path).unwrap());
            ran += 1;
        }
    }
    assert!(ran > 0, "{} holds no input", all.display());
}

/// A folder that no target is named after would never be run.
#[test]
fn every_folder_of_findings_belongs_to_a_target() {
    for entry in fs::read_dir(project("tests/data/fuzz")).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        let known = TARGETS.iter().any(|(target, _)| *target == name);
        assert!(known || name == "README.md", "{name}");
    }
}
