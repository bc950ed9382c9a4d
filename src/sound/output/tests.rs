//! The output as the rep stage sees it.

use super::*;
use crate::coach::CueId;

fn library() -> Result<CueLibrary, SoundError> {
    CueLibrary::load(None)
}

#[test]
fn a_silent_output_loads_nothing_and_has_no_outcomes() {
    let load = || unreachable!("nothing is to be heard");
    let mut output = SoundOutput::open(&Output::Silent, load, 1.0).expect("no output");
    let at = CaptureTime::from_secs(1.0);
    assert_eq!(output.play(Sound::Cue(CueId::InBand), at), None);
    output.set_head_tone(Some(0.5), at);
    assert_eq!(output.outcomes(Duration::ZERO), []);
    assert_eq!(output.health().state, OutputState::Off);
    output.finish(at).expect("nothing to close");
}

#[test]
fn a_file_takes_the_place_of_the_device() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("live.wav");
    let to = Output::WavFile(path.clone());
    let mut output = SoundOutput::open(&to, library, 1.0).expect("a file");
    let cue = Sound::Cue(CueId::InBand);
    let first = output.play(cue.clone(), CaptureTime::from_secs(0.5));
    let second = output.play(cue, CaptureTime::from_secs(1.5));
    assert!(first < second);
    let outcomes = output.outcomes(Duration::ZERO);
    let tickets: Vec<_> = outcomes.iter().map(|o| Some(o.request.ticket)).collect();
    assert_eq!(tickets, [first, second]);
    assert!(outcomes.iter().all(|outcome| outcome.result.is_ok()));
    assert_eq!(output.health().state, OutputState::File);
    assert_eq!(output.health().heard, 2);
    output.finish(CaptureTime::from_secs(3.0)).expect("closed");
    let written = hound::WavReader::open(&path).expect("a WAV file");
    assert_eq!(written.duration(), 3 * 48_000);
    let nowhere = Output::WavFile(folder.path().join("no/live.wav"));
    assert!(matches!(
        SoundOutput::open(&nowhere, library, 1.0),
        Err(SoundError::CreateWav { .. })
    ));
}
