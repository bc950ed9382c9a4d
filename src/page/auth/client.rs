//! Where a request comes from: this machine or the network, through a proxy or not, encrypted or not, a page of ours or another
//! site, addressed by which name.

use std::net::IpAddr;

use axum::http::HeaderMap;
use axum::http::header::{HOST, ORIGIN};

use crate::page::error::PageError;
use crate::settings::PageSettings;

/// What forwarders put on requests that they pass on.
const FORWARDED: [&str; 6] = [
    "forwarded",
    "x-forwarded-for",
    "x-forwarded-host",
    "x-forwarded-proto",
    "x-real-ip",
    "via",
];

/// The connection that a request came in on.
#[derive(Clone, Copy, Debug)]
pub(in crate::page) struct Connection {
    pub(in crate::page) peer: IpAddr,
    pub(in crate::page) is_encrypted: bool,
}

/// Who is at the other end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::page) struct Client {
    pub(in crate::page) address: IpAddr,
    /// On this machine, and no forwarder in between that says so. A forwarder that keeps quiet looks the same: being here opens
    /// nothing once a PIN is set.
    pub(in crate::page) is_here: bool,
    /// As far as is known: a named proxy tells how it was asked.
    pub(in crate::page) is_encrypted: bool,
}

impl Client {
    /// # Errors
    /// Where a forwarder on this machine passes a request on that the settings do not name.
    pub(super) fn of(
        headers: &HeaderMap,
        connection: Connection,
        rules: &PageSettings,
    ) -> Result<Self, PageError> {
        let peer = connection.peer.to_canonical();
        let is_forwarded = FORWARDED.iter().any(|name| headers.contains_key(*name));
        if rules.behind_proxy.contains(&peer) {
            // The last hop is what the proxy itself saw; those before it are what the client claims.
            let address =
                last(headers, "x-forwarded-for").and_then(|hop| hop.parse::<IpAddr>().ok());
            return match address {
                Some(address) => Ok(Self {
                    address: address.to_canonical(),
                    is_here: false,
                    is_encrypted: last(headers, "x-forwarded-proto") == Some("https"),
                }),
                None => Err(PageError::UnknownForwarder),
            };
        }
        if peer.is_loopback() && is_forwarded {
            return Err(PageError::UnknownForwarder);
        }
        Ok(Self {
            address: peer,
            is_here: peer.is_loopback(),
            is_encrypted: connection.is_encrypted,
        })
    }
}

/// The last of a header's values.
fn last<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let value = headers.get_all(name).iter().next_back()?.to_str().ok()?;
    value.rsplit(',').next().map(str::trim)
}

/// Whether a request names this machine by an address, its own name or one of the settings. Any other name may be a foreign
/// site's that was made to point here (DNS rebinding).
pub(super) fn names_this_machine(headers: &HeaderMap, names: &[String]) -> bool {
    let Some(host) = headers.get(HOST).and_then(|host| host.to_str().ok()) else {
        return false;
    };
    let name = without_port(host);
    let bare = name.trim_start_matches('[').trim_end_matches(']');
    let own = crate::machine::host_name();
    bare.eq_ignore_ascii_case("localhost")
        || bare.parse::<IpAddr>().is_ok()
        || names.iter().any(|name| bare.eq_ignore_ascii_case(name))
        || own.is_some_and(|own| {
            bare.eq_ignore_ascii_case(&own) || bare.eq_ignore_ascii_case(&format!("{own}.local"))
        })
}

fn without_port(host: &str) -> &str {
    match host.rsplit_once(':') {
        Some((name, port)) if port.chars().all(|c| c.is_ascii_digit()) => name,
        _ => host,
    }
}

/// Whether a request that changes something comes from a page of ours. A browser sends the origin with each of them; a client
/// that sends none is no browser and has no cookie to misuse.
pub(super) fn is_same_origin(headers: &HeaderMap, is_encrypted: bool) -> bool {
    let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
    if text("sec-fetch-site").is_some_and(|site| site != "same-origin") {
        return false;
    }
    match (headers.get(ORIGIN), text("host")) {
        (None, _) => true,
        (Some(origin), Some(host)) => {
            let scheme = if is_encrypted { "https" } else { "http" };
            origin == format!("{scheme}://{host}").as_str()
        }
        (Some(_), None) => false,
    }
}

/// Whether another site's page asks for something to put into itself. It could not read it, but learn that it is there. A link
/// that somebody follows is another thing.
pub(super) fn is_embedded_elsewhere(headers: &HeaderMap) -> bool {
    let is = |name, values: &[&str]| {
        let value = headers.get(name).and_then(|value| value.to_str().ok());
        value.is_some_and(|value| values.contains(&value))
    };
    is("sec-fetch-site", &["cross-site", "same-site"]) && !is("sec-fetch-mode", &["navigate"])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        pairs
            .iter()
            .map(|(name, value)| (name.parse().unwrap(), value.parse().unwrap()))
            .collect()
    }

    #[test]
    fn only_addresses_and_own_names_are_accepted() {
        let names = ["home.example.org".to_owned()];
        for host in [
            "127.0.0.1:7420",
            "localhost",
            "LocalHost:7420",
            "[::1]:7420",
            "192.168.1.5",
            "Home.example.org:8443",
        ] {
            assert!(
                names_this_machine(&headers(&[("host", host)]), &names),
                "{host}"
            );
        }
        if let Some(own) = crate::machine::host_name() {
            for host in [own.clone(), format!("{own}.local:7420"), own.to_uppercase()] {
                assert!(
                    names_this_machine(&headers(&[("host", &host)]), &[]),
                    "{host}"
                );
            }
        }
        for host in [
            "localhost:evil",
            "evil.example",
            "cagehand.example:7420",
            "",
            "127.0.0.1.evil.example",
            "x.home.example.org",
        ] {
            assert!(
                !names_this_machine(&headers(&[("host", host)]), &names),
                "{host}"
            );
        }
        assert!(!names_this_machine(&HeaderMap::new(), &names));
    }

    #[test]
    fn a_form_of_another_site_is_known_by_its_origin() {
        let host = ("host", "127.0.0.1:7420");
        for (more, ours) in [
            (vec![], true),
            (vec![("origin", "http://127.0.0.1:7420")], true),
            (vec![("origin", "https://127.0.0.1:7420")], false),
            (vec![("origin", "http://127.0.0.1:7421")], false),
            (vec![("origin", "null")], false),
            (vec![("origin", "http://evil.example")], false),
            (vec![("sec-fetch-site", "cross-site")], false),
            (vec![("sec-fetch-site", "same-site")], false),
            (vec![("sec-fetch-site", "same-origin")], true),
        ] {
            let mut all = vec![host];
            all.extend(more);
            assert_eq!(is_same_origin(&headers(&all), false), ours, "{all:?}");
        }
        let encrypted = headers(&[host, ("origin", "https://127.0.0.1:7420")]);
        assert!(is_same_origin(&encrypted, true));
    }

    #[test]
    fn other_sites_embed_nothing_and_may_link() {
        for (site, mode, embedded) in [
            ("cross-site", "no-cors", true),
            ("same-site", "cors", true),
            ("cross-site", "navigate", false),
            ("same-origin", "cors", false),
            ("none", "navigate", false),
        ] {
            let sent = headers(&[("sec-fetch-site", site), ("sec-fetch-mode", mode)]);
            assert_eq!(is_embedded_elsewhere(&sent), embedded, "{site} {mode}");
        }
        assert!(!is_embedded_elsewhere(&HeaderMap::new()));
    }

    #[test]
    fn only_a_named_proxy_says_who_asks() {
        let address = |text: &str| text.parse::<IpAddr>().unwrap();
        let rules = PageSettings {
            behind_proxy: vec![address("127.0.0.2"), address("192.168.1.2")],
            ..PageSettings::default()
        };
        let of = |peer: &str, pairs: &[(&'static str, &str)]| {
            let connection = Connection {
                peer: address(peer),
                is_encrypted: false,
            };
            let client = Client::of(&headers(pairs), connection, &rules).ok();
            client.map(|client| {
                (
                    client.address.to_string(),
                    client.is_here,
                    client.is_encrypted,
                )
            })
        };
        let is = |text: &str, here, encrypted| Some((text.to_owned(), here, encrypted));
        assert_eq!(of("127.0.0.1", &[]), is("127.0.0.1", true, false));
        assert_eq!(of("::ffff:127.0.0.1", &[]), is("127.0.0.1", true, false));
        assert_eq!(of("192.168.1.9", &[]), is("192.168.1.9", false, false));
        // Whoever is not named is not believed; on this machine, where they would pass for its screen, they are refused.
        let claims = [
            ("x-forwarded-for", "127.0.0.1"),
            ("x-forwarded-proto", "https"),
        ];
        assert_eq!(of("192.168.1.9", &claims), is("192.168.1.9", false, false));
        for name in FORWARDED {
            assert_eq!(of("127.0.0.1", &[(name, "192.0.2.9")]), None, "{name}");
        }
        // The last hop counts: the client may have sent the ones before.
        let hops = [
            ("x-forwarded-for", "127.0.0.1, 203.0.113.5"),
            ("x-forwarded-proto", "https"),
        ];
        assert_eq!(of("127.0.0.2", &hops), is("203.0.113.5", false, true));
        assert_eq!(of("192.168.1.2", &hops), is("203.0.113.5", false, true));
        assert_eq!(
            of("127.0.0.2", &[("x-forwarded-for", "::1")]),
            is("::1", false, false)
        );
        assert_eq!(of("127.0.0.2", &[]), None, "it must say for whom");
        assert_eq!(of("127.0.0.2", &[("x-forwarded-for", "unknown")]), None);
    }
}
