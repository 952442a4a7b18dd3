//! What quick queries answer, found the slow way: leaf by leaf through the whole log.

use std::collections::{BTreeMap, BTreeSet};

use outturn::app::App;
use outturn::book::leaf::{Basis, Kind, Leaf, Posting};
use outturn::book::place::Place;
use outturn::day::Day;
use outturn::ids::{BatchId, CardId, LotId, PostingId};
use outturn::store::{BatchFilter, Read};

/// Why, which posting, whose coffee: milligrams.
type Flagged = BTreeMap<(String, PostingId, LotId), i64>;

/// What is asked of the tables at once is what the log says: what an auditor must look at, and when how much of each lot came.
pub async fn check_queries(app: &App, tx: &mut dyn Read) {
    let mut postings = Vec::new();
    let mut from = 0;
    loop {
        let page = tx.leaves(app.site, from, 1_000).await.expect("leaves");
        let Some(last) = page.last() else { break };
        from = last.position + 1;
        for row in &page {
            if let Leaf::Posting(posting) = serde_json::from_str(&row.leaf).expect("a leaf") {
                postings.push(posting);
            }
        }
    }
    let undone: BTreeSet<PostingId> = postings.iter().filter_map(|p| p.reverses).collect();
    let stands = |posting: &Posting| posting.reverses.is_none() && !undone.contains(&posting.id);
    let quick = tx.flagged(app.site).await.expect("what is flagged");
    let quick: Flagged = quick
        .into_iter()
        .map(|row| ((row.why, row.posting, row.lot), row.mass.mg()))
        .collect();
    let all = BatchFilter::default();
    let batches = tx.batches(app.site, &all, i64::MAX).await;
    let batches = batches.expect("batches");
    let cards: Vec<(CardId, BatchId, LotId)> = batches
        .iter()
        .filter(|row| row.state != "undone")
        .filter_map(|row| Some((row.card?, row.id, row.lot)))
        .collect();
    let twice = |batch: BatchId, lot: LotId| {
        let found = cards.iter().find(|card| (card.1, card.2) == (batch, lot));
        found.is_some_and(|of| cards.iter().filter(|card| card.0 == of.0).count() > 1)
    };
    let mut slow = Flagged::new();
    for posting in &postings {
        flag(&mut slow, posting, stands(posting), &twice);
    }
    assert_eq!(quick, slow, "what must be looked at");
    let standing = postings.iter().filter(|posting| stands(posting));
    check_receipts(app, tx, &postings, standing).await;
}

fn flag(
    slow: &mut Flagged,
    posting: &Posting,
    stands: bool,
    twice: &impl Fn(BatchId, LotId) -> bool,
) {
    let mut add = |why: &str, lot: LotId, mg: i64| {
        *slow.entry((why.to_owned(), posting.id, lot)).or_default() += mg;
    };
    for (n, m) in posting.movements.iter().enumerate() {
        if posting.late {
            add("late", m.lot, m.mass_mg);
        }
        if posting.reverses.is_some() {
            add("reversal", m.lot, m.mass_mg);
        }
        if !stands {
            continue;
        }
        if m.from == Place::Variance {
            let why = match posting.kind {
                Kind::Count | Kind::Arrive => posting.kind.word(),
                _ => "beyond_book",
            };
            add(why, m.lot, m.mass_mg);
        }
        let counted = matches!(posting.kind, Kind::Count | Kind::UseUp | Kind::Arrive);
        if m.to == Place::Variance && counted {
            add(posting.kind.word(), m.lot, -m.mass_mg);
        }
        let reckoned =
            |w: &&outturn::book::leaf::Weighing| w.movement == n && w.basis == Basis::Reckoned;
        for _ in posting.weighings.iter().filter(reckoned) {
            add("reckoned", m.lot, m.mass_mg);
        }
        if let Place::Batch(batch) = m.to
            && posting.kind == Kind::WeighIn
            && twice(batch, m.lot)
        {
            add("card_twice", m.lot, m.mass_mg);
        }
    }
}

/// The first day on which each lot came, and how much of it in all.
async fn check_receipts<'a>(
    app: &App,
    tx: &mut dyn Read,
    postings: &[Posting],
    standing: impl Iterator<Item = &'a Posting>,
) {
    let outside = |lot: LotId, place: Place| match place {
        Place::Blended(blend) => blend == lot,
        place => matches!(place, Place::Supplier(_) | Place::Transit(_)),
    };
    let mut came: BTreeMap<(LotId, Place), (Option<Day>, i64)> = BTreeMap::new();
    for m in postings.iter().flat_map(|posting| &posting.movements) {
        for (place, mg) in [(m.from, m.mass_mg), (m.to, -m.mass_mg)] {
            if outside(m.lot, place) {
                came.entry((m.lot, place)).or_default().1 += mg;
            }
        }
    }
    for posting in standing {
        for m in posting.movements.iter().filter(|m| outside(m.lot, m.from)) {
            let (first, _) = came.entry((m.lot, m.from)).or_default();
            *first = Some(first.map_or(posting.day, |first| first.min(posting.day)));
        }
    }
    // What was sent away stands in transit; what was taken in came from there.
    came.retain(|(_, place), (_, mg)| !matches!(place, Place::Transit(_)) || *mg > 0);
    let quick = tx.receipts(app.site, None).await.expect("what came");
    let quick: BTreeMap<_, _> = quick
        .into_iter()
        .map(|of| ((of.lot, of.from), (of.first_day, of.mass.mg())))
        .collect();
    assert_eq!(quick, came, "what came of each lot");
}
