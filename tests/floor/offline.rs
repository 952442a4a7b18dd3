//! Two tablets without a network for a day, on the same batches and the same green: whatever arrives, in whatever order, again and again, cut
//! off in the middle, the book ends as if somebody had booked it one by one. What cannot be booked waits for a person; nothing is dropped.
//!
//! The other side is a model that knows arithmetic and the order in which the log has the commands; it shares no code with the book.

use std::cell::{Cell, RefCell};
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use outturn::app::Done;
use outturn::book::Actor;
use outturn::book::leaf::Leaf;
use outturn::command::Command;
use outturn::floor::{Reversal, Scrap, Start, WeighIn, WeighOut};
use outturn::green::{Receipt, Waste};
use outturn::refusal::Outcome;
use outturn::setup::{Device, Lot};
use outturn::store::BatchFilter;
use proptest::prelude::*;
use proptest::test_runner::TestRunner;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use tokio::runtime::Runtime;
use uuid::Uuid;

use super::support::{Roastery, said};

const LOTS: usize = 2;
const BATCHES: usize = 5;
const RECEIVED_G: i64 = 20_000;
/// After so many histories the book is checked whole, and the next begins.
const HISTORIES_OF_A_BOOK: usize = 40;

/// Something that happened on the floor.
#[derive(Debug, Clone)]
enum Act {
    Receive {
        lot: usize,
        grams: i64,
    },
    Spill {
        lot: usize,
        grams: i64,
    },
    WeighIn {
        batch: usize,
        lot: usize,
        grams: i64,
    },
    Start(usize),
    WeighOut {
        batch: usize,
        grams: i64,
    },
    Scrap(usize),
    /// What the same day's command of this number did is taken back.
    Undo(usize),
}

fn act() -> impl Strategy<Value = Act> {
    let (lot, batch) = (0..LOTS, 0..BATCHES);
    prop_oneof![
        1 => (lot.clone(), 1_000..9_000i64).prop_map(|(lot, grams)| Act::Receive { lot, grams }),
        1 => (lot.clone(), 10..4_000i64).prop_map(|(lot, grams)| Act::Spill { lot, grams }),
        5 => (batch.clone(), lot, 1_000..14_000i64).prop_map(|(batch, lot, grams)| Act::WeighIn { batch, lot, grams }),
        2 => batch.clone().prop_map(Act::Start),
        4 => (batch.clone(), 800..12_000i64).prop_map(|(batch, grams)| Act::WeighOut { batch, grams }),
        1 => batch.prop_map(Act::Scrap),
        3 => any::<prop::sample::Index>().prop_map(|which| Act::Undo(which.index(1_000))),
    ]
}

/// How a sending ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    /// It is answered.
    Whole,
    /// The network goes while the service works on it.
    Cut,
    /// It is on its way twice at once.
    Twice,
}

/// A day: what each tablet typed, and how it is sent.
#[derive(Debug, Clone)]
struct Day {
    acts: Vec<(usize, Act)>,
    /// Numbers of commands, some of them several times, some not at all.
    sending: Vec<(usize, Way)>,
}

fn day() -> impl Strategy<Value = Day> {
    prop::collection::vec((0..2usize, act()), 2..16).prop_flat_map(|acts| {
        let way = prop::sample::select(vec![Way::Whole, Way::Whole, Way::Cut, Way::Twice]);
        let sent = prop::collection::vec((0..acts.len(), way), 0..2 * acts.len());
        (Just(acts), sent).prop_map(|(acts, sending)| Day { acts, sending })
    })
}

/// What was sent of a command and what came back.
struct Typed {
    id: Uuid,
    tablet: usize,
    act: Act,
    body: Value,
    answer: RefCell<Option<Done>>,
    /// The size of the log when it was sent first.
    since: Cell<i64>,
}

impl Typed {
    fn is_booked(&self) -> bool {
        let answer = self.answer.borrow();
        matches!(&*answer, Some(Done::Booked(_) | Done::Repeated(_)))
    }
}

/// A book that several histories share, each with lots and batches of its own.
struct Played {
    roastery: Roastery,
    tablets: [Uuid; 2],
    histories: usize,
}

impl Played {
    async fn new() -> Self {
        let roastery = Roastery::new().await;
        let mut tablets = [Uuid::nil(); 2];
        for (tablet, name) in tablets.iter_mut().zip(["By the drum", "In the store"]) {
            *tablet = roastery
                .put::<Device>(json!({"name": name, "kind": "tablet"}))
                .await;
        }
        Self {
            roastery,
            tablets,
            histories: 0,
        }
    }

    /// Lots of one history, each with some green.
    async fn lots(&self) -> [Uuid; LOTS] {
        let mut lots = [Uuid::nil(); LOTS];
        let mut lines = Vec::new();
        for (n, lot) in lots.iter_mut().enumerate() {
            let fields = self
                .roastery
                .lot_fields(&format!("Alder {}-{n}", self.histories));
            *lot = self.roastery.put::<Lot>(fields).await;
            lines.push(json!({"lot": *lot, "storeroom": self.roastery.rooms[0], "weight": reckoned(RECEIVED_G)}));
        }
        let body = json!({"delivery": self.roastery.delivery, "lines": lines});
        self.roastery.book::<Receipt>(body).await;
        lots
    }

    async fn size(&self) -> i64 {
        let app = &self.roastery.app;
        let mut tx = app.read().await.unwrap();
        tx.head(app.site).await.unwrap().unwrap().size
    }

    /// What the tablets keep at the end of the day.
    fn typed(&self, acts: Vec<(usize, Act)>, lots: &[Uuid; LOTS], batches: &[Uuid]) -> Vec<Typed> {
        let mut typed: Vec<Typed> = Vec::new();
        let count = acts.len();
        for (n, (tablet, act)) in acts.into_iter().enumerate() {
            let id = self.roastery.app.clock.new_id();
            let minute = 60 * n / count;
            let mut body = self.fields(&act, lots, batches, &typed);
            body["kept"] = json!(true);
            body["happened_at"] = json!(format!("2026-11-25T08:{minute:02}:00Z"));
            typed.push(Typed {
                id,
                tablet,
                act,
                body: said(&body),
                answer: RefCell::default(),
                since: Cell::new(i64::MAX),
            });
        }
        typed
    }

    fn fields(&self, act: &Act, lots: &[Uuid; LOTS], batches: &[Uuid], typed: &[Typed]) -> Value {
        let r = &self.roastery;
        let at = |lot: usize, grams| json!({"lot": lots[lot], "storeroom": r.rooms[0], "weight": reckoned(grams)});
        match act {
            Act::Receive { lot, grams } => {
                json!({"delivery": r.delivery, "lines": [at(*lot, *grams)]})
            }
            Act::Spill { lot, grams } => at(*lot, *grams),
            Act::WeighIn { batch, lot, grams } => {
                let mut body = at(*lot, *grams);
                body["batch"] = json!(batches[*batch]);
                body["style"] = json!(r.style);
                body["roaster"] = json!(r.roaster);
                body
            }
            Act::Start(batch) | Act::Scrap(batch) => json!({"batch": batches[*batch]}),
            Act::WeighOut { batch, grams } => {
                json!({"batches": [batches[*batch]], "weight": reckoned(*grams)})
            }
            // Before anything was typed there is nothing to take back: the service has never heard of it.
            Act::Undo(which) => {
                let target = which
                    .checked_rem(typed.len())
                    .map_or(batches[0], |which| typed[which].id);
                json!({"posting": target})
            }
        }
    }

    async fn send(&self, typed: &Typed) -> Outcome<Done> {
        let size = self.size().await;
        typed.since.set(typed.since.get().min(size));
        match typed.act {
            Act::Receive { .. } => self.carry::<Receipt>(typed).await,
            Act::Spill { .. } => self.carry::<Waste>(typed).await,
            Act::WeighIn { .. } => self.carry::<WeighIn>(typed).await,
            Act::Start(_) => self.carry::<Start>(typed).await,
            Act::WeighOut { .. } => self.carry::<WeighOut>(typed).await,
            Act::Scrap(_) => self.carry::<Scrap>(typed).await,
            Act::Undo(_) => self.carry::<Reversal>(typed).await,
        }
    }

    async fn carry<C: Command + DeserializeOwned>(&self, typed: &Typed) -> Outcome<Done> {
        let command: C = serde_json::from_value(typed.body.clone()).unwrap();
        let app = &self.roastery.app;
        let actor = Actor {
            device: Some(self.tablets[typed.tablet]),
            claimed: true,
            ..Actor::person(app.owner)
        };
        app.carry_out(actor, typed.id, command).await
    }

    /// Sends it, and holds the answer against those that came before.
    async fn answered(&self, typed: &Typed) {
        let answer = self
            .send(typed)
            .await
            .unwrap_or_else(|refusal| panic!("{:?} is dropped: {refusal}", typed.act));
        let as_before = |before: &Done| match (before, &answer) {
            (
                Done::Booked(one) | Done::Repeated(one),
                Done::Booked(other) | Done::Repeated(other),
            )
            | (Done::Unsettled(one), Done::Unsettled(other)) => one == other,
            _ => false,
        };
        let mut known = typed.answer.borrow_mut();
        assert!(
            known.as_ref().is_none_or(as_before),
            "{:?}: {known:?}, then {answer:?}",
            typed.act
        );
        known.get_or_insert(answer);
    }

    /// One sending, of several that go on at the same time.
    async fn deliver(&self, typed: &Typed, way: Way) {
        match way {
            Way::Whole => self.answered(typed).await,
            // The service has begun when nobody waits for it any longer.
            Way::Cut => drop(tokio::time::timeout(Duration::ZERO, self.send(typed)).await),
            Way::Twice => {
                tokio::join!(self.answered(typed), self.answered(typed));
            }
        }
    }

    async fn history(&mut self, day: Day) {
        self.histories += 1;
        let lots = self.lots().await;
        let batches: Vec<Uuid> = (0..BATCHES)
            .map(|_| self.roastery.app.clock.new_id())
            .collect();
        let typed = self.typed(day.acts, &lots, &batches);
        let before = self.size().await;
        for group in day.sending.chunks(3) {
            let sendings = group
                .iter()
                .map(|(which, way)| self.deliver(&typed[*which], *way));
            futures_util::future::join_all(sendings).await;
        }
        // In the end each tablet sends all that it has, until each is answered.
        for tablet in 0..2 {
            for typed in typed.iter().filter(|typed| typed.tablet == tablet) {
                self.answered(typed).await;
            }
        }
        let order = self.order(before, &typed).await;
        let mut model = Model::new(&lots, &batches);
        model.serially(&order, &typed);
        self.compare(&model, &typed).await;
    }

    /// The commands in the order in which the log has them, each once, with their places.
    async fn order(&self, from: i64, typed: &[Typed]) -> Vec<(usize, i64)> {
        let app = &self.roastery.app;
        let mut tx = app.read().await.unwrap();
        let mut order = Vec::new();
        for row in tx.leaves(app.site, from, 10_000).await.unwrap() {
            let ids = match serde_json::from_str(&row.leaf).unwrap() {
                Leaf::Posting(posting) => [posting.id.0, Uuid::nil()],
                Leaf::Entry(entry) => [entry.id, entry.subject],
                Leaf::Closing(_) => continue,
            };
            let which = typed.iter().position(|typed| ids.contains(&typed.id));
            order.extend(which.map(|which| (which, row.position)));
        }
        let once: BTreeSet<usize> = order.iter().map(|(which, _)| *which).collect();
        assert_eq!(
            (order.len(), once.len()),
            (typed.len(), typed.len()),
            "each is in the log once"
        );
        order
    }

    async fn compare(&self, model: &Model, typed: &[Typed]) {
        let app = &self.roastery.app;
        let mut tx = app.read().await.unwrap();
        let waiting = tx.unsettled(app.site).await.unwrap();
        let shown: BTreeSet<Uuid> = waiting.iter().map(|row| row.id).collect();
        for typed in typed {
            assert_eq!(
                shown.contains(&typed.id),
                !typed.is_booked(),
                "a person sees what could not be booked"
            );
        }
        let mut found: BTreeMap<(usize, String), i64> = BTreeMap::new();
        for (n, lot) in model.lots.iter().enumerate() {
            for standing in tx.standing_of_lot(app.site, (*lot).into()).await.unwrap() {
                *found
                    .entry((n, standing.place.word().to_owned()))
                    .or_default() += standing.mass.whole_grams();
            }
        }
        assert_eq!(found, model.standing(), "grams by lot and place");
        for lot in &model.lots {
            let filter = BatchFilter {
                lot: Some((*lot).into()),
                ..BatchFilter::default()
            };
            for row in tx.batches(app.site, &filter, 100).await.unwrap() {
                let n = model.ids.iter().position(|id| *id == row.id.0).unwrap();
                assert_eq!(row.state, model.batches[n].state(), "batch {n}");
            }
        }
    }
}

fn reckoned(grams: i64) -> Value {
    json!({"basis": "reckoned", "mass_g": grams})
}

/// An account: lot and the place's word.
type Account = (usize, &'static str);

/// What a command does where it can be booked.
#[derive(Clone, Default)]
struct Does {
    /// A step of a batch, with the batch's lot.
    step: Option<(usize, &'static str, usize)>,
    changes: Vec<(Account, i64)>,
    /// The command that it takes back.
    undoes: Option<usize>,
}

/// The state after a step, and the command that made it.
type StepMade = (&'static str, usize);

/// What a batch is: its lot, its steps, and what stands in it before and after the weigh-out.
#[derive(Clone, Default)]
struct BatchMade {
    lot: usize,
    steps: Vec<StepMade>,
    green: i64,
    roasted: i64,
}

impl BatchMade {
    fn state(&self) -> &'static str {
        self.steps.last().map_or("undone", |(state, _)| state)
    }
}

struct Model {
    lots: [Uuid; LOTS],
    ids: Vec<Uuid>,
    accounts: BTreeMap<Account, i64>,
    batches: Vec<BatchMade>,
    booked: BTreeMap<usize, Does>,
    undone: BTreeSet<usize>,
}

impl Model {
    fn new(lots: &[Uuid; LOTS], ids: &[Uuid]) -> Self {
        let received = |lot| {
            [
                ((lot, "store"), RECEIVED_G),
                ((lot, "supplier"), -RECEIVED_G),
            ]
        };
        Self {
            lots: *lots,
            ids: ids.to_vec(),
            accounts: (0..LOTS).flat_map(received).collect(),
            batches: vec![BatchMade::default(); ids.len()],
            booked: BTreeMap::new(),
            undone: BTreeSet::new(),
        }
    }

    fn at(&self, account: Account) -> i64 {
        self.accounts.get(&account).copied().unwrap_or_default()
    }

    fn standing(&self) -> BTreeMap<(usize, String), i64> {
        let standing = self.accounts.iter().filter(|(_, grams)| **grams != 0);
        let named = |((lot, place), grams): (&Account, &i64)| ((*lot, (*place).to_owned()), *grams);
        standing.map(named).collect()
    }

    /// Green leaves the store; what the store lacks comes out of the count difference.
    fn out_of_store(&self, lot: usize, to: &'static str, grams: i64) -> Vec<(Account, i64)> {
        let short = (grams - self.at((lot, "store"))).max(0);
        vec![
            ((lot, "variance"), -short),
            ((lot, "store"), short - grams),
            ((lot, to), grams),
        ]
    }

    /// What a command would do now; none where it cannot be booked.
    fn would(&self, which: usize, act: &Act) -> Option<Does> {
        let moves = |changes| {
            Some(Does {
                changes,
                ..Does::default()
            })
        };
        match act {
            Act::Receive { lot, grams } => moves(vec![
                ((*lot, "supplier"), -grams),
                ((*lot, "store"), *grams),
            ]),
            Act::Spill { lot, grams } => moves(self.out_of_store(*lot, "waste", *grams)),
            Act::WeighIn { batch, lot, grams } => self.weigh_in(*batch, *lot, *grams),
            Act::Start(batch) => self.step(*batch, &["weighed_in"], "in_drum", |_| Vec::new()),
            Act::WeighOut { batch, grams } => {
                self.step(*batch, &["weighed_in", "in_drum"], "weighed_out", |made| {
                    let lost = made.green - grams;
                    vec![
                        ((made.lot, "batch"), -made.green),
                        ((made.lot, "roasted"), *grams),
                        ((made.lot, "air"), lost),
                    ]
                })
            }
            Act::Scrap(batch) => self.step(
                *batch,
                &["weighed_in", "in_drum", "weighed_out"],
                "scrapped",
                |made| {
                    let all = made.green + made.roasted;
                    vec![
                        ((made.lot, "batch"), -made.green),
                        ((made.lot, "roasted"), -made.roasted),
                        ((made.lot, "waste"), all),
                    ]
                },
            ),
            Act::Undo(number) => self.undo(number.checked_rem(which)?),
        }
    }

    fn step(
        &self,
        batch: usize,
        from: &[&str],
        to: &'static str,
        changes: impl Fn(&BatchMade) -> Vec<(Account, i64)>,
    ) -> Option<Does> {
        let made = &self.batches[batch];
        let step = Some((batch, to, made.lot));
        from.contains(&made.state()).then(|| Does {
            step,
            changes: changes(made),
            undoes: None,
        })
    }

    /// A further crate goes to a batch that stands ready, of the same lot.
    fn weigh_in(&self, batch: usize, lot: usize, grams: i64) -> Option<Does> {
        let made = &self.batches[batch];
        let fits = made.state() == "undone" || (made.state() == "weighed_in" && made.lot == lot);
        let step = Some((batch, "weighed_in", lot));
        fits.then(|| Does {
            step,
            changes: self.out_of_store(lot, "batch", grams),
            undoes: None,
        })
    }

    /// The last thing said of a batch is taken back, or green that has not gone on.
    fn undo(&self, target: usize) -> Option<Does> {
        let did = self
            .booked
            .get(&target)
            .filter(|did| did.undoes.is_none() && !self.undone.contains(&target))?;
        let last =
            |(batch, ..): (usize, &str, usize)| self.batches[batch].steps.last().map(|(_, by)| *by);
        if did.step.is_some_and(|step| last(step) != Some(target)) {
            return None;
        }
        let gone_on =
            |(account, grams): &(Account, i64)| account.1 == "store" && self.at(*account) < *grams;
        if did.changes.iter().any(gone_on) {
            return None;
        }
        let changes = did
            .changes
            .iter()
            .map(|(account, grams)| (*account, -grams))
            .collect();
        Some(Does {
            step: did.step,
            changes,
            undoes: Some(target),
        })
    }

    fn book(&mut self, which: usize, does: Does) {
        for (account, grams) in &does.changes {
            *self.accounts.entry(*account).or_default() += grams;
        }
        if let Some((batch, state, lot)) = does.step {
            let made = &mut self.batches[batch];
            for ((_, place), grams) in &does.changes {
                match *place {
                    "batch" => made.green += grams,
                    "roasted" => made.roasted += grams,
                    _ => {}
                }
            }
            if does.undoes.is_some() {
                made.steps.pop();
            } else {
                made.lot = lot;
                made.steps.push((state, which));
            }
        }
        self.undone.extend(does.undoes);
        self.booked.insert(which, does);
    }

    /// Books one by one what was booked, in the order of the log: each must be possible at its turn. What was left for a person must have been
    /// impossible at its own turn, or at one before it that came after it was sent: it is refused first, and written down at the next turn.
    fn serially(&mut self, order: &[(usize, i64)], typed: &[Typed]) {
        let mut impossible = BTreeSet::new();
        for (which, position) in order {
            for (n, one) in typed.iter().enumerate() {
                if one.since.get() <= *position && self.would(n, &one.act).is_none() {
                    impossible.insert(n);
                }
            }
            let act = &typed[*which].act;
            if typed[*which].is_booked() {
                let does = self.would(*which, act);
                self.book(
                    *which,
                    does.unwrap_or_else(|| panic!("{which} was booked and could not be: {act:?}")),
                );
            } else {
                assert!(
                    impossible.contains(which),
                    "{which} could be booked and was not: {act:?}"
                );
            }
        }
    }
}

/// 1,000 days, or twice as many as every property is tried with.
#[test]
fn two_tablets_without_a_network() {
    let usual = ProptestConfig::default();
    let cases = (2 * usual.cases).max(1_000);
    let mut runner = TestRunner::new(ProptestConfig {
        cases,
        failure_persistence: None,
        ..usual
    });
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    let played: RefCell<Option<Played>> = RefCell::default();
    let tried = runner.run(&day(), |day| {
        let mut played = played.borrow_mut();
        play(&runtime, &mut played, day);
        Ok(())
    });
    if let Err(error) = tried {
        panic!("{error}");
    }
    if let Some(last) = played.into_inner() {
        runtime.block_on(last.roastery.verify());
    }
}

fn play(runtime: &Runtime, played: &mut Option<Played>, day: Day) {
    runtime.block_on(async {
        if played
            .as_ref()
            .is_none_or(|played| played.histories >= HISTORIES_OF_A_BOOK)
        {
            if let Some(full) = played.take() {
                full.roastery.verify().await;
            }
            *played = Some(Played::new().await);
        }
        played.as_mut().unwrap().history(day).await;
    });
}
