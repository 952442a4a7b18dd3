//! Checking a copy by itself: with no database, and on a machine that has nothing else.

use std::collections::BTreeMap;
use std::io::BufRead;

use super::{CopyError, Head, Item, Reader};
use crate::audit::seal::{SealCheck, Watch};
use crate::audit::verify::expected::Expected;
use crate::audit::verify::records::follows;
use crate::audit::verify::sound::Sound;
use crate::audit::verify::ways::{Between, unsound};
use crate::audit::verify::{Fault, Faults, Report};
use crate::book::merkle::Frontier;
use crate::book::seal::{Checkpoint, origin};
use crate::ids::{PostingId, SiteId};
use crate::store::StoredCommand;

/// What was found of one book of a copy, and of seals of it from outside.
#[derive(Debug)]
pub struct Checked {
    /// Whose book.
    pub site: SiteId,
    /// What was found.
    pub report: Report,
    /// What became of the seals.
    pub seals: Vec<SealCheck>,
}

/// Checks a copy: that each line is what was written, that the leaves give the root, that they say nothing that cannot be, and that the
/// log begins with what the seals say. Answers a report for each book that it holds.
///
/// # Errors
/// [`CopyError`] with the line from which on it cannot be read.
pub fn check<R: BufRead>(from: R, seals: &[Checkpoint]) -> Result<Vec<Checked>, CopyError> {
    let mut reader = Reader::new(from);
    let (mut checked, mut between) = (Vec::new(), Vec::new());
    while let Some(item) = reader.next()? {
        if let Item::Head(head) = item {
            let name = origin(head.site);
            let ours = seals.iter().filter(|seal| seal.origin == name);
            checked.push(site(
                &head,
                &mut reader,
                ours.cloned().collect(),
                &mut between,
            )?);
        }
    }
    for (sites, sending, what) in unsound(&between) {
        for book in checked
            .iter_mut()
            .filter(|book: &&mut Checked| sites.contains(&book.site))
        {
            book.report.ok = false;
            let r#where = format!("sending {sending}");
            let what = what.clone();
            book.report.places.push(Fault { r#where, what });
        }
    }
    Ok(checked)
}

/// Checks one site's book, up to its end.
fn site<R: BufRead>(
    head: &Head,
    reader: &mut Reader<R>,
    seals: Vec<Checkpoint>,
    between: &mut Vec<Between>,
) -> Result<Checked, CopyError> {
    let mut faults = Faults::default();
    let (mut expected, mut sound) = (Expected::default(), Sound::default());
    let (mut watch, mut tree) = (Watch::of(seals), Frontier::default());
    let mut commands = BTreeMap::new();
    loop {
        match reader.next()? {
            Some(Item::Leaf(leaf, hash)) => {
                tree.push(hash);
                let place = format!("line {}", reader.line());
                faults.add_all(&place, watch.leaf(&leaf, hash, &tree).into_iter().collect());
                faults.add_all(&place, sound.add(&leaf));
                expected.add(&leaf);
            }
            Some(Item::Command(command)) => {
                commands.insert(command.id, (reader.line(), command));
            }
            _ => break,
        }
    }
    for (id, written) in &expected.records {
        if follows(&written.kind, &written.body).is_none() {
            faults.add(format!("record {id}"), format!("it is no {}", written.kind));
        }
    }
    check_commands(&expected, &commands, &mut faults);
    let accounts = expected.months.iter();
    let transit = accounts.filter(|((_, place, _), _)| place == "transit");
    between.extend(
        transit.map(|((.., key), months)| (head.site, PostingId(*key), months.values().sum())),
    );
    let report = Report {
        ok: faults.0.is_empty(),
        size: i64::try_from(head.size).unwrap_or(i64::MAX),
        root: head.root.clone(),
        lots: expected.lots(),
        places: faults.0,
    };
    Ok(Checked {
        site: head.site,
        report,
        seals: watch.finish(),
    })
}

/// Every posting has its command: without it, sending it again would book it again.
fn check_commands(
    expected: &Expected,
    commands: &BTreeMap<uuid::Uuid, (u64, StoredCommand)>,
    faults: &mut Faults,
) {
    for (id, digest) in &expected.postings {
        match commands.get(id) {
            None => faults.add(
                format!("command {id}"),
                "the log has its posting, and it is missing",
            ),
            Some((line, command)) if hex::encode(&command.digest) != *digest => {
                faults.add(
                    format!("line {line}"),
                    "its digest is not that of its posting",
                );
            }
            Some(_) => {}
        }
    }
}
