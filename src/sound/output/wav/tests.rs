//! The rendered file, read back: what stands in it, where, and what does not.

use hound::WavReader;

use super::*;
use crate::coach::{CueId, PhraseId, Said};
use crate::pitch::{Mark, MarkKind};
use crate::sound::request::{Sound, Ticket};

struct Bench {
    library: Arc<CueLibrary>,
    folder: tempfile::TempDir,
}

/// A file that is being written, with the test's own tickets.
struct Rendering {
    file: Box<WavFile>,
    tickets: u64,
}

impl Bench {
    fn new() -> Self {
        let library = CueLibrary::load(None).expect("the built-in cues load");
        Self {
            library: Arc::new(library),
            folder: tempfile::tempdir().expect("a folder"),
        }
    }

    fn path(&self) -> PathBuf {
        self.folder.path().join("cues.wav")
    }

    fn render_at(&self, volume: f32) -> Rendering {
        let file = WavFile::create(&self.path(), Arc::clone(&self.library), volume);
        Rendering {
            file: Box::new(file.expect("a file")),
            tickets: 0,
        }
    }

    fn render(&self) -> Rendering {
        self.render_at(1.0)
    }

    /// The file's samples, read back by the library that other programs use too.
    fn heard(&self) -> Vec<f32> {
        let reader = WavReader::open(self.path()).expect("a WAV file");
        let spec = reader.spec();
        assert_eq!(
            (spec.channels, spec.sample_rate, spec.bits_per_sample),
            (1, SAMPLE_RATE_HZ, 16)
        );
        reader
            .into_samples::<i16>()
            .map(|s| f32::from(s.expect("a sample")) / f32::from(i16::MAX))
            .collect()
    }

    fn samples(&self, id: CueId) -> Arc<[f32]> {
        self.library.cue(id).expect("a cue")
    }
}

impl Rendering {
    /// What became of this sound and of any that had been waiting, as far as it is known.
    fn play(&mut self, sound: Sound, at_secs: f64) -> Vec<Outcome> {
        self.tickets += 1;
        self.file.play(SoundRequest {
            ticket: Ticket(self.tickets),
            sound,
            decided_at: Instant::now(),
            at: secs(at_secs),
        });
        self.file.outcomes(Duration::ZERO)
    }

    fn play_cue(&mut self, id: CueId, at_secs: f64) -> Vec<Outcome> {
        self.play(Sound::Cue(id), at_secs)
    }

    fn advance_to(&mut self, at_secs: f64) -> Vec<Outcome> {
        self.file.advance_to(secs(at_secs));
        self.file.outcomes(Duration::ZERO)
    }

    fn finish(self, end_secs: f64) {
        self.file.finish(secs(end_secs)).expect("closed");
    }
}

fn secs(secs: f64) -> CaptureTime {
    CaptureTime::from_secs(secs)
}

fn latency_millis(outcome: &Outcome) -> f64 {
    outcome.result.expect("played").latency_millis
}

fn alike(a: &[f32], b: &[f32]) -> bool {
    a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-4)
}

#[test]
fn another_volume_is_that_of_the_next_cue() {
    let bench = Bench::new();
    let mut rendering = bench.render();
    rendering.play_cue(CueId::InBand, 0.5);
    rendering.advance_to(3.0);
    rendering.file.apply_settings(0.25, None);
    rendering.play_cue(CueId::InBand, 3.5);
    rendering.finish(6.0);
    let heard = bench.heard();
    let peak = |from: usize| {
        heard[from..from + 120_000]
            .iter()
            .fold(0.0f32, |peak, sample| peak.max(sample.abs()))
    };
    let (before, after) = (peak(0), peak(150_000));
    assert!((after / before - 0.25).abs() < 0.01, "{before} {after}");
}

#[test]
fn a_cue_stands_at_its_time_sample_for_sample() {
    let bench = Bench::new();
    let mut rendering = bench.render();
    let outcomes = rendering.play_cue(CueId::HeadForward, 2.5);
    assert_eq!(latency_millis(&outcomes[0]), 0.0);
    rendering.finish(6.0);
    let (heard, cue) = (bench.heard(), bench.samples(CueId::HeadForward));
    assert_eq!(heard.len(), 6 * 48_000);
    let (first, last) = (120_000, 120_000 + cue.len());
    assert!(
        heard[..first]
            .iter()
            .chain(&heard[last..])
            .all(|s| *s == 0.0),
        "silence around it"
    );
    assert!(alike(&heard[first..last], &cue));
}

#[test]
fn the_time_line_begins_where_it_is_set_to_and_volume_scales_the_samples() {
    let bench = Bench::new();
    let mut rendering = bench.render_at(0.5);
    rendering.file.start_at(secs(90_000.0));
    rendering.advance_to(89_999.9);
    rendering.play_cue(CueId::InBand, 90_000.5);
    rendering.finish(90_001.0);
    let (heard, cue) = (bench.heard(), bench.samples(CueId::InBand));
    let half: Vec<f32> = cue.iter().map(|s| 0.5 * s).collect();
    assert_eq!(heard.len(), 48_000);
    assert!(alike(&heard[24_000..], &half));
}

#[test]
fn a_second_swing_cuts_the_first_cue_without_overlap_or_click() {
    let bench = Bench::new();
    let mut rendering = bench.render();
    rendering.play_cue(CueId::HeadForward, 1.0);
    let outcomes = rendering.play_cue(CueId::StrideLong, 1.6);
    assert!(
        (latency_millis(&outcomes[0]) - 10.0).abs() < 0.1,
        "it begins after the fade"
    );
    rendering.finish(2.0);
    let (heard, first, second) = (
        bench.heard(),
        bench.samples(CueId::HeadForward),
        bench.samples(CueId::StrideLong),
    );
    let cut = 76_800;
    assert!(alike(&heard[48_000..cut], &first));
    assert!(alike(&heard[cut + 480..], &second));
    assert_eq!(
        heard.len(),
        cut + 480 + second.len(),
        "the last cue is heard to its end"
    );
    let fade = &heard[cut..cut + 480];
    let original = &first[cut - 48_000..];
    assert!(
        fade.iter()
            .zip(original)
            .all(|(a, b)| a.abs() <= b.abs() + 1e-4),
        "the fade only lowers"
    );
    assert!(fade[479].abs() < 1e-3);
}

#[test]
fn a_remark_waits_and_has_its_outcome_when_it_is_heard() {
    let bench = Bench::new();
    let mut rendering = bench.render();
    rendering.play_cue(CueId::InBand, 1.0);
    assert_eq!(rendering.play_cue(CueId::TooDark, 1.1), [], "it waits");
    let (tone, remark) = (bench.samples(CueId::InBand), bench.samples(CueId::TooDark));
    let outcomes = rendering.advance_to(1.5);
    let waited = tone.len() as f64 / 48.0 - 100.0;
    assert!((latency_millis(&outcomes[0]) - waited).abs() < 0.1);
    rendering.finish(1.6);
    assert!(alike(&bench.heard()[48_000 + tone.len()..], &remark));
}

#[test]
fn what_waits_at_the_end_is_still_heard() {
    let bench = Bench::new();
    let mut rendering = bench.render();
    rendering.play_cue(CueId::InBand, 1.0);
    rendering.play_cue(CueId::TooDark, 1.1);
    rendering.finish(1.2);
    let (tone, remark) = (bench.samples(CueId::InBand), bench.samples(CueId::TooDark));
    let heard = bench.heard();
    assert_eq!(heard.len(), 48_000 + tone.len() + remark.len());
    assert!(alike(&heard[48_000 + tone.len()..], &remark));
}

#[test]
fn a_remark_that_would_come_too_late_is_dropped() {
    let bench = Bench::new();
    let mut rendering = bench.render();
    rendering.play_cue(CueId::WeightEarly, 0.0);
    rendering.play_cue(CueId::Ready, 0.1);
    let outcomes = rendering.advance_to(3.0);
    let results: Vec<_> = outcomes.iter().map(|outcome| outcome.result).collect();
    assert_eq!(results, [Err(NotPlayed::Stale)]);
}

/// The header must be right at any time, because a replay may be killed.
#[test]
fn an_unfinished_file_can_be_read() {
    let bench = Bench::new();
    let mut rendering = bench.render();
    assert_eq!(bench.heard().len(), 0, "right from the start");
    rendering.play_cue(CueId::InBand, 1.0);
    assert_eq!(bench.heard().len(), 48_000, "up to the cue");
    rendering.advance_to(30.0);
    assert_eq!(bench.heard().len(), 30 * 48_000);
}

#[test]
fn a_file_that_cannot_be_written_is_named_and_each_sound_has_its_outcome() {
    let bench = Bench::new();
    let nowhere = bench.folder.path().join("no/such/cues.wav");
    let message = WavFile::create(&nowhere, Arc::clone(&bench.library), 1.0)
        .err()
        .expect("no file")
        .to_string();
    assert!(
        message.contains("no/such/cues.wav") && message.contains("folder exists"),
        "{message}"
    );
    let mut rendering = bench.render();
    let result = |outcomes: Vec<Outcome>| {
        let results: Vec<_> = outcomes.iter().map(|outcome| outcome.result).collect();
        assert_eq!(results.len(), 1);
        results[0]
    };
    let impossible = Sound::Sentence(vec![Said::Number(1000)]);
    assert_eq!(
        result(rendering.play(impossible, 1.0)),
        Err(NotPlayed::Unavailable)
    );
    assert_eq!(rendering.file.health().state, OutputState::File);
    for at_secs in [1e9, 2.0] {
        assert_eq!(
            result(rendering.play_cue(CueId::InBand, at_secs)),
            Err(NotPlayed::NotWritten)
        );
    }
    assert_eq!(rendering.file.health().state, OutputState::Off);
    let message = rendering
        .file
        .finish(secs(3.0))
        .expect_err("a broken time stamp")
        .to_string();
    assert!(message.contains("time stamps"), "{message}");
}

#[test]
fn a_summary_follows_the_last_cue_and_a_delivery_follows_that() {
    let bench = Bench::new();
    let mut rendering = bench.render();
    rendering.play_cue(CueId::HeadForward, 1.0);
    let said = [
        Said::Count(10, PhraseId::Swings),
        Said::Phrase(PhraseId::InRange),
    ];
    assert_eq!(rendering.play(Sound::Sentence(said.to_vec()), 1.2), []);
    let marks = [(0.0, MarkKind::Beat), (1.0, MarkKind::Plate)]
        .map(|(at_secs, kind)| Mark { at_secs, kind });
    let pitch = Sound::Delivery(marks.to_vec());
    let mut outcomes = rendering.play(pitch.clone(), 3.0);
    outcomes.extend(rendering.advance_to(6.0));
    rendering.finish(6.0);
    let sounds: Vec<_> = outcomes
        .iter()
        .map(|outcome| (outcome.request.ticket, outcome.request.sound.to_string()))
        .collect();
    assert_eq!(
        sounds,
        [
            (Ticket(2), "sentence".to_owned()),
            (Ticket(3), "delivery".to_owned())
        ]
    );
    let (heard, cue) = (bench.heard(), bench.samples(CueId::HeadForward));
    let sentence = bench.library.sentence(&said).expect("a sentence");
    let from = 48_000 + cue.len();
    assert!(alike(&heard[from..], &sentence));
    let (samples, _) = bench.library.samples(&pitch).expect("a delivery");
    let start = 3.0 + latency_millis(&outcomes[1]) / 1e3;
    let first = (start * 48_000.0).round() as usize;
    assert!(alike(&heard[first..], &samples));
}

#[test]
fn the_head_tone_stands_in_the_file_and_a_cue_silences_it() {
    let bench = Bench::new();
    let mut rendering = bench.render();
    for frame in 0..120 {
        let at = f64::from(frame) / 60.0;
        let share = (at < 1.5).then_some(at as f32 / 1.5);
        rendering.file.set_head_tone(share, secs(0.5 + at));
        if frame == 60 {
            let outcomes = rendering.play_cue(CueId::InBand, 1.5);
            let waited = latency_millis(&outcomes[0]);
            assert!(
                (waited - 10.0).abs() < 0.1,
                "it begins after the fade: {waited}"
            );
        }
    }
    rendering.finish(3.0);
    let (heard, cue) = (bench.heard(), bench.samples(CueId::InBand));
    let loud = |from: f64, to: f64| {
        let within = &heard[(from * 48_000.0) as usize..(to * 48_000.0) as usize];
        within.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()))
    };
    assert!(loud(0.0, 0.5) == 0.0, "silence before the rep");
    assert!(loud(0.6, 1.5) > 0.05, "the tone");
    let first = 72_000 + 480;
    assert!(alike(&heard[first..], &cue), "the cue is heard alone");
    assert!(loud(1.9, 1.99) > 0.05, "the tone comes back");
    assert!(loud(2.05, 3.0) == 0.0, "and ends");
}
