//! `cagehand read-clip`: what a cagehand starts to read a clip that was dropped on its page. Nobody else calls it.

use std::io::{BufRead, Write};

use super::Failure;
use crate::clips::{ClipNews, ClipOrder};
use crate::daemon::read_clip;

/// Reads the clip of the order that comes through standard input.
pub(super) fn run() -> Result<(), Failure> {
    let mut line = String::new();
    std::io::stdin().lock().read_line(&mut line)?;
    let order: ClipOrder = serde_json::from_str(&line)
        .map_err(|error| Failure::Request(format!("this is no order: {error}")))?;
    read_clip(&order, say);
    Ok(())
}

fn say(news: ClipNews) {
    let mut out = std::io::stdout().lock();
    let said = serde_json::to_writer(&mut out, &news)
        .map_err(std::io::Error::from)
        .and_then(|()| writeln!(out))
        .and_then(|()| out.flush());
    if let Err(error) = said {
        tracing::warn!(%error, "nobody hears of the clip any more");
    }
}
