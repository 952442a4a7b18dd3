//! Routes of plans and cards.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use serde::Deserialize;
use utoipa_axum::routes;

use super::extract::{Body, Query};
use super::problem::{Answer, Problem};
use super::records::{List, Page, Sent, list};
use super::routes::Routes;
use crate::app::App;
use crate::day::Day;
use crate::setup::Right;
use crate::week::{self, Advice, Asked, CardView, PlanView, ReleasedPlan};

/// The longest stretch of days of which cards are answered at once.
const MOST_DAYS: i64 = 366;

/// Of which days cards are wanted.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Days {
    /// From this day on; today unless said.
    from: Option<Day>,
    /// Up to this day; a week from the first unless said.
    to: Option<Day>,
}

#[utoipa::path(post, path = "/api/plans", operation_id = "plan", tag = "week", request_body = Asked,
    responses((status = 200, body = PlanView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn plan(State(app): State<Arc<App>>, Body(asked): Body<Asked>) -> Answer<Json<PlanView>> {
    Ok(Json(week::plan(&app, asked).await?))
}

/// Ways out of what this plan leaves short, each planned again with one thing changed, and what planning freely would change. Takes what
/// planning takes, and longer: ask for it once a plan is looked at.
#[utoipa::path(post, path = "/api/plans/advice", operation_id = "advise_plan", tag = "week", request_body = Asked,
    responses((status = 200, body = Advice), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn advice(State(app): State<Arc<App>>, Body(asked): Body<Asked>) -> Answer<Json<Advice>> {
    Ok(Json(week::advice(&app, asked).await?))
}

#[utoipa::path(get, path = "/api/plans", operation_id = "list_plans", tag = "week", params(Page),
    responses((status = 200, body = List<Sent<ReleasedPlan>>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn plans(
    State(app): State<Arc<App>>,
    Query(page): Query<Page>,
) -> Answer<Json<List<Sent<ReleasedPlan>>>> {
    list::<ReleasedPlan>(&app, &page).await
}

#[utoipa::path(get, path = "/api/cards", operation_id = "list_cards", tag = "week", params(Days),
    responses((status = 200, body = List<CardView>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn cards(
    State(app): State<Arc<App>>,
    Query(days): Query<Days>,
) -> Answer<Json<List<CardView>>> {
    let mut tx = app.read().await?;
    let zone = app.site_record(&mut *tx).await?.fields.zone;
    let from = days.from.unwrap_or_else(|| zone.day(app.clock.now()));
    let to = days.to.unwrap_or_else(|| from.plus(6));
    if to.since(from) > MOST_DAYS {
        return Err(Problem::at(
            "invalid",
            "/to".to_owned(),
            "ask for the cards of at most a year".to_owned(),
        ));
    }
    Ok(Json(List {
        items: week::of_days(&app, &mut *tx, from, to).await?,
        next: None,
    }))
}

/// These routes.
pub fn router() -> Routes {
    Routes::new()
        .needs(Right::Plan, routes!(plan))
        .needs(Right::Read, routes!(plans))
        .needs(Right::Plan, routes!(advice))
        .needs(Right::Read, routes!(cards))
}
