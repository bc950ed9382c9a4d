//! The size of a picture, one type for all rooms.

/// Width and height of a picture in pixels.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PictureSize {
    /// Pixels across.
    pub width_px: u32,
    /// Pixels down.
    pub height_px: u32,
}
