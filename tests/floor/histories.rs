//! Random histories of the floor against what must hold of the book after each.

use std::collections::BTreeMap;

use outturn::app::Done;
use outturn::book::place::Place;
use outturn::command::Command;
use outturn::floor::batch::{Batch, State};
use outturn::floor::{Correction, Hold, Pass, Reversal, Review, Scrap, Start, WeighIn, WeighOut};
use outturn::green::{Receipt, Sample};
use outturn::ids::BatchId;
use outturn::mass::Mass;
use outturn::refusal::Refusal;
use outturn::store::BatchFilter;
use proptest::prelude::*;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use uuid::Uuid;

use super::support::Roastery;

const BATCHES: usize = 5;
const RECEIVED_G: i64 = 60_000;

/// Something that people do, on one of a few batches.
#[derive(Debug, Clone)]
enum Act {
    WeighIn {
        batch: usize,
        lot: usize,
        grams: i64,
    },
    Start(usize),
    WeighOut {
        batches: Vec<usize>,
        share: u16,
    },
    Sample {
        batch: usize,
        grams: i64,
    },
    Scrap(usize),
    Hold(usize),
    Pass(usize),
    Review(usize),
    Correct {
        batch: usize,
        green: Option<i64>,
        roasted: Option<i64>,
        lot: Option<usize>,
    },
    Undo(usize),
}

fn act() -> impl Strategy<Value = Act> {
    let batch = 0..BATCHES;
    prop_oneof![
        4 => (batch.clone(), 0..2usize, 1_000..14_000i64).prop_map(|(batch, lot, grams)| Act::WeighIn { batch, lot, grams }),
        2 => batch.clone().prop_map(Act::Start),
        5 => (prop::collection::vec(batch.clone(), 1..3), 700..1_100u16).prop_map(|(batches, share)| Act::WeighOut { batches, share }),
        2 => (batch.clone(), 10..200i64).prop_map(|(batch, grams)| Act::Sample { batch, grams }),
        1 => batch.clone().prop_map(Act::Scrap),
        1 => batch.clone().prop_map(Act::Hold),
        1 => batch.clone().prop_map(Act::Pass),
        1 => batch.clone().prop_map(Act::Review),
        2 => (batch.clone(), prop::option::of(2_000..13_000i64), prop::option::of(1_000..12_000i64), prop::option::weighted(0.3, 0..2usize))
            .prop_map(|(batch, green, roasted, lot)| Act::Correct { batch, green, roasted, lot }),
        4 => batch.prop_map(Act::Undo),
    ]
}

/// A command that was booked, to be sent again at the end.
struct Sent {
    id: Uuid,
    body: Value,
    answer: Value,
    again: fn(&Roastery, Uuid, Value) -> Again<'_>,
}

type Again<'a> = std::pin::Pin<Box<dyn Future<Output = Result<Done, Refusal>> + 'a>>;

/// Sends a command again under its id.
fn again<C: Command + DeserializeOwned>(roastery: &Roastery, id: Uuid, body: Value) -> Again<'_> {
    Box::pin(async move { roastery.send::<C>(id, &body).await })
}

struct Play {
    roastery: Roastery,
    batches: Vec<Uuid>,
    sent: Vec<Sent>,
}

impl Play {
    async fn new() -> Self {
        let roastery = Roastery::new().await;
        let nominal = json!({"basis": "nominal", "sacks": 1, "sack_g": RECEIVED_G});
        let lines: Vec<Value> = roastery.lots[..2]
            .iter()
            .map(|lot| json!({"lot": lot, "storeroom": roastery.rooms[0], "weight": nominal}))
            .collect();
        let receipt = json!({"delivery": roastery.delivery, "lines": lines});
        roastery.book::<Receipt>(receipt).await;
        let batches = (0..BATCHES).map(|_| roastery.app.clock.new_id()).collect();
        Self {
            roastery,
            batches,
            sent: Vec::new(),
        }
    }

    async fn log_size(&self) -> i64 {
        let app = &self.roastery.app;
        let mut tx = app.read().await.unwrap();
        tx.head(app.site).await.unwrap().unwrap().size
    }

    /// Sends a command. Refused, it has changed nothing; booked, it is remembered.
    async fn send<C: Command + DeserializeOwned>(&mut self, body: Value) {
        let id = self.roastery.app.clock.new_id();
        let before = self.log_size().await;
        match self.roastery.send::<C>(id, &body).await {
            Ok(Done::Booked(answer)) => {
                self.sent.push(Sent {
                    id,
                    body,
                    answer,
                    again: again::<C>,
                });
            }
            Ok(other) => panic!("{other:?}"),
            Err(Refusal::Store(error)) => panic!("{error}"),
            Err(_) => assert_eq!(
                self.log_size().await,
                before,
                "a refused command left something behind"
            ),
        }
    }

    async fn batch(&self, n: usize) -> Option<Batch> {
        let mut tx = self.roastery.app.read().await.unwrap();
        let row = tx
            .batch(self.roastery.app.site, BatchId(self.batches[n]))
            .await
            .unwrap();
        row.map(|row| Batch::of_row(&row).unwrap())
    }

    async fn play(&mut self, act: Act) {
        let yes = json!(["beyond_book", "drum_busy", "over_roaster"]);
        let (style, roaster) = (self.roastery.style, self.roastery.roaster);
        match act {
            Act::WeighIn { batch, lot, grams } => {
                let gross = format!("{}.{:03}", grams / 1_000, grams % 1_000);
                let weight = json!({"basis": "weighed", "scale": self.roastery.scale, "source": "typed", "readings": [{"gross": gross}]});
                let lot = self.roastery.lots[lot];
                self.send::<WeighIn>(json!({"batch": self.batches[batch], "lot": lot, "style": style, "roaster": roaster, "weight": weight, "confirmed": yes})).await;
            }
            Act::Start(batch) => {
                self.send::<Start>(json!({"batch": self.batches[batch], "confirmed": yes}))
                    .await
            }
            Act::WeighOut { batches, share } => self.weigh_out(&batches, share).await,
            Act::Sample { batch, grams } => {
                let weight = json!({"basis": "reckoned", "mass_g": grams});
                self.send::<Sample>(json!({"batch": self.batches[batch], "weight": weight}))
                    .await;
            }
            Act::Scrap(batch) => {
                self.send::<Scrap>(json!({"batch": self.batches[batch]}))
                    .await
            }
            Act::Hold(batch) => {
                self.send::<Hold>(json!({"batch": self.batches[batch], "reason": "to be cupped"}))
                    .await
            }
            Act::Pass(batch) => {
                self.send::<Pass>(json!({"batch": self.batches[batch], "reason": "cupped"}))
                    .await
            }
            Act::Review(batch) => {
                self.send::<Review>(
                    json!({"batch": self.batches[batch], "finding": "was_so", "reason": "seen"}),
                )
                .await
            }
            Act::Correct {
                batch,
                green,
                roasted,
                lot,
            } => {
                let lot = lot.map(|lot| self.roastery.lots[lot]);
                let mut body =
                    json!({"batch": self.batches[batch], "reason": "misread", "confirmed": yes});
                for (field, value) in [
                    ("green_g", json!(green)),
                    ("roasted_g", json!(roasted)),
                    ("lot", json!(lot)),
                ] {
                    if !value.is_null() {
                        body[field] = value;
                    }
                }
                self.send::<Correction>(body).await;
            }
            Act::Undo(batch) => {
                let last = self
                    .batch(batch)
                    .await
                    .and_then(|batch| batch.steps.last().map(|step| step.by()));
                let posting = last.unwrap_or(self.batches[batch]);
                self.send::<Reversal>(json!({"posting": posting})).await;
            }
        }
    }

    async fn weigh_out(&mut self, batches: &[usize], share: u16) {
        let mut charged = 0;
        for batch in batches {
            charged += self
                .batch(*batch)
                .await
                .map_or(0, |batch| batch.charged().whole_grams());
        }
        let grams = charged.max(100) * i64::from(share) / 1_000;
        let ids: Vec<Uuid> = batches.iter().map(|batch| self.batches[*batch]).collect();
        self.send::<WeighOut>(
            json!({"batches": ids, "weight": {"basis": "nominal", "sacks": 1, "sack_g": grams}}),
        )
        .await;
    }

    /// What the batches say of themselves is what the book has on their accounts.
    async fn check(&self) {
        let app = &self.roastery.app;
        let mut tx = app.read().await.unwrap();
        let rows = tx
            .batches(app.site, &BatchFilter::default(), 100)
            .await
            .unwrap();
        let mut charged: BTreeMap<Uuid, Mass> = BTreeMap::new();
        for row in rows {
            let batch = Batch::of_row(&row).unwrap();
            let of = |place| (row.lot, place);
            let (lot, place) = of(Place::Batch(row.id));
            let in_drum = tx.balance(app.site, lot, place).await.unwrap();
            let roasted = tx
                .balance(app.site, lot, Place::Roasted(row.id))
                .await
                .unwrap();
            match batch.state() {
                State::WeighedIn | State::InDrum => assert_eq!(
                    in_drum,
                    batch.charged().minus(batch.sampled_before()).unwrap()
                ),
                State::WeighedOut => {
                    assert_eq!(in_drum, Mass::ZERO);
                    assert!(roasted <= batch.roasted().unwrap());
                }
                State::Scrapped | State::Undone => {
                    assert_eq!((in_drum, roasted), (Mass::ZERO, Mass::ZERO))
                }
            }
            let sum = charged.entry(row.lot.0).or_default();
            *sum = sum.plus(batch.charged()).unwrap();
        }
        for lot in &self.roastery.lots[..2] {
            let (id, room) = ((*lot).into(), self.roastery.rooms[0].into());
            let store = tx.balance(app.site, id, Place::Store(room)).await.unwrap();
            let variance = tx.balance(app.site, id, Place::Variance).await.unwrap();
            let used = charged.get(lot).copied().unwrap_or_default();
            assert_eq!(
                Mass::sum([store, variance, used]).unwrap(),
                Mass::from_grams(RECEIVED_G).unwrap(),
                "received is in store, charged or counted off"
            );
        }
    }

    /// Sent again, every command answers what it answered; with other content it is refused; neither changes anything.
    async fn repeat(&self) {
        let before = self.log_size().await;
        for sent in &self.sent {
            let again = (sent.again)(&self.roastery, sent.id, sent.body.clone()).await;
            assert_eq!(again.unwrap(), Done::Repeated(sent.answer.clone()));
            let mut other = sent.body.clone();
            other["reason"] = json!("something else");
            let refused = (sent.again)(&self.roastery, sent.id, other).await;
            assert!(matches!(refused, Err(Refusal::IdTaken)));
        }
        assert_eq!(self.log_size().await, before);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: ProptestConfig::default().cases.min(64).max(ProptestConfig::default().cases / 8), ..ProptestConfig::default() })]

    #[test]
    fn whatever_happens_the_book_adds_up(acts in prop::collection::vec(act(), 1..40)) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let mut play = Play::new().await;
            for act in acts {
                play.play(act).await;
                play.check().await;
            }
            play.repeat().await;
            play.roastery.verify().await;
        });
    }
}
