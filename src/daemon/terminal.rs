//! Where the daemon's lines for the person at the terminal go.

use std::fmt;
use std::sync::Arc;

/// Takes lines, one call each, from any thread. Clones go to the same place.
#[derive(Clone)]
pub struct Terminal(Arc<dyn Fn(&str) + Send + Sync>);

impl Terminal {
    /// Hands each line to `print`.
    pub fn new(print: impl Fn(&str) + Send + Sync + 'static) -> Self {
        Self(Arc::new(print))
    }

    /// Drops every line.
    pub fn silent() -> Self {
        Self::new(|_| {})
    }

    /// Prints one line.
    pub(crate) fn println(&self, line: &str) {
        (self.0)(line);
    }
}

impl fmt::Debug for Terminal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Terminal")
    }
}
