//! Every route, asked by every kind of caller. The routes are those of the service's own table, so a new one is asked too.

use outturn::setup::{Right, Role};
use outturn::web::Route;
use reqwest::Method;
use serde_json::json;

use crate::support::entrance::{
    Cookies, by_pin, cut_off, first_owner, from_a_page, give_pin, person, tablet,
};
use crate::support::{Client, Database, Server};

/// Who has which right: written here once more by hand, in the order of owner, planner, operator, auditor. Then whether a PIN is enough, and whether
/// a tablet's word is.
const WHO_MAY: [(Right, &str, bool, bool); 13] = [
    (Right::Read, "opra", true, false),
    (Right::Floor, "opr-", true, true),
    (Right::Green, "opr-", true, true),
    (Right::Count, "opra", true, true),
    (Right::Judge, "op--", true, false),
    (Right::Find, "op-a", false, false),
    (Right::Plan, "op--", false, false),
    (Right::SetUp, "op--", false, false),
    (Right::Close, "o---", false, false),
    (Right::Run, "o---", false, false),
    (Right::People, "o---", false, false),
    (Right::Own, "opra", false, false),
    (Right::Watch, "o---", false, false),
];

/// What no token gives: letting people in, and one's own password and PIN.
const IN_PERSON: [Right; 2] = [Right::People, Right::Own];

const ROLES: [(&str, Role, char); 4] = [
    ("owner", Role::Owner, 'o'),
    ("planner", Role::Planner, 'p'),
    ("operator", Role::Operator, 'r'),
    ("auditor", Role::Auditor, 'a'),
];

/// How somebody comes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Comes {
    /// Shows nothing, or nothing that counts any longer.
    Unknown,
    /// On a tablet that was cut off.
    CutOff,
    /// Signed in with a password, in this role.
    Password(char),
    /// Signed in with a PIN on a paired tablet.
    Pin(char),
    /// A program with all rights that a token can have.
    Token(char),
    /// A paired tablet on which nobody is signed in says so.
    Claims(char),
    /// Signed in, from a page of another site.
    Foreign,
}

/// What is answered to somebody who may not; none if the handler is asked.
fn turned_away(route: &Route, comes: Comes) -> Option<u16> {
    let right = route.needs?;
    let (_, roles, by_pin, claimed) = WHO_MAY
        .into_iter()
        .find(|(one, ..)| *one == right)
        .expect("a right");
    let refused = |refused: bool| refused.then_some(403);
    match comes {
        Comes::Unknown => Some(401),
        Comes::CutOff => Some(403),
        Comes::Foreign => refused(route.method != Method::GET),
        Comes::Password(role) => refused(!roles.contains(role)),
        Comes::Pin(role) => refused(!roles.contains(role) || !by_pin),
        Comes::Token(role) => refused(!roles.contains(role) || IN_PERSON.contains(&right)),
        Comes::Claims(role) if !roles.contains(role) => Some(403),
        Comes::Claims(_) if !claimed || !route.command => Some(401),
        Comes::Claims(_) => None,
    }
}

/// Asks a route with an empty body and an id of nothing: whoever is let through gets an answer of the handler.
async fn ask(client: &Client, route: &Route) -> u16 {
    let path = route
        .path
        .replace("{id}", "01a211b7-0000-7000-8000-00000000dead");
    let request = client
        .request(route.method.clone(), &path)
        .header("if-none-match", "*");
    client.status(request.json(&json!({}))).await
}

async fn people(server: &Server, owner: &Cookies) -> Vec<(String, Client, Comes)> {
    let boss = owner.client(server);
    let me = boss.get("/api/me").await["person"]["id"]
        .as_str()
        .expect("an id")
        .to_owned();
    let mut callers = Vec::new();
    for (word, _, letter) in ROLES {
        let (id, cookies) = match word {
            "owner" => (me.clone(), owner.clone()),
            _ => person(server, &boss, word, word).await,
        };
        give_pin(&boss, &id, "2580").await;
        let (_, paired) = tablet(server, &boss, &format!("tablet of the {word}")).await;
        let in_by_pin = by_pin(server, &paired, &id, "2580").await;
        let claims = paired.client(server).showing("outturn-person", id.clone());
        // The token is older than the role: it was made for more than the person may do now.
        boss.put_change("people", &id, json!({"role": "owner"}))
            .await;
        let token = token(server, &id).await;
        boss.put_change("people", &id, json!({"role": word})).await;
        callers.extend([
            (
                format!("{word} by password"),
                cookies.client(server),
                Comes::Password(letter),
            ),
            (
                format!("{word} by PIN"),
                in_by_pin.client(server),
                Comes::Pin(letter),
            ),
            (
                format!("{word} as a tablet says"),
                claims,
                Comes::Claims(letter),
            ),
            (
                format!("program of the {word}"),
                server.another().with_token(&token),
                Comes::Token(letter),
            ),
        ]);
    }
    callers
}

/// A token with every right that a token can have, of a person.
async fn token(server: &Server, person: &str) -> String {
    use outturn::access::{TokenAsked, make_token};
    let rights = WHO_MAY
        .into_iter()
        .map(|(right, ..)| right)
        .filter(|right| !IN_PERSON.contains(right))
        .collect();
    let asked = TokenAsked {
        name: outturn::text::Name::new("Program").unwrap(),
        rights,
        days: 30,
    };
    let actor = outturn::book::Actor::person(outturn::ids::PersonId(person.parse().unwrap()));
    make_token(&server.app, actor, asked).await.unwrap().token
}

/// Those who are not known: nothing shown, made up, of another book, ended, cut off, retired, too old.
async fn strangers(
    server: &Server,
    other: &Server,
    owner: &Cookies,
) -> Vec<(String, Client, Comes)> {
    let boss = owner.client(server);
    let elsewhere = first_owner(other).await;
    let (signed_out_id, signed_out) = person(server, &boss, "Signed out", "owner").await;
    let left = signed_out.client(server);
    left.send(left.request(Method::POST, "/api/sign-outs"))
        .await;
    let (retired, gone) = person(server, &boss, "Gone", "owner").await;
    boss.put_change("people", &retired, json!({"retired": true}))
        .await;
    let (_, cut) = person(server, &boss, "Cut", "owner").await;
    let device = cut.client(server).get("/api/me").await["device"]["id"]
        .as_str()
        .expect("an id")
        .to_owned();
    cut_off(&boss, &device).await;
    let ended = boss
        .post(
            "/api/tokens",
            &json!({"name": "Old", "rights": ["read", "run"], "days": 1}),
        )
        .await
        .expect(200);
    cut_off(&boss, ended["device"].as_str().expect("an id")).await;
    let (lost, lost_tablet) = tablet(server, &boss, "Lost").await;
    give_pin(&boss, &signed_out_id, "2580").await;
    let lost_in = by_pin(server, &lost_tablet, &signed_out_id, "2580").await;
    cut_off(&boss, &lost).await;
    let stolen = Cookies {
        device: elsewhere.device.clone(),
        ..owner.clone()
    };
    let made_up = Cookies {
        device: "0".repeat(64),
        session: "1".repeat(64),
    };
    let by =
        |name: &str, cookies: &Cookies| (name.to_owned(), cookies.client(server), Comes::Unknown);
    vec![
        ("nobody".to_owned(), from_a_page(server), Comes::Unknown),
        by("made up", &made_up),
        by("of another book", &elsewhere),
        by("a session on another device", &stolen),
        by("signed out", &signed_out),
        by("retired", &gone),
        by("cut-off browser", &cut),
        (
            "cut-off token".to_owned(),
            server
                .another()
                .with_token(ended["token"].as_str().expect("a token")),
            Comes::Unknown,
        ),
        (
            "cut-off tablet".to_owned(),
            lost_in.client(server),
            Comes::CutOff,
        ),
    ]
}

/// Somebody whose session and token end with the next week.
async fn expiring(server: &Server, owner: &Cookies) -> Vec<(String, Client, Comes)> {
    let boss = owner.client(server);
    let short = boss
        .post(
            "/api/tokens",
            &json!({"name": "Short", "rights": ["read", "run"], "days": 1}),
        )
        .await
        .expect(200);
    let program = server
        .another()
        .with_token(short["token"].as_str().expect("a token"));
    let old = vec![
        (
            "expired session".to_owned(),
            owner.client(server),
            Comes::Unknown,
        ),
        ("expired token".to_owned(), program, Comes::Unknown),
    ];
    server.advance_minutes(8 * 24 * 60);
    old
}

async fn foreign(server: &Server, owner: &Cookies) -> Vec<(String, Client, Comes)> {
    let cookies = format!(
        "outturn-device={}; outturn-session={}",
        owner.device, owner.session
    );
    let shown = || server.another().showing("cookie", cookies.clone());
    let port = server.address.rsplit(':').next().expect("a port");
    vec![
        (
            "from another site".to_owned(),
            shown().showing("origin", "https://evil.example".to_owned()),
            Comes::Foreign,
        ),
        (
            "from another scheme".to_owned(),
            shown().showing("origin", format!("https://127.0.0.1:{port}")),
            Comes::Foreign,
        ),
        (
            "without saying from where".to_owned(),
            shown(),
            Comes::Foreign,
        ),
        (
            "from a page without origin".to_owned(),
            shown().showing("origin", "null".to_owned()),
            Comes::Foreign,
        ),
    ]
}

async fn every_route_answers_every_caller(database: Database) {
    let (server, other) = (
        Server::closed(database, 1).await,
        Server::closed(Database::Sqlite, 9).await,
    );
    let owner = first_owner(&server).await;
    let mut callers = expiring(&server, &owner).await;
    let sign_in = json!({"name": "Owner", "password": crate::support::entrance::PASSWORD});
    let again = from_a_page(&server).post("/api/sign-ins", &sign_in).await;
    again.expect(200);
    let owner = Cookies::default().of(&again);
    callers.extend(strangers(&server, &other, &owner).await);
    callers.extend(people(&server, &owner).await);
    callers.extend(foreign(&server, &owner).await);
    let table = outturn::web::table();
    let mut wrong = Vec::new();
    let mut asked = 0;
    for (name, client, comes) in &callers {
        for route in table.iter().filter(|route| route.needs.is_some()) {
            let status = ask(client, route).await;
            asked += 1;
            let as_expected = match turned_away(route, *comes) {
                Some(expected) => status == expected,
                None => status != 401 && status != 403 && status < 500,
            };
            if !as_expected {
                wrong.push(format!(
                    "{} {} ({:?}), {name}: {status}",
                    route.method, route.path, route.needs
                ));
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "{} of {asked}:\n{}",
        wrong.len(),
        wrong.join("\n")
    );
    assert!(asked > 2_000, "only {asked}");
    drop(callers);
    other.finish().await;
    server.finish().await;
}

mod every_route_answers_every_caller_as_the_table_says {
    use super::Database;

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn sqlite() {
        super::every_route_answers_every_caller(Database::Sqlite).await;
    }

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn postgres() {
        super::every_route_answers_every_caller(Database::Postgres).await;
    }
}

#[test]
fn the_table_of_rights_is_the_one_that_was_agreed() {
    for (right, letters, by_pin, claimed) in WHO_MAY {
        let rule = right.rule();
        let roles = ROLES
            .into_iter()
            .filter(|(_, role, _)| rule.roles.contains(role));
        let expected: Vec<char> = letters.chars().filter(|letter| *letter != '-').collect();
        assert_eq!(
            roles.map(|(.., letter)| letter).collect::<Vec<_>>(),
            expected,
            "{right:?}"
        );
        assert_eq!((rule.by_pin, rule.claimed), (by_pin, claimed), "{right:?}");
    }
    assert_eq!(WHO_MAY.len(), outturn::setup::RIGHTS.len());
}

#[test]
fn every_described_route_is_in_the_table_and_only_few_are_for_everybody() {
    let table = outturn::web::table();
    for (method, path, _) in crate::support::Contract::shared().operations() {
        assert!(
            table
                .iter()
                .any(|route| route.method == method && route.path == path),
            "{method} {path}"
        );
    }
    let mut open: Vec<String> = table
        .iter()
        .filter(|route| {
            route.needs.is_none()
                && (route.path.starts_with("/api/") || route.method != Method::GET)
        })
        .map(|route| format!("{} {}", route.method, route.path))
        .collect();
    open.sort_unstable();
    let known = [
        "GET /api/authority",
        "GET /api/entrance",
        "POST /api/passwords",
        "POST /api/pin-sign-ins",
        "POST /api/sign-ins",
        "POST /api/sign-outs",
        "POST /api/tablets",
    ];
    assert_eq!(
        open, known,
        "what is open to everybody reads and changes nothing of the book"
    );
}
