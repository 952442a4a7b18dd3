//! Random histories of green against a model that only knows arithmetic: what people do in whatever order, the book says what the model
//! says, every lot sums to nothing, statements add up, and what was known stays known.

use std::collections::BTreeMap;

use proptest::prelude::*;
use serde_json::{Value, json};

use crate::copies::{carries, copied};
use crate::green::once_more;
use crate::statement::{assert_adds_up, mg};
use crate::support::{Database, Roastery, Server, merged, roastery, run};

const ROOMS: usize = 2;
const LOTS: usize = 3;
/// The lot that is made up from the others.
const BLEND: usize = 2;

/// An account of the model: lot, the place's word, and the room of a store.
type Account = (usize, &'static str, usize);

/// Something that people do.
#[derive(Debug, Clone)]
enum Act {
    Receive {
        lot: usize,
        room: usize,
        mg: i64,
    },
    Leave {
        name: &'static str,
        lot: usize,
        room: usize,
        mg: i64,
        sure: bool,
    },
    Move {
        lot: usize,
        from: usize,
        mg: i64,
        sure: bool,
    },
    Count {
        lot: usize,
        room: usize,
        mg: i64,
    },
    UseUp {
        lot: usize,
        room: usize,
    },
    Blend {
        room: usize,
        mg: [i64; 2],
        sure: bool,
    },
    Undo(usize),
    Again(usize),
    Otherwise(usize),
    Close,
}

fn act() -> impl Strategy<Value = Act> {
    let (lot, room) = (0..BLEND, 0..ROOMS);
    // Down to the milligram, and now and then more than there is.
    let mg = 1..30_000_000i64;
    let leave = prop::sample::select(vec!["returns", "dryings", "samples", "wastes"]);
    prop_oneof![
        3 => (lot.clone(), room.clone(), 1..90_000_000i64).prop_map(|(lot, room, mg)| Act::Receive { lot, room, mg }),
        6 => (leave, 0..LOTS, room.clone(), mg.clone(), any::<bool>()).prop_map(|(name, lot, room, mg, sure)| Act::Leave { name, lot, room, mg, sure }),
        3 => (0..LOTS, room.clone(), mg.clone(), any::<bool>()).prop_map(|(lot, from, mg, sure)| Act::Move { lot, from, mg, sure }),
        3 => (0..LOTS, room.clone(), 0..60_000_000i64).prop_map(|(lot, room, mg)| Act::Count { lot, room, mg }),
        1 => (0..LOTS, room.clone()).prop_map(|(lot, room)| Act::UseUp { lot, room }),
        2 => (room, [mg.clone(), mg], any::<bool>()).prop_map(|(room, mg, sure)| Act::Blend { room, mg, sure }),
        4 => any::<usize>().prop_map(Act::Undo),
        1 => any::<usize>().prop_map(Act::Again),
        1 => any::<usize>().prop_map(Act::Otherwise),
        1 => Just(Act::Close),
    ]
}

/// Grams of whole milligrams, as JSON.
fn grams(mg: i64) -> Value {
    if mg % 1_000 == 0 {
        json!(mg / 1_000)
    } else {
        let text = format!("{}.{:03}", mg / 1_000, mg % 1_000);
        serde_json::from_str(&text).unwrap()
    }
}

fn reckoned(mg: i64) -> Value {
    json!({"basis": "reckoned", "mass_g": grams(mg)})
}

/// A command that was booked.
struct Sent {
    name: &'static str,
    id: String,
    body: Value,
    answer: Value,
    posting: Option<Value>,
    changes: Vec<(Account, i64)>,
    undone: bool,
}

struct Play<'a> {
    server: &'a Server,
    lots: [String; LOTS],
    rooms: [String; ROOMS],
    deliveries: [String; LOTS],
    model: BTreeMap<Account, i64>,
    sent: Vec<Sent>,
    /// A statement, with the address that must answer it for ever.
    kept: Vec<(String, Value)>,
}

impl<'a> Play<'a> {
    async fn new(server: &'a Server) -> Self {
        let r: Roastery = roastery(server).await;
        let loft = server.put_new("storerooms", json!({"name": "Loft"})).await;
        let packing = server.get(&format!("/api/lots/{}", r.washed)).await["packing"].take();
        let blend = json!({"name": "House blend", "coffee": r.huila, "delivery": r.huila_delivery, "grade": "blend", "storeroom": loft, "expected_g": 0,
            "packing": packing, "moisture": [], "claims": [], "use_rank": 1});
        let blend = server.put_new("lots", blend).await;
        let model = BTreeMap::from([
            ((0, "store", 0), 120_000_000),
            ((0, "supplier", 0), -120_000_000),
            ((1, "store", 0), 300_000_000),
            ((1, "supplier", 0), -300_000_000),
        ]);
        Self {
            server,
            lots: [r.peaberry, r.washed, blend],
            rooms: [r.storeroom, loft],
            deliveries: [r.kivu_delivery, r.huila_delivery.clone(), r.huila_delivery],
            model,
            sent: Vec::new(),
            kept: Vec::new(),
        }
    }

    fn store(&self, lot: usize, room: usize) -> i64 {
        self.model
            .get(&(lot, "store", room))
            .copied()
            .unwrap_or_default()
    }

    fn at(&self, lot: usize, room: usize, mg: i64) -> Value {
        json!({"lot": self.lots[lot], "storeroom": self.rooms[room], "weight": reckoned(mg)})
    }

    async fn play(&mut self, act: Act) {
        self.server.advance_minutes(7 * 60);
        match act {
            Act::Receive { lot, room, mg } => {
                let body =
                    json!({"delivery": self.deliveries[lot], "lines": [self.at(lot, room, mg)]});
                self.book(
                    "receipts",
                    body,
                    vec![((lot, "supplier", 0), -mg), ((lot, "store", room), mg)],
                )
                .await;
            }
            Act::Leave {
                name,
                lot,
                room,
                mg,
                sure,
            } => {
                let to = match name {
                    "returns" => "supplier",
                    "dryings" => "air",
                    "samples" => "sample",
                    _ => "waste",
                };
                let changes = vec![((lot, "store", room), -mg), ((lot, to, 0), mg)];
                self.leave(name, self.at(lot, room, mg), changes, sure)
                    .await;
            }
            Act::Move {
                lot,
                from,
                mg,
                sure,
            } => {
                let body = json!({"lot": self.lots[lot], "from": self.rooms[from], "to": self.rooms[1 - from], "weight": reckoned(mg)});
                let changes = vec![((lot, "store", from), -mg), ((lot, "store", 1 - from), mg)];
                self.leave("transfers", body, changes, sure).await;
            }
            Act::Count { lot, room, mg } => {
                let difference = mg - self.store(lot, room);
                self.count(
                    "counts",
                    once_more(self.at(lot, room, mg)),
                    (lot, room),
                    difference,
                )
                .await;
            }
            Act::UseUp { lot, room } => {
                let body = json!({"lot": self.lots[lot], "storeroom": self.rooms[room]});
                self.count(
                    "used-ups",
                    once_more(body),
                    (lot, room),
                    -self.store(lot, room),
                )
                .await;
            }
            Act::Blend {
                room,
                mg: [a, b],
                sure,
            } => {
                let body = json!({"lot": self.lots[BLEND], "storeroom": self.rooms[room], "parts": [self.at(0, room, a), self.at(1, room, b)]});
                let changes = vec![
                    ((0, "store", room), -a),
                    ((0, "blended", 0), a),
                    ((1, "store", room), -b),
                    ((1, "blended", 0), b),
                    ((BLEND, "blended", 0), -a - b),
                    ((BLEND, "store", room), a + b),
                ];
                self.leave("blends", body, changes, sure).await;
            }
            Act::Undo(which) => self.undo(which).await,
            Act::Again(which) => self.again(which, false).await,
            Act::Otherwise(which) => self.again(which, true).await,
            Act::Close => self.close().await,
        }
    }

    /// Books what must be booked.
    async fn book(&mut self, name: &'static str, body: Value, changes: Vec<(Account, i64)>) {
        let id = self.server.id();
        let body = merged(json!({"v": 1, "happened_at": self.server.now()}), body);
        let answer = self
            .server
            .put(&format!("/api/{name}/{id}"), &body)
            .await
            .expect(201);
        for (account, mg) in &changes {
            *self.model.entry(*account).or_default() += mg;
        }
        let posting = Some(answer["posting"]["id"].clone()).filter(Value::is_string);
        self.sent.push(Sent {
            name,
            id,
            body,
            answer,
            posting,
            changes,
            undone: false,
        });
    }

    /// Books what takes green out of storerooms; more than is there is asked about.
    async fn leave(
        &mut self,
        name: &'static str,
        mut body: Value,
        mut changes: Vec<(Account, i64)>,
        sure: bool,
    ) {
        let mut beyond = 0;
        for ((lot, place, room), mg) in changes.clone() {
            let short = -mg - self.store(lot, room);
            if place == "store" && mg < 0 && short > 0 {
                beyond += short;
                changes.extend([
                    ((lot, "variance", 0), -short),
                    ((lot, "store", room), short),
                ]);
            }
        }
        if beyond > 0 && !sure {
            let size = self.server.log_size().await;
            let asked = self
                .server
                .order(name, &self.server.id(), body)
                .await
                .problem(409, "confirm");
            assert_eq!(mg(&asked["beyond_book_g"]), beyond);
            assert_eq!(self.server.log_size().await, size);
            return;
        }
        if beyond > 0 {
            body["confirmed"] = json!(["beyond_book"]);
        }
        self.book(name, body, changes).await;
    }

    async fn count(
        &mut self,
        name: &'static str,
        body: Value,
        (lot, room): (usize, usize),
        difference: i64,
    ) {
        let changes = vec![((lot, "store", room), difference)];
        self.book(name, body, changes).await;
        let sent = self.sent.last_mut().unwrap();
        assert_eq!(mg(&sent.answer["difference_g"]), difference);
        let movements = sent.answer["posting"]["movements"].as_array();
        let moved: i64 = movements
            .iter()
            .flat_map(|of| *of)
            .map(|of| mg(&of["mass_g"]))
            .sum();
        let unexplained = -difference.signum() * moved;
        // What is missing may have dried, and nothing else.
        let dried = -difference - unexplained;
        assert!(
            dried == 0 || name == "counts" && (0..=-difference).contains(&dried),
            "{dried} of {difference}"
        );
        let rest = [
            ((lot, "variance", 0), unexplained),
            ((lot, "air", 0), dried),
        ];
        sent.changes.extend(rest);
        for (account, mg) in rest {
            *self.model.entry(account).or_default() += mg;
        }
    }

    /// Whether a storeroom's lot was counted after something was booked: then what was there stands, and whatever is learned of before changes the difference.
    fn counted_after(&self, i: usize, account: Account) -> bool {
        let after = self.sent[i + 1..].iter();
        after
            .filter(|sent| sent.name == "counts")
            .any(|count| count.changes[0].0 == account)
    }

    async fn undo(&mut self, which: usize) {
        let postings: Vec<usize> = (0..self.sent.len())
            .filter(|i| self.sent[*i].posting.is_some())
            .collect();
        let Some(&i) = postings.get(which % postings.len().max(1)) else {
            return;
        };
        let sent = &self.sent[i];
        let body = json!({"posting": sent.posting});
        let mut after = self.model.clone();
        for (account, mg) in &sent.changes {
            *after.entry(*account).or_default() -= mg;
        }
        let gone_on = sent
            .changes
            .iter()
            .any(|(account, _)| account.1 == "store" && after[account] < 0);
        if sent.undone || ["reversals", "counts"].contains(&sent.name) || gone_on {
            let size = self.server.log_size().await;
            self.server
                .order("reversals", &self.server.id(), body)
                .await
                .problem(409, "conflict");
            assert_eq!(self.server.log_size().await, size);
            return;
        }
        let mut changes = Vec::new();
        for (account, mg) in &sent.changes {
            changes.push((*account, -mg));
            if self.counted_after(i, *account) {
                changes.extend([(*account, *mg), ((account.0, "variance", 0), -mg)]);
            }
        }
        self.sent[i].undone = true;
        self.book("reversals", body, changes).await;
    }

    /// Sends a command again, with the same content or with other.
    async fn again(&mut self, which: usize, otherwise: bool) {
        let Some(sent) = self.sent.get(which % self.sent.len().max(1)) else {
            return;
        };
        let size = self.server.log_size().await;
        let path = format!("/api/{}/{}", sent.name, sent.id);
        if otherwise {
            let other = merged(sent.body.clone(), json!({"reason": "something else"}));
            self.server
                .put(&path, &other)
                .await
                .problem(409, "id-taken");
        } else {
            let answer = self.server.put(&path, &sent.body).await.expect(200);
            assert_eq!(answer, sent.answer);
        }
        assert_eq!(self.server.log_size().await, size);
    }

    /// Closes all up to yesterday, if that is still open, and keeps the statements of the closed days.
    async fn close(&mut self) {
        let now: outturn::day::Instant = self.server.now().parse().unwrap();
        let yesterday = outturn::day::Zone::UTC.day(now).plus(-1);
        let closed = self
            .server
            .order("closings", &self.server.id(), json!({"to_day": yesterday}))
            .await;
        if closed.status != 201 {
            assert_eq!(closed.pointers(), ["/to_day"]);
            return;
        }
        let known = closed.json()["closing"]["known"].clone();
        for lot in &self.lots {
            let path = format!("/api/lots/{lot}/statement?to={yesterday}&known={known}");
            self.kept.push((path.clone(), self.server.get(&path).await));
        }
    }

    /// The book says what the model says.
    async fn check(&self) {
        for (i, lot) in self.lots.iter().enumerate() {
            let statement = self.server.get(&format!("/api/lots/{lot}/statement")).await;
            assert_adds_up(&statement);
            let mut found: BTreeMap<String, i64> = BTreeMap::new();
            for total in statement["totals"].as_array().unwrap() {
                *found
                    .entry(total["place"].as_str().unwrap().to_owned())
                    .or_default() += mg(&total["mass_g"]);
            }
            let mut wanted: BTreeMap<String, i64> = BTreeMap::new();
            for ((_, place, _), mg) in self.model.iter().filter(|((lot, ..), _)| *lot == i) {
                *wanted.entry((*place).to_owned()).or_default() += mg;
            }
            wanted.retain(|_, mg| *mg != 0);
            found.retain(|_, mg| *mg != 0);
            assert_eq!(found, wanted);
            let half = self
                .server
                .get(&format!(
                    "/api/lots/{lot}/statement?from=2026-11-28&to=2026-12-01"
                ))
                .await;
            assert_adds_up(&half);
        }
        for (path, statement) in &self.kept {
            assert_eq!(
                &self.server.get(path).await,
                statement,
                "what was known stays known"
            );
        }
    }
}

async fn history(server: &Server, acts: Vec<Act>) {
    let mut play = Play::new(server).await;
    for act in acts {
        play.play(act).await;
    }
    play.check().await;
    for i in 0..play.sent.len() {
        play.again(i, false).await;
    }
    let copy = copied(&*server.app.store).await;
    carries(&copy, server.database()).await;
}

fn on(database: Database, acts: Vec<Act>) {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(run(database, async |server: &Server| {
        history(server, acts).await
    }));
}

fn fewer(part: u32) -> ProptestConfig {
    let usual = ProptestConfig::default();
    ProptestConfig {
        cases: (usual.cases / part).max(1),
        failure_persistence: None,
        ..usual
    }
}

proptest! {
    #![proptest_config(fewer(8))]

    #[test]
    fn whatever_happens_to_green_on_sqlite(acts in prop::collection::vec(act(), 1..40)) {
        on(Database::Sqlite, acts);
    }
}

proptest! {
    #![proptest_config(fewer(16))]

    #[test]
    fn whatever_happens_to_green_on_postgres(acts in prop::collection::vec(act(), 1..40)) {
        on(Database::Postgres, acts);
    }
}
