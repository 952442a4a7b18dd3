//! What was answered is on disk: the program itself is killed in the middle of a stream of work, started again, and asked. Four people weigh,
//! undo, draw and count, each a lot of their own; a fifth releases plans. Afterwards the book holds what was answered, each once, and nothing else.

use std::collections::BTreeSet;
use std::path::Path;
use std::time::Duration;

use serde_json::{Value, json};
use tokio::sync::mpsc::{UnboundedSender, unbounded_channel};

use crate::program::{Program, run, token};
use crate::support::{BEGINS, Client, Database, Home, Roastery, merged, roastery};

/// People who weigh at the same time.
const HANDS: u64 = 4;
/// After so many kills the next book begins, so that each stays small.
const KILLS_OF_A_BOOK: u64 = 50;
/// What each lot begins with.
const RECEIVED_G: i64 = 1_000_000;

/// Numbers from a seed (SplitMix64: Steele, Lea, Flood 2014, figure 16).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % limit
    }

    fn grams(&mut self, from: i64, to: i64) -> i64 {
        from + i64::try_from(self.below(u64::try_from(to - from).unwrap())).unwrap()
    }
}

/// A command that was sent, and its answer if one came.
struct Sent {
    path: String,
    body: Value,
    /// What it adds to the storeroom.
    grams: i64,
    answer: Option<Value>,
}

/// Somebody who works, and all that they ever sent.
struct Worker {
    client: Client,
    numbers: Numbers,
    /// The lot that they alone touch; of none: they plan.
    lot: Option<String>,
    made: Roastery,
    days: Vec<Value>,
    sent: Vec<Sent>,
    answered: Option<UnboundedSender<()>>,
}

/// The service is gone.
struct Gone;

fn reckoned(grams: i64) -> Value {
    json!({"basis": "reckoned", "mass_g": grams})
}

impl Worker {
    /// Sends one command, and writes down what was answered.
    async fn send(&mut self, name: &str, fields: Value, grams: i64) -> Result<Value, Gone> {
        let path = format!("/api/{name}/{}", self.client.id());
        let body = merged(json!({"v": 1, "happened_at": BEGINS}), fields);
        self.sent.push(Sent {
            path: path.clone(),
            body: body.clone(),
            grams,
            answer: None,
        });
        let answer = loop {
            let answer = self.client.try_put(&path, &body).await.ok_or(Gone)?;
            // On a busy machine a turn may not come in time: nothing was saved, and it is sent again.
            if answer.status != 503 {
                break answer.expect(201);
            }
        };
        self.sent.last_mut().unwrap().answer = Some(answer.clone());
        // Nobody counts any more once the killing is decided.
        self.answered.as_ref().map(|answered| answered.send(()));
        Ok(answer)
    }

    fn store_g(&self) -> i64 {
        self.sent.iter().map(|one| one.grams).sum()
    }

    /// Works until the service is gone.
    async fn work(&mut self) -> Result<(), Gone> {
        loop {
            match self.lot.clone() {
                Some(lot) => self.weigh(&lot).await?,
                None => self.plan().await?,
            }
        }
    }

    async fn weigh(&mut self, lot: &str) -> Result<(), Gone> {
        let room = self.made.storeroom.clone();
        let at = |grams| json!({"lot": lot, "storeroom": room, "weight": reckoned(grams)});
        match self.numbers.below(7) {
            0 => {
                let grams = self.numbers.grams(600, 3_000);
                let body = json!({"delivery": self.made.kivu_delivery, "lines": [at(grams)]});
                self.send("receipts", body, grams).await?;
            }
            1 => {
                let grams = self.numbers.grams(50, 300);
                self.send(
                    "samples",
                    merged(at(grams), json!({"purpose": "roast"})),
                    -grams,
                )
                .await?;
            }
            2 => {
                let off = self.numbers.grams(-40, 40);
                let counted = self.store_g() + off;
                let answer = self.send("counts", at(counted), off).await?;
                assert_eq!(
                    answer["difference_g"], off,
                    "the book had what this person alone had made of it"
                );
            }
            _ => self.roast(lot, &room).await?,
        }
        Ok(())
    }

    /// A batch is weighed in, and out or back.
    async fn roast(&mut self, lot: &str, room: &str) -> Result<(), Gone> {
        let (batch, grams) = (self.client.id(), self.numbers.grams(500, 2_500));
        let confirmed = json!(["drum_busy", "over_roaster"]);
        let body = json!({"batch": batch, "lot": lot, "style": self.made.light, "roaster": self.made.little, "storeroom": room,
            "weight": reckoned(grams), "confirmed": confirmed});
        let answer = self.send("weigh-ins", body, -grams).await?;
        if self.numbers.below(3) == 0 {
            let body = json!({"posting": answer["posting"]["id"]});
            self.send("reversals", body, grams).await?;
        } else {
            let out = json!({"batches": [batch], "weight": reckoned(grams * 86 / 100)});
            self.send("weigh-outs", out, 0).await?;
        }
        Ok(())
    }

    /// Releases a plan of some batches; its cards take the place of those of the plan before.
    async fn plan(&mut self) -> Result<(), Gone> {
        let first = self.days[0].clone();
        let mut batches = Vec::new();
        for day in self
            .days
            .clone()
            .iter()
            .take(1 + usize::try_from(self.numbers.below(3)).unwrap())
        {
            let charge = 1_000 + 50 * self.numbers.below(30);
            batches.push(json!({"roaster": self.made.little, "day": day, "start": "09:00", "lot": self.made.screen_18,
                "style": self.made.light, "charge_g": charge, "feeds": []}));
        }
        self.send(
            "releases",
            json!({"from_day": first, "days": 7, "batches": batches, "confirmed": ["takes_cards_back", "beyond_book"]}),
            0,
        )
        .await?;
        Ok(())
    }

    /// Sends everything again from a place on: what was answered must answer the same; what was not is booked now or was then.
    async fn compare(&mut self, from: usize) {
        for one in &mut self.sent[from..] {
            let mut again = self.client.put(&one.path, &one.body).await;
            while again.status == 503 {
                again = self.client.put(&one.path, &one.body).await;
            }
            match &one.answer {
                Some(answer) => assert_eq!(&again.expect(200), answer, "{}", one.path),
                None => {
                    assert!(
                        [200, 201].contains(&again.status),
                        "{}: {}",
                        one.path,
                        again.text
                    );
                    one.answer = Some(again.json());
                }
            }
        }
    }

    /// What the book has now is what was answered.
    async fn check(&self) {
        let Some(lot) = &self.lot else {
            return self.check_cards().await;
        };
        let found = self.client.get(&format!("/api/lots/{lot}")).await;
        assert_eq!(
            found["store_g"],
            self.store_g(),
            "milligrams lost or there twice"
        );
    }

    async fn check_cards(&self) {
        let Some(last) = self.sent.last() else { return };
        let ids = |cards: &Value| -> BTreeSet<String> {
            let cards = cards.as_array().unwrap().iter();
            cards
                .filter(|card| card["state"] != "withdrawn")
                .map(|card| card["id"].as_str().unwrap().to_owned())
                .collect()
        };
        let wanted = ids(&last.answer.as_ref().unwrap()["cards"]);
        let days = (
            self.days[0].as_str().unwrap(),
            self.days[6].as_str().unwrap(),
        );
        let found = self
            .client
            .get(&format!("/api/cards?from={}&to={}", days.0, days.1))
            .await;
        assert_eq!(
            ids(&found["items"]),
            wanted,
            "the cards of the plan that was released last"
        );
    }

    /// Every posting of the lot is one that was answered, and every one that was answered is there.
    async fn check_postings(&self) {
        let Some(lot) = &self.lot else { return };
        let answers = self
            .sent
            .iter()
            .filter_map(|one| one.answer.as_ref()?["posting"]["id"].as_str());
        let wanted: BTreeSet<String> = answers.map(ToOwned::to_owned).collect();
        let (mut found, mut next) = (BTreeSet::new(), String::new());
        loop {
            let page = self
                .client
                .get(&format!("/api/postings?lot={lot}{next}"))
                .await;
            for posting in page["items"].as_array().unwrap() {
                assert!(
                    found.insert(posting["id"].as_str().unwrap().to_owned()),
                    "{posting} twice"
                );
            }
            let Some(after) = page["next"].as_str() else {
                break;
            };
            next = format!("&after={after}");
        }
        assert_eq!(found, wanted);
    }
}

/// Four who weigh and one who plans.
async fn workers(program: &Program, token: &str, seed: u64) -> Vec<Worker> {
    let owner = program.client(token, seed);
    let made = roastery(&owner).await;
    let today: outturn::day::Day = owner.get("/api/me").await["today"]
        .as_str()
        .unwrap()
        .parse()
        .unwrap();
    let days: Vec<Value> = (1..8).map(|n| json!(today.plus(n))).collect();
    let mut workers = Vec::new();
    for n in 0..=HANDS {
        let client = program.client(token, seed * 1_000 + n);
        let lot = if n == 0 {
            None
        } else {
            Some(lot(&owner, &made, n).await)
        };
        let numbers = Numbers(seed * 31 + n);
        let (made, days) = (made.clone(), days.clone());
        let mut worker = Worker {
            client,
            numbers,
            lot: lot.clone(),
            made,
            days,
            sent: Vec::new(),
            answered: None,
        };
        if let Some(lot) = lot {
            let line = json!({"lot": lot, "storeroom": worker.made.storeroom, "weight": reckoned(RECEIVED_G)});
            let body = json!({"delivery": worker.made.kivu_delivery, "lines": [line]});
            assert!(worker.send("receipts", body, RECEIVED_G).await.is_ok());
        }
        workers.push(worker);
    }
    workers
}

async fn lot(owner: &Client, made: &Roastery, n: u64) -> String {
    let fields = json!({"name": format!("Kivu {n}"), "grade": "AA", "coffee": made.kivu, "delivery": made.kivu_delivery,
        "storeroom": made.storeroom, "expected_g": RECEIVED_G, "packing": {"kind": "jute", "sacks": 20, "sack_g": 50_000, "loose_g": 0}, "moisture": [], "claims": [], "use_rank": n + 5});
    owner.put_new("lots", fields).await
}

/// Lets everybody work until so many answers have come and a little longer, and kills the program while they go on.
async fn kill_after(
    program: Program,
    workers: Vec<Worker>,
    answers: u64,
    pause: Duration,
) -> Vec<Worker> {
    let (answered, mut count) = unbounded_channel();
    let mut working = Vec::new();
    for mut worker in workers {
        worker.answered = Some(answered.clone());
        working.push(tokio::spawn(async move {
            let Err(Gone) = worker.work().await else {
                unreachable!("work ends with the service")
            };
            worker
        }));
    }
    for _ in 0..answers {
        count.recv().await.unwrap();
    }
    tokio::time::sleep(pause).await;
    program.kill();
    let mut back = Vec::new();
    for one in working {
        back.push(one.await.unwrap());
    }
    back
}

/// One book, killed so many times.
async fn survive_on(home: &Home, keys: &Path, kills: u64, seed: u64) {
    let url = home.url();
    let mut program = Program::start(&url, keys);
    let token = token(&url);
    let mut workers = workers(&program, &token, seed).await;
    let mut numbers = Numbers(seed);
    for _ in 1..=kills {
        let from: Vec<usize> = workers.iter().map(|worker| worker.sent.len()).collect();
        let pause = Duration::from_micros(numbers.below(5_000));
        workers = kill_after(program, workers, 1 + numbers.below(30), pause).await;
        program = Program::start(&url, keys);
        for (worker, from) in workers.iter_mut().zip(from) {
            worker.client.address.clone_from(&program.address);
            worker.compare(from).await;
            worker.check().await;
        }
    }
    for worker in &mut workers {
        worker.compare(0).await;
        worker.check().await;
        worker.check_postings().await;
    }
    program.kill();
    run(&["verify", "--database", &url]);
}

async fn survive(database: Database) {
    let kills: u64 = std::env::var("OUTTURN_KILLS").map_or(50, |text| text.parse().unwrap());
    // PostgreSQL keeps its own promise: what is tried there is that nothing is left half done on our side.
    let kills = if database == Database::Postgres {
        kills.div_ceil(5)
    } else {
        kills
    };
    for book in 0..kills.div_ceil(KILLS_OF_A_BOOK) {
        let (home, keys) = (Home::new(database).await, tempfile::tempdir().unwrap());
        let left = kills - book * KILLS_OF_A_BOOK;
        survive_on(&home, keys.path(), left.min(KILLS_OF_A_BOOK), 7 + book).await;
        home.remove().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn sqlite() {
    survive(Database::Sqlite).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn postgres() {
    survive(Database::Postgres).await;
}
