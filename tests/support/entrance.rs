//! Coming in, as people, tablets and programs do.

use reqwest::Method;
use serde_json::{Value, json};

use super::{Answer, Client, Server};

/// A password that may be chosen.
pub const PASSWORD: &str = "four words in a row";

/// What a browser or tablet keeps.
#[derive(Debug, Clone, Default)]
pub struct Cookies {
    /// The device's key.
    pub device: String,
    /// The session; empty where nobody is signed in.
    pub session: String,
}

impl Cookies {
    /// Takes what an answer gives.
    pub fn of(&self, answer: &Answer) -> Self {
        let mut cookies = self.clone();
        for line in answer.headers.get_all("set-cookie") {
            let line = line.to_str().expect("text");
            for word in ["HttpOnly", "SameSite=Strict", "Path=/"] {
                assert!(line.contains(word), "{line}");
            }
            let (name, value) = line
                .split(';')
                .next()
                .and_then(|pair| pair.split_once('='))
                .expect("a cookie");
            match name {
                "outturn-device" => cookies.device = value.to_owned(),
                "outturn-session" => cookies.session = value.to_owned(),
                other => panic!("an unknown cookie {other}"),
            }
        }
        cookies
    }

    /// A client that shows them, from the service's own pages.
    pub fn client(&self, server: &Server) -> Client {
        let cookies = format!(
            "outturn-device={}; outturn-session={}",
            self.device, self.session
        );
        from_a_page(server).showing("cookie", cookies)
    }
}

/// A client that comes from the service's own pages and shows nothing else.
pub fn from_a_page(server: &Server) -> Client {
    server.another().showing("origin", server.address.clone())
}

/// The first owner chooses a password: what their browser keeps.
pub async fn first_owner(server: &Server) -> Cookies {
    let invitation = outturn::access::invite_owner(&server.app)
        .await
        .expect("a book");
    let path = invitation.expect("no owner has a password yet").path;
    choose_password(server, &path).await
}

/// Chooses a password by an invitation's link.
pub async fn choose_password(server: &Server, path: &str) -> Cookies {
    let code = path.rsplit('=').next().expect("a code");
    let answer = from_a_page(server)
        .post(
            "/api/passwords",
            &json!({"code": code, "password": PASSWORD}),
        )
        .await;
    answer.expect(200);
    Cookies::default().of(&answer)
}

/// A new person of a role, who has chosen a password: their id and what their browser keeps.
pub async fn person(server: &Server, owner: &Client, name: &str, role: &str) -> (String, Cookies) {
    let id = owner
        .put_new("people", json!({"name": name, "role": role}))
        .await;
    let invited = owner
        .send(owner.request(Method::POST, &format!("/api/people/{id}/invitations")))
        .await
        .expect(200);
    let cookies = choose_password(server, invited["path"].as_str().expect("a path")).await;
    (id, cookies)
}

/// A paired tablet: its id and what it keeps.
pub async fn tablet(server: &Server, owner: &Client, name: &str) -> (String, Cookies) {
    let code = owner
        .post("/api/pairings", &json!({"name": name}))
        .await
        .expect(200);
    let answer = from_a_page(server)
        .post("/api/tablets", &json!({"code": code["code"]}))
        .await;
    let device = answer.expect(200)["device"]
        .as_str()
        .expect("an id")
        .to_owned();
    (
        device,
        Cookies {
            session: String::new(),
            ..Cookies::default().of(&answer)
        },
    )
}

/// Gives a person a PIN.
pub async fn give_pin(owner: &Client, person: &str, pin: &str) {
    let answer = owner
        .post(&format!("/api/people/{person}/pin"), &json!({"new": pin}))
        .await;
    assert_eq!(answer.status, 204, "{}", answer.text);
}

/// Signs a person in on a tablet.
pub async fn by_pin(server: &Server, tablet: &Cookies, person: &str, pin: &str) -> Cookies {
    let body = json!({"person": person, "pin": pin});
    let answer = tablet.client(server).post("/api/pin-sign-ins", &body).await;
    answer.expect(200);
    tablet.of(&answer)
}

/// Cuts a device off.
pub async fn cut_off(owner: &Client, device: &str) -> Value {
    owner
        .put_change("devices", device, json!({"retired": true}))
        .await
}
