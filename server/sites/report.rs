//! The green of all sites together: what each had, what came, went and was roasted, and what was on the way between them.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use serde::Serialize;

use super::arrive::cost_of;
use super::way::{SendingView, all_on_the_way};
use super::{record, value_now};
use crate::audit::ValueView;
use crate::audit::statement::{AskedMany, Scope, Sums, many};
use crate::day::{Day, Instant};
use crate::floor::view::Named;
use crate::ids::{LotId, SiteId};
use crate::mass::Mass;
use crate::money::Money;
use crate::refusal::Outcome;
use crate::store::{Read, StoreError};

/// What one site had and did.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct SiteFigures {
    /// The site.
    pub site: Named,
    /// The log's size up to which its book is told.
    pub known: i64,
    /// Green in store before the first day.
    pub opening_g: Mass,
    /// What the period did.
    pub sums: Sums,
    /// Green in store after the last day.
    pub closing_g: Mass,
    /// What that green is worth after the last day, at its cost less what is written down.
    pub worth: Money,
}

/// The green of all sites for a period.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct SitesReport {
    /// The first day; null for the beginning.
    pub from: Option<Day>,
    /// The last day, in each site's own time.
    pub to: Day,
    /// Site by site.
    pub sites: Vec<SiteFigures>,
    /// Green in store at all of them before the first day.
    pub opening_g: Mass,
    /// What the period did at all of them: what they sent to one another less what they took in is what the way between them has gained.
    pub sums: Sums,
    /// Green in store at all of them after the last day.
    pub closing_g: Mass,
    /// What that is worth, in each currency in which books are kept.
    pub worth: Vec<Money>,
    /// What is on the way between them now.
    pub on_the_way: Vec<SendingView>,
    /// How much that is.
    pub on_the_way_g: Mass,
    /// What it cost those who sent it, in each currency; what nobody has said is left out.
    pub on_the_way_worth: Vec<Money>,
}

/// Draws the report up, all sites as one snapshot sees them, up to a day: the latest that any of them has unless said.
///
/// # Errors
/// [`crate::refusal::Refusal::Invalid`] for a period that ends before it begins; [`StoreError`] when the database fails.
pub async fn report(
    tx: &mut dyn Read,
    from: Option<Day>,
    to: Option<Day>,
    now: Instant,
) -> Outcome<SitesReport> {
    let today = latest_day(tx, now).await?;
    let today = today.ok_or_else(|| StoreError::Damaged("there is no site".to_owned()))?;
    let to = to.unwrap_or(today);
    let mut sites = Vec::new();
    for site in tx.sites().await? {
        sites.push(figures(tx, site, from, to).await?);
    }
    let mut sums = Sums::default();
    for site in &sites {
        sums.add_sums(&site.sums)?;
    }
    let on_the_way = all_on_the_way(tx).await?;
    Ok(SitesReport {
        from,
        to,
        opening_g: Mass::sum(sites.iter().map(|site| site.opening_g))?,
        closing_g: Mass::sum(sites.iter().map(|site| site.closing_g))?,
        worth: by_currency(sites.iter().map(|site| site.worth.clone())),
        sums,
        sites,
        on_the_way_g: Mass::sum(on_the_way.iter().map(|sending| sending.mass_g))?,
        on_the_way_worth: by_currency(worth_of(tx, &on_the_way, today).await?),
        on_the_way,
    })
}

async fn figures(
    tx: &mut dyn Read,
    site: SiteId,
    from: Option<Day>,
    to: Day,
) -> Outcome<SiteFigures> {
    let asked = AskedMany {
        scope: Scope::All,
        from,
        to,
        known: None,
        after: None,
        limit: 1,
    };
    let statement = many(tx, site, asked).await?;
    let value = value_now(tx, site, to).await?;
    let lots = value.lots.iter();
    let store = lots.map(|lot| lot.closing.store - lot.closing.written_down);
    Ok(SiteFigures {
        site: Named {
            id: site.0,
            name: record(tx, site).await?.name,
        },
        known: statement.known,
        opening_g: statement.opening_g,
        sums: statement.sums,
        closing_g: statement.closing_g,
        worth: Money {
            minor: store.sum(),
            currency: value.currency,
        },
    })
}

/// What sendings cost their senders, as known now.
async fn worth_of(tx: &mut dyn Read, sendings: &[SendingView], today: Day) -> Outcome<Vec<Money>> {
    let mut values: BTreeMap<SiteId, ValueView> = BTreeMap::new();
    let mut found = Vec::new();
    for sending in sendings {
        let from = SiteId(sending.from.id);
        if let Entry::Vacant(unread) = values.entry(from) {
            unread.insert(value_now(tx, from, today).await?);
        }
        found.extend(cost_of(
            &values[&from],
            LotId(sending.lot.id),
            sending.mass_g,
        ));
    }
    Ok(found)
}

/// The latest day that any site has.
async fn latest_day(tx: &mut dyn Read, now: Instant) -> Result<Option<Day>, StoreError> {
    let mut latest = None;
    for site in tx.sites().await? {
        latest = latest.max(Some(record(tx, site).await?.zone.day(now)));
    }
    Ok(latest)
}

fn by_currency(amounts: impl IntoIterator<Item = Money>) -> Vec<Money> {
    let mut sums: BTreeMap<String, i64> = BTreeMap::new();
    for Money { minor, currency } in amounts {
        *sums.entry(currency).or_default() += minor;
    }
    sums.into_iter()
        .map(|(currency, minor)| Money { minor, currency })
        .collect()
}
