//! The rep log and the exports, as other programs read them.

use std::fs;

use super::*;

#[test]
fn a_line_has_the_keys_of_the_contract_in_their_order() {
    let mut rep = judged(3);
    rep.rep.events.heel_rise = time(13.1104);
    rep.cue.as_mut().unwrap().latency_ms = Some(118.04);
    assert_eq!(
        rep_line(&rep),
        concat!(
            r#"{"format":"rep","version":1,"rep":3,"kind":"swing","bats":"right","view":"open-side","fps":60.0,"#,
            r#""events":{"set":12.1,"gather":12.31,"lift_off":12.62,"plant":13.07,"heel_rise":13.11,"contact":13.25,"finish":13.66},"#,
            r#""measures":{"head_to_plant_cm":{"value":6.1,"plus_minus":1.2,"confidence":0.93,"verdict":"in"},"#,
            r#""head_drop_cm":{"value":3.25,"plus_minus":0.5,"confidence":0.8,"verdict":null},"#,
            r#""stride_length_cm":{"value":71.5,"plus_minus":2.0,"confidence":0.9,"verdict":"high"},"#,
            r#""hands_back_cm":{"value":null,"why":"back hand hidden"}},"#,
            r#""cue":{"id":"head_forward","at":13.81,"latency_ms":118.0},"#,
            r#""style":{"stance_width_cm":62.5,"hand_height_cm":null,"lift_height_cm":11.5,"load":"toe_tap"}}"#
        )
    );
    rep.rep.kind = RepKind::Take;
    rep.rep.events = Events::default();
    rep.rep.measures.clear();
    rep.rep.style = Style::default();
    rep.cue = None;
    assert_eq!(
        rep_line(&rep),
        concat!(
            r#"{"format":"rep","version":1,"rep":3,"kind":"take","bats":"right","view":"open-side","fps":60.0,"#,
            r#""events":{"set":null,"gather":null,"lift_off":null,"plant":null,"heel_rise":null,"contact":null,"finish":null},"#,
            r#""measures":{},"cue":null,"#,
            r#""style":{"stance_width_cm":null,"hand_height_cm":null,"lift_height_cm":null,"load":null}}"#
        )
    );
}

fn parsed(line: &str) -> serde_json::Value {
    serde_json::from_str(line).unwrap()
}

#[test]
fn what_a_line_says_is_the_rep_within_its_rounding() {
    let mut dice = Dice::new(8);
    for _ in 0..200 {
        let mut rep = judged(1);
        let value = (dice.unit() - 0.5) * 10f64.powi((dice.next() % 9) as i32);
        let (plus_minus, confidence) = (dice.unit(), dice.unit());
        let plant = dice.unit() * 1e4;
        rep.rep.events.plant = time(plant);
        rep.rep.measures.insert(
            MeasureName::HeadToPlant,
            Measure::Made {
                value,
                plus_minus,
                confidence,
            },
        );
        let line = parsed(&rep_line(&rep));
        let measure = &line["measures"]["head_to_plant_cm"];
        for (read, wanted, step) in [
            (&measure["value"], value, 0.005),
            (&measure["plus_minus"], plus_minus, 0.005),
            (&measure["confidence"], confidence, 0.005),
            (&line["events"]["plant"], plant, 0.000_5),
        ] {
            let read = read.as_f64().unwrap();
            assert!(
                (read - wanted).abs() <= step + wanted.abs() * 1e-12,
                "{wanted} became {read}"
            );
        }
    }
}

/// A swing with a measure that is true and one that is an order.
fn with_words() -> JudgedRep {
    let mut rep = judged(1);
    let made = |value| Measure::Made {
        value,
        plus_minus: 0.25,
        confidence: 0.9,
    };
    rep.rep.measures = BTreeMap::from([
        (MeasureName::BackBeforeForward, made(1.0)),
        (MeasureName::Sequence, made(1243.0)),
    ]);
    rep.verdicts = BTreeMap::from([(MeasureName::Sequence, Verdict::High)]);
    rep.bands.clear();
    rep
}

#[test]
fn what_is_no_quantity_is_written_in_words() {
    let rep = with_words();
    let line = rep_line(&rep);
    assert!(
        line.contains(concat!(
            r#""measures":{"back_before_forward":{"value":true,"plus_minus":0.25,"confidence":0.9,"verdict":null},"#,
            r#""sequence":{"value":["heel","knee","hands","hip"],"plus_minus":0.25,"confidence":0.9,"verdict":"high"}}"#
        )),
        "{line}"
    );
    let mut no = rep.clone();
    no.rep.measures.insert(
        MeasureName::BackBeforeForward,
        Measure::Made {
            value: 0.0,
            plus_minus: 0.25,
            confidence: 0.9,
        },
    );
    assert_eq!(
        parsed(&rep_line(&no))["measures"]["back_before_forward"]["value"],
        false
    );

    let dir = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    let session_id = journal.begin_session(&session()).unwrap();
    let record = RepRecord {
        judged: rep,
        ..record(1)
    };
    let id = journal.log_rep(session_id, &record).unwrap();
    assert_eq!(journal.reader().rep(id).unwrap().judged, record.judged);
    let text = exported(&journal, &RepFilter::default(), ExportFormat::Csv);
    let mut table = csv::Reader::from_reader(text.as_bytes());
    let header = table.headers().unwrap().clone();
    let row = table.records().next().unwrap().unwrap();
    let field = |name: &str| &row[header.iter().position(|column| column == name).unwrap()];
    assert_eq!(field("back_before_forward"), "true");
    assert_eq!(field("sequence"), "heel>knee>hands>hip");
    assert_eq!(field("sequence_verdict"), "high");
}

#[test]
fn the_rep_log_grows_by_a_line_a_rep() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("reps.jsonl");
    fs::write(&path, "old").unwrap();
    assert!(RepLog::create(&path).is_err() && RepLog::continued(&path).is_err());
    assert_eq!(fs::read_to_string(&path).unwrap(), "old");
    fs::remove_file(&path).unwrap();
    let mut log = RepLog::create(&path).unwrap();
    for number in 1..=2 {
        if number == 2 {
            log = RepLog::continued(&path).unwrap();
        }
        log.append(&judged(number)).unwrap();
        let text = fs::read_to_string(&path).unwrap();
        assert_eq!(text.lines().count(), number as usize);
        assert!(text.ends_with('\n'));
    }
    let words = RepLog::create(&dir.path().join("no/reps.jsonl"))
        .unwrap_err()
        .to_string();
    assert!(
        words.contains("reps.jsonl") && words.contains("No such file"),
        "{words}"
    );
    assert!(matches!(
        RepLog::create(dir.path()),
        Err(RepLogError::Create { .. })
    ));
    #[cfg(target_os = "linux")]
    {
        let mut full = RepLog::create(std::path::Path::new("/dev/full")).unwrap();
        let words = full.append(&judged(7)).unwrap_err().to_string();
        assert!(
            words.contains("rep 7") && words.contains("/dev/full"),
            "{words}"
        );
    }
}

/// Two sessions of Ana and one of nobody, a rep each, an hour apart.
fn three_sessions(dir: &tempfile::TempDir) -> Journal {
    let mut journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    let name = "Ana \"Bo\", 2nd";
    let ana = NewHitter {
        name: Some(name.into()),
        ..NewHitter::default()
    };
    let ana = journal.find_or_add_hitter(&ana).unwrap();
    for (hour, hitter) in [(10, Some(ana)), (11, None), (12, Some(ana))] {
        let id = journal
            .begin_session(&NewSession {
                hitter,
                ..session()
            })
            .unwrap();
        let mut rep = record(1);
        rep.logged_at = stamp(&format!("2026-05-01T{hour}:00:00Z"));
        journal.log_rep(id, &rep).unwrap();
    }
    journal
}

fn exported(journal: &Journal, filter: &RepFilter, format: ExportFormat) -> String {
    let mut out = Vec::new();
    journal
        .reader()
        .export_reps(filter, format, &mut out)
        .unwrap();
    String::from_utf8(out).unwrap()
}

#[test]
fn exported_lines_are_the_rep_log_with_their_origin_behind() {
    let dir = tempfile::tempdir().unwrap();
    let journal = three_sessions(&dir);
    let text = exported(&journal, &RepFilter::default(), ExportFormat::JsonLines);
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines.len(), 3);
    let line = rep_line(&judged(1));
    let log_part = line.strip_suffix('}').unwrap();
    assert_eq!(
        lines[0],
        format!(
            r#"{log_part},"session":1,"hitter":"Ana \"Bo\", 2nd","logged_at":"2026-05-01T10:00:00.000Z"}}"#
        )
    );
    assert_eq!(
        lines[1],
        format!(r#"{log_part},"session":2,"hitter":null,"logged_at":"2026-05-01T11:00:00.000Z"}}"#)
    );
    assert_eq!(parsed(lines[2])["session"], 3);
}

#[test]
fn filters_pick_the_reps_that_are_wanted() {
    let dir = tempfile::tempdir().unwrap();
    let journal = three_sessions(&dir);
    let ana = Some(HitterChoice::Name("Ana \"Bo\", 2nd".into()));
    let since = Some(stamp("2026-05-01T11:00:00Z"));
    let all = RepFilter::default();
    for (filter, sessions) in [
        (
            RepFilter {
                hitter: ana.clone(),
                ..all.clone()
            },
            vec![1, 3],
        ),
        (
            RepFilter {
                hitter: Some(HitterChoice::Id(HitterId::new(1))),
                ..all.clone()
            },
            vec![1, 3],
        ),
        (
            RepFilter {
                session: Some(SessionId::new(2)),
                ..all.clone()
            },
            vec![2],
        ),
        (
            RepFilter {
                since,
                ..all.clone()
            },
            vec![2, 3],
        ),
        (
            RepFilter {
                until: since,
                ..all.clone()
            },
            vec![1],
        ),
        (
            RepFilter {
                hitter: ana,
                since,
                ..all.clone()
            },
            vec![3],
        ),
    ] {
        let mut found = Vec::new();
        let count = journal
            .reader()
            .for_each_rep(&filter, |rep| {
                found.push(rep.session.get());
                Ok(())
            })
            .unwrap();
        assert_eq!(found, sessions, "{filter:?}");
        assert_eq!(count, sessions.len() as u64);
    }
    for format in [ExportFormat::JsonLines, ExportFormat::Csv] {
        let mut out = Vec::new();
        let bo = RepFilter {
            hitter: Some(HitterChoice::Name("Bo".into())),
            ..all.clone()
        };
        let error = journal
            .reader()
            .export_reps(&bo, format, &mut out)
            .unwrap_err();
        assert!(
            error.to_string().contains("'Bo'") && error.to_string().contains("Ana"),
            "{error}"
        );
        assert!(out.is_empty());
    }
}

#[test]
fn a_table_has_units_in_its_header_and_a_field_for_each_column() {
    let dir = tempfile::tempdir().unwrap();
    let journal = three_sessions(&dir);
    let text = exported(&journal, &RepFilter::default(), ExportFormat::Csv);
    let mut table = csv::Reader::from_reader(text.as_bytes());
    let header = table.headers().unwrap().clone();
    // The reader of the csv crate refuses rows of another length than the header.
    let rows: Vec<csv::StringRecord> = table.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 3);
    let field = |name: &str| {
        let column = header
            .iter()
            .position(|column| column == name)
            .unwrap_or_else(|| panic!("no column {name}"));
        rows[0][column].to_owned()
    };
    for (name, wanted) in [
        ("session", "1"),
        ("hitter", "Ana \"Bo\", 2nd"),
        ("logged_at", "2026-05-01T10:00:00.000Z"),
        ("rep", "1"),
        ("kind", "swing"),
        ("view", "open-side"),
        ("fps", "60"),
        ("plant_secs", "13.07"),
        ("heel_rise_secs", ""),
        ("stride_length_cm", "71.5"),
        ("plus_minus_stride_length_cm", "2"),
        ("stride_length_cm_verdict", "high"),
        ("hands_back_cm", ""),
        ("hands_back_cm_why_not", "back hand hidden"),
        ("head_to_contact_cm", ""),
        ("cue", "head_forward"),
        ("cue_at_secs", "13.81"),
        ("cue_latency_ms", ""),
        ("stance_width_cm", "62.5"),
        ("hand_height_cm", ""),
        ("load", "toe_tap"),
    ] {
        assert_eq!(field(name), wanted, "{name}");
    }
    for name in MeasureName::ALL {
        assert!(header.iter().any(|column| column == name.name()), "{name}");
    }
}

/// The rep whose line `docs/journal.md` shows.
fn rep_of_the_page() -> JudgedRep {
    let mut rep = judged(3);
    rep.cue.as_mut().unwrap().latency_ms = Some(118.0);
    rep.rep.style = Style {
        stance_width_cm: Some(62.1),
        hand_height_cm: Some(44.0),
        lift_height_cm: Some(14.2),
        load: Some(LoadStyle::LegLift),
    };
    let made = |value, plus_minus, confidence| Measure::Made {
        value,
        plus_minus,
        confidence,
    };
    let shown = [MeasureName::HeadToPlant, MeasureName::HandsBack];
    rep.rep.measures.retain(|name, _| shown.contains(name));
    rep.rep.measures.extend([
        (MeasureName::BackBeforeForward, made(1.0, 0.1, 0.95)),
        (MeasureName::Sequence, made(1234.0, 0.4, 0.88)),
    ]);
    rep.verdicts = BTreeMap::from([
        (MeasureName::HeadToPlant, Verdict::In),
        (MeasureName::BackBeforeForward, Verdict::In),
    ]);
    rep
}

#[test]
fn the_written_format_is_the_one_in_use() {
    let page = include_str!("../../../docs/journal.md");
    let line = page
        .lines()
        .find(|line| line.starts_with(r#"{"format":"rep""#))
        .unwrap();
    assert_eq!(rep_line(&rep_of_the_page()), line);
    let version = super::super::store::schema::VERSION;
    assert!(page.contains(&format!("\n## Tables (version {version})\n")));
    assert!(page.contains(&format!("\nVersion {version} added ")));

    let dir = tempfile::tempdir().unwrap();
    let journal = three_sessions(&dir);
    let connection = journal.reader().connection();
    let (_, sql) = page.split_once("```sql\n").unwrap();
    let (sql, _) = sql.split_once("```").unwrap();
    connection.prepare(sql).unwrap();
    // Every column of every table is on the page.
    let columns: Vec<(String, String)> = connection
        .prepare(
            "SELECT tables.name, columns.name FROM sqlite_schema AS tables, pragma_table_info(tables.name) AS columns
             WHERE tables.type = 'table' AND tables.name NOT LIKE 'sqlite_%'",
        )
        .unwrap()
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    assert!(columns.len() > 40, "{columns:?}");
    for (table, column) in columns {
        let (_, part) = page.split_once(&format!("\n**{table}**")).unwrap();
        let part = part.split("\n**").next().unwrap();
        assert!(
            part.contains(&format!("`{column}`")),
            "{table}.{column} is not described"
        );
    }
}
