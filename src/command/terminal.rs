//! Lines for the person at the terminal, on standard output.

use std::io::Write;

/// Prints a line. A reader that went away (a closed pipe) is no reason to stop watching.
pub(super) fn println(text: &str) {
    let mut out = std::io::stdout().lock();
    if let Err(error) = writeln!(out, "{text}").and_then(|()| out.flush()) {
        tracing::debug!(%error, "standard output is gone");
    }
}
