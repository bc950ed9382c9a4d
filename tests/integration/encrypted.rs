//! Beyond this machine the page is encrypted, and takes a limited number of connections for a limited time.

use std::io::{Read, Write};
use std::net::{IpAddr, TcpListener, TcpStream, UdpSocket};
use std::process::{Child, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio_rustls::rustls::client::danger::{
    HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier,
};
use tokio_rustls::rustls::crypto::ring::default_provider;
use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use tokio_rustls::rustls::{
    ClientConfig, ClientConnection, DigitallySignedStruct, Error, SignatureScheme, Stream,
};

use super::browser::Served;
use super::doors::{COACH_PASSWORD, ELSEWHERE, PIN, ask, log_in, set_key, status};
use super::program::{PATIENCE, Place, recording};

/// Takes the certificate with this fingerprint, as a person does who has compared it.
#[derive(Debug)]
struct Compared(String);

impl ServerCertVerifier for Compared {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        _: &[CertificateDer<'_>],
        _: &ServerName<'_>,
        _: &[u8],
        _: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        let digest = ring::digest::digest(&ring::digest::SHA256, end_entity);
        let shown: Vec<String> = digest
            .as_ref()
            .iter()
            .map(|byte| format!("{byte:02X}"))
            .collect();
        match shown.join(":") == self.0 {
            true => Ok(ServerCertVerified::assertion()),
            false => Err(Error::General("another certificate".into())),
        }
    }

    fn verify_tls12_signature(
        &self,
        _: &[u8],
        _: &CertificateDer<'_>,
        _: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        Err(Error::General("TLS 1.3 is spoken".into()))
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        let known = default_provider().signature_verification_algorithms;
        tokio_rustls::rustls::crypto::verify_tls13_signature(
            message,
            certificate,
            signature,
            &known,
        )
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        default_provider()
            .signature_verification_algorithms
            .supported_schemes()
    }
}

/// What an encrypted request is answered.
fn ask_encrypted(host: &str, fingerprint: &str, request: &str) -> Result<String, String> {
    let config = ClientConfig::builder_with_provider(Arc::new(default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(Compared(fingerprint.to_owned())))
        .with_no_client_auth();
    let name = ServerName::try_from("localhost").unwrap();
    let mut session = ClientConnection::new(Arc::new(config), name).unwrap();
    let mut socket = TcpStream::connect(host).unwrap();
    let mut stream = Stream::new(&mut session, &mut socket);
    write!(
        stream,
        "{request}\r\nHost: {host}\r\nConnection: close\r\n\r\n"
    )
    .map_err(|error| error.to_string())?;
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    Ok(String::from_utf8_lossy(&answer).into_owned())
}

struct Watch(Child);

impl Drop for Watch {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// This machine's address in its network, if it is in one. Nothing is sent.
fn own_address() -> Option<IpAddr> {
    let socket = UdpSocket::bind("0.0.0.0:0").ok()?;
    socket.connect("192.0.2.1:9").ok()?;
    let own = socket.local_addr().ok()?.ip();
    (!own.is_loopback() && !own.is_unspecified()).then_some(own)
}

#[test]
fn the_network_gets_the_page_encrypted_and_this_machine_as_it_likes() {
    let place = Place::new();
    set_key(&place, "pin", PIN);
    set_key(&place, "password", COACH_PASSWORD);
    let port = TcpListener::bind("0.0.0.0:0")
        .unwrap()
        .local_addr()
        .unwrap()
        .port();
    let settings = format!(
        "[page]\nlisten = \"0.0.0.0:{port}\"\n[pose]\nmodel = \"lite\"\n[journal]\npath = {:?}\n[camera]\ndevice = \"/dev/none\"\n",
        place.path("page.db")
    );
    std::fs::write(place.path("open.toml"), settings).unwrap();
    // `check` shows the certificate before the page runs, and `watch` has the same.
    let checked = place.run(&["check", "--silent", "--settings", "open.toml"]);
    let checked = String::from_utf8(checked.stdout).unwrap();
    let fingerprint = checked
        .split("certificate SHA-256 ")
        .nth(1)
        .and_then(|rest| rest.split(';').next())
        .unwrap_or_else(|| panic!("{checked}"))
        .to_owned();
    let clip = recording("r03");
    let watch = place
        .command(&[
            "watch",
            "--end-with-recording",
            "--stand-in",
            &clip,
            "--loops",
            "20",
            "--sound",
            "none",
            "--settings",
            "open.toml",
        ])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let _watch = Watch(watch);
    let here = format!("127.0.0.1:{port}");
    let begun = Instant::now();
    while TcpStream::connect(&here).is_err() {
        assert!(begun.elapsed() < PATIENCE, "no page");
        std::thread::sleep(Duration::from_millis(50));
    }
    let answer = ask_encrypted(&here, &fingerprint, "GET /door HTTP/1.1").unwrap();
    assert_eq!(status(&answer), 200, "{answer}");
    assert!(
        answer.contains("set-cookie: __Host-visit=") && answer.contains("Secure"),
        "{answer}"
    );
    assert!(answer.contains("strict-transport-security: "));
    assert!(ask_encrypted(&here, &"00:".repeat(32), "GET / HTTP/1.1").is_err());
    // In clear this machine itself is served on the same port.
    assert_eq!(status(&ask(&here, "GET", "/door", &[], "")), 200);
    assert!(
        place
            .run_well(&["health", "--settings", "open.toml"])
            .contains("frames a second")
    );
    if let Some(own) = own_address() {
        let beyond = format!("{own}:{port}");
        let answer = ask(&beyond, "GET", "/hitters?x=1", &[], "");
        assert_eq!(status(&answer), 308, "{answer}");
        assert!(
            answer.contains(&format!("location: https://{beyond}/hitters?x=1\r\n")),
            "{answer}"
        );
        let typed = ask(&beyond, "POST", "/door", &[], &format!("token=0&key={PIN}"));
        assert_eq!(status(&typed), 403, "{typed}");
        assert_eq!(
            status(&ask_encrypted(&beyond, &fingerprint, "GET /door HTTP/1.1").unwrap()),
            200
        );
        assert_eq!(
            status(&ask_encrypted(&beyond, &fingerprint, "GET /health HTTP/1.1").unwrap()),
            403
        );
    }
}

#[test]
fn slow_and_many_connections_end_and_others_get_in_meanwhile() {
    let place = Place::new();
    set_key(&place, "pin", PIN);
    set_key(&place, "password", COACH_PASSWORD);
    let served = Served::start_page(&place, "");
    let at = served.address.as_str();
    let host = at.trim_start_matches("http://");
    let (screen, token) = log_in(at, PIN);
    let begun = Instant::now();
    let mut slow: Vec<TcpStream> = (0..300)
        .map(|_| {
            let mut stream = TcpStream::connect(host).unwrap();
            let _ = stream.write_all(b"GET / HTTP/1.1\r\nX-Slow: ");
            stream
                .set_read_timeout(Some(Duration::from_millis(1)))
                .unwrap();
            stream
        })
        .collect();
    std::thread::sleep(Duration::from_secs(1));
    slow.retain_mut(|stream| {
        let still = |error: &std::io::Error| {
            matches!(
                error.kind(),
                std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut
            )
        };
        stream.read(&mut [0]).as_ref().is_err_and(still)
    });
    assert!(
        (1..=48).contains(&slow.len()),
        "{} of 300 are held",
        slow.len()
    );
    // The network's are counted apart.
    assert_eq!(
        status(&ask(at, "GET", "/hitters", &[&screen, ELSEWHERE], "")),
        200
    );
    for stream in &mut slow {
        stream
            .set_read_timeout(Some(Duration::from_secs(40)))
            .unwrap();
        let _ = stream.read(&mut [0; 512]);
    }
    assert!(
        begun.elapsed() < Duration::from_secs(30),
        "{:?}",
        begun.elapsed()
    );
    // A form whose end does not come.
    let mut form = super::doors::connect_from_proxy(host);
    let begun = Instant::now();
    write!(
        form,
        "POST /seat HTTP/1.1\r\nHost: {host}\r\n{ELSEWHERE}\r\n{screen}\r\nContent-Type: application/x-www-form-urlencoded\r\n\
         Content-Length: 500\r\n\r\ntoken={token}"
    )
    .unwrap();
    form.set_read_timeout(Some(Duration::from_secs(40)))
        .unwrap();
    let mut answer = [0; 512];
    let count = form.read(&mut answer).unwrap();
    assert!(
        String::from_utf8_lossy(&answer[..count]).contains("408"),
        "{count}"
    );
    assert!(begun.elapsed() < Duration::from_secs(30));
    assert_eq!(
        status(&ask(at, "GET", "/hitters", &[&screen, ELSEWHERE], "")),
        200
    );
}
