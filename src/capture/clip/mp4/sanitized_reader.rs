//! Protects the box library from indexes that would cost it more memory or time than there is.
//!
//! `re_mp4` builds a list of all samples of all tracks, as many as the index says there are. Two things make that more
//! than memory holds: uncompressed sound, where each of 48 000 a second is a sample, and a damaged or hostile count. It
//! also reads a box of no length again and again, and takes as much memory for a box as its header says, however little
//! the file holds. So the boxes are scanned here first, to an [`IndexSummary`], and the library then reads through a
//! [`SanitizedReader`]. `docs/upstream.md` has the inputs that show these faults.

use std::io::{self, Read, Seek, SeekFrom};

/// Boxes that contain the boxes looked for (ISO/IEC 14496-12, 6.2.3).
const CONTAINERS: [&[u8; 4]; 7] = [
    b"moov", b"trak", b"mdia", b"minf", b"stbl", b"moof", b"traf",
];
/// Metadata that is longer, such as a picture, is not read. What phones write has a few kilobytes.
const MAX_METADATA: u64 = 1 << 20;
/// How deep containers may be nested; `stbl` is the fifth.
const MAX_DEPTH: usize = 8;
/// Bytes that may be read beyond twice the index.
const SLACK: u64 = 1 << 12;
/// The name that a hidden box gets: readers skip free space.
const FREE: [u8; 4] = *b"free";

/// What the boxes of a file amount to.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct IndexSummary {
    /// Whether there is a `moov` box.
    pub has_index: bool,
    /// Where reading must stop: after the last top-level box that is whole or holds only frame data.
    pub readable_len: u64,
    /// Whether the file ends within a box.
    pub cut_short: bool,
    /// Samples that the tables of all tracks but sound list; in a fragmented file also those of sound and of the
    /// fragments.
    pub listed: u64,
    /// Length of the boxes that are not frame data.
    index_len: u64,
    /// Offsets of the names of boxes that are not to be read, in ascending order: metadata that is long or does not
    /// add up, and sound tracks unless the file is fragmented.
    hidden: Vec<u64>,
}

impl IndexSummary {
    /// Scans the boxes of a file.
    pub(super) fn read(file: &mut (impl Read + Seek), file_len: u64) -> io::Result<Self> {
        let mut summary = Self::default();
        let mut tally = Tally::default();
        let mut at = 0;
        while at + 8 <= file_len {
            let Some(header) = BoxHeader::read(file, at, file_len)? else {
                summary.cut_short = true;
                break;
            };
            summary.cut_short = header.end > file_len;
            let is_frame_data = &header.name == b"mdat";
            // Half of the frame data is of use, half of a box that describes frames is not.
            if summary.cut_short && !is_frame_data {
                break;
            }
            tally.visit(file, &header, header.end.min(file_len), MAX_DEPTH)?;
            summary.has_index |= &header.name == b"moov";
            summary.index_len += if is_frame_data { 16 } else { header.end - at };
            summary.readable_len = header.end;
            at = header.end;
        }
        summary.listed = tally.listed;
        summary.hidden = tally.bad_metadata;
        if tally.is_fragmented {
            // Fragments refer to their tracks, so none may be hidden; the samples they list are few.
            summary.listed = tally.listed.saturating_add(tally.listed_sound);
        } else {
            summary.hidden.extend(tally.sound_tracks);
            summary.hidden.sort_unstable();
        }
        Ok(summary)
    }
}

struct BoxHeader {
    name: [u8; 4],
    /// Where the box begins, where its content begins, and where it ends.
    start: u64,
    content: u64,
    end: u64,
    /// Whether a length was stated; else the box ends where the file does.
    has_length: bool,
}

impl BoxHeader {
    /// The header at `start`; `None` if it makes no sense. A size of zero means up to `limit`.
    fn read(file: &mut (impl Read + Seek), start: u64, limit: u64) -> io::Result<Option<Self>> {
        file.seek(SeekFrom::Start(start))?;
        let [a, b, c, d, name @ ..]: [u8; 8] = read_bytes(file)?;
        let stated = u32::from_be_bytes([a, b, c, d]);
        let (size, header_len) = match stated {
            0 => (limit - start, 8),
            1 if start + 16 <= limit => (u64::from_be_bytes(read_bytes(file)?), 16),
            size => (u64::from(size), 8),
        };
        Ok(start
            .checked_add(size)
            .filter(|_| size >= header_len)
            .map(|end| Self {
                name,
                start,
                content: start + header_len,
                end,
                has_length: stated > 0,
            }))
    }

    /// The header of a box in another; `None` unless it states a length and ends at `limit` or before.
    fn read_within(
        file: &mut (impl Read + Seek),
        start: u64,
        limit: u64,
    ) -> io::Result<Option<Self>> {
        if limit < start + 8 {
            return Ok(None);
        }
        let header = Self::read(file, start, limit)?;
        Ok(header.filter(|header| header.has_length && header.end <= limit))
    }
}

/// Whether metadata may be read: it is short, and its boxes fill it.
fn is_sound_metadata(
    file: &mut (impl Read + Seek),
    metadata: &BoxHeader,
    end: u64,
) -> io::Result<bool> {
    let mut at = metadata.content;
    if end - metadata.start > MAX_METADATA {
        return Ok(false);
    }
    if &metadata.name == b"meta" {
        // QuickTime leaves out the version and the flags.
        let first = BoxHeader::read_within(file, at, end)?;
        if first.is_none_or(|first| &first.name != b"hdlr") {
            at += 4;
        }
    }
    while at < end {
        let Some(inner) = BoxHeader::read_within(file, at, end)? else {
            return Ok(false);
        };
        if &inner.name == b"meta" && !is_sound_metadata(file, &inner, inner.end)? {
            return Ok(false);
        }
        at = inner.end;
    }
    Ok(at == end)
}

/// What the scan has counted.
#[derive(Default)]
struct Tally {
    listed: u64,
    listed_sound: u64,
    sound_tracks: Vec<u64>,
    bad_metadata: Vec<u64>,
    is_fragmented: bool,
}

/// What a track or a part of one contains.
#[derive(Default)]
struct Part {
    listed: u64,
    is_sound: bool,
}

impl Part {
    fn add(&mut self, other: &Self) {
        self.listed = self.listed.saturating_add(other.listed);
        self.is_sound |= other.is_sound;
    }
}

impl Tally {
    /// The boxes from `at` to `end`, which must fill that.
    fn walk(
        &mut self,
        file: &mut (impl Read + Seek),
        mut at: u64,
        end: u64,
        depth: usize,
    ) -> io::Result<Part> {
        let mut part = Part::default();
        while at < end {
            let header = BoxHeader::read_within(file, at, end)?.ok_or_else(|| {
                io::Error::new(
                    io::ErrorKind::InvalidData,
                    "a box that does not fit into the one around it",
                )
            })?;
            part.add(&self.visit(file, &header, header.end, depth)?);
            at = header.end;
        }
        Ok(part)
    }

    /// One box, which ends at `end` within its container. The file stands at its content.
    fn visit(
        &mut self,
        file: &mut (impl Read + Seek),
        header: &BoxHeader,
        end: u64,
        depth: usize,
    ) -> io::Result<Part> {
        let content = header.content;
        let mut part = Part::default();
        match &header.name {
            name if CONTAINERS.contains(&name) && depth > 0 => {
                let inner = self.walk(file, content, end, depth - 1)?;
                self.is_fragmented |= name == b"moof";
                if name == b"trak" && inner.is_sound {
                    self.sound_tracks.push(header.start + 4);
                    self.listed_sound = self.listed_sound.saturating_add(inner.listed);
                } else if name == b"trak" || name == b"traf" {
                    self.listed = self.listed.saturating_add(inner.listed);
                } else {
                    part = inner;
                }
            }
            b"udta" | b"meta" if !is_sound_metadata(file, header, end)? => {
                self.bad_metadata.push(header.start + 4);
            }
            b"hdlr" if content + 12 <= end => {
                let [.., a, b, c, d]: [u8; 12] = read_bytes(file)?;
                part.is_sound = [a, b, c, d] == *b"soun";
            }
            b"stsz" if content + 12 <= end => {
                let [.., a, b, c, d]: [u8; 12] = read_bytes(file)?;
                part.listed = u64::from(u32::from_be_bytes([a, b, c, d]));
            }
            b"trun" if content + 8 <= end => {
                let [.., a, b, c, d]: [u8; 8] = read_bytes(file)?;
                part.listed = u64::from(u32::from_be_bytes([a, b, c, d]));
            }
            _ => {}
        }
        Ok(part)
    }
}

fn read_bytes<const N: usize>(file: &mut impl Read) -> io::Result<[u8; N]> {
    let mut bytes = [0; N];
    file.read_exact(&mut bytes)?;
    Ok(bytes)
}

/// A file in which sound tracks and metadata look like free space, and which gives an error once its index was read twice over.
pub(super) struct SanitizedReader<R> {
    inner: R,
    position: u64,
    /// Offsets of the names to hide, in ascending order.
    hidden: Vec<u64>,
    /// Bytes that may still be read.
    budget: u64,
}

impl<R: Read + Seek> SanitizedReader<R> {
    /// Reads from the start of `inner`.
    pub(super) fn new(mut inner: R, summary: IndexSummary) -> io::Result<Self> {
        inner.rewind()?;
        Ok(Self {
            inner,
            position: 0,
            hidden: summary.hidden,
            budget: summary.index_len.saturating_mul(2).saturating_add(SLACK),
        })
    }
}

impl<R: Read> Read for SanitizedReader<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let count = self.inner.read(into)?;
        self.budget = self
            .budget
            .checked_sub(count as u64)
            .ok_or_else(|| io::Error::other("a box of no length"))?;
        let read = self.position..self.position + count as u64;
        let first = self.hidden.partition_point(|name| name + 4 <= read.start);
        let within = self.hidden[first..]
            .iter()
            .take_while(|name| **name < read.end);
        for &name in within {
            for (offset, letter) in (name..).zip(FREE) {
                if read.contains(&offset) {
                    into[(offset - read.start) as usize] = letter;
                }
            }
        }
        self.position = read.end;
        Ok(count)
    }
}

impl<R: Seek> Seek for SanitizedReader<R> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.position = self.inner.seek(to)?;
        Ok(self.position)
    }

    fn stream_position(&mut self) -> io::Result<u64> {
        Ok(self.position)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn boxed(name: &[u8; 4], content: &[u8]) -> Vec<u8> {
        let mut bytes = (content.len() as u32 + 8).to_be_bytes().to_vec();
        bytes.extend_from_slice(name);
        bytes.extend_from_slice(content);
        bytes
    }

    fn track(handler: &[u8; 4], count: u32) -> Vec<u8> {
        let hdlr = boxed(b"hdlr", &[&[0; 8], &handler[..], &[0; 12]].concat());
        let stsz = boxed(b"stsz", &[&[0; 7], &[4][..], &count.to_be_bytes()].concat());
        let minf = boxed(b"minf", &boxed(b"stbl", &stsz));
        boxed(b"trak", &boxed(b"mdia", &[hdlr, minf].concat()))
    }

    fn summary(movie: &[u8]) -> IndexSummary {
        IndexSummary::read(&mut Cursor::new(movie), movie.len() as u64).unwrap()
    }

    #[test]
    fn samples_of_the_picture_are_counted_and_sound_is_only_found() {
        let picture = track(b"vide", 600);
        let sound = track(b"soun", 480_000);
        let movie = [
            boxed(b"ftyp", b"isom"),
            boxed(b"moov", &[picture.clone(), sound].concat()),
        ]
        .concat();
        let len = movie.len() as u64;
        let sound_at = 12 + 8 + picture.len() as u64 + 4;
        let expected = || IndexSummary {
            has_index: true,
            readable_len: len,
            cut_short: false,
            listed: 600,
            index_len: len,
            hidden: vec![sound_at],
        };
        assert_eq!(summary(&movie), expected());

        // However the reading is split, the name is hidden, and nothing else.
        for step in 1..9 {
            let mut reader = SanitizedReader::new(Cursor::new(&movie), expected()).unwrap();
            let mut out = Vec::new();
            let mut piece = vec![0; step];
            loop {
                match reader.read(&mut piece).unwrap() {
                    0 => break,
                    count => out.extend_from_slice(&piece[..count]),
                }
            }
            let mut hidden = movie.clone();
            hidden[sound_at as usize..][..4].copy_from_slice(b"free");
            assert!(out == hidden, "in steps of {step}");
        }
    }

    #[test]
    fn in_a_fragmented_file_everything_counts_and_nothing_is_hidden() {
        let run = boxed(b"trun", &[&[0; 4], &30_u32.to_be_bytes()[..]].concat());
        let movie = [
            boxed(b"moov", &[track(b"vide", 0), track(b"soun", 5)].concat()),
            boxed(b"moof", &boxed(b"traf", &[run.clone(), run].concat())),
        ]
        .concat();
        let summary = summary(&movie);
        assert_eq!((summary.listed, summary.hidden), (65, Vec::new()));
    }

    /// Which boxes are hidden of a movie with this metadata in every place where the library would look for it.
    fn hidden_of(meta: &[u8]) -> Vec<u64> {
        let user = boxed(b"udta", meta);
        let trak = boxed(b"trak", meta);
        let movie = boxed(
            b"moov",
            &[user.clone(), trak.clone(), meta.to_vec()].concat(),
        );
        let trak_at = 8 + user.len() as u64;
        let all = [12, trak_at + 12, trak_at + trak.len() as u64 + 4];
        let summary = summary(&movie);
        let places = |at: &u64| all.iter().position(|place| place == at).unwrap() as u64;
        let found: Vec<u64> = summary.hidden.iter().map(places).collect();
        let mut reader = SanitizedReader::new(Cursor::new(&movie), summary).unwrap();
        let mut bytes = Vec::new();
        reader.read_to_end(&mut bytes).unwrap();
        for (place, at) in all.into_iter().enumerate() {
            let is_hidden = bytes[at as usize..][..4] == FREE;
            assert_eq!(is_hidden, found.contains(&(place as u64)));
        }
        found
    }

    #[test]
    fn metadata_that_does_not_add_up_is_hidden() {
        let hdlr = boxed(b"hdlr", &[0; 24]);
        let item = boxed(b"ilst", b"what a phone says");
        let whole = |inner: &[&[u8]]| boxed(b"meta", &inner.concat());
        let none: [u64; 0] = [];
        assert_eq!(hidden_of(&whole(&[&[0; 4], &hdlr, &item])), none);
        // As QuickTime writes it, without a version.
        assert_eq!(hidden_of(&whole(&[&hdlr, &item])), none);

        // 1.6 GB, no length, less than a header has, and a header cut short.
        let liars = [
            [&1_634_992_128_u32.to_be_bytes()[..], b"data"].concat(),
            b"\0\0\0\0data".to_vec(),
            b"\0\0\0\x07data".to_vec(),
            b"\0\0\0".to_vec(),
        ];
        for liar in &liars {
            assert_eq!(
                hidden_of(&whole(&[&[0; 4], &hdlr, liar])),
                [0, 1, 2],
                "{liar:?}"
            );
        }
        let picture = boxed(b"covr", &vec![0; MAX_METADATA as usize]);
        assert_eq!(hidden_of(&whole(&[&[0; 4], &hdlr, &picture])), [0, 1, 2]);
    }

    #[test]
    fn a_box_longer_than_the_one_around_it_is_refused() {
        for size in [[0, 0, 0, 40], [0; 4], [0, 0, 0, 7]] {
            let hdlr = [&size[..], b"hdlr", &[0; 24]].concat();
            let movie = boxed(b"moov", &boxed(b"trak", &boxed(b"mdia", &hdlr)));
            let read = IndexSummary::read(&mut Cursor::new(&movie), movie.len() as u64);
            let told = read.unwrap_err().to_string();
            assert!(told.contains("does not fit"), "{size:?}: {told}");
        }
    }

    #[test]
    fn an_index_that_is_read_again_and_again_ends_in_an_error() {
        let movie = boxed(b"moov", &track(b"vide", 1));
        let mut reader = SanitizedReader::new(Cursor::new(&movie), summary(&movie)).unwrap();
        let mut bytes = vec![0; movie.len()];
        let readings = 2 + SLACK as usize / movie.len();
        for _ in 0..readings {
            reader.rewind().unwrap();
            reader.read_exact(&mut bytes).unwrap();
        }
        reader.rewind().unwrap();
        assert!(reader.read_exact(&mut bytes).is_err());
    }

    #[test]
    fn a_box_of_no_length_or_beyond_the_end_ends_the_scan() {
        for size in [1_u32, 7, 8, 200, u32::MAX] {
            let mut movie = size.to_be_bytes().to_vec();
            movie.extend_from_slice(b"moov\0\0\0\x08trak");
            let summary = summary(&movie);
            assert_eq!(summary.listed, 0, "{size}");
            assert_eq!(summary.has_index, size == 8, "{size}");
            assert_eq!(summary.cut_short, size != 8, "{size}");
        }
    }

    #[test]
    fn half_of_the_frame_data_is_read_and_half_of_an_index_is_not() {
        let index = boxed(b"moov", &track(b"vide", 1));
        let data = boxed(b"mdat", &[7; 100]);
        let movie = [index.clone(), data.clone()].concat();
        let whole_len = movie.len() as u64;
        let cut = summary(&movie[..movie.len() - 50]);
        assert!(cut.has_index && cut.cut_short);
        assert_eq!(cut.readable_len, whole_len);
        let movie = [data, index].concat();
        let cut = summary(&movie[..movie.len() - 5]);
        assert!(!cut.has_index && cut.cut_short);
        assert_eq!(cut.readable_len, 108);
    }
}
