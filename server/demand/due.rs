//! What falls due by itself: lists are frozen after their cut-off, and standing orders become orders.

use std::sync::Arc;
use std::time::Duration;

use super::call_up::CallUp;
use super::coming::{Coming, dispatches};
use super::freeze::Freeze;
use super::parcels::cut_off;
use super::roll::is_frozen;
use crate::app::App;
use crate::book::Actor;
use crate::day::Day;
use crate::ids::DispatchId;
use crate::refusal::Outcome;
use crate::setup::{self, Subscription};

/// How often is looked.
const EVERY: Duration = Duration::from_secs(30);
/// Standing orders are written down so many days before they leave.
const CALLED_UP_AHEAD: i64 = 14;
/// A dispatch's cut-off is at most so many days before it leaves.
const MOST_BEFORE: i64 = 60;

/// Sees to it for as long as the service runs.
pub async fn keep(app: Arc<App>) {
    let mut ticks = tokio::time::interval(EVERY);
    loop {
        ticks.tick().await;
        if let Err(refusal) = see_to(&app).await {
            tracing::warn!(%refusal, "what falls due could not be written down");
        }
    }
}

/// Freezes the lists whose cut-off is over, and writes standing orders down that leave soon.
///
/// # Errors
/// [`crate::refusal::Refusal`] where something cannot be written; what could be stays.
pub async fn see_to(app: &Arc<App>) -> Outcome<()> {
    let (over, soon) = due(app).await?;
    let actor = Actor::person(app.owner);
    for dispatch in over {
        let freeze = Freeze {
            v: 1,
            happened_at: app.clock.now(),
            reason: None,
            kept: false,
            confirmed: Vec::new(),
            dispatch,
        };
        app.carry_out(actor, app.clock.new_id(), freeze).await?;
    }
    if let Some(until) = soon {
        let call_up = CallUp {
            v: 1,
            happened_at: app.clock.now(),
            reason: None,
            kept: false,
            confirmed: Vec::new(),
            until,
        };
        app.carry_out(actor, app.clock.new_id(), call_up).await?;
    }
    Ok(())
}

/// Dispatches whose cut-off is over and whose list is open, and until when standing orders are to be called up, if any are.
async fn due(app: &App) -> Outcome<(Vec<DispatchId>, Option<Day>)> {
    let mut tx = app.read().await?;
    let zone = app.site_record(&mut *tx).await?.fields.zone;
    let today = zone.day(app.clock.now());
    let mut over = Vec::new();
    for dispatch in dispatches(&mut *tx, app.site, today, today.plus(MOST_BEFORE)).await? {
        let subscription =
            setup::find::<Subscription>(&mut *tx, app.site, dispatch.fields.subscription).await?;
        let passed =
            subscription.is_some_and(|kept| cut_off(&kept.fields, &dispatch.fields) < today);
        let id = DispatchId(dispatch.id);
        if passed && !dispatch.fields.cancelled && !is_frozen(&mut *tx, app.site, id).await? {
            over.push(id);
        }
    }
    let until = today.plus(CALLED_UP_AHEAD);
    let standing = Coming::standing(&mut *tx, app.site, today, until).await?;
    Ok((over, (!standing.orders.is_empty()).then_some(until)))
}
