//! Looks over a film's index before the box library reads it.
//!
//! The library builds a list of all samples of all tracks, as many as the index says there are. Two things make that more
//! than memory holds: sound that is not compressed, where each of 48 000 a second is a sample, and a damaged or hostile
//! count. So the boxes are walked here first. In: the file. Out: how many frames the index lists, and where the sound
//! tracks stand, which [`Masked`] then hides from the library.

use std::io::{self, Read, Seek, SeekFrom};

/// Boxes that hold the boxes we look for (ISO/IEC 14496-12, 6.2.3).
const HOLDERS: [&[u8; 4]; 7] = [
    b"moov", b"trak", b"mdia", b"minf", b"stbl", b"moof", b"traf",
];
/// Holders inside each other; `stbl` is the fifth.
const DEEPEST: usize = 8;
/// Bytes that may be read beyond twice the index.
const SLACK: u64 = 1 << 12;
/// What a hidden box is called: readers step over free space.
const FREE: [u8; 4] = *b"free";

/// What was seen.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Survey {
    /// Samples that the tables of all tracks but sound list; in a film of fragments those of sound too, and of the fragments.
    pub listed: u64,
    /// Where in the file the names of the sound tracks' boxes stand; none in a film of fragments.
    pub sound_tracks: Vec<u64>,
}

/// Looks over the first `len` bytes of a file.
pub(super) fn survey(file: &mut (impl Read + Seek), len: u64) -> io::Result<Survey> {
    let mut seen = Seen::default();
    look(file, (0, len), DEEPEST, &mut seen)?;
    if seen.fragments {
        // Fragments speak of their tracks, so none may be hidden; what they do not list is little.
        return Ok(Survey {
            listed: seen.listed.saturating_add(seen.listed_sound),
            sound_tracks: Vec::new(),
        });
    }
    Ok(Survey {
        listed: seen.listed,
        sound_tracks: seen.sound_tracks,
    })
}

#[derive(Default)]
struct Seen {
    listed: u64,
    listed_sound: u64,
    sound_tracks: Vec<u64>,
    fragments: bool,
}

/// What a track or a part of one holds.
#[derive(Default)]
struct Part {
    listed: u64,
    is_sound: bool,
}

fn look(
    file: &mut (impl Read + Seek),
    (mut at, end): (u64, u64),
    depth: usize,
    seen: &mut Seen,
) -> io::Result<Part> {
    let mut part = Part::default();
    while at + 8 <= end {
        file.seek(SeekFrom::Start(at))?;
        let head: [u8; 8] = bytes(file)?;
        let name = [head[4], head[5], head[6], head[7]];
        let (size, head_len) = match u32::from_be_bytes([head[0], head[1], head[2], head[3]]) {
            0 => (end - at, 8),
            1 if at + 16 <= end => (u64::from_be_bytes(bytes(file)?), 16),
            size => (u64::from(size), 8),
        };
        if size < head_len {
            break;
        }
        let next = at.saturating_add(size).min(end);
        let content = at + head_len;
        match &name {
            holder if HOLDERS.contains(&holder) && depth > 0 => {
                let inner = look(file, (content, next), depth - 1, seen)?;
                seen.fragments |= &name == b"moof";
                if &name == b"trak" && inner.is_sound {
                    seen.sound_tracks.push(at + 4);
                    seen.listed_sound = seen.listed_sound.saturating_add(inner.listed);
                } else if &name == b"trak" || &name == b"traf" {
                    seen.listed = seen.listed.saturating_add(inner.listed);
                } else {
                    part.listed = part.listed.saturating_add(inner.listed);
                    part.is_sound |= inner.is_sound;
                }
            }
            b"hdlr" if content + 12 <= next => {
                let [.., a, b, c, d]: [u8; 12] = bytes(file)?;
                part.is_sound |= [a, b, c, d] == *b"soun";
            }
            b"stsz" if content + 12 <= next => {
                let [.., a, b, c, d]: [u8; 12] = bytes(file)?;
                let count = u64::from(u32::from_be_bytes([a, b, c, d]));
                part.listed = part.listed.saturating_add(count);
            }
            b"trun" if content + 8 <= next => {
                let [.., a, b, c, d]: [u8; 8] = bytes(file)?;
                let count = u64::from(u32::from_be_bytes([a, b, c, d]));
                part.listed = part.listed.saturating_add(count);
            }
            _ => {}
        }
        at = next;
    }
    Ok(part)
}

fn bytes<const N: usize>(file: &mut impl Read) -> io::Result<[u8; N]> {
    let mut bytes = [0; N];
    file.read_exact(&mut bytes)?;
    Ok(bytes)
}

/// A file in which some boxes have another name, and which ends with an error once its index was read twice over: the
/// library reads a box of no length again and again.
pub(super) struct Masked<R> {
    inner: R,
    at: u64,
    /// Where the names stand.
    names: Vec<u64>,
    /// Bytes that may still be read.
    left: u64,
}

impl<R: Read + Seek> Masked<R> {
    /// From the start of `inner`; the boxes whose names stand at `names` look like free space. The boxes to be read
    /// are `index_len` bytes long.
    pub(super) fn new(mut inner: R, names: Vec<u64>, index_len: u64) -> io::Result<Self> {
        inner.rewind()?;
        Ok(Self {
            inner,
            at: 0,
            names,
            left: index_len.saturating_mul(2).saturating_add(SLACK),
        })
    }
}

impl<R: Read> Read for Masked<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let count = self.inner.read(into)?;
        self.left = self
            .left
            .checked_sub(count as u64)
            .ok_or_else(|| io::Error::other("a box of no length"))?;
        let read = self.at..self.at + count as u64;
        for &name in &self.names {
            for (place, letter) in (name..).zip(FREE) {
                if read.contains(&place) {
                    into[(place - read.start) as usize] = letter;
                }
            }
        }
        self.at = read.end;
        Ok(count)
    }
}

impl<R: Seek> Seek for Masked<R> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.at = self.inner.seek(to)?;
        Ok(self.at)
    }

    fn stream_position(&mut self) -> io::Result<u64> {
        Ok(self.at)
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

    #[test]
    fn samples_of_the_picture_are_counted_and_sound_is_only_found() {
        let picture = track(b"vide", 600);
        let sound = track(b"soun", 480_000);
        let film = [
            boxed(b"ftyp", b"isom"),
            boxed(b"moov", &[picture.clone(), sound].concat()),
        ]
        .concat();
        let mut file = Cursor::new(&film);
        let seen = survey(&mut file, film.len() as u64).unwrap();
        let sound_at = 12 + 8 + picture.len() as u64 + 4;
        assert_eq!(
            seen,
            Survey {
                listed: 600,
                sound_tracks: vec![sound_at]
            }
        );

        // Every way of cutting the reading into pieces hides the name, and nothing else.
        for step in 1..9 {
            let mut masked =
                Masked::new(&mut file, seen.sound_tracks.clone(), film.len() as u64).unwrap();
            let mut out = Vec::new();
            let mut piece = vec![0; step];
            loop {
                match masked.read(&mut piece).unwrap() {
                    0 => break,
                    count => out.extend_from_slice(&piece[..count]),
                }
            }
            let mut expected = film.clone();
            expected[sound_at as usize..][..4].copy_from_slice(b"free");
            assert!(out == expected, "in steps of {step}");
        }
    }

    #[test]
    fn in_a_film_of_fragments_everything_counts_and_nothing_is_hidden() {
        let run = boxed(b"trun", &[&[0; 4], &30_u32.to_be_bytes()[..]].concat());
        let film = [
            boxed(b"moov", &[track(b"vide", 0), track(b"soun", 5)].concat()),
            boxed(b"moof", &boxed(b"traf", &[run.clone(), run].concat())),
        ]
        .concat();
        let len = film.len() as u64;
        let seen = survey(&mut Cursor::new(film), len).unwrap();
        assert_eq!(
            seen,
            Survey {
                listed: 65,
                sound_tracks: Vec::new()
            }
        );
    }

    #[test]
    fn boxes_of_no_length_or_beyond_the_end_end_the_walk() {
        for size in [1_u32, 7, 8, 200, u32::MAX] {
            let mut film = size.to_be_bytes().to_vec();
            film.extend_from_slice(b"moov\0\0\0\x08trak");
            let len = film.len() as u64;
            let seen = survey(&mut Cursor::new(film), len).unwrap();
            assert_eq!(seen, Survey::default(), "{size}");
        }
    }
}
