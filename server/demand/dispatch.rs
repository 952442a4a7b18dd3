//! Dispatches as they are answered: with their cut-off, whether their list is frozen, and who is on it.

use std::collections::HashMap;

use serde::Serialize;
use uuid::Uuid;

use super::parcels::cut_off;
use super::roll::{List, Roll, frozen, is_frozen};
use crate::app::App;
use crate::day::Day;
use crate::ids::{DestinationId, SiteId, SubscriberId, SubscriptionId};
use crate::setup::{self, Dispatch, Kept, Offer, ParcelLine, Subscription, Why};
use crate::store::{Read, StoreError};
use crate::text::{Name, Note};

/// A dispatch as it is answered.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct DispatchView {
    /// Its id.
    pub id: Uuid,
    /// How often it has been written: what If-Match expects.
    pub revision: i64,
    /// Of which subscription.
    pub subscription: SubscriptionId,
    /// When it leaves the house.
    pub ship_day: Day,
    /// Its coffees, in order.
    pub coffees: Vec<Offer>,
    /// Subscribers beside the list, by number of bags.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub counts: Vec<setup::Headcount>,
    /// A remark.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(required = false)]
    pub note: Option<Note>,
    /// Called off.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    #[schema(required = false)]
    pub cancelled: bool,
    /// The last day on which changes reach it.
    pub cut_off: Day,
    /// Whether its list is frozen.
    pub frozen: bool,
}

/// A line of the list of a dispatch.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ListLine {
    /// Who gets it; nobody in particular where it comes from a count.
    pub subscriber: Option<SubscriberId>,
    /// Their number.
    pub number: Option<Name>,
    /// Their name.
    pub name: Option<Name>,
    /// Where it goes.
    pub destination: DestinationId,
    /// How many parcels.
    pub parcels: u32,
    /// What is in each.
    pub lines: Vec<ParcelLine>,
    /// Whether it stands in for a lost one.
    pub replacement: bool,
}

/// Somebody who gets nothing of a dispatch.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct OutLine {
    /// Who.
    pub subscriber: SubscriberId,
    /// Their number.
    pub number: Option<Name>,
    /// Their name.
    pub name: Option<Name>,
    /// Why.
    pub why: Why,
    /// Why, in words.
    pub words: &'static str,
}

/// Who gets what of a dispatch.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ListView {
    /// Whether it is frozen.
    pub frozen: bool,
    /// The parcels.
    pub parcels: Vec<ListLine>,
    /// Who is left out.
    pub left_out: Vec<OutLine>,
}

/// Dispatches as they are answered.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn dispatch_views(
    tx: &mut dyn Read,
    site: SiteId,
    dispatches: Vec<Kept<Dispatch>>,
) -> Result<Vec<DispatchView>, StoreError> {
    let mut views = Vec::new();
    for Kept {
        id,
        revision,
        fields,
    } in dispatches
    {
        let subscription = setup::find::<Subscription>(tx, site, fields.subscription).await?;
        let cut_off = subscription.map_or(fields.ship_day, |kept| cut_off(&kept.fields, &fields));
        views.push(DispatchView {
            id,
            revision,
            frozen: is_frozen(tx, site, id.into()).await?,
            cut_off,
            subscription: fields.subscription,
            ship_day: fields.ship_day,
            coffees: fields.coffees,
            counts: fields.counts,
            note: fields.note,
            cancelled: fields.cancelled,
        });
    }
    Ok(views)
}

/// Who gets what of a dispatch: as it is frozen, or as things are now.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn list_view(
    app: &App,
    tx: &mut dyn Read,
    dispatch: Kept<Dispatch>,
) -> Result<ListView, StoreError> {
    let roll = Roll::read(app, tx).await?;
    let frozen = frozen(tx, app.site, dispatch.id.into()).await?;
    let is_frozen = frozen.is_some();
    let list = frozen.map_or_else(|| roll.list(&dispatch.fields, None), |(list, _)| list);
    let names: HashMap<SubscriberId, (Name, Name)> = roll
        .subscribers
        .iter()
        .map(|kept| {
            let called = (kept.fields.number.clone(), kept.fields.name.clone());
            (kept.id.into(), called)
        })
        .collect();
    Ok(view(list, is_frozen, &names))
}

fn view(list: List, frozen: bool, names: &HashMap<SubscriberId, (Name, Name)>) -> ListView {
    let named = |id: Option<SubscriberId>| {
        let known = id.and_then(|id| names.get(&id)).cloned();
        known.map_or((None, None), |(number, name)| (Some(number), Some(name)))
    };
    let mut parcels: Vec<ListLine> = list
        .parcels
        .into_iter()
        .map(|parcel| {
            let (number, name) = named(parcel.subscriber);
            ListLine {
                subscriber: parcel.subscriber,
                number,
                name,
                destination: parcel.destination,
                parcels: parcel.parcels,
                lines: parcel.lines.to_vec(),
                replacement: parcel.replaces.is_some(),
            }
        })
        .collect();
    parcels.sort_by(|a, b| (&a.number, a.replacement).cmp(&(&b.number, b.replacement)));
    let mut left_out: Vec<OutLine> = list
        .left_out
        .into_iter()
        .map(|out| {
            let (number, name) = named(Some(out.subscriber));
            OutLine {
                subscriber: out.subscriber,
                number,
                name,
                why: out.why,
                words: out.why.words(),
            }
        })
        .collect();
    left_out.sort_by(|a, b| a.number.cmp(&b.number));
    ListView {
        frozen,
        parcels,
        left_out,
    }
}
