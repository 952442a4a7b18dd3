//! Random histories of packing and shipping against what must hold of book and orders after each step.

use std::collections::BTreeMap;

use outturn::app::Done;
use outturn::command::Command;
use outturn::demand::{Packing, Progress, Shipment};
use outturn::floor::{Hold, Pass, Reversal, Start, WeighIn, WeighOut};
use outturn::green::Receipt;
use outturn::mass::Mass;
use outturn::refusal::Refusal;
use outturn::setup::{self, Order, Product, ShipDay, Site};
use proptest::prelude::*;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::support::Roastery;

const ORDERS: usize = 2;
const OVERFILL_G: i64 = 3;
const BAG_G: [i64; 2] = [250, 1_000];

/// Something that people do.
#[derive(Debug, Clone)]
enum Act {
    /// A batch goes in with 5 kg and comes out with this many grams.
    Roast(i64),
    /// Bags are filled: for an order or the shelf, knowing that the book may not have it or not.
    Pack {
        product: usize,
        bags: u32,
        order: Option<usize>,
        sure: bool,
    },
    Ship(usize),
    /// Undoes one of the postings so far.
    Undo(prop::sample::Index),
    Hold(prop::sample::Index),
    Pass(prop::sample::Index),
}

fn act() -> impl Strategy<Value = Act> {
    let packing = (
        0..BAG_G.len(),
        1..9u32,
        prop::option::of(0..ORDERS),
        prop::bool::weighted(0.3),
    );
    prop_oneof![
        3 => (4_200..4_500i64).prop_map(Act::Roast),
        6 => packing.prop_map(|(product, bags, order, sure)| Act::Pack { product, bags, order, sure }),
        3 => (0..ORDERS).prop_map(Act::Ship),
        3 => any::<prop::sample::Index>().prop_map(Act::Undo),
        1 => any::<prop::sample::Index>().prop_map(Act::Hold),
        1 => any::<prop::sample::Index>().prop_map(Act::Pass),
    ]
}

/// What a posting that stands did.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Stands {
    Roasted(Mass),
    Packed {
        order: Option<usize>,
        product: usize,
        bags: u32,
        beyond: Mass,
    },
    Shipped {
        order: usize,
        bags: [u32; 2],
    },
}

struct Play {
    roastery: Roastery,
    products: Vec<Uuid>,
    orders: Vec<Uuid>,
    batches: Vec<Uuid>,
    postings: Vec<(Uuid, Stands)>,
}

impl Play {
    async fn new() -> Self {
        let roastery = Roastery::new().await;
        roastery.book::<Receipt>(json!({"delivery": roastery.delivery, "lines": [{"lot": roastery.lots[0], "storeroom": roastery.rooms[0],
            "weight": {"basis": "nominal", "sacks": 10, "sack_g": 60_000, "loose_g": 0}}]})).await;
        let app = &roastery.app;
        let mut tx = app.read().await.unwrap();
        let site = setup::need::<Site>(&mut *tx, app.site, app.site)
            .await
            .unwrap();
        let coffee = setup::all::<setup::Coffee>(&mut *tx, app.site)
            .await
            .unwrap()[0]
            .id;
        drop(tx);
        let fields = Site {
            overfill_g: Mass::from_grams(OVERFILL_G).unwrap(),
            ..site.fields
        };
        let expected = setup::Expected::Revision(site.revision);
        app.put(roastery.actor(), site.id, expected, fields)
            .await
            .unwrap();
        roastery
            .put::<ShipDay>(
                json!({"day": "2026-12-02", "packing_day": "2026-12-01", "carrier_at": "15:00"}),
            )
            .await;
        let mut products = Vec::new();
        for bag in BAG_G {
            let fields = json!({"name": format!("Alder {bag}"), "parts": [{"coffee": coffee, "share": 1}], "style": roastery.style, "bag_g": bag});
            products.push(roastery.put::<Product>(fields).await);
        }
        let mut orders = Vec::new();
        for n in 0..ORDERS {
            let lines = json!([{"line": 1, "product": products[0], "bags": 12}, {"line": 2, "product": products[1], "bags": 6}]);
            let fields = json!({"number": format!("T{n}"), "customer": "Blue Door", "ship_day": "2026-12-02", "transit_days": 1, "priority": 1, "lines": lines});
            orders.push(roastery.put::<Order>(fields).await);
        }
        Self {
            roastery,
            products,
            orders,
            batches: Vec::new(),
            postings: Vec::new(),
        }
    }

    /// Sends a command; answers nothing where it is refused.
    async fn send<C: Command + DeserializeOwned>(&self, body: Value) -> Option<Value> {
        match self
            .roastery
            .send::<C>(self.roastery.app.clock.new_id(), &body)
            .await
        {
            Ok(Done::Booked(answer)) => Some(answer),
            Ok(other) => panic!("{other:?}"),
            Err(Refusal::Store(error)) => panic!("{error}"),
            Err(_) => None,
        }
    }

    async fn play(&mut self, act: Act) {
        match act {
            Act::Roast(grams) => self.roast(grams).await,
            Act::Pack {
                product,
                bags,
                order,
                sure,
            } => self.pack(product, bags, order, sure).await,
            Act::Ship(order) => {
                let before = self.waiting(order);
                if let Some(answer) = self
                    .send::<Shipment>(json!({"order": self.orders[order]}))
                    .await
                {
                    let stands = Stands::Shipped {
                        order,
                        bags: before,
                    };
                    self.postings.push((posting(&answer), stands));
                }
            }
            Act::Undo(which) if !self.postings.is_empty() => {
                let n = which.index(self.postings.len());
                let body = json!({"posting": self.postings[n].0});
                if self.send::<Reversal>(body).await.is_some() {
                    self.postings.remove(n);
                }
            }
            Act::Hold(which) if !self.batches.is_empty() => {
                let batch = which.get(&self.batches);
                self.send::<Hold>(json!({"batch": batch, "reason": "to be cupped"}))
                    .await;
            }
            Act::Pass(which) if !self.batches.is_empty() => {
                let batch = which.get(&self.batches);
                self.send::<Pass>(json!({"batch": batch, "reason": "cupped"}))
                    .await;
            }
            Act::Undo(_) | Act::Hold(_) | Act::Pass(_) => {}
        }
    }

    async fn roast(&mut self, grams: i64) {
        let batch = self.roastery.app.clock.new_id();
        let weight =
            |grams: i64| json!({"basis": "nominal", "sacks": 1, "sack_g": grams, "loose_g": 0});
        let (lot, style, roaster) = (
            self.roastery.lots[0],
            self.roastery.style,
            self.roastery.roaster,
        );
        self.send::<WeighIn>(json!({"batch": batch, "lot": lot, "style": style, "roaster": roaster, "weight": weight(5_000)})).await.unwrap();
        self.send::<Start>(json!({"batch": batch, "confirmed": ["drum_busy"]}))
            .await
            .unwrap();
        let answer = self
            .send::<WeighOut>(json!({"batches": [batch], "weight": weight(grams)}))
            .await
            .unwrap();
        self.batches.push(batch);
        let mass = Mass::from_grams(grams).unwrap();
        self.postings
            .push((posting(&answer), Stands::Roasted(mass)));
    }

    async fn pack(&mut self, product: usize, bags: u32, order: Option<usize>, sure: bool) {
        let mut body = json!({"product": self.products[product], "bags": bags});
        if let Some(order) = order {
            body["order"] = json!(self.orders[order]);
        }
        if sure {
            body["confirmed"] = json!(["beyond_book"]);
        }
        let Some(answer) = self.send::<Packing>(body).await else {
            return;
        };
        let from: Vec<Mass> = answer["from"]
            .as_array()
            .unwrap()
            .iter()
            .map(|from| serde_json::from_value(from["mass_g"].clone()).unwrap())
            .collect();
        assert_eq!(
            Mass::sum(from).unwrap(),
            mass(product, bags),
            "what was taken is what the bags hold"
        );
        let beyond = answer["posting"]["movements"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|movement| movement["from"]["place"] == "variance")
            .map(|movement| serde_json::from_value::<Mass>(movement["mass_g"].clone()).unwrap());
        let beyond = Mass::sum(beyond).unwrap();
        assert!(
            sure || beyond == Mass::ZERO,
            "beyond the book only when confirmed"
        );
        let stands = Stands::Packed {
            order,
            product,
            bags,
            beyond,
        };
        self.postings.push((posting(&answer), stands));
    }

    /// Bags of an order that are packed and have not left, by product.
    fn waiting(&self, of: usize) -> [u32; 2] {
        let (mut packed, mut gone) = ([0; 2], [0; 2]);
        for (_, stands) in &self.postings {
            match stands {
                Stands::Packed {
                    order,
                    product,
                    bags,
                    ..
                } if *order == Some(of) => packed[*product] += bags,
                Stands::Shipped { order, bags } if *order == of => {
                    gone[0] += bags[0];
                    gone[1] += bags[1];
                }
                _ => {}
            }
        }
        [packed[0] - gone[0], packed[1] - gone[1]]
    }

    async fn check(&self) {
        let (mut roasted, mut bagged, mut beyond) = (Mass::ZERO, Mass::ZERO, Mass::ZERO);
        for (_, stands) in &self.postings {
            match stands {
                Stands::Roasted(mass) => roasted = roasted.plus(*mass).unwrap(),
                Stands::Packed {
                    product,
                    bags,
                    beyond: more,
                    ..
                } => {
                    bagged = bagged.plus(mass(*product, *bags)).unwrap();
                    beyond = beyond.plus(*more).unwrap();
                }
                Stands::Shipped { .. } => {}
            }
        }
        assert!(
            bagged <= roasted.plus(beyond).unwrap(),
            "bags hold more than was roasted"
        );
        let places: BTreeMap<String, f64> = self
            .roastery
            .standing(self.roastery.lots[0])
            .await
            .into_iter()
            .fold(BTreeMap::new(), |mut sums, (word, grams)| {
                *sums.entry(word).or_default() += grams;
                sums
            });
        let at = |place: &str| places.get(place).copied().unwrap_or_default();
        let close = |a: f64, b: Mass| (a - b.grams()).abs() < 1e-6;
        assert!(close(at("packed") + at("shipped"), bagged), "{places:?}");
        assert!(close(-at("variance"), beyond), "{places:?}");
        let left = roasted.plus(beyond).unwrap().minus(bagged).unwrap();
        assert!(close(at("roasted"), left), "{places:?}");
        self.check_orders().await;
    }

    async fn check_orders(&self) {
        let app = &self.roastery.app;
        let mut tx = app.read().await.unwrap();
        for (n, id) in self.orders.iter().enumerate() {
            let order = setup::need::<Order>(&mut *tx, app.site, *id).await.unwrap();
            let orders = [order];
            let progress = Progress::of(&mut *tx, app.site, &orders).await.unwrap();
            let lines = progress.lines(&orders[0]);
            let waiting = self.waiting(n);
            for (line, waiting) in lines.iter().zip(waiting) {
                assert_eq!(line.packed_bags - line.shipped_bags, waiting, "{lines:?}");
            }
        }
    }
}

fn posting(answer: &Value) -> Uuid {
    serde_json::from_value(answer["posting"]["id"].clone()).unwrap()
}

fn mass(product: usize, bags: u32) -> Mass {
    Mass::from_grams((BAG_G[product] + OVERFILL_G) * i64::from(bags)).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: ProptestConfig::default().cases.min(32).max(ProptestConfig::default().cases / 8), ..ProptestConfig::default() })]

    #[test]
    fn bags_hold_what_was_roasted(acts in prop::collection::vec(act(), 1..30)) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let mut play = Play::new().await;
            for act in acts {
                play.play(act).await;
                play.check().await;
            }
            play.roastery.verify().await;
        });
    }
}
