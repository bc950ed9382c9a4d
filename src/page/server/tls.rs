//! The page's certificate: one that the settings name, or one that the program makes for itself.

use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use ring::digest::{SHA256, digest};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::crypto::ring::default_provider;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::{self, ServerConfig};

use crate::private_file::write_private;
use crate::settings::PageSettings;

/// The files of the certificate that the program makes for itself, beside the journal.
const CERTIFICATE: &str = "page-certificate.pem";
const KEY: &str = "page-certificate-key.pem";
/// Years that it holds. Nobody vouches for it: whoever has compared its fingerprint once must not have to again.
const YEARS: i32 = 20;

/// Why the page cannot be encrypted.
#[derive(Debug, thiserror::Error)]
pub(crate) enum TlsError {
    /// A file cannot be read, or written.
    #[error("{path}: {reason}; it must be a PEM file that cagehand may read")]
    File {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        reason: String,
    },
    /// The certificate is not of that key, or of no use.
    #[error("the page's certificate cannot be used: {0}")]
    Unusable(String),
    /// None can be made.
    #[error("a certificate for the page cannot be made: {0}")]
    NotMade(String),
}

/// Certificate and key, and how a browser shows the certificate.
pub(crate) struct PageCertificate {
    pub(super) acceptor: TlsAcceptor,
    /// SHA-256, hexadecimal with colons.
    pub(crate) fingerprint: String,
    /// Whether the program made it for itself, so that a browser warns.
    pub(crate) is_self_made: bool,
}

impl PageCertificate {
    /// What the page is encrypted with; `None` where it is not: on this machine alone, or where the settings say so. A
    /// certificate of its own is made once and stays.
    ///
    /// # Errors
    /// Where there should be one and is none.
    pub(crate) fn of(
        settings: &PageSettings,
        journal: Option<&Path>,
    ) -> Result<Option<Self>, TlsError> {
        let beyond = settings
            .listen
            .is_some_and(|listen| !listen.ip().to_canonical().is_loopback());
        match (&settings.certificate, journal) {
            (Some((certificate, key)), _) => Self::read(certificate, key, false).map(Some),
            (None, Some(journal)) if beyond && !settings.unencrypted => {
                let [certificate, key] =
                    [CERTIFICATE, KEY].map(|file| journal.with_file_name(file));
                if !certificate.exists() || !key.exists() {
                    make(&certificate, &key, settings)?;
                }
                Self::read(&certificate, &key, true).map(Some)
            }
            _ => Ok(None),
        }
    }

    fn read(certificate: &Path, key: &Path, is_self_made: bool) -> Result<Self, TlsError> {
        let file = |path: &Path, error: rustls::pki_types::pem::Error| TlsError::File {
            path: path.to_owned(),
            reason: error.to_string(),
        };
        let chain: Vec<CertificateDer<'static>> = CertificateDer::pem_file_iter(certificate)
            .and_then(Iterator::collect)
            .map_err(|error| file(certificate, error))?;
        let key = PrivateKeyDer::from_pem_file(key).map_err(|error| file(key, error))?;
        let first = chain.first().ok_or_else(|| TlsError::File {
            path: certificate.to_owned(),
            reason: "it holds no certificate".to_owned(),
        })?;
        let fingerprint = fingerprint(first);
        let unusable = |error: rustls::Error| TlsError::Unusable(error.to_string());
        let mut config = ServerConfig::builder_with_provider(Arc::new(default_provider()))
            .with_safe_default_protocol_versions()
            .map_err(unusable)?
            .with_no_client_auth()
            .with_single_cert(chain, key)
            .map_err(unusable)?;
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        Ok(Self {
            acceptor: TlsAcceptor::from(Arc::new(config)),
            fingerprint,
            is_self_made,
        })
    }
}

fn fingerprint(certificate: &[u8]) -> String {
    let digest = digest(&SHA256, certificate);
    let bytes: Vec<String> = digest
        .as_ref()
        .iter()
        .map(|byte| format!("{byte:02X}"))
        .collect();
    bytes.join(":")
}

fn make(certificate: &Path, key: &Path, settings: &PageSettings) -> Result<(), TlsError> {
    let not_made = |error: rcgen::Error| TlsError::NotMade(error.to_string());
    let mut names = vec![
        "localhost".to_owned(),
        "127.0.0.1".to_owned(),
        "::1".to_owned(),
    ];
    if let Some(own) = crate::machine::host_name() {
        names.push(format!("{own}.local"));
        names.push(own);
    }
    names.extend(settings.names.iter().cloned());
    let listens = settings.listen.map(|listen| listen.ip());
    names.extend(
        listens
            .filter(|ip: &IpAddr| !ip.is_unspecified())
            .map(|ip| ip.to_string()),
    );
    names.sort_unstable();
    names.dedup();
    let mut request = rcgen::CertificateParams::new(names).map_err(not_made)?;
    request.distinguished_name = rcgen::DistinguishedName::new();
    request
        .distinguished_name
        .push(rcgen::DnType::CommonName, "cagehand");
    let year = i32::from(
        crate::wall_clock::now()
            .to_zoned(jiff::tz::TimeZone::UTC)
            .year(),
    );
    request.not_before = rcgen::date_time_ymd(year - 1, 1, 1);
    request.not_after = rcgen::date_time_ymd(year + YEARS, 1, 1);
    let pair = rcgen::KeyPair::generate().map_err(not_made)?;
    let made = request.self_signed(&pair).map_err(not_made)?;
    for (path, text) in [(key, pair.serialize_pem()), (certificate, made.pem())] {
        write_private(path, text.as_bytes()).map_err(|error| TlsError::File {
            path: path.to_owned(),
            reason: error.to_string(),
        })?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_self_made_certificate_stays_and_is_made_only_for_the_network() {
        let dir = tempfile::tempdir().unwrap();
        let journal = dir.path().join("journal.db");
        let settings = |listen: &str, unencrypted| PageSettings {
            listen: Some(listen.parse().unwrap()),
            unencrypted,
            ..PageSettings::default()
        };
        let of = |settings: &PageSettings| PageCertificate::of(settings, Some(&journal)).unwrap();
        assert!(of(&settings("127.0.0.1:1", false)).is_none());
        assert!(of(&settings("0.0.0.0:1", true)).is_none());
        assert!(!dir.path().join(CERTIFICATE).exists());
        let first = of(&settings("0.0.0.0:1", false)).unwrap();
        assert!(first.is_self_made && first.fingerprint.len() == 32 * 3 - 1);
        let again = of(&settings("192.0.2.1:1", false)).unwrap();
        assert_eq!(first.fingerprint, again.fingerprint);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let mode = std::fs::metadata(dir.path().join(KEY))
                .unwrap()
                .permissions()
                .mode();
            assert_eq!(mode & 0o777, 0o600);
        }
        let named = PageSettings {
            certificate: Some((dir.path().join(CERTIFICATE), dir.path().join(KEY))),
            ..settings("127.0.0.1:1", false)
        };
        assert!(
            !of(&named).unwrap().is_self_made,
            "named in the settings, it is used on this machine too"
        );
        let wrong = PageSettings {
            certificate: Some((dir.path().join(KEY), dir.path().join(KEY))),
            ..named
        };
        assert!(PageCertificate::of(&wrong, Some(&journal)).is_err());
    }
}
