//! The sound file holds what the hitter would have heard: the right cue, soon after the swing's finish.

use cagehand::coach::CueId;
use cagehand::sound::CueLibrary;

use super::program::{Place, json_lines, replayed};
use super::truth::Truth;

/// How like two stretches of sound are, -1 to 1.
fn likeness(a: &[f32], b: &[f32]) -> f64 {
    let dot = |p: &[f32], q: &[f32]| p.iter().zip(q).map(|(x, y)| f64::from(x * y)).sum::<f64>();
    let power = (dot(a, a) * dot(b, b)).sqrt();
    if power > 0.0 { dot(a, b) / power } else { 0.0 }
}

#[test]
fn each_swing_is_followed_by_its_cue_within_400_ms_of_the_finish() {
    let place = Place::new();
    let run = replayed("left_60fps_faults", "full", 168);
    let (log, wav) = (place.path("reps.jsonl"), place.path("heard.wav"));
    place.run_well(&[
        "replay",
        run.get().unwrap().track(),
        "--height-cm",
        "168",
        "--pace",
        "fast",
        "--no-journal",
        "--reps",
        log.to_str().unwrap(),
        "--sound",
        wav.to_str().unwrap(),
    ]);
    let mut reader = hound::WavReader::open(&wav).unwrap();
    let rate = f64::from(reader.spec().sample_rate);
    assert_eq!(reader.spec().channels, 1);
    let heard: Vec<f32> = reader
        .samples::<i16>()
        .map(|s| f32::from(s.unwrap()) / 32768.0)
        .collect();
    let library = CueLibrary::load(None).unwrap();
    let reps = json_lines(&log);
    let truth = Truth::of("left_60fps_faults");
    let swings = truth.segments("rep");
    assert_eq!(reps.len(), swings.len());

    let mut ids = std::collections::BTreeSet::new();
    for (rep, swing) in reps.iter().zip(swings) {
        let id = rep["cue"]["id"].as_str().unwrap();
        ids.insert(id.to_owned());
        let finish = swing["events"]["finish"].as_f64().unwrap();
        // The first sound after contact is the cue's beginning.
        let from = (swing["events"]["contact"].as_f64().unwrap() * rate) as usize;
        let start = from
            + heard[from..]
                .iter()
                .position(|s| s.abs() > 1e-3)
                .expect("a cue is heard");
        let after_ms = 1000.0 * (start as f64 / rate - finish);
        assert!(
            (0.0..400.0).contains(&after_ms),
            "{id}: heard {after_ms:.0} ms after the finish"
        );
        // It is that cue and no other: laid over the library's own sounds, it is likest to this one.
        let best = CueId::ALL
            .iter()
            .filter_map(|other| {
                let sound = library.cue(*other)?;
                let begin = sound.iter().position(|s| s.abs() > 1.3e-3)?;
                let sound = &sound[begin..];
                let stretch = &heard[start..(start + sound.len()).min(heard.len())];
                Some((
                    *other,
                    (0..4)
                        .map(|lag| likeness(&stretch[lag..], sound))
                        .fold(-1.0, f64::max),
                ))
            })
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap();
        assert_eq!(best.0.as_str(), id, "likeness {:.3}", best.1);
        assert!(best.1 > 0.95, "{id}: likeness {:.3}", best.1);
    }
    assert!(
        ids.contains("head_forward"),
        "the first swing's head goes far forward: {ids:?}"
    );
    // Before the first swing there is silence.
    let quiet = &heard[..(2.5 * rate) as usize];
    assert!(quiet.iter().all(|s| *s == 0.0));
}
