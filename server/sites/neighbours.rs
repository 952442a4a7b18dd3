//! Hears what goes between this site and the others: their logs grow without a word to this one.
//!
//! Nothing of another site's log is followed but whether something went between sites, or was taken back; open pages then read it anew.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{broadcast, watch};

use crate::follow::Changed;
use crate::ids::SiteId;
use crate::store::{Store, StoreError};

/// How often the logs of other sites are looked at. Nobody waits for a sack at the door; it is there on either database alike.
const EVERY: Duration = Duration::from_secs(2);

/// Tells open pages of one site what others sent, took in or took back.
pub struct Neighbours {
    store: Arc<dyn Store>,
    site: SiteId,
    changes: broadcast::Sender<Changed>,
    /// How far the log of each site has been looked at.
    heard: HashMap<SiteId, i64>,
}

impl Neighbours {
    /// Begins where the logs end now; pages that open later read what is there.
    ///
    /// # Errors
    /// [`StoreError`] when the database cannot be read.
    pub async fn begin(
        store: Arc<dyn Store>,
        site: SiteId,
        changes: broadcast::Sender<Changed>,
    ) -> Result<Self, StoreError> {
        let heard = store.read().await?.log_sizes().await?;
        Ok(Self {
            store,
            site,
            changes,
            heard: heard.into_iter().collect(),
        })
    }

    /// Looks until nobody of this process can write any more.
    pub async fn run(mut self, mut written: watch::Receiver<i64>) {
        loop {
            tokio::select! {
                () = until_closed(&mut written) => return,
                () = tokio::time::sleep(EVERY) => {}
            }
            match self.went().await {
                Ok(true) => self.tell(),
                Ok(false) => {}
                // Whoever follows this site's own log tells it as an error.
                Err(error) => tracing::debug!(%error, "the logs of other sites cannot be read"),
            }
        }
    }

    /// Whether anything went between sites, or back, in what other logs have more than when they were looked at last.
    async fn went(&mut self) -> Result<bool, StoreError> {
        let mut tx = self.store.read().await?;
        let mut went = false;
        for (site, size) in tx.log_sizes().await? {
            let from = self.heard.get(&site).copied().unwrap_or_default();
            if site != self.site && size > from {
                went |= tx.went_between(site, from).await?;
                self.heard.insert(site, size);
            }
        }
        Ok(went)
    }

    fn tell(&self) {
        let kinds = BTreeSet::from(["sendings".to_owned()]);
        // Nobody listening is no fault.
        let _ = self.changes.send(Changed { kinds });
    }
}

async fn until_closed(written: &mut watch::Receiver<i64>) {
    while written.changed().await.is_ok() {}
}
