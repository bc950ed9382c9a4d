//! Turns a sample as MP4 stores it into the byte stream of ITU-T H.264, annex B, which decoders read.

pub(super) const START_CODE: [u8; 4] = [0, 0, 0, 1];

/// What a sample contains.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct SampleContent {
    /// Coded picture data; without it the decoder gives no picture.
    pub picture: bool,
    /// A picture at which decoding can start.
    pub key_frame: bool,
    /// A picture that no other one refers to.
    pub disposable: bool,
}

/// Appends the NAL units of a sample to a byte stream, with a start code in place of each length field; stops
/// at what is not a whole unit. `length_size` is the size of a length field in bytes.
pub(super) fn append_units(
    mut sample: &[u8],
    length_size: usize,
    stream: &mut Vec<u8>,
) -> SampleContent {
    let mut content = SampleContent::default();
    let mut referenced = false;
    while let Some((field, rest)) = sample.split_at_checked(length_size) {
        let length = field
            .iter()
            .fold(0_usize, |length, byte| length << 8 | usize::from(*byte));
        let Some((unit @ [header, ..], rest)) = rest.split_at_checked(length) else {
            break;
        };
        stream.extend_from_slice(&START_CODE);
        stream.extend_from_slice(unit);
        sample = rest;
        // ITU-T H.264, table 7-1: types 1 to 5 are slices, 5 those of an instantaneous refresh.
        let unit_type = header & 0x1F;
        let picture = (1..=5).contains(&unit_type);
        content.picture |= picture;
        content.key_frame |= unit_type == 5;
        // The two bits before the type, nal_ref_idc, are 0 where nothing refers to the unit.
        referenced |= picture && header & 0x60 != 0;
    }
    content.disposable = content.picture && !referenced;
    content
}

#[cfg(test)]
mod tests {
    use super::*;

    fn converted(sample: &[u8], length_size: usize) -> (Vec<u8>, SampleContent) {
        let mut stream = b"head".to_vec();
        let content = append_units(sample, length_size, &mut stream);
        (stream, content)
    }

    #[test]
    fn length_fields_of_every_size_become_start_codes() {
        for length_size in [1, 2, 4] {
            let mut sample = Vec::new();
            for unit in [&b"\x09\xF0"[..], b"\x65slice"] {
                let length = (unit.len() as u32).to_be_bytes();
                sample.extend_from_slice(&length[4 - length_size..]);
                sample.extend_from_slice(unit);
            }
            let (stream, content) = converted(&sample, length_size);
            assert_eq!(
                stream, b"head\0\0\0\x01\x09\xF0\0\0\0\x01\x65slice",
                "length size {length_size}"
            );
            assert_eq!(
                content,
                SampleContent {
                    picture: true,
                    key_frame: true,
                    disposable: false
                }
            );
        }
    }

    #[test]
    fn a_unit_that_is_longer_than_its_sample_is_cut_off() {
        let (stream, content) = converted(b"\0\0\0\x02\x41a\0\0\0\x09\x41b", 4);
        assert_eq!(stream, b"head\0\0\0\x01\x41a");
        assert_eq!(
            content,
            SampleContent {
                picture: true,
                key_frame: false,
                disposable: false
            }
        );
        for nothing in [&b""[..], b"\0\0\0\0\x41a"] {
            let nothing = converted(nothing, 4);
            assert_eq!(nothing, (b"head".to_vec(), SampleContent::default()));
        }
        // Nothing refers to it.
        assert!(converted(b"\0\0\0\x02\x01a", 4).1.disposable);
    }
}
