//! What kind of file it is, from its first bytes: a clip, a picture, a text or something else.
//!
//! The file name's extension is not trusted. Signatures are from each format's own specification.

use std::path::Path;

/// The kind of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum FileType {
    /// MP4 or QuickTime: read here.
    Mp4,
    /// Another video container, by name.
    OtherVideo(&'static str),
    /// A still picture, by name.
    Picture(&'static str),
    /// Neither; what it is instead.
    NotVideo(&'static str),
    /// Unknown here; ffmpeg may still know it.
    Unknown,
}

/// How many bytes [`file_type`] needs.
pub(super) const HEAD_LEN: usize = 4096;

/// Bytes at an offset, and the kind of file that has them there.
const SIGNATURES: [(usize, &[u8], FileType); 23] = {
    use FileType::{NotVideo, OtherVideo, Picture};
    [
        (0, b"\x89PNG\r\n\x1a\n", Picture("PNG")),
        (0, b"II*\0", Picture("TIFF")),
        (0, b"MM\0*", Picture("TIFF")),
        (8, b"WEBP", Picture("WebP")),
        (0, b"GIF8", OtherVideo("GIF")),
        (8, b"AVI ", OtherVideo("an AVI file")),
        (8, b"AVIX", OtherVideo("an AVI file")),
        (
            0,
            b"\x1A\x45\xDF\xA3",
            OtherVideo("a Matroska or WebM file"),
        ),
        (0, b"OggS", OtherVideo("an Ogg file")),
        (0, b"FLV\x01", OtherVideo("a Flash video file")),
        (
            0,
            b"\x30\x26\xB2\x75\x8E\x66\xCF\x11",
            OtherVideo("a Windows Media file"),
        ),
        (0, b"\0\0\x01\xBA", OtherVideo("an MPEG program stream")),
        (0, b"\0\0\x01\xB3", OtherVideo("an MPEG video stream")),
        (0, b"\0\0\0\x01", OtherVideo("a raw H.264 or HEVC stream")),
        (8, b"WAVE", NotVideo("a sound file")),
        (0, b"ID3", NotVideo("a sound file")),
        (0, b"fLaC", NotVideo("a sound file")),
        (0, b"%PDF", NotVideo("a PDF document")),
        (
            0,
            b"PK\x03\x04",
            NotVideo("a ZIP archive or office document; unpack it first"),
        ),
        (
            0,
            b"\x1F\x8B",
            NotVideo("a compressed file; unpack it first"),
        ),
        (
            0,
            b"7z\xBC\xAF\x27\x1C",
            NotVideo("a compressed file; unpack it first"),
        ),
        (0, b"SQLite format 3\0", NotVideo("a database")),
        (0, b"\x7FELF", NotVideo("a program")),
    ]
};

/// The kind of a file with these first bytes; `path` settles one case that the bytes leave open.
pub(super) fn file_type(head: &[u8], path: &Path) -> FileType {
    let at = |offset: usize, signature: &[u8]| {
        head.get(offset..)
            .is_some_and(|rest| rest.starts_with(signature))
    };
    if at(4, b"ftyp") {
        // The same container holds still pictures; its brand says so.
        return match head.get(8..12) {
            Some(b"heic" | b"heix" | b"mif1") => FileType::Picture("HEIF"),
            Some(b"avif") => FileType::Picture("AVIF"),
            _ => FileType::Mp4,
        };
    }
    if [&b"moov"[..], b"mdat", b"wide", b"skip", b"free", b"pnot"]
        .iter()
        .any(|name| at(4, name))
    {
        return FileType::Mp4;
    }
    if at(0, b"\xFF\xD8\xFF") {
        return jpeg_or_mjpeg(path);
    }
    if let Some((.., kind)) = SIGNATURES
        .iter()
        .find(|(offset, signature, _)| at(*offset, signature))
    {
        return *kind;
    }
    if at(0, b"BM") && at(6, &[0; 4]) {
        return FileType::Picture("BMP");
    }
    // MPEG transport streams repeat their sync byte in every packet; some cameras add four bytes.
    if at(0, b"\x47") && at(188, b"\x47") || at(4, b"\x47") && at(196, b"\x47") {
        return FileType::OtherVideo("an MPEG transport stream");
    }
    if is_text(head) {
        FileType::NotVideo("it holds text")
    } else {
        FileType::Unknown
    }
}

/// A file that is a series of JPEGs begins like a single one; only its name tells them apart.
fn jpeg_or_mjpeg(path: &Path) -> FileType {
    let extension = path
        .extension()
        .and_then(|extension| extension.to_str())
        .unwrap_or_default()
        .to_ascii_lowercase();
    if matches!(extension.as_str(), "mjpg" | "mjpeg") {
        FileType::OtherVideo("a raw MJPEG stream")
    } else {
        FileType::Picture("JPEG")
    }
}

fn is_text(head: &[u8]) -> bool {
    let whole = match std::str::from_utf8(head) {
        Ok(text) => text,
        // The end of the head may cut the last character in two.
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
        let check = |head: &[u8], expected: FileType| {
            assert_eq!(file_type(head, Path::new("clip.mp4")), expected, "{head:?}")
        };
        check(b"\0\0\0\x20ftypisom\0\0\x02\0", FileType::Mp4);
        check(b"\0\0\0\x18ftypheic\0\0\0\0", FileType::Picture("HEIF"));
        check(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", FileType::Picture("PNG"));
        check(b"\xFF\xD8\xFF\xE0\0\x10JFIF\0", FileType::Picture("JPEG"));
        check(
            b"RIFF\x24\0\0\0AVI LIST",
            FileType::OtherVideo("an AVI file"),
        );
        check(
            b"RIFF\x24\0\0\0WAVEfmt ",
            FileType::NotVideo("a sound file"),
        );
        check(
            "swing notes: café\n".as_bytes(),
            FileType::NotVideo("it holds text"),
        );
        check(b"\x01\x02\x03\x04\x05", FileType::Unknown);
        check(&[0; 64], FileType::Unknown);
        assert_eq!(
            file_type(b"\xFF\xD8\xFF\xE0", Path::new("a.MJPG")),
            FileType::OtherVideo("a raw MJPEG stream")
        );
    }

    #[test]
    fn a_text_cut_inside_a_character_is_still_text() {
        let mut head = "é".repeat(20).into_bytes();
        head.pop();
        assert_eq!(
            file_type(&head, Path::new("x")),
            FileType::NotVideo("it holds text")
        );
    }
}
