//! The edit list of an MP4 track: which part of the recording is shown, and when.
//!
//! Phones write one when a clip is trimmed, encoders when frames are reordered. The rules follow
//! ISO/IEC 14496-12, section 8.6.6, and agree with the timestamps that `ffprobe` prints.
//!
//! An edit may play at a rate of its own ("Media rate" of the edit list atom in Apple's QuickTime File Format), as slow motion that
//! sets in half-way does. The rate then says how much of the recording the edit covers; the frames keep the times at which they were
//! recorded, since those are life's. `ffprobe` knows no such rates.

/// One line of an edit list.
#[derive(Clone, Copy, Debug)]
pub(super) struct EditEntry {
    /// How long it plays, in ticks of the movie's time scale; zero means to the end.
    pub movie_duration: u64,
    /// Where in the recording it starts, in ticks of the track; negative where nothing is shown.
    pub start: i64,
    /// How much of the recording goes by in that time; 1 is usual, less is slow motion.
    pub rate: f64,
}

/// Maps composition times to the times at which frames are shown, in ticks of the track's time scale.
#[derive(Debug)]
pub(super) struct EditList {
    edits: Vec<Edit>,
}

#[derive(Debug)]
struct Edit {
    start: i64,
    end: i64,
    /// Added to a composition time to give the time at which the frame is shown.
    shift: i64,
}

impl EditList {
    /// From the entries of a track in a movie with these time scales.
    pub(super) fn new(
        entries: impl IntoIterator<Item = EditEntry>,
        movie_timescale: u32,
        track_timescale: u64,
    ) -> Self {
        let mut edits = Vec::new();
        let mut shown_from = 0_i64;
        for entry in entries {
            let (start, movie_duration) = (entry.start, entry.movie_duration);
            let played = rescaled(movie_duration, u64::from(movie_timescale), track_timescale);
            let duration = covered(played, entry.rate);
            if start >= 0 {
                // A duration of zero means "to the end", as fragmented files have it.
                let end = if movie_duration == 0 {
                    i64::MAX
                } else {
                    start.saturating_add(duration)
                };
                edits.push(Edit {
                    start,
                    end,
                    shift: shown_from.saturating_sub(start),
                });
            }
            shown_from = shown_from.saturating_add(duration);
        }
        if edits.is_empty() {
            edits.push(Edit {
                start: i64::MIN,
                end: i64::MAX,
                shift: shown_from,
            });
        }
        Self { edits }
    }

    /// Shifts the list so that the first edit starts on a frame of the track.
    ///
    /// A clip trimmed between two frames would otherwise start a fraction of a frame late.
    pub(super) fn starting_on_a_frame(mut self, composition: &[i64]) -> Self {
        if let Some(first_edit) = self.edits.first().filter(|edit| edit.start >= 0) {
            let first_frame = composition
                .iter()
                .filter(|ticks| (first_edit.start..first_edit.end).contains(*ticks))
                .min();
            let late = first_frame.map_or(0, |ticks| ticks - first_edit.start);
            for edit in &mut self.edits {
                edit.shift = edit.shift.saturating_sub(late);
            }
        }
        self
    }

    /// When a frame with this composition time is shown; `None` where it is left out.
    pub(super) fn shown_at(&self, ticks: i64) -> Option<i64> {
        self.edits
            .iter()
            .find(|edit| (edit.start..edit.end).contains(&ticks))
            .map(|edit| ticks.saturating_add(edit.shift))
    }
}

fn rescaled(ticks: u64, from: u64, to: u64) -> i64 {
    let from = u128::from(from.max(1));
    i64::try_from((u128::from(ticks) * u128::from(to) + from / 2) / from).unwrap_or(i64::MAX)
}

/// How much of the recording goes by while an edit plays. A rate that is not above zero is against the format.
fn covered(played: i64, rate: f64) -> i64 {
    match rate > 0.0 && rate != 1.0 {
        true => (played as f64 * rate).round() as i64,
        false => played,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn list(entries: &[(u64, i64)]) -> EditList {
        let entries = entries
            .iter()
            .map(|&(duration, start)| (duration, start, 1.0));
        list_with_rates(&entries.collect::<Vec<_>>())
    }

    fn list_with_rates(entries: &[(u64, i64, f64)]) -> EditList {
        let entries = entries
            .iter()
            .map(|&(movie_duration, start, rate)| EditEntry {
                movie_duration,
                start,
                rate,
            });
        EditList::new(entries, 1000, 30_000)
    }

    #[test]
    fn without_a_list_times_stay() {
        assert_eq!(list(&[]).shown_at(1234), Some(1234));
    }

    #[test]
    fn a_delay_for_reordering_is_taken_off() {
        assert_eq!(list(&[(2000, 2002)]).shown_at(2002), Some(0));
    }

    #[test]
    fn a_trimmed_clip_leaves_out_both_ends() {
        let edits = list(&[(1000, 15_000)]);
        assert_eq!(edits.shown_at(14_999), None);
        assert_eq!(edits.shown_at(15_000), Some(0));
        assert_eq!(edits.shown_at(44_999), Some(29_999));
        assert_eq!(edits.shown_at(45_000), None);
    }

    #[test]
    fn a_clip_trimmed_between_two_frames_starts_with_the_later_one() {
        let edits = list(&[(1000, 15_500)]).starting_on_a_frame(&[14_000, 17_000, 16_000, 15_000]);
        assert_eq!(edits.shown_at(15_000), None);
        assert_eq!(edits.shown_at(16_000), Some(0));
        assert_eq!(edits.shown_at(17_000), Some(1000));
    }

    #[test]
    fn an_empty_edit_first_delays_everything() {
        assert_eq!(list(&[(500, -1), (1000, 0)]).shown_at(0), Some(15_000));
    }

    #[test]
    fn two_parts_are_shown_one_after_the_other() {
        let edits = list(&[(1000, 0), (1000, 60_000)]);
        assert_eq!(edits.shown_at(29_999), Some(29_999));
        assert_eq!(edits.shown_at(30_000), None);
        assert_eq!(edits.shown_at(60_000), Some(30_000));
    }

    #[test]
    fn a_duration_of_zero_means_to_the_end() {
        assert_eq!(list(&[(0, 1001)]).shown_at(1_000_000), Some(998_999));
    }

    #[test]
    fn a_part_that_plays_slower_keeps_the_times_at_which_it_was_recorded() {
        // A second as it happened, then half a second that plays for four, then a second as it happened.
        let edits = list_with_rates(&[(1000, 0, 1.0), (4000, 30_000, 0.125), (1000, 45_000, 1.0)]);
        for at in [0, 29_999, 30_000, 44_999, 45_000, 74_999] {
            assert_eq!(edits.shown_at(at), Some(at));
        }
        assert_eq!(edits.shown_at(75_000), None);
    }

    #[test]
    fn a_rate_that_makes_no_sense_is_none() {
        for rate in [0.0, -1.0, f64::NAN] {
            let edits = list_with_rates(&[(1000, 0, rate)]);
            assert_eq!(edits.shown_at(29_999), Some(29_999), "{rate}");
            assert_eq!(edits.shown_at(30_000), None, "{rate}");
        }
    }
}
