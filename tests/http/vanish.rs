//! A PostgreSQL host that vanishes: packets are swallowed, no connection is closed, nobody says a word. Nobody is left waiting, nothing answered is
//! lost, all goes on by itself when the host is there again, and the service ends when it is told to, whether or not it is.

use std::time::Duration;

use futures_util::StreamExt;
use futures_util::future::join_all;
use outturn::clock::Clock;
use reqwest::Method;
use serde_json::json;
use sqlx::{Connection, PgConnection};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, UnixStream};
use tokio::sync::watch;
use tokio::time::{sleep, timeout};

use crate::faults::Sent;
use crate::green::{reckoned, standing};
use crate::program::Program;
use crate::support::{BEGINS, Home, Schema, Server, roastery};

/// Nobody waits longer for an answer, even on a busy machine.
const SOON: Duration = Duration::from_secs(25);

/// What becomes of the connections that were there when the host vanished.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum After {
    /// What was sent meanwhile arrives late, as after a cable was plugged in again.
    Late,
    /// Nothing arrives ever again, as behind a firewall that has forgotten them.
    Never,
}

/// The way to the tests' PostgreSQL server, on which the host can vanish. When this goes, the server hears that nobody is there any more.
struct Way {
    url: String,
    there: watch::Sender<bool>,
}

impl Way {
    async fn make(after: After) -> Self {
        let server = std::env::var("OUTTURN_TEST_POSTGRES").expect("a PostgreSQL server");
        let (_, folder) = server.split_once("host=").expect("a server with a socket");
        let socket = format!("{}/.s.PGSQL.5432", folder.replace("%2F", "/"));
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = listener.local_addr().expect("its address");
        let (there, seen) = watch::channel(true);
        tokio::spawn(async move {
            while let Ok((near, _)) = listener.accept().await {
                let far = UnixStream::connect(&socket).await.expect("the server");
                let (from_near, to_near) = near.into_split();
                let (from_far, to_far) = far.into_split();
                tokio::spawn(pass(from_near, to_far, seen.clone(), after));
                tokio::spawn(pass(from_far, to_near, seen.clone(), after));
            }
        });
        let url = format!("postgres://outturn@{address}/postgres?sslmode=disable");
        Self { url, there }
    }

    /// A schema, and the home in it of a service that goes this way.
    async fn schema(&self) -> (Schema, Home) {
        let name = format!("test_{}", Clock::Machine.new_id().simple());
        let schema = Schema::create(name).await;
        let home = Home::Shared(schema.at(self.url.clone()));
        (schema, home)
    }

    fn vanish(&self) {
        self.there.send_replace(false);
    }

    fn come_back(&self) {
        self.there.send_replace(true);
    }
}

/// Passes on what comes, while the host is there.
async fn pass(
    mut from: impl AsyncRead + Unpin,
    mut to: impl AsyncWrite + Unpin,
    mut there: watch::Receiver<bool>,
    after: After,
) {
    let mut bytes = vec![0; 16_384];
    loop {
        let read = from.read(&mut bytes).await.unwrap_or(0);
        if !*there.borrow() && after == After::Never {
            let _ = there.wait_for(|_| false).await;
            return;
        }
        if there.wait_for(|there| *there).await.is_err() {
            return;
        }
        if read == 0 || to.write_all(&bytes[..read]).await.is_err() {
            let _ = to.shutdown().await;
            return;
        }
    }
}

/// Everybody is told within moments that the database is away; the service itself is well.
async fn is_said_to_be_away(server: &Server) {
    for path in ["/api/lots", "/readyz"] {
        let answer = timeout(SOON, server.ask(path)).await;
        let answer = answer.expect("nobody is left waiting");
        answer.problem(503, "away");
        assert_eq!(answer.header("retry-after"), "1");
    }
    assert_eq!(server.ask("/healthz").await.status, 200);
}

/// The host vanishes in the middle of work, and comes back: what was on its way arrives then, also what nobody waits for any more.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_answered_is_lost() {
    let way = Way::make(After::Late).await;
    let (schema, home) = way.schema().await;
    let server = Server::at(home, 1).await;
    let made = roastery(&server).await;
    let washed_g = standing(&server, &made.washed).await["store"] / 1_000;
    let listen = async || {
        let page = server.request(Method::GET, "/api/events").send().await;
        page.unwrap().bytes_stream()
    };
    let line = listen().await;
    let sent = Sent::default();
    let clients = [(); 4].map(|()| server.another());
    let senders = join_all(
        clients
            .iter()
            .map(|client| sent.keep_sending(client, &made)),
    );
    let vanishes = async {
        sent.goes_on().await;
        way.vanish();
        let all_told = async {
            while sent.put_off() < clients.len() {
                sleep(Duration::from_millis(20)).await;
            }
        };
        timeout(SOON, all_told).await.expect("all are told");
        is_said_to_be_away(&server).await;
        let line_ends = line.for_each(async |_| {});
        timeout(SOON, line_ends).await.expect("a page can tell");
        way.come_back();
        sent.goes_on().await;
        sent.is_enough();
    };
    tokio::join!(vanishes, senders);
    sent.is_all_in(&server, &made, washed_g).await;
    let mut events = listen().await;
    events.next().await.expect("a beginning").unwrap();
    server.command("wastes", json!({"lot": made.washed, "storeroom": made.storeroom, "reason": "spilled", "weight": reckoned(80)})).await;
    let heard = timeout(SOON, events.next()).await;
    heard.expect("the page hears of it").unwrap().unwrap();
    let followed = timeout(SOON, server.app.learned()).await;
    followed.expect("the learner follows");
    drop(events);
    server.finish().await;
    drop(way);
    schema.drop().await;
}

/// Connections that lead nowhere any more are found out one by one, by whoever wants to use them.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn dead_connections_are_replaced() {
    let way = Way::make(After::Never).await;
    let (schema, home) = way.schema().await;
    let server = Server::at(home, 1).await;
    let made = roastery(&server).await;
    server.app.learned().await;
    way.vanish();
    is_said_to_be_away(&server).await;
    way.come_back();
    let waste = json!({"v": 1, "happened_at": BEGINS, "lot": made.washed, "storeroom": made.storeroom, "reason": "spilled", "weight": reckoned(1)});
    let path = format!("/api/wastes/{}", server.id());
    let booked = async {
        while ![200, 201].contains(&server.put(&path, &waste).await.status) {
            sleep(Duration::from_millis(200)).await;
        }
    };
    timeout(2 * SOON, booked)
        .await
        .expect("it goes on by itself");
    assert_eq!(standing(&server, &made.washed).await["waste"], 1_000);
    server.finish().await;
    drop(way);
    schema.drop().await;
}

/// It ends in peace while its database is away, with requests under way.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_service_ends_while_it_is_away() {
    let way = Way::make(After::Never).await;
    let ((schema, home), keys) = (way.schema().await, tempfile::tempdir().unwrap());
    let program = Program::start(&home.url(), keys.path());
    let client = program.client("none", 1);
    assert_eq!(client.ask("/readyz").await.status, 200);
    way.vanish();
    let asking = tokio::spawn(client.request(Method::GET, "/readyz").send());
    sleep(Duration::from_millis(100)).await;
    let ended = tokio::task::spawn_blocking(|| program.stop());
    timeout(SOON, ended).await.expect("it ends").unwrap();
    let _ = asking.await;
    drop(way);
    schema.drop().await;
}

/// What takes long is waited for as long as the database works on it; a turn is not.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_long_question_is_no_silence() {
    let server = Server::start(crate::support::Database::Postgres).await;
    let made = roastery(&server).await;
    let mut other = PgConnection::connect(&server.database_url()).await.unwrap();
    let mut holding = other.begin().await.unwrap();
    sqlx::raw_sql("SELECT FROM log_head FOR UPDATE")
        .execute(&mut *holding)
        .await
        .unwrap();
    let waste = json!({"v": 1, "happened_at": BEGINS, "lot": made.washed, "storeroom": made.storeroom, "reason": "spilled", "weight": reckoned(1)});
    let path = format!("/api/wastes/{}", server.id());
    // However many wait for their turn: who reads is answered.
    let paths: Vec<String> = (0..9)
        .map(|_| format!("/api/wastes/{}", server.id()))
        .collect();
    let waiting = join_all(paths.iter().map(|path| server.put(path, &waste)));
    let reading = async {
        sleep(Duration::from_secs(1)).await;
        server.ask("/api/lots").await.expect(200);
    };
    let (refused, _) = tokio::join!(waiting, reading);
    for answer in refused {
        answer.problem(503, "busy");
    }
    sqlx::raw_sql("LOCK TABLE record")
        .execute(&mut *holding)
        .await
        .unwrap();
    let let_go = async {
        // Longer than a silence is believed.
        sleep(Duration::from_secs(9)).await;
        holding.rollback().await.unwrap();
    };
    let (answer, ()) = tokio::join!(server.ask("/api/lots"), let_go);
    answer.expect(200);
    server.put(&path, &waste).await.expect(201);
    server.finish().await;
}
