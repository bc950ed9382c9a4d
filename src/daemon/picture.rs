//! The camera's picture for screens, where the settings allow it. It is never stored.
//!
//! In: frames with their poses from the pose thread, only while a screen waits for a picture. Out: to whoever asks, the next
//! picture that is taken from then on, small and packed, with the figure of the same frame. Pictures are made on the thread
//! `picture`; a frame that finds it busy is left out. Where the picture is not allowed, a frame costs one load; where it is and
//! nobody asks, two.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender, bounded};
use tokio::sync::watch;

use super::live::LiveFigure;
use crate::capture::Frame;
use crate::picture_size::PictureSize;
use crate::pose::PoseFrame;
use crate::thread::spawn;
use crate::video::{Largest, Packer};

/// No side of a picture is longer, pixels.
const LONGEST_PX: usize = 640;
/// Pictures come no faster, however many screens ask.
const EVERY: Duration = Duration::from_millis(100);

/// A picture as a screen shows it.
#[derive(Debug)]
pub struct Picture {
    /// A whole JPEG file.
    pub jpeg: Vec<u8>,
    /// The hitter in the same frame, in pixels of the camera's own picture, of which this one is a smaller copy.
    pub figure: LiveFigure,
}

/// Where pictures are asked for, and whether they may be.
#[derive(Debug, Default)]
pub struct Pictures {
    allowed: AtomicBool,
    made: AtomicU64,
    /// Its receivers are the screens that wait now.
    newest: watch::Sender<Option<Arc<Picture>>>,
}

impl Pictures {
    /// Allows pictures, or does not any more: what was made is then forgotten.
    pub fn allow(&self, allowed: bool) {
        self.allowed.store(allowed, Ordering::Release);
        if !allowed {
            self.newest.send_if_modified(|newest| {
                *newest = None;
                false
            });
        }
    }

    /// Whether screens may show the picture.
    pub fn are_allowed(&self) -> bool {
        self.allowed.load(Ordering::Acquire)
    }

    /// How many were made since the start.
    pub fn made(&self) -> u64 {
        self.made.load(Ordering::Relaxed)
    }

    /// The next picture from now on, however long it takes; never one that was there before.
    pub async fn next(&self) -> Option<Arc<Picture>> {
        let mut newest = self.newest.subscribe();
        newest.changed().await.ok()?;
        newest.borrow().clone()
    }

    fn are_wanted(&self) -> bool {
        self.are_allowed() && self.newest.receiver_count() > 0
    }
}

/// The pose thread's end.
#[derive(Debug)]
pub(crate) struct PictureTap {
    pictures: Arc<Pictures>,
    full: Sender<(Frame, LiveFigure)>,
    empty: Receiver<Frame>,
    taken_at: Option<Instant>,
}

/// The end that packs.
struct Press {
    pictures: Arc<Pictures>,
    full: Receiver<(Frame, LiveFigure)>,
    used: Sender<Frame>,
    packer: Packer,
}

impl PictureTap {
    /// Starts the thread `picture`, which ends with the tap.
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub(crate) fn start(pictures: Arc<Pictures>) -> io::Result<Self> {
        let (tap, press) = ends(pictures);
        spawn("picture", move || press.run())?;
        Ok(tap)
    }

    /// Takes a copy of a frame where a picture is wanted and due. Never waits.
    pub(super) fn offer(&mut self, frame: &Frame, pose: &PoseFrame) {
        if !self.pictures.are_wanted() || self.full.is_full() {
            return;
        }
        let now = Instant::now();
        if self.taken_at.is_some_and(|at| now - at < EVERY) {
            return;
        }
        self.taken_at = Some(now);
        let size = PictureSize {
            width_px: frame.width as u32,
            height_px: frame.height as u32,
        };
        let mut copy = self.empty.try_recv().unwrap_or_default();
        // Copied and not handed over: the film's tap may want the same frame.
        (copy.width, copy.height) = (frame.width, frame.height);
        copy.rgb.clone_from(&frame.rgb);
        // Only this thread sends, so there is room; without a press there are no pictures.
        let _ = self
            .full
            .try_send((copy, LiveFigure::or_nobody(pose, size)));
    }
}

/// A tap and its press, with one frame on its way between them.
fn ends(pictures: Arc<Pictures>) -> (PictureTap, Press) {
    let (full, to_pack) = bounded(1);
    let (used, empty) = bounded(2);
    let tap = PictureTap {
        pictures: Arc::clone(&pictures),
        full,
        empty,
        taken_at: None,
    };
    let press = Press {
        pictures,
        full: to_pack,
        used,
        packer: Packer::new(Largest {
            width: LONGEST_PX,
            height: LONGEST_PX,
        }),
    };
    (tap, press)
}

impl Press {
    fn run(mut self) {
        while let Ok((frame, figure)) = self.full.recv() {
            self.make(frame, figure);
        }
    }

    fn make(&mut self, frame: Frame, figure: LiveFigure) {
        let packed = self.packer.pack(&frame);
        // A buffer that finds no place is simply freed.
        let _ = self.used.try_send(frame);
        match packed {
            Some(Ok(packed)) => {
                self.pictures.made.fetch_add(1, Ordering::Relaxed);
                let picture = Arc::new(Picture {
                    jpeg: packed.jpeg,
                    figure,
                });
                // Looked at under the channel's lock: what is forbidden meanwhile is not put up.
                self.pictures.newest.send_if_modified(|newest| {
                    let allowed = self.pictures.are_allowed();
                    *newest = Some(picture).filter(|_| allowed);
                    allowed
                });
            }
            Some(Err(error)) => tracing::error!(%error, "a picture could not be packed"),
            None => {}
        }
    }
}

/// What everyone at the terminal, and in the service's log, is to see about the picture on the cage's screen.
pub(crate) fn picture_notice(allowed: bool) -> &'static str {
    match allowed {
        true => {
            "THE CAMERA'S PICTURE IS SHOWN on the page's cage screen, to whoever may see that screen. It is not stored. Everyone \
             who is in the picture must know and agree. To stop it, set picture = false under [page] in the settings"
        }
        false => "the camera's picture is not shown on the page any more",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pose::{Body, ImagePoint, Landmark};
    use crate::time::CaptureTime;

    fn frame() -> Frame {
        let mut frame = Frame::default();
        frame.resized(1280, 720).fill(90);
        frame
    }

    fn pose() -> PoseFrame {
        let mut body = Body::empty();
        body.image[Landmark::Nose.index()] = Some(ImagePoint {
            x_px: 640.0,
            y_px: 200.0,
            visibility: 0.9,
        });
        PoseFrame {
            index: 0,
            captured_at: CaptureTime::default(),
            body: Some(body),
        }
    }

    /// Whether a frame was taken over.
    fn taken(tap: &mut PictureTap, press: &Press) -> bool {
        tap.offer(&frame(), &pose());
        !press.full.is_empty()
    }

    #[test]
    fn no_frame_is_taken_unless_pictures_are_allowed_and_a_screen_waits() {
        let pictures = Arc::new(Pictures::default());
        let (mut tap, press) = ends(Arc::clone(&pictures));
        let screen = pictures.newest.subscribe();
        assert!(!taken(&mut tap, &press), "off is the default");
        pictures.allow(true);
        drop(screen);
        assert!(!taken(&mut tap, &press), "nobody waits");
        let _screen = pictures.newest.subscribe();
        assert!(taken(&mut tap, &press));
        assert_eq!(pictures.made(), 0);
    }

    #[test]
    fn a_press_that_is_busy_or_just_had_one_gets_none_and_nothing_waits_for_it() {
        let pictures = Arc::new(Pictures::default());
        pictures.allow(true);
        let (mut tap, press) = ends(Arc::clone(&pictures));
        let _screen = pictures.newest.subscribe();
        assert!(taken(&mut tap, &press));
        // Nobody packs: a tap that waited would hang here.
        tap.taken_at = None;
        tap.offer(&frame(), &pose());
        assert_eq!(press.full.len(), 1);
        drop(press.full.recv());
        assert!(tap.taken_at.is_none(), "the second was not taken");
        assert!(taken(&mut tap, &press));
        drop(press.full.recv());
        assert!(!taken(&mut tap, &press), "within a tenth of a second");
        tap.taken_at = tap.taken_at.and_then(|at| at.checked_sub(EVERY));
        assert!(taken(&mut tap, &press));
    }

    #[tokio::test]
    async fn whoever_asks_gets_the_next_picture_with_its_own_figure_and_never_an_old_one() {
        let pictures = Arc::new(Pictures::default());
        pictures.allow(true);
        let (_tap, mut press) = ends(Arc::clone(&pictures));
        let size = PictureSize {
            width_px: 1280,
            height_px: 720,
        };
        let figure = LiveFigure::or_nobody(&pose(), size);
        // Made before anybody asks, such as by a camera that has gone since.
        press.make(frame(), figure.clone());
        let soon = Duration::from_millis(50);
        assert!(
            tokio::time::timeout(soon, pictures.next()).await.is_err(),
            "an old picture is not the next one"
        );
        let asks = {
            let pictures = Arc::clone(&pictures);
            tokio::spawn(async move { pictures.next().await })
        };
        while pictures.newest.receiver_count() == 0 {
            tokio::task::yield_now().await;
        }
        press.make(frame(), figure.clone());
        let picture = asks.await.unwrap().unwrap();
        assert_eq!(picture.figure, figure);
        let mut decoder = zune_jpeg::JpegDecoder::new(
            zune_jpeg::zune_core::bytestream::ZCursor::new(picture.jpeg.as_slice()),
        );
        decoder.decode().unwrap();
        assert_eq!(decoder.dimensions(), Some((640, 360)));
    }

    #[test]
    fn what_is_made_while_pictures_are_forbidden_is_not_put_up_and_what_was_there_goes() {
        let pictures = Arc::new(Pictures::default());
        let (_tap, mut press) = ends(Arc::clone(&pictures));
        let figure = LiveFigure::or_nobody(&pose(), PictureSize::default());
        pictures.allow(true);
        press.make(frame(), figure.clone());
        assert!(pictures.newest.borrow().is_some());
        pictures.allow(false);
        assert!(pictures.newest.borrow().is_none());
        let screen = pictures.newest.subscribe();
        press.make(frame(), figure);
        assert!(!screen.has_changed().unwrap());
        assert!(pictures.newest.borrow().is_none());
    }
}
