//! The camera's picture for screens, where the settings allow it. It is never stored.
//!
//! Whoever asks gets the next picture that is taken from then on. The pictures that wait to be asked for are none: a picture
//! is only made while a screen waits for one.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use tokio::sync::watch;

use super::live::LiveFigure;

/// A picture as a screen shows it.
#[derive(Debug)]
pub(crate) struct PreviewPicture {
    /// A whole JPEG file.
    pub jpeg: Vec<u8>,
    /// The hitter in the same frame, in pixels of the camera's own picture, of which this one is a smaller copy.
    pub figure: LiveFigure,
}

/// The newest picture, and whether there may be any.
#[derive(Debug, Default)]
pub(crate) struct Preview {
    allowed: AtomicBool,
    /// The hitter who hits now does not want it.
    withheld: AtomicBool,
    made: AtomicU64,
    /// Its receivers are the screens that wait now.
    newest: watch::Sender<Option<Arc<PreviewPicture>>>,
}

impl Preview {
    /// Allows pictures, or forbids them; the last picture is then forgotten.
    pub(crate) fn allow(&self, allowed: bool) {
        self.allowed.store(allowed, Ordering::Release);
        self.forget_unless_allowed();
    }

    /// Withholds pictures of a hitter who does not allow them, whatever is allowed in general.
    pub(crate) fn withhold(&self, withheld: bool) {
        self.withheld.store(withheld, Ordering::Release);
        self.forget_unless_allowed();
    }

    fn forget_unless_allowed(&self) {
        if !self.is_allowed() {
            self.newest.send_if_modified(|newest| {
                *newest = None;
                false
            });
        }
    }

    /// Whether screens may show the picture now.
    pub(crate) fn is_allowed(&self) -> bool {
        self.allowed.load(Ordering::Acquire) && !self.withheld.load(Ordering::Acquire)
    }

    /// Whether a picture is allowed and a screen waits for it.
    pub(crate) fn is_wanted(&self) -> bool {
        self.is_allowed() && self.newest.receiver_count() > 0
    }

    /// How many pictures screens were handed since the start.
    pub(crate) fn made(&self) -> u64 {
        self.made.load(Ordering::Relaxed)
    }

    /// Hands a picture to the screens that wait, unless pictures were forbidden meanwhile.
    pub(crate) fn publish(&self, picture: PreviewPicture) {
        let picture = Arc::new(picture);
        // Checked under the channel's lock, so that nothing is published after it was forbidden.
        self.newest.send_if_modified(|newest| {
            let allowed = self.is_allowed();
            self.made.fetch_add(u64::from(allowed), Ordering::Relaxed);
            *newest = Some(picture).filter(|_| allowed);
            allowed
        });
    }

    /// The next picture from now on, however long it takes; never one that was there before.
    pub(crate) async fn next(&self) -> Option<Arc<PreviewPicture>> {
        let mut newest = self.newest.subscribe();
        newest.changed().await.ok()?;
        newest.borrow().clone()
    }

    /// A screen that waits for as long as this is kept.
    #[cfg(test)]
    pub(crate) fn waiting_screen(&self) -> watch::Receiver<Option<Arc<PreviewPicture>>> {
        self.newest.subscribe()
    }
}
