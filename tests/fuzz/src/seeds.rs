//! The inputs to begin with: the project's own small files, and what the program makes of them.

use std::error::Error;
use std::fs;
use std::path::Path;

use cagehand::coach::{Coach, PLAN_TEMPLATES, Trainer};
use cagehand::picture_size::PictureSize;
use cagehand::journal::{
    Journal, NewHitter, NewPlan, NewSession, RepRecord, encode_timeline,
};
use cagehand::pose::{SeenBat, TrunkTurn, TurnAngle, TurnOrigin};
use cagehand::pose::track::TrackReader;
use cagehand::rep::{HitterSetup, FoundRep, RepFinder};
use cagehand::settings::{DEFAULT_FILE, Settings};
use cagehand::wall_clock::now_to_the_millisecond;

/// Lines of a pose track that are enough to reach every part of its reader.
const TRACK_LINES: usize = 20;
/// Frames of a rep that are kept, so that the fuzzer moves through small inputs.
const REP_FRAMES: usize = 12;

/// Writes `folder/TARGET/NAME` for every target.
pub fn write(folder: &Path) -> Result<(), Box<dyn Error>> {
    let project = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let put = |target: &str, name: &str, bytes: &[u8]| -> Result<(), Box<dyn Error>> {
        fs::create_dir_all(folder.join(target))?;
        Ok(fs::write(folder.join(target).join(name), bytes)?)
    };
    put("settings", "default", DEFAULT_FILE.as_bytes())?;
    for (name, text) in SETTINGS {
        put("settings", name, text.as_bytes())?;
    }
    for start in &PLAN_TEMPLATES {
        put("plan", start.name, start.text.as_bytes())?;
    }
    for entry in fs::read_dir(project.join("tests/data/clips"))? {
        let path = entry?.path();
        if path.extension().is_some_and(|ending| ending != "md") {
            let name = path.file_name().unwrap_or_default().to_string_lossy();
            put("clip", &name, &fs::read(&path)?)?;
        }
    }
    let jpeg = project.join("tests/data/clips/typical_tables.jpg");
    put("picture", "typical tables", &fs::read(jpeg)?)?;
    let film = project.join("tests/data/fuzz/film/two_frames.avi");
    put("film", "two frames", &fs::read(film)?)?;
    let sounds = project.join("src/sound/assets/en");
    for ending in ["flac", "wav"] {
        let list = format!("[[phrase]]\nid = \"head_back\"\nwords = \"back\"\nfile = \"a.{ending}\"\n");
        let sound = fs::read(sounds.join("n7.flac"))?;
        let bytes = [&[list.len() as u8], list.as_bytes(), &sound].concat();
        put("cues", ending, &bytes)?;
    }
    for (name, text) in KEYS {
        put("keys", name, text.as_bytes())?;
    }
    for (name, body) in FORMS {
        put("forms", name, body.as_bytes())?;
    }
    let track = project.join("tests/data/tracks/right_60fps_swing_2.track.jsonl");
    let text = fs::read_to_string(&track)?;
    let lines: Vec<_> = text.lines().collect();
    put("track", "first", lines[..TRACK_LINES].join("\n").as_bytes())?;
    // Every eighth frame is a whole swing at a low frame rate.
    let sparse: Vec<_> = lines[..1]
        .iter()
        .chain(lines[1..].iter().step_by(8))
        .copied()
        .collect();
    put("track", "sparse", sparse.join("\n").as_bytes())?;

    let found = swing(&track)?;
    let mut frames = found.frames[..REP_FRAMES.min(found.frames.len())].to_vec();
    for frame in frames.iter_mut().skip(1).step_by(2) {
        frame.bat = Some(SeenBat {
            knob_px: [300.0, 200.0],
            tip_px: [320.5, 120.25],
            probability: 0.9,
        });
        let line = TurnAngle {
            deg: -12.0,
            spread_deg: 6.0,
        };
        frame.turn = Some(TrunkTurn {
            pelvis: line,
            shoulders: line,
            origin: TurnOrigin::Camera,
        });
    }
    let mut packed = encode_timeline(&frames)?;
    let settings = Settings::parse(DEFAULT_FILE, Path::new("default"))?;
    let coach = Coach::new(settings.bands.clone(), settings.cues.order.clone());
    let (judged, _) = Trainer::without_plan(coach, settings.cues.order).rep(found.rep, None);

    let journal = journal(judged, frames)?;
    put("journal", "one rep", &journal)?;
    put("journal", "cut", &journal[..journal.len() / 2])?;

    // A first byte of zero says that the rest is a timeline as it is, an odd one that it is what is packed in one.
    let mut inside = Vec::new();
    let unpacked = flate2::read::ZlibDecoder::new(&packed[12..]);
    std::io::Read::read_to_end(&mut { unpacked }, &mut inside)?;
    let count = packed[4];
    packed.insert(0, 0);
    put("timeline", "whole", &packed)?;
    put("timeline", "inside", &[&[1, count], &inside[..]].concat())
}

/// Settings that the default file leaves out.
const SETTINGS: [(&str, &str); 3] = [
    (
        "hitter",
        "[hitter]\nname = \"Ann\"\nheight_cm = 171.5\nbats = \"left\"\n[cues]\norder = [\"stride_length_cm\"]\nvolume = 0.25\n",
    ),
    (
        "camera",
        "[camera]\ndevice = \"/dev/video1\"\nfps = 30\nview = \"rear\"\nknown_length_cm = 43.2\nknown_length_px = 88\nroll_deg = -2.5\n",
    ),
    (
        "bands",
        "journal = { path = \"reps.db\" }\n[bands]\nhead_to_plant_cm = { low = -2.0, high = 8 }\nstride_length_cm = { high = \"+10 %\" }\n",
    ),
];

/// Files of keys: an old one, and one with a second factor.
const KEYS: [(&str, &str); 3] = [
    (
        "old",
        "pin = \"$argon2id$v=19$m=19456,t=2,p=1$ECG2SkSmP1PBs5cyP3mpuw$/9WCIlrpiYDZxI+dqSgXHO0DoW5xoxvxXjnpnb7R8jQ\"\npassword = \"$argon2id$v=19$m=8,t=1,p=1$ECG2SkSmP1PBs5cyP3mpuw$/9WCIlrpiYDZxI+dqSgXHO0DoW5xoxvxXjnpnb7R8jQ\"\n",
    ),
    (
        "coaches",
        "secret = \"b0fa7e27d6f4a3e85d3b8cb4d50f5a3c80a0dd7d3a5a9e0f7de2e2a7fd3bc1a9\"\n[coaches.\"María 2\"]\npassword = \"$argon2id$v=19$m=19456,t=2,p=1$ECG2SkSmP1PBs5cyP3mpuw$/9WCIlrpiYDZxI+dqSgXHO0DoW5xoxvxXjnpnb7R8jQ\"\ncode = \"GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ\"\n",
    ),
    ("typed", "nine long innings 246971"),
];

/// What the page's forms send, without the token that each carries.
const FORMS: [(&str, &str); 8] = [
    ("hitter", "name=Mar%C3%ADa+2&bats=left&height=151%2C5"),
    ("correction", "what=exclude&why=foul+tip&to=%2Freps%2F1&text=good+load&rep=1"),
    ("event", "event=plant&at_ms=-12.5&what=move"),
    ("person", "what=rename&name=Ben&into=2&hitter=3&sure=on"),
    ("language", "code=es&to=%2Fsessions%3Fhitter%3D1"),
    ("login", "name=coach&key=nine+long+innings&code=123456&to=%2F"),
    (
        "plan as text",
        "hitter=1&what=put&text=name+%3D+%22own%22%0D%0Afocus+%3D+%5B%22stride_length_cm%22%5D%0D%0A",
    ),
    (
        "plan as fields",
        "hitter=1&what=put_fields&text=&name=own&when=summary&when_number=7&reps=40&rest_after=10&rest_secs=60&level=youth&speeds=55%2C60.5&unit=mph&mixed=on&head_tone=on&place.head_drop_cm=1&kind.head_drop_cm=fixed&from.head_drop_cm=&to.head_drop_cm=4%2C5&kind.stride_length_cm=usual&from.stride_length_cm=3&to.stride_length_cm=5.25",
    ),
];

/// The swing of a track.
fn swing(track: &Path) -> Result<FoundRep, Box<dyn Error>> {
    let mut reader = TrackReader::open(track)?;
    let mut finder = RepFinder::new(HitterSetup::default());
    while let Some(frame) = reader.next_frame()? {
        if let Some(found) = finder.push(frame) {
            return Ok(found);
        }
    }
    finder
        .finish()
        .ok_or_else(|| "no swing was found in the track".into())
}

/// The bytes of a journal with a hitter, a plan and a rep.
fn journal(
    judged: cagehand::coach::JudgedRep,
    frames: Vec<cagehand::pose::PoseFrame>,
) -> Result<Vec<u8>, Box<dyn Error>> {
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("journal.db");
    let mut journal = Journal::open(&path)?;
    let hitter = journal.find_or_add_hitter(&NewHitter {
        name: Some("Ann".into()),
        bats: None,
        height_cm: Some(171.0),
    })?;
    let session = journal.begin_session(&NewSession {
        hitter: Some(hitter),
        started_at: now_to_the_millisecond(),
        source: "seed".into(),
        settings: String::new(),
        program_version: "0".into(),
        plan: Some(NewPlan {
            name: PLAN_TEMPLATES[0].name.into(),
            text: PLAN_TEMPLATES[0].text.into(),
        }),
        said_by: None,
    })?;
    let picture = PictureSize {
        width_px: 1280,
        height_px: 720,
    };
    journal.log_rep(session, &RepRecord::new(judged, frames, picture))?;
    journal.end_session(session, now_to_the_millisecond(), None)?;
    // Closed, so that the log is taken into the file.
    drop(journal);
    Ok(fs::read(&path)?)
}
