//! A client of a service that may run anywhere: in this process or as the program itself.

use std::sync::Arc;

use outturn::clock::Clock;
use reqwest::{Method, Request, RequestBuilder};
use serde_json::{Value, json};

use super::Answer;
use super::contract::Contract;

/// Sends requests, and checks every answer against the service's own description.
#[derive(Debug)]
pub struct Client {
    /// Where the service listens: `http://127.0.0.1:<port>`.
    pub address: String,
    ids: Clock,
    http: reqwest::Client,
    /// What it shows with each request.
    shows: Vec<(&'static str, String)>,
    contract: Arc<Contract>,
}

impl Client {
    /// A client of the service at an address; its ids and times are those of `ids`.
    pub fn new(address: String, ids: Clock) -> Self {
        let http = reqwest::Client::builder()
            .redirect(reqwest::redirect::Policy::none())
            .build()
            .expect("a client");
        let contract = Contract::shared();
        Self {
            address,
            ids,
            http,
            shows: Vec::new(),
            contract,
        }
    }

    /// The same, which shows a token.
    pub fn with_token(self, token: &str) -> Self {
        self.showing("authorization", format!("Bearer {token}"))
    }

    /// The same, which sends a header with each request.
    pub fn showing(mut self, name: &'static str, value: String) -> Self {
        self.shows.push((name, value));
        self
    }

    /// A new id (UUID version 7), the same in every run.
    pub fn id(&self) -> String {
        self.ids.new_id().to_string()
    }

    /// The time at which what is sent now happens.
    pub fn now(&self) -> String {
        self.ids.now().to_string()
    }

    /// A request to be given headers and a body.
    pub fn request(&self, method: Method, path: &str) -> RequestBuilder {
        let request = self.http.request(method, format!("{}{path}", self.address));
        let shown = self.shows.iter();
        shown.fold(request, |request, (name, value)| {
            request.header(*name, value)
        })
    }

    /// Sends a request as it is.
    pub async fn send(&self, request: RequestBuilder) -> Answer {
        let request = request.build().expect("a request");
        let (method, path) = (request.method().clone(), request.url().path().to_owned());
        let sent = request
            .body()
            .and_then(|body| serde_json::from_slice(body.as_bytes()?).ok());
        let name = format!("{method} {path}");
        let answer = self.exchange(&name, request).await;
        let answer = answer.unwrap_or_else(|e| panic!("{name}: {e}"));
        self.contract.check(&method, &path, sent.as_ref(), &answer);
        answer
    }

    /// The status of a request, without what follows: for answers that do not end.
    pub async fn status(&self, request: RequestBuilder) -> u16 {
        let request = request.build().expect("a request");
        let name = format!("{} {}", request.method(), request.url());
        let answer = self.http.execute(request).await;
        answer
            .unwrap_or_else(|e| panic!("{name}: {e}"))
            .status()
            .as_u16()
    }

    async fn exchange(&self, name: &str, request: Request) -> reqwest::Result<Answer> {
        let response = self.http.execute(request).await?;
        Ok(Answer {
            request: name.to_owned(),
            status: response.status().as_u16(),
            headers: response.headers().clone(),
            text: response.text().await?,
        })
    }

    /// PUT of something new to a service that may be gone before it answers.
    pub async fn try_put(&self, path: &str, body: &Value) -> Option<Answer> {
        let request = self
            .request(Method::PUT, path)
            .header("if-none-match", "*")
            .json(body);
        self.exchange(path, request.build().expect("a request"))
            .await
            .ok()
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
        self.try_change(kinds, id, fields).await.expect(200)
    }

    /// As [`Self::put_change`], whatever comes back.
    pub async fn try_change(&self, kinds: &str, id: &str, fields: Value) -> Answer {
        self.changed(kinds, id, "", fields).await
    }

    /// As [`Self::try_change`], with what a person has said once more.
    pub async fn confirmed(&self, kinds: &str, id: &str, word: &str, fields: Value) -> Answer {
        let said = format!("?confirmed={word}");
        self.changed(kinds, id, &said, fields).await
    }

    async fn changed(&self, kinds: &str, id: &str, said: &str, fields: Value) -> Answer {
        let path = format!("/api/{kinds}/{id}");
        let before = self.get(&path).await;
        let sent = self.fields_of(kinds, &before);
        let body = merged(sent, fields);
        let revision = before["revision"].as_i64().expect("a revision");
        self.change(&format!("{path}{said}"), revision, &body).await
    }

    /// The fields of a record that can be sent back: what its kind's form in the service's description knows.
    fn fields_of(&self, kinds: &str, record: &Value) -> Value {
        let known = self.contract.fields(&format!("/api/{kinds}/{{id}}"));
        let record = record.as_object().expect("a record");
        record
            .iter()
            .filter(|(field, _)| known.contains(*field))
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
