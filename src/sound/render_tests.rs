//! The rendered file, read back: what stands in it, where, and what does not.

use hound::WavReader;

use super::super::delivery::DeliveryMarkKind;
use super::super::outcome::UnheardReason;
use super::*;

struct Bench {
    library: Arc<CueLibrary>,
    folder: tempfile::TempDir,
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

    fn render(&self) -> WavRender {
        WavRender::create(&self.path(), Arc::clone(&self.library)).expect("a file")
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

    fn samples(&self, id: &str) -> Arc<[f32]> {
        self.library.samples_for(id).expect("a cue")
    }
}

fn secs(secs: f64) -> CaptureTime {
    CaptureTime::from_secs(secs)
}

fn latency_millis(outcomes: &[Outcome], index: usize) -> f64 {
    match &outcomes[index] {
        Outcome::Heard(heard) => heard.latency_millis,
        Outcome::Unheard(unheard) => panic!("not heard: {unheard:?}"),
    }
}

#[test]
fn another_volume_is_that_of_the_next_cue() {
    let bench = Bench::new();
    let mut render = bench.render();
    render.cue_at("in_band", secs(0.5)).expect("written");
    render.advance_to(secs(3.0)).expect("written");
    render.revise(0.25, None);
    render.cue_at("in_band", secs(3.5)).expect("written");
    render.finish(secs(6.0)).expect("closed");
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
    let mut render = bench.render();
    let outcomes = render.cue_at("head_forward", secs(2.5)).expect("written");
    assert_eq!(latency_millis(&outcomes, 0), 0.0);
    assert!(render.finish(secs(6.0)).expect("closed").is_empty());
    let (heard, cue) = (bench.heard(), bench.samples("head_forward"));
    assert_eq!(heard.len(), 6 * 48_000);
    let (first, last) = (120_000, 120_000 + cue.len());
    assert!(
        heard[..first]
            .iter()
            .chain(&heard[last..])
            .all(|s| *s == 0.0),
        "silence around it"
    );
    assert!(
        heard[first..last]
            .iter()
            .zip(&*cue)
            .all(|(a, b)| (a - b).abs() < 1e-4)
    );
}

#[test]
fn the_time_line_begins_where_it_is_told_and_volume_scales() {
    let bench = Bench::new();
    let mut render = bench.render().starting_at(secs(100.0)).with_volume(0.5);
    render.cue_at("in_band", secs(100.5)).expect("written");
    render.finish(secs(101.0)).expect("closed");
    let (heard, cue) = (bench.heard(), bench.samples("in_band"));
    assert_eq!(heard.len(), 48_000);
    assert!(
        heard[24_000..]
            .iter()
            .zip(&*cue)
            .all(|(a, b)| (a - 0.5 * b).abs() < 1e-4)
    );
}

#[test]
fn a_second_swing_cuts_the_first_cue_without_overlap_or_click() {
    let bench = Bench::new();
    let mut render = bench.render();
    render.cue_at("head_forward", secs(1.0)).expect("written");
    let outcomes = render.cue_at("stride_long", secs(1.6)).expect("written");
    assert!(
        (latency_millis(&outcomes, 0) - 10.0).abs() < 0.1,
        "it begins after the fade"
    );
    render.finish(secs(2.0)).expect("closed");
    let (heard, first, second) = (
        bench.heard(),
        bench.samples("head_forward"),
        bench.samples("stride_long"),
    );
    let cut = 76_800;
    assert!(
        heard[48_000..cut]
            .iter()
            .zip(&*first)
            .all(|(a, b)| (a - b).abs() < 1e-4)
    );
    assert!(
        heard[cut + 480..]
            .iter()
            .zip(&*second)
            .all(|(a, b)| (a - b).abs() < 1e-4)
    );
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
fn a_remark_waits_and_is_told_of_when_it_is_heard() {
    let bench = Bench::new();
    let mut render = bench.render();
    render.cue_at("in_band", secs(1.0)).expect("written");
    assert!(
        render
            .cue_at("too_dark", secs(1.1))
            .expect("written")
            .is_empty(),
        "not settled yet"
    );
    let (tone, remark) = (bench.samples("in_band"), bench.samples("too_dark"));
    let outcomes = render.finish(secs(1.2)).expect("closed");
    let waited = tone.len() as f64 / 48.0 - 100.0;
    assert!((latency_millis(&outcomes, 0) - waited).abs() < 0.1);
    let heard = bench.heard();
    assert!(
        heard[48_000 + tone.len()..]
            .iter()
            .zip(&*remark)
            .all(|(a, b)| (a - b).abs() < 1e-4)
    );
}

#[test]
fn a_remark_that_would_come_too_late_is_dropped() {
    let bench = Bench::new();
    let mut render = bench.render();
    render.cue_at("weight_early", secs(0.0)).expect("written");
    render.cue_at("ready", secs(0.1)).expect("written");
    let outcomes = render.advance_to(secs(3.0)).expect("written");
    let [Outcome::Unheard(unheard)] = outcomes.as_slice() else {
        panic!("{outcomes:?}")
    };
    assert_eq!(unheard.why, UnheardReason::Stale);
}

/// The header must be right at any time, because a replay may be killed.
#[test]
fn an_unfinished_file_can_be_read() {
    let bench = Bench::new();
    let mut render = bench.render();
    assert_eq!(bench.heard().len(), 0, "right from the start");
    render.cue_at("in_band", secs(1.0)).expect("written");
    assert_eq!(bench.heard().len(), 48_000, "up to the cue");
    render.advance_to(secs(30.0)).expect("written");
    assert_eq!(bench.heard().len(), 30 * 48_000);
}

#[test]
fn what_cannot_be_written_is_told_by_name() {
    let bench = Bench::new();
    let create = |path: &Path| {
        WavRender::create(path, Arc::clone(&bench.library))
            .err()
            .expect("no file")
    };
    let message = create(&bench.folder.path().join("no/such/cues.wav")).to_string();
    assert!(
        message.contains("no/such/cues.wav") && message.contains("folder exists"),
        "{message}"
    );
    let mut render = bench.render();
    assert!(matches!(
        render.cue_at("no_such_cue", secs(1.0)),
        Err(SoundError::NoSuchCue { .. })
    ));
    let message = render
        .cue_at("in_band", secs(1e9))
        .expect_err("a broken time stamp")
        .to_string();
    assert!(message.contains("time stamps"), "{message}");
}

#[test]
fn a_summary_follows_the_last_cue_and_a_delivery_follows_that() {
    let bench = Bench::new();
    let mut render = bench.render();
    render.cue_at("head_forward", secs(1.0)).expect("written");
    let said = [Said::count(10, "swings"), Said::phrase("in_the_band")];
    let waiting = render.say_at(&said, secs(1.2)).expect("written");
    assert!(waiting.is_empty(), "{waiting:?}");
    let marks = [
        (0.0, DeliveryMarkKind::Beat),
        (1.0, DeliveryMarkKind::Plate),
    ]
    .map(|(at_secs, kind)| DeliveryMark { at_secs, kind });
    let mut outcomes = render.deliver_at(&marks, secs(3.0)).expect("written");
    outcomes.extend(render.finish(secs(4.0)).expect("closed"));
    let names: Vec<_> = outcomes
        .iter()
        .map(|outcome| match outcome {
            Outcome::Heard(heard) => (heard.ticket, heard.cue_id.to_string()),
            Outcome::Unheard(unheard) => panic!("{unheard:?}"),
        })
        .collect();
    assert_eq!(
        names,
        [
            (Ticket(2), "sentence".to_owned()),
            (Ticket(3), "delivery".to_owned())
        ]
    );
    let (heard, cue) = (bench.heard(), bench.samples("head_forward"));
    let sentence = bench.library.sentence(&said).expect("a sentence");
    let from = 48_000 + cue.len();
    let same = |a: &[f32], b: &[f32]| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-4);
    assert!(same(&heard[from..], &sentence));
    let ready = bench
        .library
        .ready(&Sound::Delivery(marks.to_vec()))
        .expect("a delivery");
    let start = secs(3.0).secs() + latency_millis(&outcomes, 1) / 1e3;
    let first = (start * 48_000.0).round() as usize;
    assert!(same(&heard[first..], &ready.samples));
}

#[test]
fn the_head_tone_stands_in_the_file_and_a_cue_silences_it() {
    let bench = Bench::new();
    let mut render = bench.render();
    for frame in 0..120 {
        let at = f64::from(frame) / 60.0;
        let tone = (at < 1.5).then_some(HeadTone {
            share: at as f32 / 1.5,
        });
        render.head_tone_at(tone, secs(0.5 + at)).expect("written");
        if frame == 60 {
            let outcomes = render.cue_at("in_band", secs(1.5)).expect("written");
            let waited = latency_millis(&outcomes, 0);
            assert!(
                (waited - 10.0).abs() < 0.1,
                "it begins after the fade: {waited}"
            );
        }
    }
    render.finish(secs(3.0)).expect("closed");
    let (heard, cue) = (bench.heard(), bench.samples("in_band"));
    let loud = |from: f64, to: f64| {
        let within = &heard[(from * 48_000.0) as usize..(to * 48_000.0) as usize];
        within.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()))
    };
    assert!(loud(0.0, 0.5) == 0.0, "silence before the rep");
    assert!(loud(0.6, 1.5) > 0.05, "the tone");
    let first = 72_000 + 480;
    let same = heard[first..]
        .iter()
        .zip(&*cue)
        .all(|(a, b)| (a - b).abs() < 1e-4);
    assert!(same, "the cue is heard alone");
    assert!(loud(1.9, 1.99) > 0.05, "the tone comes back");
    assert!(loud(2.05, 3.0) == 0.0, "and ends");
}
