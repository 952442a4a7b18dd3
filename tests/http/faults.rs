//! A database that is cut off, crashes, or dies for good while people work at two servers: nothing that was answered is lost, every answer
//! in between says what to do, and all goes on by itself.

use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use futures_util::StreamExt;
use futures_util::future::join_all;
use outturn::clock::Clock;
use reqwest::Method;
use serde_json::{Value, json};
use sqlx::{Connection, PgConnection};
use tokio::time::{sleep, timeout};

use crate::green::{reckoned, standing};
use crate::support::{BEGINS, Client, Home, Roastery, Schema, Server, merged, roastery};

/// A PostgreSQL server of a test's own (tests/postgres); it is removed when this goes.
struct Cluster {
    folder: String,
    url: String,
}

impl Cluster {
    fn make() -> Self {
        let folder = Self::folder();
        let url = order(&["make", &folder]);
        Self { folder, url }
    }

    /// A streaming replica. From now on nothing counts as committed here that is not on its disk too.
    async fn replica(&self) -> Self {
        let folder = Self::folder();
        let url = order(&["follow", &folder, &self.folder]);
        self.say("ALTER SYSTEM SET synchronous_standby_names = '*'")
            .await;
        self.say("SELECT pg_reload_conf()").await;
        Self { folder, url }
    }

    /// Sockets bear no long names, so it lies right in the folder for temporary files.
    fn folder() -> String {
        let name = format!("outturn-{}", Clock::Machine.new_id().simple());
        std::env::temp_dir().join(name).display().to_string()
    }

    async fn say(&self, text: &'static str) {
        let mut connection = PgConnection::connect(&self.url).await.expect("the cluster");
        sqlx::raw_sql(text)
            .execute(&mut connection)
            .await
            .expect(text);
    }

    fn crash(&self) {
        order(&["crash", &self.folder]);
    }

    fn again(&self) {
        order(&["again", &self.folder]);
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        let _ = tests_postgres(&["stop", &self.folder]).status();
    }
}

fn tests_postgres(arguments: &[&str]) -> Command {
    let mut command = Command::new("bash");
    command
        .arg("tests/postgres")
        .args(arguments)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .stderr(Stdio::inherit());
    command
}

fn order(arguments: &[&str]) -> String {
    let done = tests_postgres(arguments).output().expect("tests/postgres");
    assert!(
        done.status.success(),
        "{arguments:?}: {}",
        String::from_utf8_lossy(&done.stdout)
    );
    String::from_utf8(done.stdout)
        .expect("a URL")
        .trim()
        .to_owned()
}

/// What was sent and answered.
#[derive(Default)]
pub struct Sent {
    answered: Mutex<Vec<(String, Value)>>,
    put_off: Mutex<Vec<Value>>,
    enough: AtomicBool,
}

impl Sent {
    /// Takes a gram at a time, as long as it is not enough. What was not answered is sent again as it was, until it is.
    pub async fn keep_sending(&self, client: &Client, made: &Roastery) {
        let body = json!({"v": 1, "happened_at": BEGINS, "lot": made.washed, "storeroom": made.storeroom, "reason": "spilled", "weight": reckoned(1)});
        while !self.enough.load(Ordering::SeqCst) {
            let id = client.id();
            let path = format!("/api/wastes/{id}");
            loop {
                let answer = client
                    .try_put(&path, &body)
                    .await
                    .expect("the service itself answers");
                match answer.status {
                    // What was saved without an answer is answered now, and not saved again.
                    200 | 201 => {
                        self.answered.lock().unwrap().push((id, answer.json()));
                        break;
                    }
                    503 => {
                        assert_eq!(answer.header("retry-after"), "1");
                        self.put_off.lock().unwrap().push(answer.any_problem());
                    }
                    _ => panic!("{}: {}", answer.status, answer.text),
                }
                sleep(Duration::from_millis(50)).await;
            }
        }
    }

    /// How often somebody was put off.
    pub fn put_off(&self) -> usize {
        self.put_off.lock().unwrap().len()
    }

    /// Lets the senders end.
    pub fn is_enough(&self) {
        self.enough.store(true, Ordering::SeqCst);
    }

    fn so_far(&self) -> usize {
        self.answered.lock().unwrap().len()
    }

    /// Waits until several more of each sender were answered.
    pub async fn goes_on(&self) {
        let before = self.so_far();
        let more = async {
            while self.so_far() < before + 20 {
                sleep(Duration::from_millis(20)).await;
            }
        };
        timeout(Duration::from_secs(60), more)
            .await
            .expect("it goes on by itself");
    }

    /// All that was answered is in the book, once, and is answered as before.
    pub async fn is_all_in(&self, at: &Server, made: &Roastery, washed_g: i64) {
        let answered = std::mem::take(&mut *self.answered.lock().unwrap());
        let taken = i64::try_from(answered.len()).unwrap();
        assert_eq!(
            standing(at, &made.washed).await["store"],
            (washed_g - taken) * 1_000
        );
        let size = at.log_size().await;
        for (id, answer) in answered {
            let body = json!({"lot": made.washed, "storeroom": made.storeroom, "reason": "spilled", "weight": reckoned(1)});
            let body = merged(json!({"v": 1, "happened_at": BEGINS}), body);
            assert_eq!(
                at.put(&format!("/api/wastes/{id}"), &body)
                    .await
                    .expect(200),
                answer
            );
        }
        assert_eq!(at.log_size().await, size);
    }
}

/// Connections are cut off, then the database crashes and is away for a while, then it is there again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_answered_is_lost_when_the_database_crashes() {
    let cluster = Cluster::make();
    let home = Home::Schema(Schema::on(cluster.url.clone(), "book").await);
    let one = Server::at(home, 1).await;
    let other = one.beside().await;
    let made = roastery(&one).await;
    let washed_g = standing(&one, &made.washed).await["store"] / 1_000;
    let sent = Sent::default();
    let clients = [
        one.another(),
        one.another(),
        other.another(),
        other.another(),
    ];
    let senders = join_all(
        clients
            .iter()
            .map(|client| sent.keep_sending(client, &made)),
    );
    let faults = async {
        sent.goes_on().await;
        cluster.say("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE pid <> pg_backend_pid() AND backend_type = 'client backend'").await;
        sent.goes_on().await;
        cluster.crash();
        for server in [&one, &other] {
            for path in ["/api/lots", "/readyz", "/metrics"] {
                let answer = server.ask(path).await;
                assert_eq!(
                    answer.problem(503, "away")["title"],
                    "The database does not answer",
                    "{path}"
                );
                assert_eq!(answer.header("retry-after"), "1");
            }
            assert_eq!(
                server.ask("/healthz").await.status,
                200,
                "the service itself is well"
            );
        }
        sleep(Duration::from_millis(500)).await;
        cluster.again();
        sent.goes_on().await;
        sent.is_enough();
    };
    let ((), _) = tokio::join!(faults, senders);
    assert_ne!(sent.put_off(), 0, "the faults were felt");
    sent.is_all_in(&other, &made, washed_g).await;
    // Pages and learners of both hear again of what either books.
    let page = other
        .request(Method::GET, "/api/events")
        .send()
        .await
        .unwrap();
    let mut events = page.bytes_stream();
    one.command("wastes", json!({"lot": made.washed, "storeroom": made.storeroom, "reason": "spilled", "weight": reckoned(80)})).await;
    let heard = timeout(Duration::from_secs(8), async {
        let mut text = String::new();
        while !text.contains("\"postings\"") {
            text += std::str::from_utf8(&events.next().await.unwrap().unwrap()).unwrap();
        }
    });
    heard.await.expect("the page hears of it");
    for server in [&one, &other] {
        timeout(Duration::from_secs(8), server.app.learned())
            .await
            .expect("the learner follows");
    }
    drop(events);
    other.finish().await;
    one.finish().await;
}

/// The drill of README.md, "A replica": the database dies for good in the middle of work, its replica is promoted by hand, and a service
/// is started on that.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_promoted_replica_has_all_that_was_answered() {
    let cluster = Cluster::make();
    let schema = Schema::on(cluster.url.clone(), "book").await;
    let one = Server::at(Home::Shared(schema.clone()), 1).await;
    let made = roastery(&one).await;
    let washed_g = standing(&one, &made.washed).await["store"] / 1_000;
    let replica = cluster.replica().await;
    let sent = Sent::default();
    let clients = [one.another(), one.another()];
    {
        let senders = join_all(
            clients
                .iter()
                .map(|client| sent.keep_sending(client, &made)),
        );
        let dies = async {
            sent.goes_on().await;
            cluster.crash();
            sleep(Duration::from_millis(300)).await;
        };
        tokio::select! {
            _ = senders => unreachable!("they keep sending"),
            () = dies => {}
        }
    }
    // Before it is promoted no service starts on it, and says why.
    let at_replica = Home::Shared(schema.at(replica.url.clone()));
    let refused = outturn::store::open(&at_replica.url()).await.unwrap_err();
    assert!(refused.to_string().contains("read-only"), "{refused}");
    order(&["promote", &replica.folder]);
    let there = Server::at(at_replica, 5).await;
    // What was under way when it died may be there too: it was not answered, and is sent again under its id.
    let unanswered = standing(&there, &made.washed).await["store"];
    let answered = i64::try_from(sent.so_far()).unwrap();
    let beyond = (washed_g - answered) - unanswered / 1_000;
    assert!((0..=2).contains(&beyond), "{beyond} more than was answered");
    sent.is_all_in(&there, &made, washed_g - beyond).await;
    there.command("wastes", json!({"lot": made.washed, "storeroom": made.storeroom, "reason": "spilled", "weight": reckoned(80)})).await;
    there.finish().await;
}
