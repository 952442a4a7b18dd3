//! What goes between sites: what one site sent, at most one other has taken in, and all of it.

use std::collections::BTreeMap;

use super::Faults;
use crate::ids::{PostingId, SiteId};
use crate::store::{Read, Sendings, StoreError};

/// What stands between sites at one of them, in milligrams, by the posting that sent it.
pub(in crate::audit) type Between = (SiteId, PostingId, i64);

/// Checks what a site sent and took in against the books of the others.
pub(super) async fn check(
    tx: &mut dyn Read,
    site: SiteId,
    faults: &mut Faults,
) -> Result<(), StoreError> {
    let standing = tx.in_transit(Sendings::All).await;
    let standing = faults.readable("accounts between sites", standing)?;
    let between: Vec<Between> = standing
        .into_iter()
        .map(|(of, one)| (of, PostingId(one.place.key()), one.mass.mg()))
        .collect();
    for (sites, sending, what) in unsound(&between) {
        if sites.contains(&site) {
            faults.add(format!("sending {sending}"), what);
        }
    }
    Ok(())
}

/// What does not fit, with the sites that it is about.
pub(in crate::audit) fn unsound(between: &[Between]) -> Vec<(Vec<SiteId>, PostingId, String)> {
    let mut by_sending: BTreeMap<PostingId, Vec<(SiteId, i64)>> = BTreeMap::new();
    for (site, sending, mg) in between.iter().filter(|(.., mg)| *mg != 0) {
        by_sending.entry(*sending).or_default().push((*site, *mg));
    }
    let mut found = Vec::new();
    for (sending, ends) in by_sending {
        let sum: i64 = ends.iter().map(|(_, mg)| mg).sum();
        let what = match ends.iter().filter(|(_, mg)| *mg > 0).count() {
            1 if ends.len() == 1 || (ends.len() == 2 && sum == 0) => continue,
            1 => format!("what was sent and what was taken in differ by {sum} mg"),
            0 => "it was taken in, and no site sent it".to_owned(),
            _ => "more than one site sent it".to_owned(),
        };
        let sites = ends.into_iter().map(|(site, _)| site).collect();
        found.push((sites, sending, what));
    }
    found
}

#[cfg(test)]
mod tests {
    use uuid::Uuid;

    use super::*;

    #[test]
    fn what_is_sent_is_taken_in_once_and_whole() {
        let site = |n: u128| SiteId(Uuid::from_u128(n));
        let (one, two) = (
            PostingId(Uuid::from_u128(11)),
            PostingId(Uuid::from_u128(12)),
        );
        let faults = |between: &[Between]| {
            let found = unsound(between).into_iter();
            found.map(|(_, sending, _)| sending).collect::<Vec<_>>()
        };
        assert_eq!(faults(&[(site(1), one, 500), (site(2), two, 70)]), []);
        assert_eq!(faults(&[(site(1), one, 500), (site(2), one, -500)]), []);
        assert_eq!(faults(&[(site(1), one, 500), (site(2), one, -499)]), [one]);
        assert_eq!(faults(&[(site(2), two, -1), (site(1), one, 5)]), [two]);
        let twice = [(site(1), one, 5), (site(2), one, -5), (site(3), one, -5)];
        assert_eq!(faults(&twice), [one]);
        assert_eq!(faults(&[(site(1), one, 5), (site(2), one, 5)]), [one]);
    }
}
