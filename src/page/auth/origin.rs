//! Where a request comes from: this machine or the network, a page of ours or another site, addressed by which name.

use std::net::IpAddr;

use axum::http::HeaderMap;
use axum::http::header::{HOST, ORIGIN};

/// Whether the client runs on this machine: a proxy here forwards for others.
pub(super) fn is_local(headers: &HeaderMap, peer: IpAddr) -> bool {
    let is_forwarded = ["forwarded", "x-forwarded-for", "x-real-ip", "via"]
        .iter()
        .any(|name| headers.contains_key(*name));
    peer.to_canonical().is_loopback() && !is_forwarded
}

/// Whether a request names this machine by an address or its own name. Any other name may be a foreign site's that was made
/// to point here (DNS rebinding).
pub(super) fn names_this_machine(headers: &HeaderMap) -> bool {
    let Some(host) = headers.get(HOST).and_then(|host| host.to_str().ok()) else {
        return false;
    };
    let name = without_port(host);
    let bare = name.trim_start_matches('[').trim_end_matches(']');
    let own = crate::machine::host_name();
    bare.eq_ignore_ascii_case("localhost")
        || bare.parse::<IpAddr>().is_ok()
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
pub(super) fn is_same_origin(headers: &HeaderMap) -> bool {
    let text = |name| headers.get(name).and_then(|value| value.to_str().ok());
    if let Some(site) = headers
        .get("sec-fetch-site")
        .and_then(|value| value.to_str().ok())
        && site != "same-origin"
    {
        return false;
    }
    match (headers.get(ORIGIN), text(HOST)) {
        (None, _) => true,
        (Some(origin), Some(host)) => origin.to_str().is_ok_and(|origin| {
            origin.strip_prefix("http://") == Some(host)
                || origin.strip_prefix("https://") == Some(host)
        }),
        (Some(_), None) => false,
    }
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
        for host in [
            "127.0.0.1:7420",
            "localhost",
            "LocalHost:7420",
            "[::1]:7420",
            "192.168.1.5",
        ] {
            assert!(names_this_machine(&headers(&[("host", host)])), "{host}");
        }
        for host in [
            "evil.example",
            "cagehand.example:7420",
            "",
            "127.0.0.1.evil.example",
        ] {
            assert!(!names_this_machine(&headers(&[("host", host)])), "{host}");
        }
        assert!(!names_this_machine(&HeaderMap::new()));
    }

    #[test]
    fn a_form_of_another_site_is_known_by_its_origin() {
        let host = ("host", "127.0.0.1:7420");
        for (more, ours) in [
            (vec![], true),
            (vec![("origin", "http://127.0.0.1:7420")], true),
            (vec![("origin", "http://127.0.0.1:7421")], false),
            (vec![("origin", "null")], false),
            (vec![("origin", "http://evil.example")], false),
            (vec![("sec-fetch-site", "cross-site")], false),
            (vec![("sec-fetch-site", "same-site")], false),
            (vec![("sec-fetch-site", "same-origin")], true),
        ] {
            let mut all = vec![host];
            all.extend(more);
            assert_eq!(is_same_origin(&headers(&all)), ours, "{all:?}");
        }
    }

    #[test]
    fn a_proxy_on_this_machine_forwards_for_others() {
        let here = IpAddr::from([127, 0, 0, 1]);
        assert!(is_local(&HeaderMap::new(), here));
        assert!(is_local(
            &HeaderMap::new(),
            "::ffff:127.0.0.1".parse().unwrap()
        ));
        assert!(!is_local(
            &headers(&[("x-forwarded-for", "192.0.2.9")]),
            here
        ));
        assert!(!is_local(&HeaderMap::new(), IpAddr::from([192, 168, 1, 9])));
    }
}
