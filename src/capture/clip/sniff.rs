//! Looks at a file's first bytes to tell a clip from a picture, a text or nothing at all.
//!
//! The name's ending is not trusted. Magic numbers are from each format's own specification.

use std::path::Path;

/// What a file looks like from its first bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Looks {
    /// MP4 or QuickTime: read here.
    Mp4,
    /// Another film container, by name.
    OtherFilm(&'static str),
    /// A still picture, by name.
    Picture(&'static str),
    /// Not pictures at all.
    NotFilm(&'static str),
    /// Nothing known; a demuxer may still know it.
    Unknown,
}

/// How many bytes [`looks`] wants to see.
pub(super) const HEAD_LEN: usize = 4096;

pub(super) fn looks(head: &[u8], path: &Path) -> Looks {
    let at = |offset: usize, magic: &[u8]| {
        head.get(offset..)
            .is_some_and(|rest| rest.starts_with(magic))
    };
    if at(4, b"ftyp") {
        // The same container carries stills; its brand tells.
        return match head.get(8..12) {
            Some(b"heic" | b"heix" | b"mif1") => Looks::Picture("HEIF"),
            Some(b"avif") => Looks::Picture("AVIF"),
            _ => Looks::Mp4,
        };
    }
    if [&b"moov"[..], b"mdat", b"wide", b"skip", b"free", b"pnot"]
        .iter()
        .any(|name| at(4, name))
    {
        return Looks::Mp4;
    }
    if at(0, b"\xFF\xD8\xFF") {
        // A file of nothing but JPEGs one after another begins like a single one.
        let ending = path
            .extension()
            .and_then(|ending| ending.to_str())
            .unwrap_or_default()
            .to_ascii_lowercase();
        return if matches!(ending.as_str(), "mjpg" | "mjpeg") {
            Looks::OtherFilm("a raw MJPEG stream")
        } else {
            Looks::Picture("JPEG")
        };
    }
    let known = [
        (0, &b"\x89PNG\r\n\x1a\n"[..], Looks::Picture("PNG")),
        (0, b"II*\0", Looks::Picture("TIFF")),
        (0, b"MM\0*", Looks::Picture("TIFF")),
        (8, b"WEBP", Looks::Picture("WebP")),
        (0, b"GIF8", Looks::OtherFilm("GIF")),
        (8, b"AVI ", Looks::OtherFilm("an AVI file")),
        (8, b"AVIX", Looks::OtherFilm("an AVI file")),
        (
            0,
            b"\x1A\x45\xDF\xA3",
            Looks::OtherFilm("a Matroska or WebM file"),
        ),
        (0, b"OggS", Looks::OtherFilm("an Ogg file")),
        (0, b"FLV\x01", Looks::OtherFilm("a Flash video file")),
        (
            0,
            b"\x30\x26\xB2\x75\x8E\x66\xCF\x11",
            Looks::OtherFilm("a Windows Media file"),
        ),
        (
            0,
            b"\0\0\x01\xBA",
            Looks::OtherFilm("an MPEG program stream"),
        ),
        (0, b"\0\0\x01\xB3", Looks::OtherFilm("an MPEG video stream")),
        (
            0,
            b"\0\0\0\x01",
            Looks::OtherFilm("a raw H.264 or HEVC stream"),
        ),
        (8, b"WAVE", Looks::NotFilm("a sound file")),
        (0, b"ID3", Looks::NotFilm("a sound file")),
        (0, b"fLaC", Looks::NotFilm("a sound file")),
        (0, b"%PDF", Looks::NotFilm("a PDF document")),
        (
            0,
            b"PK\x03\x04",
            Looks::NotFilm("a ZIP archive or office document; unpack it first"),
        ),
        (
            0,
            b"\x1F\x8B",
            Looks::NotFilm("a compressed file; unpack it first"),
        ),
        (
            0,
            b"7z\xBC\xAF\x27\x1C",
            Looks::NotFilm("a compressed file; unpack it first"),
        ),
        (0, b"SQLite format 3\0", Looks::NotFilm("a database")),
        (0, b"\x7FELF", Looks::NotFilm("a program")),
    ];
    if let Some((.., looks)) = known.iter().find(|(offset, magic, _)| at(*offset, magic)) {
        return *looks;
    }
    if at(0, b"BM") && at(6, &[0; 4]) {
        return Looks::Picture("BMP");
    }
    // MPEG transport streams repeat their sync byte every packet; some cameras add four bytes.
    if at(0, b"\x47") && at(188, b"\x47") || at(4, b"\x47") && at(196, b"\x47") {
        return Looks::OtherFilm("an MPEG transport stream");
    }
    if is_text(head) {
        Looks::NotFilm("it holds text")
    } else {
        Looks::Unknown
    }
}

fn is_text(head: &[u8]) -> bool {
    let whole = match std::str::from_utf8(head) {
        Ok(text) => text,
        // The last character may have been cut in two by the end of the head.
        Err(error) if head.len() - error.valid_up_to() < 4 => {
            std::str::from_utf8(&head[..error.valid_up_to()]).unwrap_or_default()
        }
        Err(_) => return false,
    };
    !whole.is_empty()
        && whole
            .chars()
            .all(|c| !c.is_control() || matches!(c, '\n' | '\r' | '\t' | '\u{c}'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn first_bytes_tell_the_kind() {
        let check = |head: &[u8], expected: Looks| {
            assert_eq!(looks(head, Path::new("clip.mp4")), expected, "{head:?}")
        };
        check(b"\0\0\0\x20ftypisom\0\0\x02\0", Looks::Mp4);
        check(b"\0\0\0\x18ftypheic\0\0\0\0", Looks::Picture("HEIF"));
        check(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", Looks::Picture("PNG"));
        check(b"\xFF\xD8\xFF\xE0\0\x10JFIF\0", Looks::Picture("JPEG"));
        check(b"RIFF\x24\0\0\0AVI LIST", Looks::OtherFilm("an AVI file"));
        check(b"RIFF\x24\0\0\0WAVEfmt ", Looks::NotFilm("a sound file"));
        check(
            "swing notes: café\n".as_bytes(),
            Looks::NotFilm("it holds text"),
        );
        check(b"\x01\x02\x03\x04\x05", Looks::Unknown);
        check(&[0; 64], Looks::Unknown);
        assert_eq!(
            looks(b"\xFF\xD8\xFF\xE0", Path::new("a.MJPG")),
            Looks::OtherFilm("a raw MJPEG stream")
        );
    }

    #[test]
    fn a_text_cut_inside_a_letter_is_still_text() {
        let mut head = "é".repeat(20).into_bytes();
        head.pop();
        assert_eq!(
            looks(&head, Path::new("x")),
            Looks::NotFilm("it holds text")
        );
    }
}
