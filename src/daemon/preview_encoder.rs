//! Makes the camera's picture for screens, where the settings allow it.
//!
//! In: frames with their poses from the pose thread, only while a screen waits for a picture. Out: a small JPEG with the
//! figure of the same frame, in [`Preview`]. Pictures are encoded on the thread `picture`; a frame that finds it busy is
//! skipped. Where pictures are forbidden a frame costs one atomic load; where they are allowed and nobody asks, two.

use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender, bounded};

use super::live_publisher::figure_or_nobody;
use crate::capture::Frame;
use crate::pose::PoseFrame;
use crate::status::{LiveFigure, Preview, PreviewPicture};
use crate::thread::spawn;
use crate::video::{JpegEncoder, SizeLimit};

/// No side of a picture is longer, pixels.
const LONGEST_PX: usize = 640;
/// Pictures come no faster, however many screens ask.
const EVERY: Duration = Duration::from_millis(100);

/// The pose thread's end.
#[derive(Debug)]
pub(crate) struct PreviewTap {
    preview: Arc<Preview>,
    full: Sender<(Frame, LiveFigure)>,
    empty: Receiver<Frame>,
    taken_at: Option<Instant>,
}

/// The end that packs.
struct PreviewEncoder {
    preview: Arc<Preview>,
    full: Receiver<(Frame, LiveFigure)>,
    used: Sender<Frame>,
    encoder: JpegEncoder,
}

impl PreviewTap {
    /// Starts the thread `picture`, which ends with the tap.
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub(crate) fn start(preview: Arc<Preview>) -> io::Result<Self> {
        let (tap, encoder) = ends(preview);
        spawn("picture", move || encoder.run())?;
        Ok(tap)
    }

    /// Takes a copy of a frame where a picture is wanted and due. Never waits.
    pub(super) fn offer(&mut self, frame: &Frame, pose: &PoseFrame) {
        if !self.preview.is_wanted() || self.full.is_full() {
            return;
        }
        let now = Instant::now();
        if self.taken_at.is_some_and(|at| now - at < EVERY) {
            return;
        }
        self.taken_at = Some(now);
        let mut copy = self.empty.try_recv().unwrap_or_default();
        // Copied and not handed over: the film's tap may want the same frame.
        (copy.width, copy.height) = (frame.width, frame.height);
        copy.rgb.clone_from(&frame.rgb);
        // Only this thread sends, so there is room; without an encoder there are no pictures.
        let _ = self
            .full
            .try_send((copy, figure_or_nobody(pose, frame.size())));
    }
}

/// A tap and its encoder, with one frame on its way between them.
fn ends(preview: Arc<Preview>) -> (PreviewTap, PreviewEncoder) {
    let (full, to_pack) = bounded(1);
    let (used, empty) = bounded(2);
    let tap = PreviewTap {
        preview: Arc::clone(&preview),
        full,
        empty,
        taken_at: None,
    };
    let encoder = PreviewEncoder {
        preview,
        full: to_pack,
        used,
        encoder: encoder(),
    };
    (tap, encoder)
}

fn encoder() -> JpegEncoder {
    JpegEncoder::new(SizeLimit {
        width: LONGEST_PX,
        height: LONGEST_PX,
    })
}

impl PreviewEncoder {
    fn run(mut self) {
        while let Ok((frame, figure)) = self.full.recv() {
            // A picture that trips a fault of ours costs that picture, not those to come.
            if catch_unwind(AssertUnwindSafe(|| self.make(frame, figure))).is_err() {
                tracing::error!("a picture for a screen met a fault of cagehand");
                self.encoder = encoder();
            }
        }
    }

    fn make(&mut self, frame: Frame, figure: LiveFigure) {
        let packed = self.encoder.encode(&frame);
        // A buffer that finds no place is simply freed.
        let _ = self.used.try_send(frame);
        match packed {
            Some(Ok(packed)) => {
                self.preview.publish(PreviewPicture {
                    jpeg: packed.bytes,
                    figure,
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
    use crate::picture_size::PictureSize;
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
        PoseFrame::new(0, CaptureTime::default(), Some(body))
    }

    /// Whether a frame was taken over.
    fn taken(tap: &mut PreviewTap, encoder: &PreviewEncoder) -> bool {
        tap.offer(&frame(), &pose());
        !encoder.full.is_empty()
    }

    #[test]
    fn no_frame_is_taken_unless_pictures_are_allowed_and_a_screen_waits() {
        let preview = Arc::new(Preview::default());
        let (mut tap, encoder) = ends(Arc::clone(&preview));
        let screen = preview.waiting_screen();
        assert!(!taken(&mut tap, &encoder), "off is the default");
        preview.allow(true);
        drop(screen);
        assert!(!taken(&mut tap, &encoder), "nobody waits");
        let _screen = preview.waiting_screen();
        assert!(taken(&mut tap, &encoder));
        assert_eq!(preview.made(), 0);
    }

    #[test]
    fn an_encoder_that_is_busy_or_just_had_a_frame_gets_none_and_nothing_waits_for_it() {
        let preview = Arc::new(Preview::default());
        preview.allow(true);
        let (mut tap, encoder) = ends(Arc::clone(&preview));
        let _screen = preview.waiting_screen();
        assert!(taken(&mut tap, &encoder));
        // Nobody packs: a tap that waited would hang here.
        tap.taken_at = None;
        tap.offer(&frame(), &pose());
        assert_eq!(encoder.full.len(), 1);
        drop(encoder.full.recv());
        assert!(tap.taken_at.is_none(), "the second was not taken");
        assert!(taken(&mut tap, &encoder));
        drop(encoder.full.recv());
        assert!(!taken(&mut tap, &encoder), "within a tenth of a second");
        tap.taken_at = tap.taken_at.and_then(|at| at.checked_sub(EVERY));
        assert!(taken(&mut tap, &encoder));
    }

    #[tokio::test]
    async fn each_request_gets_the_next_picture_with_its_own_figure_and_never_an_old_one() {
        let preview = Arc::new(Preview::default());
        preview.allow(true);
        let (_tap, mut encoder) = ends(Arc::clone(&preview));
        let size = PictureSize {
            width_px: 1280,
            height_px: 720,
        };
        let figure = figure_or_nobody(&pose(), size);
        // Made before anybody asks, such as by a camera that has gone since.
        encoder.make(frame(), figure.clone());
        let soon = Duration::from_millis(50);
        assert!(
            tokio::time::timeout(soon, preview.next()).await.is_err(),
            "an old picture is not the next one"
        );
        let asks = {
            let preview = Arc::clone(&preview);
            tokio::spawn(async move { preview.next().await })
        };
        while !preview.is_wanted() {
            tokio::task::yield_now().await;
        }
        encoder.make(frame(), figure.clone());
        let picture = asks.await.unwrap().unwrap();
        assert_eq!(picture.figure, figure);
        let mut decoder = zune_jpeg::JpegDecoder::new(
            zune_jpeg::zune_core::bytestream::ZCursor::new(picture.jpeg.as_slice()),
        );
        decoder.decode().unwrap();
        assert_eq!(decoder.dimensions(), Some((640, 360)));
    }

    #[test]
    fn a_hitter_who_does_not_want_it_is_in_no_picture() {
        let preview = Arc::new(Preview::default());
        let (mut tap, mut encoder) = ends(Arc::clone(&preview));
        preview.allow(true);
        let screen = preview.waiting_screen();
        encoder.make(frame(), figure_or_nobody(&pose(), PictureSize::default()));
        assert!(screen.borrow().is_some());
        preview.withhold(true);
        assert!(screen.borrow().is_none() && !preview.is_allowed());
        assert!(!taken(&mut tap, &encoder));
        // An edit of the settings does not bring it back; the next hitter does.
        preview.allow(true);
        assert!(!taken(&mut tap, &encoder));
        preview.withhold(false);
        assert!(taken(&mut tap, &encoder));
    }

    #[test]
    fn what_is_made_while_pictures_are_forbidden_is_not_published_and_what_was_there_goes() {
        let preview = Arc::new(Preview::default());
        let (_tap, mut encoder) = ends(Arc::clone(&preview));
        let figure = figure_or_nobody(&pose(), PictureSize::default());
        preview.allow(true);
        encoder.make(frame(), figure.clone());
        assert!(preview.waiting_screen().borrow().is_some());
        preview.allow(false);
        assert!(preview.waiting_screen().borrow().is_none());
        let screen = preview.waiting_screen();
        encoder.make(frame(), figure);
        assert!(!screen.has_changed().unwrap());
        assert!(preview.waiting_screen().borrow().is_none());
    }
}
