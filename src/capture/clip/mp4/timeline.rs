//! When each sample of a track is shown, and where its bytes are.

use re_mp4::{Mp4, Track, TrakBox};

use super::edit_list::{EditEntry, EditList};
use super::{Sample, Shown};
use crate::time::CaptureTime;

/// The samples of a track in decoding order, with the edit list applied.
pub(super) fn samples(mp4: &Mp4, track: &Track, trak: &TrakBox) -> Vec<Sample> {
    let to_nanos = |ticks: i64| {
        let nanos = (i128::from(ticks) * 1_000_000_000 + i128::from(track.timescale / 2))
            .div_euclid(i128::from(track.timescale));
        i64::try_from(nanos).unwrap_or(i64::MAX)
    };
    let (first_ticks, listed) = first_composition_ticks(trak);
    let composition: Vec<i64> = track
        .samples
        .iter()
        .enumerate()
        .map(|(index, sample)| composition_ticks(sample, index < listed, first_ticks))
        .collect();
    let edits = EditList::new(edit_entries(trak), mp4.moov.mvhd.timescale, track.timescale)
        .starting_on_a_frame(&composition);
    let mut samples: Vec<Sample> = track
        .samples
        .iter()
        .zip(&composition)
        .map(|(sample, &order)| {
            let shown = edits.shown_at(order).map(|ticks| Shown {
                index: 0,
                at: CaptureTime::from_nanos(to_nanos(ticks)),
            });
            Sample {
                offset: sample.offset,
                size: usize::try_from(sample.size).unwrap_or(usize::MAX),
                order,
                sync: sample.is_sync,
                shown,
            }
        })
        .collect();
    number_shown(&mut samples);
    samples
}

/// The composition time of a sample as the file has it, in ticks.
fn composition_ticks(sample: &re_mp4::Sample, listed: bool, first_ticks: i64) -> i64 {
    if listed {
        // The crate shifts the samples of the track's own tables so that the first is at zero; the edit
        // list refers to the times in the file.
        return sample.composition_timestamp.saturating_add(first_ticks);
    }
    // In fragments the offset between decoding and composition may be negative; the crate reads it as
    // unsigned.
    let offset = sample.composition_timestamp - sample.decode_timestamp;
    let offset = if offset > i64::from(i32::MAX) {
        offset - (1 << 32)
    } else {
        offset
    };
    sample.decode_timestamp.saturating_add(offset)
}

/// Numbers the shown frames in the order in which they are shown.
fn number_shown(samples: &mut [Sample]) {
    let mut order: Vec<usize> = (0..samples.len())
        .filter(|&index| samples[index].shown.is_some())
        .collect();
    order.sort_by_key(|&index| samples[index].order);
    for (number, &index) in (0..).zip(&order) {
        if let Some(shown) = &mut samples[index].shown {
            shown.index = number;
        }
    }
}

/// The earliest composition time in the track's own tables, in ticks, and how many samples they list.
fn first_composition_ticks(trak: &TrakBox) -> (i64, usize) {
    let tables = &trak.mdia.minf.stbl;
    let listed = tables.stsz.sample_count as usize;
    let mut offsets = tables
        .ctts
        .iter()
        .flat_map(|ctts| &ctts.entries)
        .flat_map(|run| {
            std::iter::repeat_n(i64::from(run.sample_offset), run.sample_count as usize)
        });
    let deltas = tables.stts.entries.iter().flat_map(|run| {
        std::iter::repeat_n(i64::from(run.sample_delta), run.sample_count as usize)
    });
    let mut decode_ticks = 0_i64;
    let mut first = None;
    for delta in deltas.take(listed) {
        let ticks = decode_ticks + offsets.next().unwrap_or(0);
        first = Some(first.map_or(ticks, |first: i64| first.min(ticks)));
        decode_ticks = decode_ticks.saturating_add(delta);
    }
    (first.unwrap_or(0), listed)
}

/// The edits of a track, in the order in which they play.
fn edit_entries(trak: &TrakBox) -> impl Iterator<Item = EditEntry> {
    let elst = trak.edts.iter().filter_map(|edts| edts.elst.as_ref());
    elst.flat_map(|elst| {
        elst.entries.iter().map(|entry| {
            // The field is signed; the crate reads it as unsigned.
            let start = if elst.version == 0 {
                i64::from(entry.media_time as u32 as i32)
            } else {
                entry.media_time as i64
            };
            // A signed fixed-point number, of which the crate makes two.
            let rate = f64::from(entry.media_rate as i16)
                + f64::from(entry.media_rate_fraction) / f64::from(1 << 16);
            EditEntry {
                movie_duration: entry.segment_duration,
                start,
                rate,
            }
        })
    })
}
