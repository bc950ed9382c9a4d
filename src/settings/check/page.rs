//! Checks the section about the page: where it is served, to whom, and how it is encrypted.

use std::net::{IpAddr, SocketAddr};
use std::ops::RangeInclusive;

use toml::Spanned;

use super::super::PageSettings;
use super::super::file::Page;
use super::{non_empty, within};
use crate::rep::Lengths;
use crate::toml_checked::{Checked, refuse};

/// Days that entries of the audit trail may be kept.
const AUDIT_DAYS: RangeInclusive<u32> = 30..=3650;

pub(super) fn page(given: Page, units: Lengths) -> Checked<PageSettings> {
    Ok(PageSettings {
        listen: listen(given.listen)?,
        // Off unless asked for: a picture shows people.
        picture: given.picture.unwrap_or(false),
        names: each(given.names, host_name)?,
        behind_proxy: each(given.behind_proxy, address)?,
        certificate: certificate(given.certificate, given.certificate_key)?,
        unencrypted: given.unencrypted.unwrap_or(false),
        trial: given.trial.unwrap_or(false),
        audit_days: within(given.audit_days, "audit_days", &AUDIT_DAYS)?,
        units,
    })
}

fn listen(value: Option<Spanned<String>>) -> Checked<Option<SocketAddr>> {
    let Some(value) = value else { return Ok(None) };
    let text = value.get_ref().trim();
    if text.is_empty() {
        return Ok(None);
    }
    // An address beyond this machine is fine here: the page then wants its credentials before it serves anything.
    text.parse().map(Some).or_else(|_| {
        refuse(
            &value,
            format!(
                "listen is {text:?}; it must be an address and a port, such as \"127.0.0.1:7420\", or \"\" for none"
            ),
        )
    })
}

fn each<T>(
    values: Option<Vec<Spanned<String>>>,
    read: fn(&Spanned<String>) -> Checked<T>,
) -> Checked<Vec<T>> {
    values.unwrap_or_default().iter().map(read).collect()
}

fn host_name(value: &Spanned<String>) -> Checked<String> {
    let name = value.get_ref().trim();
    let is_label = |label: &str| {
        !label.is_empty()
            && label
                .bytes()
                .all(|b| b.is_ascii_alphanumeric() || b == b'-')
    };
    if name.split('.').all(is_label) && name.len() <= 253 {
        return Ok(name.to_owned());
    }
    refuse(
        value,
        format!(
            "{name:?} is no host name; it must be like \"cage.example.org\", without a scheme or a port"
        ),
    )
}

fn address(value: &Spanned<String>) -> Checked<IpAddr> {
    let text = value.get_ref().trim();
    text.parse::<IpAddr>()
        .map(|address| address.to_canonical())
        .or_else(|_| {
            refuse(
                value,
                format!(
                    "behind_proxy holds {text:?}; it must hold addresses such as \"127.0.0.1\""
                ),
            )
        })
}

fn certificate(
    certificate: Option<Spanned<String>>,
    key: Option<Spanned<String>>,
) -> Checked<Option<(std::path::PathBuf, std::path::PathBuf)>> {
    let at = certificate.as_ref().or(key.as_ref()).cloned();
    match (non_empty(certificate), non_empty(key), at) {
        (Some(certificate), Some(key), _) => Ok(Some((certificate.into(), key.into()))),
        (None, None, _) | (_, _, None) => Ok(None),
        (_, _, Some(at)) => refuse(
            &at,
            "certificate and certificate_key go together".to_owned(),
        ),
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use crate::settings::Settings;

    #[test]
    fn the_pages_settings_are_checked() {
        let page = |text: &str| Settings::parse(&format!("[page]\n{text}"), Path::new("s.toml"));
        let default = page("").unwrap().page;
        assert!(!default.trial && !default.unencrypted && default.certificate.is_none());
        let given = page("names = [\"cage.example.org\"]\nbehind_proxy = [\"::1\", \"127.0.0.1\"]")
            .unwrap()
            .page;
        assert_eq!((given.names.len(), given.behind_proxy.len()), (1, 2));
        for (wrong, says) in [
            ("listen = \"7420\"", "address and a port"),
            ("names = [\"https://cage.example.org\"]", "no host name"),
            ("names = [\"cage.example.org:443\"]", "no host name"),
            ("behind_proxy = [\"localhost\"]", "addresses"),
            ("certificate = \"a.pem\"", "go together"),
        ] {
            let error = page(wrong).unwrap_err().to_string();
            assert!(error.contains(says), "{wrong}: {error}");
        }
    }
}
