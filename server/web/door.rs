//! How one comes in: over TLS or from this machine alone, by signing in or, in the demo, without; through which proxies.

use std::net::IpAddr;

use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, Uri, Version, header};

use super::problem::{Answer, Problem};

/// How one comes in.
#[derive(Debug, Clone, Default)]
pub struct Door {
    /// Whether everybody acts as the owner: for the demo and for tests, on this machine alone.
    pub acts_as_owner: bool,
    /// Whether it is to be reached over TLS alone.
    pub tls: bool,
    /// The authority that devices must know, if the certificates are of our own.
    pub authority: Option<Authority>,
    /// Proxies whose word on the sender, the scheme and the host is taken.
    pub proxies: Vec<IpAddr>,
}

/// A local authority, to be installed on tablets.
#[derive(Debug, Clone)]
pub struct Authority {
    /// Its certificate, DER.
    pub certificate: Vec<u8>,
    /// SHA-256 of the certificate, as devices show it.
    pub fingerprint: String,
    /// The names and addresses by which the service is reached.
    pub names: Vec<String>,
}

/// What may be had before a device knows the authority: the page that installs it.
const BEFORE_TLS: [&str; 4] = ["/trust", "/authority.crt", "/api/authority", "/static/"];

/// The other end of a connection.
#[derive(Debug, Clone, Copy)]
pub struct Peer {
    /// Its address.
    pub address: IpAddr,
    /// Whether the connection is encrypted.
    pub secure: bool,
}

/// What the door sees of a request.
#[derive(Debug, Clone, Default)]
pub struct Seen {
    /// The sender's address, where it is known.
    pub from: Option<IpAddr>,
    /// Whether the sender speaks over TLS.
    pub secure: bool,
    /// The host that the sender asked for, with its port.
    pub host: Option<String>,
    /// Whether a proxy stands between.
    pub proxied: bool,
}

impl Door {
    /// A door through which everybody on this machine comes in as the owner.
    #[must_use]
    pub fn open() -> Self {
        Self {
            acts_as_owner: true,
            ..Self::default()
        }
    }

    /// What is to be seen of a request. The word of a proxy is taken only from those that the settings name.
    #[must_use]
    pub fn seen(&self, peer: Option<Peer>, headers: &HeaderMap) -> Seen {
        let host = text(headers, header::HOST.as_str());
        let proxied = headers.contains_key("x-forwarded-for") || headers.contains_key("forwarded");
        let Some(peer) = peer else {
            return Seen {
                host,
                proxied,
                ..Seen::default()
            };
        };
        if !self.proxies.contains(&peer.address) {
            return Seen {
                from: Some(peer.address),
                secure: peer.secure,
                host,
                proxied,
            };
        }
        let proto = text(headers, "x-forwarded-proto");
        Seen {
            from: self.sender(headers).or(Some(peer.address)),
            secure: proto.map_or(peer.secure, |proto| proto == "https"),
            host: text(headers, "x-forwarded-host").or(host),
            proxied: true,
        }
    }

    /// Where a request should have gone that came without TLS; none if it may be answered as it came.
    #[must_use]
    pub fn over_tls(&self, seen: &Seen, uri: &axum::http::Uri) -> Option<String> {
        let early = |path: &str| {
            let mut allowed = BEFORE_TLS.iter();
            allowed.any(|one| path == *one || (one.ends_with('/') && path.starts_with(one)))
        };
        if !self.tls || seen.secure || early(uri.path()) {
            return None;
        }
        // Whoever does not know the authority yet gets no further than a warning there, so the page that installs it comes first.
        if self.authority.is_some() {
            return Some("/trust".to_owned());
        }
        let host = seen.host.as_deref().unwrap_or_default();
        Some(format!("https://{host}{uri}"))
    }

    /// The last address on the way that is no proxy of ours: what stands before it anybody could have written.
    fn sender(&self, headers: &HeaderMap) -> Option<IpAddr> {
        let lines = headers.get_all("x-forwarded-for").into_iter();
        let on_the_way: Vec<&str> = lines
            .filter_map(|line| line.to_str().ok())
            .flat_map(|line| line.split(','))
            .collect();
        let parsed = on_the_way
            .into_iter()
            .rev()
            .map(|one| one.trim().parse().ok());
        parsed
            .take_while(Option::is_some)
            .flatten()
            .find(|address| !self.proxies.contains(address))
    }

    /// Where everybody acts as the owner, the host must be this machine by name, for reading too: a page elsewhere can make a name of its own
    /// lead here, and would then be one of our own pages to the browser.
    ///
    /// # Errors
    /// A `forbidden` problem for another host, or with a proxy between.
    pub fn check_host(&self, seen: &Seen) -> Answer<()> {
        // Without a connection there is no host either: the program calls its own routes so.
        let elsewhere = match &seen.host {
            Some(host) => !is_this_machine(host),
            None => seen.from.is_some(),
        };
        if self.acts_as_owner && (seen.proxied || elsewhere) {
            return Err(Problem::new(
                "forbidden",
                "nobody signs in here, so the service answers at this machine only, by the name localhost and without a proxy between",
            ));
        }
        Ok(())
    }

    /// Changes come from our own pages only (Fetch standard: a browser sends `Origin` with every change, and a page cannot forge it).
    ///
    /// # Errors
    /// A `forbidden` problem for another origin.
    pub fn check_origin(&self, seen: &Seen, headers: &HeaderMap) -> Answer<()> {
        let host = seen.host.as_deref().unwrap_or_default();
        let scheme = if seen.secure { "https" } else { "http" };
        let ours = format!("{scheme}://{host}");
        let same = match (text(headers, "origin"), text(headers, "sec-fetch-site")) {
            // Where no host was asked for, no page is of it.
            (Some(origin), _) => !host.is_empty() && origin.eq_ignore_ascii_case(&ours),
            (None, Some(site)) => site == "same-origin",
            // No browser: whoever is let in by cookies alone must say where they come from.
            (None, None) => self.acts_as_owner,
        };
        if same {
            Ok(())
        } else {
            Err(Problem::new(
                "forbidden",
                format!("changes are made from the pages at {ours}, or by a program with a token"),
            ))
        }
    }
}

/// Puts the host of a request into its `Host` alone, and leaves a path as its target. HTTP/2 names the host in the target (RFC 9113, section 8.3.1);
/// where HTTP/1.1 does so, that counts, whatever `Host` says (RFC 9112, section 3.2.2).
///
/// # Errors
/// A `malformed` problem where a request names two hosts.
pub fn name_host(request: &mut Request) -> Answer<()> {
    let mut hosts = request.headers().get_all(header::HOST).iter();
    let (host, another) = (hosts.next(), hosts.next());
    let target = request.uri().authority().map(ToString::to_string);
    let target = target.as_deref();
    let differs = request.version() == Version::HTTP_2
        && target.is_some_and(|target| host.is_some_and(|host| host != target));
    if differs || another.is_some() || target.is_some_and(|target| target.contains('@')) {
        return Err(Problem::new(
            "malformed",
            "it is not clear which host the request is for: name it once",
        ));
    }
    let Some(target) = target.and_then(|target| HeaderValue::from_str(target).ok()) else {
        return Ok(());
    };
    request.headers_mut().insert(header::HOST, target);
    if let Some(path) = request.uri().path_and_query().cloned() {
        *request.uri_mut() = Uri::from(path);
    }
    Ok(())
}

fn text(headers: &HeaderMap, name: &str) -> Option<String> {
    let value = headers.get(name)?.to_str().ok()?;
    Some(value.to_owned())
}

/// Whether a host is a name or address of this machine that no foreign name server can change.
fn is_this_machine(host: &str) -> bool {
    let name = match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|b| b.is_ascii_digit()) => name,
        _ => host,
    };
    let address = name.trim_start_matches('[').trim_end_matches(']');
    name.eq_ignore_ascii_case("localhost")
        || address.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}
