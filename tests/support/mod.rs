//! The harness: a real server on a free port with a database, a clock and ids of its own, and a client for it.
//!
//! `each_database!` runs a test on SQLite and on PostgreSQL. When a test is over, the server is stopped, its book verified, and the
//! accounts of every lot summed: a test that leaves a gram too many or too few fails, whatever it was about.

mod answer;
mod postgres;
mod roastery;

use std::sync::Arc;

use outturn::app::App;
use outturn::clock::Clock;
use outturn::{store, web};
use reqwest::{Client, Method, RequestBuilder};
use serde_json::{Value, json};
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;

pub use answer::Answer;
pub use postgres::Schema;
pub use roastery::{Roastery, roastery};

/// When every test begins: a Wednesday morning. The site is in Lisbon, which is on UTC then.
pub const BEGINS: &str = "2026-11-25T08:00:00.000Z";

/// Runs each test on both databases:
///
/// ```ignore
/// each_database! {
///     /// What it shows.
///     async fn a_name(server: &Server) { .. }
/// }
/// ```
macro_rules! each_database {
    ($($(#[$doc:meta])* async fn $name:ident($server:ident: &Server) $body:block)*) => {$(
        $(#[$doc])*
        async fn $name($server: &$crate::support::Server) $body

        mod $name {
            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn sqlite() {
                $crate::support::run($crate::support::Database::Sqlite, super::$name).await;
            }

            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn postgres() {
                $crate::support::run($crate::support::Database::Postgres, super::$name).await;
            }
        }
    )*};
}
pub(crate) use each_database;

/// Runs one test on a server of its own.
pub async fn run(database: Database, test: impl AsyncFnOnce(&Server)) {
    let server = Server::start(database).await;
    test(&server).await;
    server.finish().await;
}

/// Which database a server keeps its book in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Database {
    /// A file in a temporary folder.
    Sqlite,
    /// A schema of its own.
    Postgres,
}

/// Where a server's book lies, as long as the test runs.
#[derive(Debug)]
enum Home {
    Folder(tempfile::TempDir),
    Schema(Schema),
}

impl Home {
    async fn new(database: Database) -> Self {
        match database {
            Database::Sqlite => Self::Folder(tempfile::tempdir().expect("a temporary folder")),
            // Many processes share the server: only the name of the schema differs from run to run.
            Database::Postgres => {
                let name = format!("test_{}", Clock::Machine.new_id().simple());
                Self::Schema(Schema::create(name).await)
            }
        }
    }

    fn url(&self) -> String {
        match self {
            Self::Folder(folder) => {
                format!("sqlite:{}", folder.path().join("book.sqlite").display())
            }
            Self::Schema(schema) => schema.url(),
        }
    }
}

/// A running service with its client.
#[derive(Debug)]
pub struct Server {
    /// Which database it runs on.
    pub database: Database,
    /// What it holds: for what no route answers.
    pub app: Arc<App>,
    /// Where it listens: `http://127.0.0.1:<port>`.
    pub address: String,
    clock: Clock,
    client_ids: Clock,
    client: Client,
    home: Home,
    stop: oneshot::Sender<()>,
    served: JoinHandle<()>,
}

impl Server {
    /// Starts a service with an empty book. It listens when this returns.
    pub async fn start(database: Database) -> Self {
        let begins = BEGINS.parse().expect("an instant");
        let (clock, client_ids) = (Clock::set(begins, 1), Clock::set(begins, 2));
        let home = Home::new(database).await;
        let store = store::open(&home.url()).await.expect("a database");
        let zone = "Europe/Lisbon".parse().expect("a zone");
        let app = App::open(store, clock.clone(), zone).await.expect("a book");
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = format!("http://{}", listener.local_addr().expect("its address"));
        let (stop, stopped) = oneshot::channel::<()>();
        let serving = axum::serve(listener, web::router(Arc::clone(&app)));
        let served = tokio::spawn(async move {
            serving
                .with_graceful_shutdown(async { drop(stopped.await) })
                .await
                .expect("serving");
        });
        let client = Client::builder()
            .redirect(reqwest::redirect::Policy::none())
            .build()
            .expect("a client");
        Self {
            database,
            app,
            address,
            clock,
            client_ids,
            client,
            home,
            stop,
            served,
        }
    }

    /// Stops it and checks what it leaves: the book verifies, and every lot's accounts sum to nothing.
    pub async fn finish(self) {
        drop(self.client);
        let _ = self.stop.send(());
        self.served.await.expect("the server stops");
        let mut tx = self.app.read().await.expect("a snapshot");
        let report = outturn::audit::verify::verify(&mut *tx, self.app.site)
            .await
            .expect("a report");
        assert!(report.ok, "{report}");
        let mut sums = std::collections::BTreeMap::new();
        for account in tx.accounts(self.app.site).await.expect("accounts") {
            *sums.entry(account.lot).or_insert(0) += account.balance_mg;
        }
        sums.retain(|_, sum| *sum != 0);
        assert!(sums.is_empty(), "milligrams made or lost, by lot: {sums:?}");
        drop(tx);
        self.app.store.close().await;
        if let Home::Schema(schema) = self.home {
            schema.drop().await;
        }
    }

    /// The URL of the database, for tests that go behind the service's back.
    pub fn database_url(&self) -> String {
        self.home.url()
    }

    /// A new id (UUID version 7), the same in every run.
    pub fn id(&self) -> String {
        self.client_ids.new_id().to_string()
    }

    /// The server's time.
    pub fn now(&self) -> String {
        self.clock.now().to_string()
    }

    /// Sets the server's clock, such as to `2026-11-25T09:00:00Z`.
    pub fn set_time(&self, at: &str) {
        let at = at.parse().unwrap_or_else(|e| panic!("{at}: {e}"));
        for clock in [&self.clock, &self.client_ids] {
            if let Clock::Set(clock) = clock {
                clock.set(at);
            }
        }
    }

    /// Moves the server's clock on.
    pub fn advance_minutes(&self, minutes: i64) {
        for clock in [&self.clock, &self.client_ids] {
            if let Clock::Set(clock) = clock {
                clock.advance_ms(minutes * 60_000);
            }
        }
    }

    /// A request to be given headers and a body.
    pub fn request(&self, method: Method, path: &str) -> RequestBuilder {
        self.client
            .request(method, format!("{}{path}", self.address))
    }

    /// Sends a request as it is.
    pub async fn send(&self, request: RequestBuilder) -> Answer {
        let request = request.build().expect("a request");
        let name = format!("{} {}", request.method(), request.url().path());
        let response = self
            .client
            .execute(request)
            .await
            .unwrap_or_else(|e| panic!("{name}: {e}"));
        Answer {
            request: name,
            status: response.status().as_u16(),
            headers: response.headers().clone(),
            text: response.text().await.expect("a whole answer"),
        }
    }

    /// GET, whatever comes back.
    pub async fn ask(&self, path: &str) -> Answer {
        self.send(self.request(Method::GET, path)).await
    }

    /// GET of what must be there: its JSON.
    pub async fn get(&self, path: &str) -> Value {
        self.ask(path).await.expect(200)
    }

    /// POST of JSON, whatever comes back.
    pub async fn post(&self, path: &str, body: &Value) -> Answer {
        self.send(self.request(Method::POST, path).json(body)).await
    }

    /// PUT of something new, whatever comes back.
    pub async fn put(&self, path: &str, body: &Value) -> Answer {
        let request = self.request(Method::PUT, path);
        self.send(request.header("if-none-match", "*").json(body))
            .await
    }

    /// PUT of a change to a revision, whatever comes back.
    pub async fn change(&self, path: &str, revision: i64, body: &Value) -> Answer {
        let request = self.request(Method::PUT, path);
        self.send(
            request
                .header("if-match", format!("\"{revision}\""))
                .json(body),
        )
        .await
    }

    /// Makes a record of a kind (`coffees`) under a new id; its id.
    pub async fn put_new(&self, kinds: &str, fields: Value) -> String {
        let id = self.id();
        self.put(&format!("/api/{kinds}/{id}"), &fields)
            .await
            .expect(201);
        id
    }

    /// Changes fields of a record on top of what is there; what is there then. A field given as null is left out.
    pub async fn put_change(&self, kinds: &str, id: &str, fields: Value) -> Value {
        let path = format!("/api/{kinds}/{id}");
        let before = self.get(&path).await;
        let sent = self.fields_of(kinds, &before);
        let body = merged(sent, fields);
        let revision = before["revision"].as_i64().expect("a revision");
        self.change(&path, revision, &body).await.expect(200)
    }

    /// The fields of a record that can be sent back: what its kind's form in the service's description knows.
    fn fields_of(&self, kinds: &str, record: &Value) -> Value {
        let description = serde_json::to_value(web::description()).expect("a description");
        let path = format!("/api/{kinds}/{{id}}");
        let form = &description["paths"][&path]["put"]["requestBody"]["content"]["application/json"]
            ["schema"]["$ref"];
        let form = form
            .as_str()
            .and_then(|name| description.pointer(&name[1..]))
            .unwrap_or_else(|| panic!("no form of {kinds}"));
        let known = form["properties"].as_object().expect("fields");
        let record = record.as_object().expect("a record");
        record
            .iter()
            .filter(|(field, _)| known.contains_key(*field))
            .map(|(field, value)| (field.clone(), value.clone()))
            .collect()
    }

    /// Books a command (`receipts`) under a new id: its answer.
    pub async fn command(&self, name: &str, fields: Value) -> Value {
        self.order(name, &self.id(), fields).await.expect(201)
    }

    /// Sends a command under an id, whatever comes back. It happens now unless the fields say otherwise.
    pub async fn order(&self, name: &str, id: &str, fields: Value) -> Answer {
        let body = merged(json!({"v": 1, "happened_at": self.now()}), fields);
        self.put(&format!("/api/{name}/{id}"), &body).await
    }

    /// How many leaves the log has.
    pub async fn log_size(&self) -> i64 {
        self.get("/api/log").await["size"].as_i64().expect("a size")
    }
}

/// Fields with others laid over them; null takes a field out.
pub fn merged(mut fields: Value, over: Value) -> Value {
    let Value::Object(over) = over else {
        panic!("fields are an object, not {over}");
    };
    let map = fields.as_object_mut().expect("fields");
    for (field, value) in over {
        if value.is_null() {
            map.remove(&field);
        } else {
            map.insert(field, value);
        }
    }
    fields
}
