//! Who calls, and whether they may: asked once for every route, before its handler runs.

use std::net::IpAddr;
use std::sync::Arc;

use axum::extract::{FromRequestParts, MatchedPath, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};

use super::door::{Door, Peer, Seen};
use super::problem::{Answer, Problem};
use super::routes::{Route, Table};
use crate::access::{self, Caller, Shown, Standing, Stranger};
use crate::app::App;
use crate::book::Actor;
use crate::setup::Right;

/// Who calls: what a handler books under. The route has said which right they need, and they have it.
#[derive(Debug, Clone, Copy)]
pub struct Who(pub Actor);

impl<S: Sync> FromRequestParts<S> for Who {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let Sender(caller) = Sender::from_request_parts(parts, state).await?;
        Ok(Self(caller.actor))
    }
}

/// Who sends a command: perhaps a tablet that says for whom it speaks, or one that was cut off.
#[derive(Debug, Clone, Copy)]
pub struct Sender(pub Caller);

impl<S: Sync> FromRequestParts<S> for Sender {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _state: &S) -> Result<Self, Problem> {
        let sender = parts.extensions.get::<Self>().copied();
        sender.ok_or_else(|| Problem::new("sign-in", "sign in first"))
    }
}

/// From where a request comes and what it shows: for the few routes that are about coming in.
#[derive(Debug, Clone)]
pub struct AtDoor {
    /// The address of whoever asks; none where it is not known.
    pub from: Option<IpAddr>,
    /// What they show.
    pub shown: Shown,
    /// Whether what they are given must never travel unencrypted.
    pub secure: bool,
    /// Whether everybody acts as the owner here.
    pub acts_as_owner: bool,
}

impl<S: Sync> FromRequestParts<S> for AtDoor {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _state: &S) -> Result<Self, Problem> {
        let at_door = parts.extensions.get::<Self>().cloned();
        at_door.ok_or_else(|| Problem::new("internal", "the door was not asked"))
    }
}

/// What the guard asks.
#[derive(Debug, Clone)]
pub struct Guard {
    /// The service.
    pub app: Arc<App>,
    /// Its routes with the rights that they need.
    pub table: Arc<Table>,
    /// How one comes in.
    pub door: Arc<Door>,
}

/// Lets a request through to its handler, or answers why not. What is not in the table is for nobody.
pub async fn guard(State(guard): State<Guard>, mut request: Request, next: Next) -> Response {
    let peer = request.extensions().get::<Peer>().copied();
    let seen = guard.door.seen(peer, request.headers());
    if let Some(to) = guard.door.over_tls(&seen, request.uri()) {
        return Redirect::temporary(&to).into_response();
    }
    match guard.admit(&mut request, &seen).await {
        Ok(()) => next.run(request).await,
        Err(problem) => problem.into_response(),
    }
}

impl Guard {
    async fn admit(&self, request: &mut Request, seen: &Seen) -> Answer<()> {
        let route = self.route(request);
        let route = route.ok_or_else(|| Problem::new("forbidden", "nobody may do this"))?;
        let at_door = self.at_door(request, seen, route)?;
        if let Some(right) = route.needs {
            let caller = self.caller(&at_door, right).await?;
            match caller.standing {
                Standing::Claimed if !route.command => return Err(Stranger::Unknown.into()),
                Standing::CutOff if !route.command => return Err(Stranger::CutOff.into()),
                _ => request.extensions_mut().insert(Sender(caller)),
            };
        }
        request.extensions_mut().insert(at_door);
        Ok(())
    }

    fn route(&self, request: &Request) -> Option<&Route> {
        let path = request.extensions().get::<MatchedPath>()?.as_str();
        // Whatever can be read can be asked for its head.
        let method = match *request.method() {
            Method::HEAD => Method::GET,
            ref other => other.clone(),
        };
        self.table.get(&(method, path.to_owned()))
    }

    fn at_door(&self, request: &Request, seen: &Seen, route: &Route) -> Answer<AtDoor> {
        self.door.check_host(seen)?;
        let shown = shown(request.headers(), seen.secure)?;
        // No browser adds a token by itself, so a page elsewhere gains nothing by one. This holds only where the token is what lets the
        // caller in: any page can send a header that nobody looks at.
        let by_token = shown.token.is_some() && route.needs.is_some() && !self.door.acts_as_owner;
        if !request.method().is_safe() && !by_token {
            self.door.check_origin(seen, request.headers())?;
        }
        Ok(AtDoor {
            from: seen.from,
            shown,
            secure: seen.secure,
            acts_as_owner: self.door.acts_as_owner,
        })
    }

    async fn caller(&self, at_door: &AtDoor, right: Right) -> Answer<Caller> {
        if self.door.acts_as_owner {
            return Ok(Caller {
                actor: Actor::person(self.app.owner),
                standing: Standing::Proved,
            });
        }
        let caller = access::caller(&self.app, &at_door.shown, right).await;
        Ok(caller?)
    }
}

impl From<Stranger> for Problem {
    fn from(stranger: Stranger) -> Self {
        let sentence = stranger.to_string();
        match stranger {
            Stranger::Unknown => Self::new("sign-in", sentence),
            Stranger::CutOff => Self::new("cut-off", sentence),
            Stranger::NotAllowed(_) => Self::new("forbidden", sentence),
            Stranger::Store(error) => error.into(),
        }
    }
}

/// The header in which a tablet says for whom it speaks.
const PERSON: &str = "outturn-person";

/// The names of the cookies. Over TLS they bear the prefix that keeps other hosts and unencrypted pages from setting them (RFC 6265bis).
pub const fn cookie_names(secure: bool) -> [&'static str; 2] {
    if secure {
        ["__Host-outturn-device", "__Host-outturn-session"]
    } else {
        ["outturn-device", "outturn-session"]
    }
}

fn shown(headers: &HeaderMap, secure: bool) -> Answer<Shown> {
    let [device, session] = cookie_names(secure);
    let claims = match headers.get(PERSON) {
        None => None,
        Some(value) => {
            let id = value.to_str().ok().and_then(|text| text.parse().ok());
            let wrong = || Problem::new("invalid", "Outturn-Person holds a person's id");
            Some(crate::ids::PersonId(id.ok_or_else(wrong)?))
        }
    };
    Ok(Shown {
        device: cookie(headers, device),
        session: cookie(headers, session),
        token: token(headers).map(ToOwned::to_owned),
        claims,
        agent: headers
            .get(header::USER_AGENT)
            .and_then(|value| value.to_str().ok())
            .map(ToOwned::to_owned),
    })
}

/// The token of `Authorization: Bearer <token>` (RFC 6750); the scheme's case says nothing (RFC 9110, section 11.1).
fn token(headers: &HeaderMap) -> Option<&str> {
    let value = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    let (scheme, token) = value.split_once(' ')?;
    let bearer = scheme.eq_ignore_ascii_case("bearer");
    bearer.then(|| token.trim_matches(' '))
}

fn cookie(headers: &HeaderMap, name: &str) -> Option<String> {
    let lines = headers.get_all(header::COOKIE).into_iter();
    let pairs = lines.filter_map(|line| line.to_str().ok());
    pairs.flat_map(|line| line.split(';')).find_map(|pair| {
        let (its, value) = pair.trim().split_once('=')?;
        (its == name).then(|| value.to_owned())
    })
}
