//! Random histories of packing and shipping against what must hold of book and orders after each step.

use std::collections::BTreeMap;

use outturn::app::Done;
use outturn::command::Command;
use outturn::demand::{
    Allotment, BagWaste, CounterSale, Packing, Progress, RunEnd, Shipment, TakeBack, standing,
};
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
    /// All of the ship day leaves, less some bags of an order.
    ShipDay {
        stays: usize,
        bags: u32,
    },
    /// Bags are sold from the shelf.
    Sell {
        product: usize,
        bags: u32,
    },
    /// Bags on the shelf become an order's.
    Allot {
        product: usize,
        bags: u32,
        order: usize,
    },
    /// Bags come back, of an order or from the counter, to the shelf or to waste.
    TakeBack {
        product: usize,
        bags: u32,
        order: Option<usize>,
        shelf: bool,
    },
    /// Bags of some packing are torn.
    Tear {
        which: prop::sample::Index,
        bags: u32,
    },
    /// A bin is weighed: so many grams are left of what the book has, and thrown away or not.
    Finish {
        which: prop::sample::Index,
        grams: i64,
        waste: bool,
    },
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
        2 => (0..ORDERS, 0..4u32).prop_map(|(stays, bags)| Act::ShipDay { stays, bags }),
        2 => (0..BAG_G.len(), 1..5u32).prop_map(|(product, bags)| Act::Sell { product, bags }),
        3 => (0..BAG_G.len(), 1..5u32, 0..ORDERS).prop_map(|(product, bags, order)| Act::Allot { product, bags, order }),
        3 => (0..BAG_G.len(), 1..5u32, prop::option::of(0..ORDERS), any::<bool>())
            .prop_map(|(product, bags, order, shelf)| Act::TakeBack { product, bags, order, shelf }),
        1 => (any::<prop::sample::Index>(), 1..4u32).prop_map(|(which, bags)| Act::Tear { which, bags }),
        1 => (any::<prop::sample::Index>(), 0..5_000i64, any::<bool>()).prop_map(|(which, grams, waste)| Act::Finish { which, grams, waste }),
        3 => any::<prop::sample::Index>().prop_map(Act::Undo),
        1 => any::<prop::sample::Index>().prop_map(Act::Hold),
        1 => any::<prop::sample::Index>().prop_map(Act::Pass),
    ]
}

/// For whom bags are: one of the orders, or the shelf of the shop, which sells over the counter.
type For = Option<usize>;

/// What a posting that stands did: grams, and bags of a product for somebody.
#[derive(Debug, Clone, Default, PartialEq)]
struct Stands {
    /// Roasted coffee that came to the bins or left them, but for bags: milligrams.
    bins: i64,
    /// What went to the count difference, less what came from it.
    variance: i64,
    /// What went from the bins to waste.
    swept: i64,
    /// Bags that came to stand in the house for somebody, or left.
    house: Vec<(For, usize, i64)>,
    /// Bags that went out to somebody, or came back.
    out: Vec<(For, usize, i64)>,
    /// Bags thrown away.
    thrown: Vec<(usize, i64)>,
    /// Bags filled.
    filled: Vec<(usize, i64)>,
}

struct Play {
    roastery: Roastery,
    products: Vec<Uuid>,
    orders: Vec<Uuid>,
    batches: Vec<Uuid>,
    postings: Vec<(Uuid, Stands)>,
    any_hold: bool,
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
            kept_back_g: Mass::ZERO,
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
            any_hold: false,
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
                let body = json!({"order": self.orders[order]});
                let leaving = self.waiting(order);
                self.ship(body, &[(order, leaving)]).await;
            }
            Act::ShipDay { stays, bags } => self.ship_day(stays, bags).await,
            Act::Sell { product, bags } => {
                let there = self.house(None, product);
                let body = json!({"product": self.products[product], "bags": bags});
                let sold = self.send::<CounterSale>(body).await;
                assert_eq!(
                    sold.is_some(),
                    i64::from(bags) <= there,
                    "the shelf has {there}"
                );
                if let Some(answer) = sold {
                    let bags = i64::from(bags);
                    let stands = Stands {
                        house: vec![(None, product, -bags)],
                        out: vec![(None, product, bags)],
                        ..Stands::default()
                    };
                    self.postings.push((posting(&answer), stands));
                }
            }
            Act::Allot {
                product,
                bags,
                order,
            } => self.allot(product, bags, order).await,
            Act::TakeBack {
                product,
                bags,
                order,
                shelf,
            } => self.take_back(product, bags, order, shelf).await,
            Act::Tear { which, bags } => self.tear(which, bags).await,
            Act::Finish {
                which,
                grams,
                waste,
            } if !self.batches.is_empty() => {
                let batch = which.get(&self.batches);
                let body = json!({"batch": batch, "weight": {"basis": "reckoned", "mass_g": grams}, "waste": waste});
                if let Some(answer) = self.send::<RunEnd>(body).await
                    && answer["posting"].is_object()
                {
                    let difference = milligrams(&answer["difference_g"]);
                    let swept = if waste { grams * 1_000 } else { 0 };
                    let stands = Stands {
                        bins: difference - swept,
                        variance: -difference,
                        swept,
                        ..Stands::default()
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
                self.any_hold = true;
                let batch = which.get(&self.batches);
                self.send::<Hold>(json!({"batch": batch, "reason": "to be cupped"}))
                    .await;
            }
            Act::Pass(which) if !self.batches.is_empty() => {
                let batch = which.get(&self.batches);
                self.send::<Pass>(json!({"batch": batch, "reason": "cupped"}))
                    .await;
            }
            Act::Undo(_) | Act::Hold(_) | Act::Pass(_) | Act::Finish { .. } => {}
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
        let stands = Stands {
            bins: grams * 1_000,
            ..Stands::default()
        };
        self.postings.push((posting(&answer), stands));
    }

    /// Ships, and writes down what must have left.
    async fn ship(&mut self, body: Value, leaving: &[(usize, [i64; 2])]) {
        let answer = self.send::<Shipment>(body).await;
        let all: i64 = leaving.iter().flat_map(|(_, bags)| bags).sum();
        assert_eq!(answer.is_some(), all > 0, "{leaving:?}");
        let Some(answer) = answer else { return };
        let mut stands = Stands::default();
        for (order, bags) in leaving {
            for (product, bags) in bags.iter().enumerate() {
                stands.house.push((Some(*order), product, -bags));
                stands.out.push((Some(*order), product, *bags));
            }
        }
        self.postings.push((posting(&answer), stands));
    }

    async fn ship_day(&mut self, stays: usize, bags: u32) {
        let mut leaving: Vec<(usize, [i64; 2])> = (0..ORDERS)
            .map(|order| (order, self.waiting(order)))
            .collect();
        let there = leaving[stays].1[0];
        let mut body = json!({"ship_day": "2026-12-02"});
        if bags > 0 {
            body["except"] =
                json!([{"order": self.orders[stays], "product": self.products[0], "bags": bags}]);
            if there < i64::from(bags) {
                assert!(
                    self.send::<Shipment>(body).await.is_none(),
                    "more stays than there is"
                );
                return;
            }
            leaving[stays].1[0] -= i64::from(bags);
        }
        self.ship(body, &leaving).await;
    }

    async fn take_back(&mut self, product: usize, bags: u32, order: For, shelf: bool) {
        let gone = self.sum(|stands| &stands.out, order, product);
        let mut body = json!({"product": self.products[product], "bags": bags, "to": if shelf { "shelf" } else { "waste" }});
        if let Some(order) = order {
            body["order"] = json!(self.orders[order]);
        }
        let answer = self.send::<TakeBack>(body).await;
        assert_eq!(answer.is_some(), i64::from(bags) <= gone, "{gone} are out");
        if let Some(answer) = answer {
            let bags = i64::from(bags);
            let mut stands = Stands {
                out: vec![(order, product, -bags)],
                ..Stands::default()
            };
            if shelf {
                stands.house.push((None, product, bags));
            } else {
                stands.thrown.push((product, bags));
            }
            self.postings.push((posting(&answer), stands));
        }
    }

    /// Takes bags off the shelf for an order: as many as stand there and it lacks, unless some of their coffee is on hold.
    async fn allot(&mut self, product: usize, bags: u32, order: usize) {
        let lacks = self.lacks(order, product).await;
        let body =
            json!({"order": self.orders[order], "product": self.products[product], "bags": bags});
        let answer = self.send::<Allotment>(body).await;
        let may = bags <= lacks && i64::from(bags) <= self.house(None, product);
        assert!(
            may || answer.is_none(),
            "{bags} of {}, {lacks} are lacking",
            self.house(None, product)
        );
        assert!(
            self.any_hold || answer.is_some() == may,
            "nothing is on hold, and {bags} bags may go to the order"
        );
        let Some(answer) = answer else { return };
        assert_eq!(answer["posting"]["movements"], json!([]));
        let bags = i64::from(bags);
        let stands = Stands {
            house: vec![(None, product, -bags), (Some(order), product, bags)],
            ..Stands::default()
        };
        self.postings.push((posting(&answer), stands));
    }

    /// Bags that an order still lacks.
    async fn lacks(&self, order: usize, product: usize) -> u32 {
        let app = &self.roastery.app;
        let mut tx = app.read().await.unwrap();
        let id = self.orders[order];
        let orders = [setup::need::<Order>(&mut *tx, app.site, id).await.unwrap()];
        let progress = Progress::of(&mut *tx, app.site, &orders).await.unwrap();
        let line = progress.lines(&orders[0]).swap_remove(product);
        line.bags.saturating_sub(line.packed_bags)
    }

    /// Tears bags of a packing that stands: those for nobody first.
    async fn tear(&mut self, which: prop::sample::Index, bags: u32) {
        let mut tx = self.roastery.app.read().await.unwrap();
        let there = standing(&mut *tx, self.roastery.app.site).await.unwrap();
        drop(tx);
        if there.is_empty() {
            return;
        }
        let packing = which.get(&there).packing;
        let mut ours: Vec<_> = there
            .into_iter()
            .filter(|of| of.packing == packing)
            .collect();
        ours.sort_by_key(|of| of.order.is_some());
        let all: u32 = ours.iter().map(|of| of.bags).sum();
        let body = json!({"packing": packing, "bags": bags, "reason": "torn"});
        let answer = self.send::<BagWaste>(body).await;
        assert_eq!(answer.is_some(), bags <= all);
        let Some(answer) = answer else { return };
        let (mut stands, mut left) = (Stands::default(), bags);
        for of in ours {
            let gone = left.min(of.bags);
            left -= gone;
            let order = of
                .order
                .map(|order| self.orders.iter().position(|id| *id == order.0).unwrap());
            let product = self
                .products
                .iter()
                .position(|id| *id == of.product.0)
                .unwrap();
            stands.house.push((order, product, -i64::from(gone)));
            stands.thrown.push((product, i64::from(gone)));
        }
        self.postings.push((posting(&answer), stands));
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
        let (bags, whole) = (i64::from(bags), mass(product, bags).mg());
        let stands = Stands {
            bins: beyond.mg() - whole,
            variance: -beyond.mg(),
            house: vec![(order, product, bags)],
            filled: vec![(product, bags)],
            ..Stands::default()
        };
        self.postings.push((posting(&answer), stands));
    }

    /// Bags for somebody, summed over all that stands.
    fn sum(&self, of: fn(&Stands) -> &Vec<(For, usize, i64)>, whom: For, product: usize) -> i64 {
        let lines = self.postings.iter().flat_map(|(_, stands)| of(stands));
        lines
            .filter(|line| (line.0, line.1) == (whom, product))
            .map(|line| line.2)
            .sum()
    }

    fn house(&self, whom: For, product: usize) -> i64 {
        self.sum(|stands| &stands.house, whom, product)
    }

    /// Bags of an order that are packed and have not left, by product.
    fn waiting(&self, order: usize) -> [i64; 2] {
        [0, 1].map(|product| self.house(Some(order), product))
    }

    async fn check(&self) {
        let sum = |of: fn(&Stands) -> i64| -> i64 {
            self.postings.iter().map(|(_, stands)| of(stands)).sum()
        };
        let bags = |lines: Vec<(usize, i64)>| -> i64 {
            lines
                .into_iter()
                .map(|(product, bags)| mass(product, 1).mg() * bags)
                .sum()
        };
        let all = |of: fn(&Stands) -> Vec<(usize, i64)>| {
            bags(
                self.postings
                    .iter()
                    .flat_map(|(_, stands)| of(stands))
                    .collect(),
            )
        };
        let plain = |lines: &Vec<(For, usize, i64)>| {
            lines
                .iter()
                .map(|line| (line.1, line.2))
                .collect::<Vec<_>>()
        };
        let mut places: BTreeMap<String, f64> = BTreeMap::new();
        for (word, grams) in self.roastery.standing(self.roastery.lots[0]).await {
            *places.entry(word).or_default() += grams;
        }
        let house: i64 = bags(
            self.postings
                .iter()
                .flat_map(|(_, stands)| plain(&stands.house))
                .collect(),
        );
        let out: i64 = bags(
            self.postings
                .iter()
                .flat_map(|(_, stands)| plain(&stands.out))
                .collect(),
        );
        let thrown = all(|stands| stands.thrown.clone());
        assert_eq!(
            house + out + thrown,
            all(|stands| stands.filled.clone()),
            "every bag is somewhere"
        );
        let expected = [
            ("roasted", sum(|stands| stands.bins)),
            ("packed", house),
            ("shipped", out),
            ("waste", thrown + sum(|stands| stands.swept)),
            ("variance", sum(|stands| stands.variance)),
        ];
        for (place, mg) in expected {
            let found = places.get(place).copied().unwrap_or_default();
            let exact = Mass::from_mg(mg).unwrap().grams();
            assert!(
                (found - exact).abs() < 1e-6,
                "{place}: {found}, not {exact}: {places:?}"
            );
            assert!(place == "variance" || mg >= 0, "{place} fell below nothing");
        }
        self.check_orders().await;
        self.check_bags().await;
    }

    /// The bags that the book says stand in the house are those that do, for each order and the shelf.
    async fn check_bags(&self) {
        let app = &self.roastery.app;
        let mut tx = app.read().await.unwrap();
        let found = standing(&mut *tx, app.site).await.unwrap();
        for whom in [None, Some(0), Some(1)] {
            for product in 0..BAG_G.len() {
                let order = whom.map(|order: usize| self.orders[order]);
                let ours = found.iter().filter(|of| {
                    of.order.map(|order| order.0) == order && of.product.0 == self.products[product]
                });
                let bags: i64 = ours.map(|of| i64::from(of.bags)).sum();
                assert_eq!(
                    bags,
                    self.house(whom, product),
                    "{whom:?} {product}: {found:?}"
                );
            }
        }
    }

    async fn check_orders(&self) {
        let app = &self.roastery.app;
        let mut tx = app.read().await.unwrap();
        for (n, id) in self.orders.iter().enumerate() {
            let order = setup::need::<Order>(&mut *tx, app.site, *id).await.unwrap();
            let orders = [order];
            let progress = Progress::of(&mut *tx, app.site, &orders).await.unwrap();
            let lines = progress.lines(&orders[0]);
            for (product, line) in lines.iter().enumerate() {
                let waiting = i64::from(line.packed_bags) - i64::from(line.shipped_bags);
                assert_eq!(waiting, self.house(Some(n), product), "{lines:?}");
            }
        }
    }
}

fn posting(answer: &Value) -> Uuid {
    serde_json::from_value(answer["posting"]["id"].clone()).unwrap()
}

fn milligrams(grams: &Value) -> i64 {
    serde_json::from_value::<Mass>(grams.clone()).unwrap().mg()
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
