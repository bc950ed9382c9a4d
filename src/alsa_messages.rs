//! Keeps what ALSA says off the terminal.
//!
//! Its library writes to standard error where there is no card, dozens of lines at each try. Its handler is one of a thread,
//! so each thread that opens a device asks for it.

/// Collects from now on what ALSA says on this thread, and logs what it said since it was asked last.
#[cfg(target_os = "linux")]
pub(crate) fn collect() {
    use std::cell::RefCell;
    use std::rc::Rc;

    thread_local! {
        static SAID: RefCell<Option<Rc<RefCell<alsa::Output>>>> = const { RefCell::new(None) };
    }
    let Ok(next) = alsa::Output::local_error_handler() else {
        return;
    };
    let before = SAID.with(|said| said.replace(Some(next)));
    if let Some(before) = before {
        let said = before.borrow().to_string();
        for line in said.lines().filter(|line| !line.is_empty()) {
            tracing::debug!("alsa: {line}");
        }
    }
}

#[cfg(not(target_os = "linux"))]
pub(crate) fn collect() {}
