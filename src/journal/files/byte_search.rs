//! Searching the bytes of a file, whatever its size, to prove what is and what is not in it.

use std::collections::HashSet;
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

const CHUNK_BYTES: usize = 1 << 20;

/// Counts each needle in the file's first `within_bytes`; occurrences may overlap. An empty needle is found nowhere.
pub(in crate::journal) fn count_in_file(
    path: &Path,
    needles: &[&[u8]],
    within_bytes: u64,
) -> io::Result<Vec<u64>> {
    let longest = needles.iter().map(|needle| needle.len()).max();
    let mut counts = vec![0; needles.len()];
    scan(
        path,
        longest.unwrap_or(0),
        within_bytes,
        |bytes, starts_before| {
            for (needle, count) in needles.iter().zip(&mut counts) {
                if needle.is_empty() {
                    continue;
                }
                let found = bytes
                    .windows(needle.len())
                    .take(starts_before)
                    .filter(|window| window == needle);
                *count += found.count() as u64;
            }
        },
    )?;
    Ok(counts)
}

/// Counts the places in the file where one of the `fingerprints` stands. All are `N` bytes and begin with `lead`.
pub(in crate::journal) fn count_fingerprints<const N: usize>(
    path: &Path,
    lead: [u8; 2],
    marks: &HashSet<[u8; N]>,
) -> io::Result<u64> {
    let mut count = 0;
    scan(path, N, u64::MAX, |bytes, starts_before| {
        let found = bytes
            .windows(N)
            .take(starts_before)
            .filter(|window| window.starts_with(&lead) && marks.contains(*window));
        count += found.count() as u64;
    })?;
    Ok(count)
}

/// Hands the file to `look` in chunks, each with the number of places at which to look: whatever begins there and is at
/// most `longest` bytes long lies whole in the chunk.
fn scan(
    path: &Path,
    longest: usize,
    within_bytes: u64,
    mut look: impl FnMut(&[u8], usize),
) -> io::Result<()> {
    let mut file = File::open(path)?.take(within_bytes);
    let mut bytes = Vec::with_capacity(CHUNK_BYTES + longest);
    loop {
        let read = file
            .by_ref()
            .take(CHUNK_BYTES as u64)
            .read_to_end(&mut bytes)?;
        if read == 0 {
            look(&bytes, bytes.len());
            return Ok(());
        }
        let starts_before = bytes.len().saturating_sub(longest.saturating_sub(1));
        look(&bytes, starts_before);
        bytes.drain(..starts_before);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_lies_across_two_pieces_is_found_once() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("bytes");
        let mut bytes = vec![0u8; 3 * CHUNK_BYTES];
        for at in [
            0,
            777,
            CHUNK_BYTES - 3,
            2 * CHUNK_BYTES,
            3 * CHUNK_BYTES - 6,
        ] {
            bytes[at..at + 6].copy_from_slice(b"needle");
        }
        std::fs::write(&path, &bytes).unwrap();
        let needles: [&[u8]; 4] = [b"needle", b"dl", b"nothing here", b""];
        assert_eq!(
            count_in_file(&path, &needles, u64::MAX).unwrap(),
            [5, 5, 0, 0]
        );
        assert_eq!(count_in_file(&path, &needles[..1], 800).unwrap(), [2]);
        let marks = HashSet::from([*b"needle", *b"nexxxx"]);
        assert_eq!(count_fingerprints(&path, *b"ne", &marks).unwrap(), 5);
    }
}
