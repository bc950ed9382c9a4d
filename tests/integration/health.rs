//! A running daemon tells how it is: to the command, to a browser, and to whoever collects metrics; and to nobody else.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use super::program::{PATIENCE, Place, free_port, recording};

struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// What the page answers to a request with these header lines.
fn ask(port: u16, path: &str, host: &str) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    write!(
        stream,
        "GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"
    )
    .unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

#[test]
fn a_running_daemon_tells_how_it_is() {
    let place = Place::new();
    let port = free_port();
    std::fs::write(
        place.path("here.toml"),
        format!("[page]\ntrial = true\nlisten = \"127.0.0.1:{port}\"\n[pose]\nmodel = \"lite\"\n"),
    )
    .unwrap();
    let health = ["health", "--json", "--settings", "here.toml"];
    let nobody = place.run(&health);
    assert_eq!(nobody.status.code(), Some(1), "nobody answers yet");
    let clip = recording("left_60fps_faults");
    let watch = [
        "watch",
        "--end-with-recording",
        "--stand-in",
        &clip,
        "--sound",
        "none",
        "--settings",
        "here.toml",
    ];
    let _running = Running(
        place
            .command(&watch)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap(),
    );
    let began = Instant::now();
    let figures: Value = loop {
        assert!(began.elapsed() < PATIENCE, "it never answers");
        std::thread::sleep(Duration::from_millis(300));
        let told = place.run(&health);
        if !told.status.success() {
            continue;
        }
        let figures: Value = serde_json::from_slice(&told.stdout).unwrap();
        if figures["frames"].as_u64() > Some(60) && figures["bodies"].as_u64() > Some(0) {
            break figures;
        }
    };
    assert!(figures["pose_ms"][0].as_f64().unwrap() > 0.1);
    assert_eq!(figures["journal"], "stores");
    assert!(figures["disk_free_bytes"].as_u64().unwrap() > 0);

    let lines = place.run_well(&["health", "--settings", "here.toml"]);
    assert!(lines.contains("frames a second"), "{lines}");
    let own = format!("127.0.0.1:{port}");
    let page = ask(port, "/owner", &own);
    assert!(page.starts_with("HTTP/1.1 200") && page.contains("<h1>Health</h1>"));
    assert!(
        page.to_lowercase()
            .contains("content-security-policy: default-src 'none'")
    );
    let metrics = ask(port, "/metrics", &own);
    assert!(
        metrics.contains("# TYPE cagehand_frames_total counter"),
        "{metrics}"
    );
    // Another site's name that was made to point here opens nothing.
    assert!(ask(port, "/", "elsewhere.example").starts_with("HTTP/1.1 421"));
    assert!(ask(port, "/etc/passwd", &own).starts_with("HTTP/1.1 404"));
}
