//! The rate at which a phone says it filmed.
//!
//! Phones that save slow motion stamp the frames as they are to play, and write the rate of the sensor beside them: a movie
//! metadata item with the key `com.android.capture.fps`, a 32-bit float ("capture frame rate", `MdtaMetadataEntry` of
//! androidx.media3; that capture and playback rate differ in slow motion is in `MediaFormat.KEY_CAPTURE_RATE` of Android). Keys
//! and values are laid out as in "Metadata item keys atom", "Metadata item list atom" and "Well-known types" of Apple's
//! QuickTime File Format; ffmpeg writes the value as text. Phones that keep the true times of slow motion and slow it down only
//! while playing need none of this: their frames' times are those of life.

use re_mp4::{BoxType, MetaBox, Mp4};

const KEY: &[u8] = b"com.android.capture.fps";
const KEYS_BOX: [u8; 4] = *b"keys";
const LIST_BOX: [u8; 4] = *b"ilst";

/// Frames a second that were filmed; `None` where the file does not say.
pub(super) fn capture_fps(mp4: &Mp4) -> Option<f64> {
    let udta = mp4.moov.udta.as_ref().and_then(|udta| udta.meta.as_ref());
    [mp4.moov.meta.as_ref(), udta]
        .into_iter()
        .flatten()
        .find_map(from_meta)
}

fn from_meta(meta: &MetaBox) -> Option<f64> {
    let MetaBox::Unknown { hdlr, data } = meta else {
        return None;
    };
    if hdlr.handler_type != (*b"mdta").into() {
        return None;
    }
    let content = |name: [u8; 4]| {
        let (_, bytes) = data
            .iter()
            .find(|(kind, _)| *kind == BoxType::from(u32::from_be_bytes(name)))?;
        Some(bytes.as_slice())
    };
    let index = index_of_key(content(KEYS_BOX)?)?;
    number(value_of(content(LIST_BOX)?, index)?)
}

/// The place of [`KEY`] among the keys, counted from 1.
fn index_of_key(keys: &[u8]) -> Option<u32> {
    // Version, flags and the count come first; the boxes' own lengths say as much as the count.
    let mut boxes = Boxes(keys.get(8..)?);
    let place = boxes.position(|(space, key)| space == *b"mdta" && key == KEY)?;
    u32::try_from(place + 1).ok()
}

/// The content of the first value of the item with this index.
fn value_of(list: &[u8], index: u32) -> Option<&[u8]> {
    let (_, item) = Boxes(list).find(|(name, _)| *name == index.to_be_bytes())?;
    let (_, value) = Boxes(item).find(|(name, _)| name == b"data")?;
    Some(value)
}

/// The number in a value: its type, its language, its bytes.
fn number(value: &[u8]) -> Option<f64> {
    let (kind, rest) = value.split_first_chunk()?;
    let bytes = rest.get(4..)?;
    let number = match u32::from_be_bytes(*kind) {
        1 => std::str::from_utf8(bytes).ok()?.trim().parse().ok()?,
        23 => f64::from(f32::from_be_bytes(bytes.try_into().ok()?)),
        24 => f64::from_be_bytes(bytes.try_into().ok()?),
        // Whole numbers of one to eight bytes, and of four; a negative one comes out as no rate at all.
        21 | 22 | 67 if (1..=8).contains(&bytes.len()) => bytes
            .iter()
            .fold(0_u64, |number, &byte| number << 8 | u64::from(byte))
            as f64,
        _ => return None,
    };
    (number.is_finite() && number > 0.0).then_some(number)
}

/// Boxes one after the other, each with its name and content; ends at the first that makes no sense.
struct Boxes<'a>(&'a [u8]);

impl<'a> Iterator for Boxes<'a> {
    type Item = ([u8; 4], &'a [u8]);

    fn next(&mut self) -> Option<Self::Item> {
        let (size, rest) = self.0.split_first_chunk()?;
        let (name, rest) = rest.split_first_chunk()?;
        let len = usize::try_from(u32::from_be_bytes(*size))
            .ok()?
            .checked_sub(8)?;
        let (content, after) = rest.split_at_checked(len)?;
        self.0 = after;
        Some((*name, content))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn boxed(name: &[u8; 4], content: &[u8]) -> Vec<u8> {
        let size = (content.len() as u32 + 8).to_be_bytes();
        [&size[..], name, content].concat()
    }

    fn value(kind: u32, bytes: &[u8]) -> Vec<u8> {
        [&kind.to_be_bytes()[..], &[0; 4], bytes].concat()
    }

    #[test]
    fn the_key_is_found_among_others() {
        let keys = [
            vec![0, 0, 0, 0, 0, 0, 0, 2],
            boxed(b"mdta", b"com.android.version"),
            boxed(b"mdta", KEY),
        ]
        .concat();
        assert_eq!(index_of_key(&keys), Some(2));
        let list = [
            boxed(&[0, 0, 0, 1], &boxed(b"data", &value(1, b"14"))),
            boxed(
                &[0, 0, 0, 2],
                &boxed(b"data", &value(23, &240_f32.to_be_bytes())),
            ),
        ]
        .concat();
        assert_eq!(number(value_of(&list, 2).unwrap()), Some(240.0));
        assert_eq!(value_of(&list, 3), None);
        // Cut anywhere, there is a number or there is none.
        for len in 0..keys.len() {
            assert_eq!(index_of_key(&keys[..len]), None, "{len}");
        }
        for len in 0..list.len() {
            assert_eq!(value_of(&list[..len], 2), None, "{len}");
        }
    }

    #[test]
    fn numbers_of_each_type_are_read_and_nonsense_is_not() {
        for good in [
            value(1, b"120"),
            value(21, &[120]),
            value(22, &120_u16.to_be_bytes()),
            value(67, &120_u32.to_be_bytes()),
            value(23, &120_f32.to_be_bytes()),
            value(24, &120_f64.to_be_bytes()),
        ] {
            assert_eq!(number(&good), Some(120.0), "{good:?}");
        }
        for bad in [
            value(1, b"fast"),
            value(1, b"\xFF"),
            value(1, b"inf"),
            value(21, &[]),
            value(23, &[1, 2, 3]),
            value(23, &f32::NAN.to_be_bytes()),
            value(23, &(-30_f32).to_be_bytes()),
            value(99, b"120"),
            vec![0, 0, 0],
        ] {
            assert_eq!(number(&bad), None, "{bad:?}");
        }
    }
}
