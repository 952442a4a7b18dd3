//! The roll of a dispatch: who gets what, from the subscribers as they are now, or from its frozen list.

use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Mutex, PoisonError};

use uuid::Uuid;

use super::parcels::{Lines, Packing, Parcel, Taker, takes_part};
use crate::app::App;
use crate::book::damaged;
use crate::ids::{
    CoffeeId, DestinationId, DispatchId, SiteId, StyleId, SubscriberId, SubscriptionId,
};
use crate::setup::{
    self, Blends, Destination, Dispatch, Kept, LeftOut, ListPart, Listed, Offer, Record,
    Replacement, Style, Subscriber, Subscription, Why,
};
use crate::store::{Read, StoreError};

/// Most parcels in a part of a frozen list.
const PART: usize = 500;

/// Everything that decides who gets what.
pub struct Roll {
    /// Subscriptions.
    pub subscriptions: HashMap<SubscriptionId, Subscription>,
    /// Destinations.
    pub destinations: HashMap<DestinationId, Destination>,
    /// Styles.
    pub styles: HashMap<StyleId, Style>,
    /// What blends are mixed from.
    pub blends: Blends,
    /// Subscribers, in order of their ids.
    pub subscribers: Arc<Vec<Kept<Subscriber>>>,
    /// Lost parcels that wait for a dispatch.
    pub replacements: Vec<Kept<Replacement>>,
}

/// The subscribers as they were read last. Thousands of them are asked about while somebody types, and seldom change.
#[derive(Debug, Default)]
pub struct Subscribers(Mutex<Option<Known>>);

/// Subscribers with what tells whether they have changed: their number and their revisions together.
#[derive(Debug, Clone)]
struct Known {
    state: (i64, i64),
    all: Arc<Vec<Kept<Subscriber>>>,
}

impl Subscribers {
    /// They as they are now, read anew only when one has changed.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn read(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
    ) -> Result<Arc<Vec<Kept<Subscriber>>>, StoreError> {
        let state = tx.record_state(site, Subscriber::KIND).await?;
        let known = self
            .0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone();
        if let Some(known) = known.filter(|known| known.state == state) {
            return Ok(known.all);
        }
        let all = Arc::new(setup::all::<Subscriber>(tx, site).await?);
        let known = Known {
            state,
            all: Arc::clone(&all),
        };
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(known);
        Ok(all)
    }
}

/// Who gets what, and who is left out.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct List {
    /// The parcels.
    pub parcels: Vec<Parcel>,
    /// Who takes the subscription and gets none.
    pub left_out: Vec<LeftOut>,
}

impl Roll {
    /// Reads it.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn read(app: &App, tx: &mut dyn Read) -> Result<Self, StoreError> {
        let site = app.site;
        let mut replacements = setup::all::<Replacement>(tx, site).await?;
        replacements.retain(|kept| kept.fields.sent_with.is_none() && !kept.fields.cancelled);
        Ok(Self {
            subscriptions: by_id::<Subscription, _>(tx, site).await?,
            destinations: by_id::<Destination, _>(tx, site).await?,
            styles: by_id::<Style, _>(tx, site).await?,
            blends: Blends::read(tx, site).await?,
            subscribers: app.subscribers.read(tx, site).await?,
            replacements,
        })
    }

    /// Who gets what of a dispatch as things are now, trying out coffees in place of its own if any are named.
    #[must_use]
    pub fn list(&self, dispatch: &Dispatch, coffees: Option<&[Offer]>) -> List {
        let Some(subscription) = self.subscriptions.get(&dispatch.subscription) else {
            return List::default();
        };
        let packing = Packing::new(
            subscription,
            dispatch.ship_day,
            coffees.unwrap_or(&dispatch.coffees),
            &self.destinations,
            &self.styles,
            &self.blends,
        );
        let mut list = List::default();
        let mut known = HashMap::new();
        for kept in self.subscribers.iter() {
            if kept.fields.subscription == dispatch.subscription {
                enter(&mut list, &packing, &mut known, kept);
            }
        }
        for count in &dispatch.counts {
            list.parcels
                .extend(packing.parcel(&Taker::of_count(count)).ok());
        }
        for lost in &self.replacements {
            list.parcels
                .extend(self.replacement(&packing, dispatch, lost));
        }
        list
    }

    /// One subscriber of a dispatch as they are now.
    #[must_use]
    pub fn list_of(&self, dispatch: &Dispatch, subscriber: SubscriberId) -> List {
        let mut list = self.list(dispatch, None);
        list.parcels
            .retain(|parcel| parcel.subscriber == Some(subscriber) && parcel.replaces.is_none());
        list.left_out.retain(|out| out.subscriber == subscriber);
        list
    }

    /// The parcel that stands in for a lost one, whether or not its subscriber takes part this time.
    fn replacement(
        &self,
        packing: &Packing<'_>,
        dispatch: &Dispatch,
        lost: &Kept<Replacement>,
    ) -> Option<Parcel> {
        let at = self
            .subscribers
            .binary_search_by_key(&lost.fields.subscriber.0, |kept| kept.id)
            .ok()?;
        let subscriber = &self.subscribers[at].fields;
        if subscriber.subscription != dispatch.subscription {
            return None;
        }
        let taker = Taker {
            subscriber: Some(lost.fields.subscriber),
            count: 1,
            bags: lost.fields.bags,
            styles: &subscriber.styles,
            destination: subscriber.destination,
            left_out: &subscriber.left_out,
        };
        let parcel = packing.parcel(&taker).ok()?;
        Some(Parcel {
            replaces: Some(lost.id),
            ..parcel
        })
    }
}

/// What decides what is in a parcel.
type Wish<'a> = (u16, &'a [StyleId], DestinationId, &'a [CoffeeId]);

/// Enters a subscriber. Most wish the same as others: each wish is dealt out once.
fn enter<'a>(
    list: &mut List,
    packing: &Packing<'_>,
    known: &mut HashMap<Wish<'a>, Result<Lines, Why>>,
    kept: &'a Kept<Subscriber>,
) {
    let subscriber = SubscriberId(kept.id);
    let lines = takes_part(&kept.fields, packing.ship.day).and_then(|taker| {
        let wish = (taker.bags, taker.styles, taker.destination, taker.left_out);
        known
            .entry(wish)
            .or_insert_with(|| packing.lines(&taker).map(Arc::from))
            .clone()
    });
    match lines {
        Ok(lines) => list.parcels.push(Parcel {
            subscriber: Some(subscriber),
            destination: kept.fields.destination,
            parcels: 1,
            lines,
            replaces: None,
        }),
        Err(why) => list.left_out.push(LeftOut { subscriber, why }),
    }
}

/// The frozen list of a dispatch, and how many parts it has; none where it is not frozen.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn frozen(
    tx: &mut dyn Read,
    site: SiteId,
    dispatch: DispatchId,
) -> Result<Option<(List, u32)>, StoreError> {
    let mut list = List::default();
    let mut part = 0;
    loop {
        let label = ListPart::label_of(dispatch, part);
        let Some(row) = tx.record_labelled(site, ListPart::KIND, &label).await? else {
            break;
        };
        list.follow(serde_json::from_str(&row.body).map_err(damaged)?);
        part += 1;
    }
    Ok((part > 0).then_some((list, part)))
}

/// Whether a dispatch's list is frozen.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn is_frozen(
    tx: &mut dyn Read,
    site: SiteId,
    dispatch: DispatchId,
) -> Result<bool, StoreError> {
    let label = ListPart::label_of(dispatch, 0);
    Ok(tx
        .record_labelled(site, ListPart::KIND, &label)
        .await?
        .is_some())
}

impl List {
    /// Takes in a further part.
    fn follow(&mut self, part: ListPart) {
        let ListPart {
            without,
            contents,
            parcels,
            left_out,
            ..
        } = part;
        let gone = |subscriber: &SubscriberId| without.contains(subscriber);
        if !without.is_empty() {
            self.parcels.retain(|parcel| {
                parcel.replaces.is_some() || !parcel.subscriber.as_ref().is_some_and(gone)
            });
            self.left_out.retain(|out| !gone(&out.subscriber));
        }
        let contents: Vec<Lines> = contents.into_iter().map(Arc::from).collect();
        self.parcels
            .extend(parcels.into_iter().map(|listed| Parcel {
                lines: contents.get(listed.contents).cloned().unwrap_or_default(),
                subscriber: listed.subscriber,
                destination: listed.destination,
                parcels: listed.parcels,
                replaces: listed.replaces,
            }));
        self.left_out.extend(left_out);
    }

    /// It as parts from a number on, at least one.
    #[must_use]
    pub fn parts(
        &self,
        dispatch: DispatchId,
        first: u32,
        at: crate::day::Instant,
        without: &[SubscriberId],
    ) -> Vec<ListPart> {
        let mut chunks: Vec<&[Parcel]> = self.parcels.chunks(PART).collect();
        if chunks.is_empty() {
            chunks.push(&[]);
        }
        (first..)
            .zip(chunks)
            .map(|(part, parcels)| {
                let mut contents: Vec<Vec<setup::ParcelLine>> = Vec::new();
                let mut places: BTreeMap<&[setup::ParcelLine], usize> = BTreeMap::new();
                let listed = parcels
                    .iter()
                    .map(|parcel| {
                        let place = *places.entry(&parcel.lines).or_insert_with(|| {
                            contents.push(parcel.lines.to_vec());
                            contents.len() - 1
                        });
                        Listed {
                            subscriber: parcel.subscriber,
                            destination: parcel.destination,
                            parcels: parcel.parcels,
                            contents: place,
                            replaces: parcel.replaces,
                        }
                    })
                    .collect();
                let begins = part == first;
                ListPart {
                    dispatch,
                    part,
                    at,
                    without: if begins { without.to_vec() } else { Vec::new() },
                    contents,
                    parcels: listed,
                    left_out: if begins {
                        self.left_out.clone()
                    } else {
                        Vec::new()
                    },
                }
            })
            .collect()
    }

    /// How many parcels it has.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.parcels
            .iter()
            .map(|parcel| u64::from(parcel.parcels))
            .sum()
    }

    /// How many bags are in them.
    #[must_use]
    pub fn bags(&self) -> u64 {
        let of = |parcel: &Parcel| {
            parcel
                .lines
                .iter()
                .map(|line| u64::from(line.bags))
                .sum::<u64>()
        };
        self.parcels
            .iter()
            .map(|parcel| u64::from(parcel.parcels) * of(parcel))
            .sum()
    }

    /// The lost parcels that it sends again.
    pub fn replaces(&self) -> impl Iterator<Item = Uuid> + '_ {
        self.parcels.iter().filter_map(|parcel| parcel.replaces)
    }
}

async fn by_id<R: Record, I: From<Uuid> + Eq + std::hash::Hash>(
    tx: &mut dyn Read,
    site: SiteId,
) -> Result<HashMap<I, R>, StoreError> {
    let records = setup::all::<R>(tx, site).await?;
    Ok(records
        .into_iter()
        .map(|kept| (kept.id.into(), kept.fields))
        .collect())
}
