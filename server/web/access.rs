//! Routes of coming in: signing in and out, pairing, invitations, tokens, and who may do what.

use std::sync::Arc;

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::{Extension, Json};
use utoipa_axum::routes;
use uuid::Uuid;

use super::door::Door;
use super::extract::{Body, Path};
use super::problem::{Answer, Problem};
use super::routes::Routes;
use super::who::{AtDoor, Who, cookie_names};
use crate::access::{
    self, AccessView, Admitted, CodeTyped, Entrance, Invitation, InvitationUsed, NewPassword,
    NewPin, PairingAsked, PairingCode, PasswordGiven, PinGiven, RightView, SignedIn, Token,
    TokenAsked,
};
use crate::app::App;
use crate::setup::Right;

/// How long a browser keeps its device's key: as long as browsers keep any cookie.
const DEVICE_SECONDS: i64 = 400 * 24 * 3_600;

/// A cookie that no script can read and that no other site's page sends along.
fn cookie(name: &str, value: &str, seconds: i64, secure: bool) -> Option<HeaderValue> {
    let secure = if secure { "; Secure" } else { "" };
    let text =
        format!("{name}={value}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Strict{secure}");
    HeaderValue::from_str(&text).ok()
}

fn signed_in(at_door: &AtDoor, admitted: &Admitted) -> Response {
    let [device, session] = cookie_names(at_door.secure);
    let mut headers = HeaderMap::new();
    let session = cookie(session, &admitted.session, admitted.seconds, at_door.secure);
    let key = admitted.device.as_ref();
    let device = key.and_then(|key| cookie(device, key, DEVICE_SECONDS, at_door.secure));
    for value in session.into_iter().chain(device) {
        headers.append(header::SET_COOKIE, value);
    }
    let body = SignedIn {
        person: admitted.person,
    };
    (headers, Json(body)).into_response()
}

#[utoipa::path(get, path = "/api/entrance", operation_id = "read_entrance", tag = "access",
    responses((status = 200, body = Entrance), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn entrance(State(app): State<Arc<App>>, at_door: AtDoor) -> Answer<Json<Entrance>> {
    Ok(Json(access::entrance(&app, &at_door.shown).await?))
}

#[utoipa::path(post, path = "/api/sign-ins", operation_id = "sign_in", tag = "access", request_body = PasswordGiven,
    responses((status = 200, body = SignedIn), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn sign_in(
    State(app): State<Arc<App>>,
    at_door: AtDoor,
    Body(given): Body<PasswordGiven>,
) -> Answer<Response> {
    let admitted = access::sign_in(&app, &at_door.shown, at_door.from, given).await?;
    Ok(signed_in(&at_door, &admitted))
}

#[utoipa::path(post, path = "/api/pin-sign-ins", operation_id = "sign_in_by_pin", tag = "access", request_body = PinGiven,
    responses((status = 200, body = SignedIn), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn sign_in_by_pin(
    State(app): State<Arc<App>>,
    at_door: AtDoor,
    Body(given): Body<PinGiven>,
) -> Answer<Response> {
    let admitted = access::sign_in_by_pin(&app, at_door.shown.device.as_deref(), given).await?;
    Ok(signed_in(&at_door, &admitted))
}

#[utoipa::path(post, path = "/api/sign-outs", operation_id = "sign_out", tag = "access",
    responses((status = 204, description = "nobody is signed in here now"), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn sign_out(State(app): State<Arc<App>>, at_door: AtDoor) -> Answer<Response> {
    access::sign_out(&app, at_door.shown.session.as_deref()).await?;
    let mut headers = HeaderMap::new();
    let [_, session] = cookie_names(at_door.secure);
    if let Some(value) = cookie(session, "", 0, at_door.secure) {
        headers.append(header::SET_COOKIE, value);
    }
    Ok((StatusCode::NO_CONTENT, headers).into_response())
}

#[utoipa::path(post, path = "/api/passwords", operation_id = "use_invitation", tag = "access", request_body = InvitationUsed,
    responses((status = 200, body = SignedIn), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn use_invitation(
    State(app): State<Arc<App>>,
    at_door: AtDoor,
    Body(given): Body<InvitationUsed>,
) -> Answer<Response> {
    let admitted = access::use_invitation(&app, &at_door.shown, given).await?;
    Ok(signed_in(&at_door, &admitted))
}

/// The tablet that was paired.
#[derive(Debug, serde::Serialize, utoipa::ToSchema)]
struct Tablet {
    device: crate::ids::DeviceId,
}

#[utoipa::path(post, path = "/api/tablets", operation_id = "pair_tablet", tag = "access", request_body = CodeTyped,
    responses((status = 200, body = Tablet), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn pair(
    State(app): State<Arc<App>>,
    at_door: AtDoor,
    Body(typed): Body<CodeTyped>,
) -> Answer<Response> {
    let paired = access::pair(&app, at_door.from, typed).await?;
    let mut headers = HeaderMap::new();
    let [device, session] = cookie_names(at_door.secure);
    let kept = cookie(device, &paired.key, DEVICE_SECONDS, at_door.secure);
    let gone = cookie(session, "", 0, at_door.secure);
    for value in kept.into_iter().chain(gone) {
        headers.append(header::SET_COOKIE, value);
    }
    let body = Tablet {
        device: paired.device,
    };
    Ok((headers, Json(body)).into_response())
}

#[utoipa::path(get, path = "/api/access", operation_id = "read_access", tag = "access",
    responses((status = 200, body = AccessView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn view(State(app): State<Arc<App>>) -> Answer<Json<AccessView>> {
    Ok(Json(access::view(&app).await?))
}

#[utoipa::path(get, path = "/api/rights", operation_id = "list_rights", tag = "access",
    responses((status = 200, body = [RightView]), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn rights() -> Json<Vec<RightView>> {
    Json(access::rights())
}

#[utoipa::path(post, path = "/api/people/{id}/invitations", operation_id = "invite_person", tag = "access", params(("id" = Uuid, Path)),
    responses((status = 200, body = Invitation), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn invite(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Json<Invitation>> {
    Ok(Json(access::invite(&app, id).await?))
}

#[utoipa::path(post, path = "/api/people/{id}/pin", operation_id = "give_pin", tag = "access", params(("id" = Uuid, Path)), request_body = NewPin,
    responses((status = 204, description = "the person has this PIN now"), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn give_pin(
    State(app): State<Arc<App>>,
    Path(id): Path<Uuid>,
    Body(given): Body<NewPin>,
) -> Answer<StatusCode> {
    access::set_pin(&app, id, given).await?;
    Ok(StatusCode::NO_CONTENT)
}

#[utoipa::path(post, path = "/api/own/password", operation_id = "change_password", tag = "access", request_body = NewPassword,
    responses((status = 204, description = "it is changed"), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn change_password(
    State(app): State<Arc<App>>,
    who: Who,
    at_door: AtDoor,
    Body(given): Body<NewPassword>,
) -> Answer<StatusCode> {
    access::change_password(&app, who.0, at_door.shown.session.as_deref(), given).await?;
    Ok(StatusCode::NO_CONTENT)
}

#[utoipa::path(post, path = "/api/own/pin", operation_id = "change_pin", tag = "access", request_body = NewPin,
    responses((status = 204, description = "it is changed"), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn change_pin(
    State(app): State<Arc<App>>,
    who: Who,
    Body(given): Body<NewPin>,
) -> Answer<StatusCode> {
    access::change_pin(&app, who.0, given).await?;
    Ok(StatusCode::NO_CONTENT)
}

#[utoipa::path(post, path = "/api/pairings", operation_id = "allow_pairing", tag = "access", request_body = PairingAsked,
    responses((status = 200, body = PairingCode), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn allow_pairing(
    State(app): State<Arc<App>>,
    who: Who,
    Body(asked): Body<PairingAsked>,
) -> Answer<Json<PairingCode>> {
    Ok(Json(access::allow_pairing(&app, who.0, asked).await?))
}

#[utoipa::path(post, path = "/api/tokens", operation_id = "make_token", tag = "access", request_body = TokenAsked,
    responses((status = 200, body = Token), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn make_token(
    State(app): State<Arc<App>>,
    who: Who,
    Body(asked): Body<TokenAsked>,
) -> Answer<Json<Token>> {
    Ok(Json(access::make_token(&app, who.0, asked).await?))
}

/// The local authority, as the page that installs it shows it.
#[derive(Debug, serde::Serialize, utoipa::ToSchema)]
struct AuthorityView {
    /// SHA-256 of its certificate, as devices show it; none where certificates are those of a public authority.
    fingerprint: Option<String>,
    /// The names and addresses by which the service is reached.
    names: Vec<String>,
}

#[utoipa::path(get, path = "/api/authority", operation_id = "read_authority", tag = "access",
    responses((status = 200, body = AuthorityView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn authority(Extension(door): Extension<Arc<Door>>) -> Json<AuthorityView> {
    let authority = door.authority.as_ref();
    Json(AuthorityView {
        fingerprint: authority.map(|authority| authority.fingerprint.clone()),
        names: authority.map_or_else(Vec::new, |authority| authority.names.clone()),
    })
}

/// These routes.
pub fn router() -> Routes {
    Routes::new()
        .open(routes!(authority))
        .open(routes!(entrance))
        .open(routes!(sign_in))
        .open(routes!(sign_in_by_pin))
        .open(routes!(sign_out))
        .open(routes!(use_invitation))
        .open(routes!(pair))
        .needs(Right::People, routes!(view))
        .needs(Right::Read, routes!(rights))
        .needs(Right::People, routes!(invite))
        .needs(Right::People, routes!(give_pin))
        .needs(Right::Own, routes!(change_password))
        .needs(Right::Own, routes!(change_pin))
        .needs(Right::People, routes!(allow_pairing))
        .needs(Right::People, routes!(make_token))
}
