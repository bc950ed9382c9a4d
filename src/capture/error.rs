//! What can go wrong on the way from a camera or a clip to a frame, worded for the person who must fix it.
//!
//! Each message names the path or the camera, gives the reason, and says what to do next.

use std::io;
use std::path::PathBuf;
use std::time::Duration;

/// Why there are no frames.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// Our own code failed; the panic's message is in the log.
    #[error("reading the camera met a fault of cagehand; the log above says where")]
    Fault,
    /// There is no such file.
    #[error("{path}: there is no such file. Check the spelling and that the disk is mounted")]
    Missing {
        /// The clip.
        path: PathBuf,
    },
    /// A folder was given where a clip is expected.
    #[error("{path}: this is a folder, not a clip. Name one video file in it")]
    Directory {
        /// The clip.
        path: PathBuf,
    },
    /// The file has no bytes.
    #[error("{path}: the file is empty. Copy or record it again")]
    Empty {
        /// The clip.
        path: PathBuf,
    },
    /// The file is there but cannot be read.
    #[error("{path}: cannot be read: {source}. Check its permissions and the disk")]
    Unreadable {
        /// The clip.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// The file is an image.
    #[error("{path}: this is a still picture ({kind}), not a clip. Name a video file")]
    StillPicture {
        /// The clip.
        path: PathBuf,
        /// The picture format.
        kind: &'static str,
    },
    /// The file is something else altogether.
    #[error("{path}: this is not a video ({what}). Name a video file, such as an H.264 MP4")]
    NotVideo {
        /// The clip.
        path: PathBuf,
        /// What it seems to be.
        what: String,
    },
    /// A container without a picture track.
    #[error(
        "{path}: the file holds no video track (only sound or data). Name a file with pictures"
    )]
    NoVideoTrack {
        /// The clip.
        path: PathBuf,
    },
    /// A video track without a single frame.
    #[error("{path}: the video track holds no frames. Record the clip again")]
    NoFrames {
        /// The clip.
        path: PathBuf,
    },
    /// The part of an MP4 that says where the frames are was never written or was cut off.
    #[error(
        "{path}: the recording was not closed or the copy was cut short (its index, the `moov` box, is missing). \
         Copy the file again from the camera; if it is the same there, the clip is lost"
    )]
    NoIndex {
        /// The clip.
        path: PathBuf,
    },
    /// The file is a video, but its bytes make no sense.
    #[error(
        "{path}: the clip is damaged: {reason}. Copy it again, or convert it with `ffmpeg -i IN -c:v libx264 -pix_fmt yuv420p OUT.mp4`"
    )]
    Damaged {
        /// The clip.
        path: PathBuf,
        /// What was found.
        reason: String,
    },
    /// This kind of video is read through ffmpeg, which is not installed.
    #[error(
        "{path}: {codec} cannot be read here without ffmpeg. Install ffmpeg (Debian: `apt install ffmpeg`), or set the \
         phone or camera to record H.264, or convert the clip elsewhere with \
         `ffmpeg -i IN -c:v libx264 -pix_fmt yuv420p OUT.mp4`"
    )]
    NeedsFfmpeg {
        /// The clip.
        path: PathBuf,
        /// The codec or container, in the words people use for it.
        codec: String,
    },
    /// ffmpeg ran and failed.
    #[error(
        "{path}: ffmpeg could not read this clip: {reason}. Try to play it in a video player; if it plays, convert it to H.264 MP4"
    )]
    FfmpegFailed {
        /// The clip.
        path: PathBuf,
        /// The last error ffmpeg printed.
        reason: String,
    },
    /// No camera at all.
    #[error("no camera found. Plug one in; on Linux check that this user is in the group `video`")]
    NoCamera,
    /// The camera that was asked for is not among those found.
    #[error(
        "no camera matches \"{wanted}\". Found: {found}. Use one of these names or paths, or `auto`"
    )]
    NoSuchCamera {
        /// What was asked for.
        wanted: String,
        /// What is there, for the message.
        found: String,
    },
    /// The system refuses access.
    #[error(
        "{device}: permission denied. On Linux add this user to the group `video` (`sudo usermod -aG video USER`) and log in again; elsewhere allow this program the camera in the privacy settings"
    )]
    CameraForbidden {
        /// The camera.
        device: String,
    },
    /// Another program holds the camera.
    #[error(
        "{device}: another program is using the camera. Close it (video calls, browsers, a second copy of this program)"
    )]
    CameraBusy {
        /// The camera.
        device: String,
    },
    /// None of the camera's formats can be used.
    #[error(
        "{device}: the camera offers no format that can be used (offered: {offered}; usable: MJPEG, YUYV, NV12, RGB). Use another camera"
    )]
    NoUsableMode {
        /// The camera.
        device: String,
        /// Its formats.
        offered: String,
    },
    /// The camera is there but does not start.
    #[error(
        "{device}: the camera does not start: {reason}. Unplug it, wait five seconds, plug it in again"
    )]
    CameraOpen {
        /// The camera.
        device: String,
        /// What the system says.
        reason: String,
    },
    /// The camera was unplugged or its driver gave up; it must be opened again.
    #[error("{device}: the camera is gone: {reason}. Check the cable and the USB port")]
    CameraGone {
        /// The camera.
        device: String,
        /// What the system says.
        reason: String,
    },
    /// No frame came in time. The next call tries again.
    #[error("{device}: no frame for {} ms. If this goes on, unplug the camera and plug it in again", .waited.as_millis())]
    CameraTimeout {
        /// The camera.
        device: String,
        /// How long was waited.
        waited: Duration,
    },
    /// A frame came, but its bytes cannot be used. The next call gives the next frame.
    #[error(
        "{device}: a frame was unusable: {reason}. If it happens often, use a shorter cable or another USB port"
    )]
    BadFrame {
        /// The camera.
        device: String,
        /// What is wrong with it.
        reason: String,
    },
}
