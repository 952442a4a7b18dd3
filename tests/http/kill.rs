//! What was answered is on disk: the program itself is killed in the middle of a stream of weights, started again, and asked.

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};

use outturn::clock::Clock;
use serde_json::{Value, json};
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};

use crate::support::{BEGINS, Client, Database, Home, Roastery, roastery};

/// Clients that send at the same time.
const SENDERS: u64 = 4;

/// The program, serving a book; it is killed when this goes.
struct Program {
    child: Child,
    address: String,
    /// Where its keys lie.
    _keys: tempfile::TempDir,
}

impl Program {
    fn start(url: &str) -> Self {
        let keys = tempfile::tempdir().unwrap();
        let mut child = Command::new(env!("CARGO_BIN_EXE_outturn"))
            .args([
                "serve",
                "--listen",
                "127.0.0.1:0",
                "--zone",
                "Europe/Lisbon",
                "--database",
                url,
            ])
            .arg("--seal-key")
            .arg(keys.path().join("seal.pem"))
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let said = BufReader::new(child.stdout.take().unwrap())
            .lines()
            .next()
            .unwrap()
            .unwrap();
        let address = said.rsplit(' ').next().unwrap().to_owned();
        assert!(address.starts_with("http://127.0.0.1:"), "{said}");
        Self {
            child,
            address,
            _keys: keys,
        }
    }

    /// SIGKILL: no time to save anything.
    fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

/// A token with which a client acts as the owner.
fn token(url: &str) -> String {
    let made = Command::new(env!("CARGO_BIN_EXE_outturn"))
        .args(["person", "--database", url, "token", "Owner", "--rights"])
        .arg("read,floor,green,count,judge,find,plan,set_up,close,run")
        .output()
        .unwrap();
    assert!(
        made.status.success(),
        "{}",
        String::from_utf8_lossy(&made.stderr)
    );
    String::from_utf8(made.stdout).unwrap().trim().to_owned()
}

/// A command that was sent, and its answer if one came.
#[derive(Debug, Clone)]
struct Sent {
    path: String,
    body: Value,
    answer: Option<Value>,
}

/// All that was sent, by every client.
type Book = Arc<Mutex<Vec<Sent>>>;

/// Numbers from a seed (SplitMix64: Steele, Lea, Flood 2014, figure 16).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % limit
    }
}

/// Sends one command as a client would, and writes down what was answered; false when the service is gone.
async fn send(client: &Client, book: &Book, name: &str, fields: Value) -> bool {
    let path = format!("/api/{name}/{}", client.id());
    let body = crate::support::merged(json!({"v": 1, "happened_at": BEGINS}), fields);
    let place = {
        let mut sent = book.lock().unwrap();
        sent.push(Sent {
            path: path.clone(),
            body: body.clone(),
            answer: None,
        });
        sent.len() - 1
    };
    let Some(answer) = client.try_put(&path, &body).await else {
        return false;
    };
    let answer = answer.expect(201);
    book.lock().unwrap()[place].answer = Some(answer);
    true
}

/// A batch after another: green in, weighed in, weighed out, until the service is gone.
async fn work(client: Client, made: Roastery, book: Book, answered: UnboundedSender<()>) {
    let weight = |grams: u64| json!({"basis": "reckoned", "mass_g": grams});
    loop {
        let batch = client.id();
        let line =
            json!({"lot": made.screen_18, "storeroom": made.storeroom, "weight": weight(1_000)});
        let commands = [
            (
                "receipts",
                json!({"delivery": made.kivu_delivery, "lines": [line]}),
            ),
            (
                "weigh-ins",
                json!({"batch": batch, "lot": made.screen_18, "style": made.light, "roaster": made.little, "storeroom": made.storeroom, "weight": weight(600)}),
            ),
            (
                "weigh-outs",
                json!({"batches": [batch], "weight": weight(518)}),
            ),
        ];
        for (name, fields) in commands {
            if !send(&client, &book, name, fields).await {
                return;
            }
            // Nobody counts any more once the killing is decided.
            let _ = answered.send(());
        }
    }
}

/// Lets the clients send until so many answers have come, and kills the program while they go on.
async fn kill_after(
    program: Program,
    token: &str,
    made: &Roastery,
    book: &Book,
    answers: u64,
    seed: u64,
) {
    let (answered, mut count): (_, UnboundedReceiver<()>) = unbounded_channel();
    let begins = BEGINS.parse().unwrap();
    let clients = (0..SENDERS).map(|n| {
        let clock = Clock::set(begins, seed * 100 + n);
        Client::new(program.address.clone(), clock).with_token(token)
    });
    let working: Vec<_> = clients
        .map(|client| {
            tokio::spawn(work(
                client,
                made.clone(),
                Arc::clone(book),
                answered.clone(),
            ))
        })
        .collect();
    for _ in 0..answers {
        count.recv().await.unwrap();
    }
    program.kill();
    for one in working {
        one.await.unwrap();
    }
}

/// Sends everything again from a place on: what was answered must answer the same, what was not is booked now or was then.
async fn compare(client: &Client, book: &Book, from: usize) {
    let sent = book.lock().unwrap()[from..].to_vec();
    for (i, one) in sent.into_iter().enumerate() {
        let again = client.put(&one.path, &one.body).await;
        match &one.answer {
            Some(answer) => assert_eq!(&again.expect(200), answer, "{}", one.path),
            None => {
                assert!(
                    [200, 201].contains(&again.status),
                    "{}: {}",
                    one.path,
                    again.text
                );
                book.lock().unwrap()[from + i].answer = Some(again.json());
            }
        }
    }
}

/// Kilograms in the book against those that were sent, each once.
async fn weigh(client: &Client, made: &Roastery, book: &Book) {
    let grams = |kind: &str, each: i64| {
        let sent = book.lock().unwrap();
        let found =
            i64::try_from(sent.iter().filter(|one| one.path.contains(kind)).count()).unwrap();
        found * each
    };
    let lot = client.get(&format!("/api/lots/{}", made.screen_18)).await;
    assert_eq!(
        lot["store_g"],
        600_000 + grams("receipts", 1_000) - grams("weigh-ins", 600)
    );
    let metrics = client.get("/api/verify").await;
    assert_eq!(metrics["ok"], true, "{metrics}");
}

async fn survive(database: Database) {
    let kills: u64 = std::env::var("OUTTURN_KILLS").map_or(20, |text| text.parse().unwrap());
    let home = Home::new(database).await;
    let (url, book) = (home.url(), Book::default());
    let mut numbers = Numbers(7);
    let mut program = Program::start(&url);
    let begins = BEGINS.parse().unwrap();
    let token = token(&url);
    let client = |address: &str, seed| {
        Client::new(address.to_owned(), Clock::set(begins, seed)).with_token(&token)
    };
    let made = roastery(&client(&program.address, 1)).await;
    for round in 1..=kills {
        let from = book.lock().unwrap().len();
        kill_after(program, &token, &made, &book, 1 + numbers.below(40), round).await;
        program = Program::start(&url);
        let client = client(&program.address, 2);
        compare(&client, &book, from).await;
        weigh(&client, &made, &book).await;
    }
    compare(&client(&program.address, 2), &book, 0).await;
    program.kill();
    let verified = Command::new(env!("CARGO_BIN_EXE_outturn"))
        .args(["verify", "--database", &url])
        .output()
        .unwrap();
    assert!(
        verified.status.success(),
        "{}",
        String::from_utf8_lossy(&verified.stdout)
    );
    home.remove().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn sqlite() {
    survive(Database::Sqlite).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn postgres() {
    survive(Database::Postgres).await;
}
