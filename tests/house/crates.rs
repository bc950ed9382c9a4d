//! Every crate may be part of the program: its licence is on the list of `.ci/deny.toml`, and it comes from the registry.

use std::path::Path;
use std::process::Command;

use serde_json::Value;
use spdx::{Expression, Licensee, ParseMode};

const REGISTRY: &str = "registry+https://github.com/rust-lang/crates.io-index";

#[test]
fn crates_come_from_the_registry_under_licences_on_the_list() {
    let listed: toml::Table =
        toml::from_str(&std::fs::read_to_string(super::root().join(".ci/deny.toml")).unwrap())
            .unwrap();
    let allowed: Vec<Licensee> = listed["licenses"]["allow"]
        .as_array()
        .unwrap()
        .iter()
        .map(|name| Licensee::parse(name.as_str().unwrap()).unwrap())
        .collect();
    let crates = crates_of(&super::root());
    assert!(crates.len() > 300, "{} crates", crates.len());
    let wrong: Vec<String> = crates
        .iter()
        .filter(|one| !one["source"].is_null())
        .filter_map(|one| fault(one, &allowed))
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));

    let made = |licence: &str| serde_json::json!({"name": "x", "version": "1", "source": REGISTRY, "license": licence});
    assert_eq!(fault(&made("GPL-3.0 OR MIT/Apache-2.0"), &allowed), None);
    assert!(fault(&made("GPL-3.0 AND MIT"), &allowed).is_some());
    let mut elsewhere = made("MIT");
    elsewhere["source"] = "git+https://example.com/x".into();
    assert!(fault(&elsewhere, &allowed).is_some());
}

/// All crates that building and testing takes on the machines that it runs on.
fn crates_of(root: &Path) -> Vec<Value> {
    let asked = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked"])
        .args(["--filter-platform", "x86_64-unknown-linux-gnu"])
        .current_dir(root)
        .output()
        .unwrap();
    assert!(asked.status.success(), "{asked:?}");
    let told: Value = serde_json::from_slice(&asked.stdout).unwrap();
    told["packages"].as_array().unwrap().clone()
}

/// What is wrong about a crate.
fn fault(one: &Value, allowed: &[Licensee]) -> Option<String> {
    let who = format!("{} {}", one["name"], one["version"]);
    if one["source"] != REGISTRY {
        return Some(format!("{who} comes from {}", one["source"]));
    }
    let licence = one["license"].as_str().unwrap_or_default();
    // Some crates separate their licences by a slash, as Cargo once asked for.
    match Expression::parse_mode(licence, ParseMode::LAX) {
        Ok(expression) => {
            let may = expression.evaluate(|asked| allowed.iter().any(|one| one.satisfies(asked)));
            (!may).then(|| format!("{who} is under {licence}"))
        }
        Err(error) => Some(format!("{who}: {licence:?}: {error}")),
    }
}
