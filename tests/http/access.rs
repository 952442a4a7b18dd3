//! Coming in: passwords, PINs, tablets, tokens, and what becomes of those who may no longer.

use reqwest::Method;
use serde_json::{Value, json};

use crate::green::reckoned;
use crate::support::entrance::{
    Cookies, PASSWORD, by_pin, choose_password, cut_off, first_owner, from_a_page, give_pin,
    person, tablet,
};
use crate::support::{Client, Database, Server, merged, roastery};

/// Runs tests on a service where people sign in, on both databases.
macro_rules! behind_the_door {
    ($(async fn $name:ident($server:ident: &Server) $body:block)*) => {$(
        async fn $name($server: &Server) $body

        mod $name {
            use super::{Database, Server};

            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn sqlite() {
                let server = Server::closed(Database::Sqlite, 1).await;
                super::$name(&server).await;
                server.finish().await;
            }

            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn postgres() {
                let server = Server::closed(Database::Postgres, 1).await;
                super::$name(&server).await;
                server.finish().await;
            }
        }
    )*};
}

async fn sign_in(client: &Client, name: &str, password: &str) -> crate::support::Answer {
    client
        .post(
            "/api/sign-ins",
            &json!({"name": name, "password": password}),
        )
        .await
}

/// A tablet with an operator signed in: the tablet, the operator, what the tablet keeps.
async fn floor(server: &Server, owner: &Client) -> (String, String, Cookies) {
    let (operator, _) = person(server, owner, "Ines", "operator").await;
    give_pin(owner, &operator, "2580").await;
    let (device, paired) = tablet(server, owner, "By the drum").await;
    let signed_in = by_pin(server, &paired, &operator, "2580").await;
    (device, operator, signed_in)
}

/// Waste of a lot, kept on a tablet.
fn kept_waste(lot: &str, storeroom: &str, at: &str) -> Value {
    json!({"v": 1, "happened_at": at, "kept": true, "lot": lot, "storeroom": storeroom, "reason": "spilled",
        "weight": {"basis": "reckoned", "mass_g": 250}})
}

behind_the_door! {
    // Who only reads does not wait for the one who writes, and that the device was seen is noted all the same, once the book is free.
    async fn a_device_is_noted_beside_its_request(server: &Server) {
        let owner = first_owner(server).await.client(server);
        server.advance_minutes(11);
        let writing = server.app.store.write().await.unwrap();
        for _ in 0..3 {
            owner.get("/api/lots").await;
        }
        drop(writing);
        let now = server.app.clock.now();
        for tries in 0.. {
            let keys = server.app.read().await.unwrap().device_keys(server.app.site).await.unwrap();
            if keys.iter().any(|key| key.seen_at == now) {
                break;
            }
            assert!(tries < 200, "it is noted");
            tokio::time::sleep(std::time::Duration::from_millis(20)).await;
        }
    }

    async fn the_first_owner_comes_in_by_the_link_and_only_once(server: &Server) {
        let nobody = from_a_page(server);
        assert_eq!(nobody.get("/api/entrance").await["set_up"], false);
        let path = outturn::access::invite_owner(&server.app).await.unwrap().unwrap().path;
        let code = path.rsplit('=').next().unwrap();
        let short = nobody.post("/api/passwords", &json!({"code": code, "password": "too short"})).await;
        assert_eq!(short.pointers(), ["/password"]);
        let body = json!({"code": code, "password": PASSWORD, "name": "Marta"});
        let answer = nobody.post("/api/passwords", &body).await;
        answer.expect(200);
        let owner = Cookies::default().of(&answer).client(server);
        assert_eq!(owner.get("/api/me").await["person"]["name"], "Marta");
        nobody.post("/api/passwords", &body).await.problem(401, "sign-in");
        assert!(outturn::access::invite_owner(&server.app).await.unwrap().is_none(), "an owner can sign in");
        assert_eq!(nobody.get("/api/entrance").await["set_up"], true);
        sign_in(&nobody, "Marta", PASSWORD).await.expect(200);
    }

    async fn wrong_names_and_wrong_passwords_are_answered_alike_and_slowed_down(server: &Server) {
        first_owner(server).await;
        let nobody = from_a_page(server);
        let mut said = Vec::new();
        for name in ["Owner", "Nobody of that name"] {
            for _ in 0..5 {
                said.push(sign_in(&nobody, name, "not the password").await.problem(401, "sign-in")["detail"].clone());
            }
            let waiting = sign_in(&nobody, name, PASSWORD).await;
            assert_eq!(waiting.problem(429, "too-often")["seconds"], 15, "{name}");
            assert_eq!(waiting.header("retry-after"), "15");
        }
        said.dedup();
        assert_eq!(said.len(), 1, "{said:?}");
        server.advance_minutes(1);
        sign_in(&nobody, "Owner", PASSWORD).await.expect(200);
    }

    async fn a_changed_password_signs_the_others_out(server: &Server) {
        let here = first_owner(server).await;
        let there = Cookies::default().of(&sign_in(&from_a_page(server), "Owner", PASSWORD).await);
        let body = json!({"old": PASSWORD, "new": "other words in a row"});
        assert_eq!(here.client(server).post("/api/own/password", &merged(body.clone(), json!({"old": "wrong"}))).await.pointers(), ["/old"]);
        assert_eq!(here.client(server).post("/api/own/password", &body).await.status, 204);
        here.client(server).get("/api/me").await;
        there.client(server).ask("/api/me").await.problem(401, "sign-in");
        sign_in(&from_a_page(server), "Owner", PASSWORD).await.problem(401, "sign-in");
        sign_in(&from_a_page(server), "Owner", "other words in a row").await.expect(200);
    }

    async fn a_pin_is_worth_nothing_away_from_a_paired_tablet(server: &Server) {
        let owner = first_owner(server).await;
        let boss = owner.client(server);
        let (_, operator, signed_in) = floor(server, &boss).await;
        let me = signed_in.client(server).get("/api/me").await;
        assert_eq!(me["device"]["name"], "By the drum");
        assert_eq!(me["person"]["name"], "Ines");
        let body = json!({"person": operator, "pin": "2580"});
        from_a_page(server).post("/api/pin-sign-ins", &body).await.problem(401, "sign-in");
        boss.post("/api/pin-sign-ins", &body).await.problem(401, "sign-in");
        // The session itself is bound to the tablet.
        let elsewhere = Cookies { device: owner.device.clone(), session: signed_in.session.clone() };
        elsewhere.client(server).ask("/api/me").await.problem(401, "sign-in");
        // Names are told to the tablet, not to whoever asks.
        assert_eq!(signed_in.client(server).get("/api/entrance").await["people"][0]["name"], "Ines");
        assert_eq!(from_a_page(server).get("/api/entrance").await["people"], json!([]));
    }

    async fn a_password_on_a_paired_tablet_leaves_it_paired(server: &Server) {
        let boss = first_owner(server).await.client(server);
        let (device, operator, paired) = floor(server, &boss).await;
        let signed_in = sign_in(&paired.client(server), "Owner", PASSWORD).await;
        signed_in.expect(200);
        let tablet = paired.of(&signed_in);
        assert_eq!(tablet.device, paired.device, "it keeps its key");
        let me = tablet.client(server).get("/api/me").await;
        assert_eq!((&me["device"]["id"], &me["person"]["name"]), (&json!(device), &json!("Owner")));
        // Many hands share it: it reaches the floor's rights, for a shift.
        tablet.client(server).ask("/api/access").await.problem(403, "forbidden");
        by_pin(server, &tablet, &operator, "2580").await;
        server.advance_minutes(15 * 60);
        tablet.client(server).ask("/api/me").await.problem(401, "sign-in");
    }

    async fn pins_that_are_easy_to_guess_are_refused_and_guessing_is_slow(server: &Server) {
        let boss = first_owner(server).await.client(server);
        let (_, operator, signed_in) = floor(server, &boss).await;
        for pin in ["123", "1111", "1234", "8765", "123456789", "12a4"] {
            let answer = boss.post(&format!("/api/people/{operator}/pin"), &json!({"new": pin})).await;
            assert_eq!(answer.pointers(), ["/new"], "{pin}");
        }
        let tablet = signed_in.client(server);
        for _ in 0..5 {
            tablet.post("/api/pin-sign-ins", &json!({"person": operator, "pin": "1379"})).await.problem(401, "sign-in");
        }
        tablet.post("/api/pin-sign-ins", &json!({"person": operator, "pin": "2580"})).await.problem(429, "too-often");
    }

    async fn a_pairing_code_is_good_once_and_for_ten_minutes(server: &Server) {
        let boss = first_owner(server).await.client(server);
        let nobody = from_a_page(server);
        let code = boss.post("/api/pairings", &json!({"name": "One"})).await.expect(200)["code"].clone();
        let typed = code.as_str().unwrap().to_lowercase().replace('-', " ");
        nobody.post("/api/tablets", &json!({"code": typed})).await.expect(200);
        nobody.post("/api/tablets", &json!({"code": code})).await.problem(401, "sign-in");
        let late = boss.post("/api/pairings", &json!({"name": "Two"})).await.expect(200)["code"].clone();
        server.advance_minutes(11);
        nobody.post("/api/tablets", &json!({"code": late})).await.problem(401, "sign-in");
    }

    async fn a_posting_bears_the_person_and_the_tablet_and_says_if_the_person_is_only_claimed(server: &Server) {
        let owner = first_owner(server).await;
        let boss = owner.client(server);
        let r = roastery(&boss).await;
        let (device, operator, signed_in) = floor(server, &boss).await;
        let floor = signed_in.client(server);
        let leaf = |position: i64| async move {
            let mut tx = server.app.read().await.unwrap();
            let leaves = tx.leaves(server.app.site, position, 1).await.unwrap();
            serde_json::from_str::<Value>(&leaves[0].leaf).unwrap()
        };
        let (proved, said) = (server.id(), server.id());
        let body = kept_waste(&r.screen_18, &r.storeroom, &server.now());
        floor.put(&format!("/api/wastes/{proved}"), &body).await.expect(201);
        let one = leaf(server.app.read().await.unwrap().head(server.app.site).await.unwrap().unwrap().size - 1).await;
        assert_eq!((one["person"].as_str(), one["device"].as_str()), (Some(operator.as_str()), Some(device.as_str())));
        assert!(one.get("claimed").is_none(), "{one}");
        // The shift is over, the tablet sends what it kept: it is the tablet's word who weighed.
        server.advance_minutes(15 * 60);
        floor.put(&format!("/api/wastes/{said}"), &body).await.problem(401, "sign-in");
        let claiming = signed_in.client(server).showing("outturn-person", operator.clone());
        claiming.put(&format!("/api/wastes/{said}"), &body).await.expect(201);
        let two = leaf(server.app.read().await.unwrap().head(server.app.site).await.unwrap().unwrap().size - 1).await;
        assert_eq!((two["person"].as_str(), &two["claimed"]), (Some(operator.as_str()), &json!(true)));
        // What was sent while signed in is known again when it comes once more as claimed.
        claiming.put(&format!("/api/wastes/{proved}"), &body).await.expect(200);
        // Nothing live is taken on a tablet's word, and nobody without a PIN is spoken for.
        let mut live = body.clone();
        live["kept"] = json!(false);
        claiming.put(&format!("/api/wastes/{}", server.id()), &live).await.problem(401, "sign-in");
        let owner_id = server.app.owner.to_string();
        let as_owner = signed_in.client(server).showing("outturn-person", owner_id);
        as_owner.put(&format!("/api/wastes/{}", server.id()), &body).await.problem(403, "forbidden");
    }

    async fn what_a_cut_off_tablet_sends_waits_for_a_person_and_is_limited(server: &Server) {
        let boss = first_owner(server).await.client(server);
        let r = roastery(&boss).await;
        let (device, operator, signed_in) = floor(server, &boss).await;
        let tablet = signed_in.client(server).showing("outturn-person", operator.clone());
        let body = kept_waste(&r.screen_18, &r.storeroom, &server.now());
        let before = server.id();
        tablet.put(&format!("/api/wastes/{before}"), &body).await.expect(201);
        let stock = boss.get("/api/stock").await;
        cut_off(&boss, &device).await;
        tablet.put(&format!("/api/wastes/{before}"), &body).await.expect(200);
        let id = server.id();
        tablet.put(&format!("/api/wastes/{id}"), &body).await.expect(202);
        tablet.put(&format!("/api/wastes/{id}"), &body).await.expect(202);
        let waiting = boss.get("/api/unsettled").await;
        assert_eq!(waiting["items"].as_array().unwrap().len(), 1);
        assert_eq!(boss.get("/api/stock").await, stock, "nothing is booked");
        tablet.ask("/api/cards").await.problem(403, "cut-off");
        let mut long = body.clone();
        long["weight"] = json!({"basis": "weighed", "scale": r.floor_scale, "source": "typed",
            "readings": vec![json!({"gross": "1.00", "container": "x".repeat(100)}); 200]});
        tablet.put(&format!("/api/wastes/{}", server.id()), &long).await.problem(413, "too-large");
        // It stays cut off, and names are no longer told to it.
        assert_eq!(tablet.get("/api/entrance").await["cut_off"], true);
        let record = boss.get(&format!("/api/devices/{device}")).await;
        let back = json!({"name": record["name"], "kind": "tablet"});
        let answer = boss.change(&format!("/api/devices/{device}"), record["revision"].as_i64().unwrap(), &back).await;
        assert_eq!(answer.pointers(), ["/retired"]);
    }

    async fn a_token_does_what_it_was_made_for_and_no_more(server: &Server) {
        let boss = first_owner(server).await.client(server);
        let asked = json!({"name": "Shop", "rights": ["read", "plan"], "days": 30});
        let made = boss.post("/api/tokens", &asked).await.expect(200);
        let program = server.another().with_token(made["token"].as_str().unwrap());
        assert_eq!(program.get("/api/me").await["rights"], json!(["read", "plan"]));
        program.ask("/api/access").await.problem(403, "forbidden");
        program.put(&format!("/api/people/{}", server.id()), &json!({"name": "X", "role": "owner"})).await.problem(403, "forbidden");
        let text = serde_json::to_string(&boss.get("/api/devices").await).unwrap();
        assert!(!text.contains(made["token"].as_str().unwrap()), "a token is shown once");
        let lower = server.another().showing("authorization", format!("bearer {}", made["token"].as_str().unwrap()));
        assert_eq!(lower.get("/api/me").await["rights"], json!(["read", "plan"]), "the scheme's case says nothing");
        // A program whose person may do less may do less too.
        let (planner, cookies) = person(server, &boss, "Rui", "planner").await;
        boss.put_change("people", &planner, json!({"role": "auditor"})).await;
        cookies.client(server).put(&format!("/api/coffees/{}", server.id()), &json!({"name": "Kivu"})).await.problem(403, "forbidden");
    }

    async fn a_token_gives_no_more_than_it_has(server: &Server) {
        let boss = first_owner(server).await.client(server);
        let all = ["read", "floor", "green", "count", "judge", "find", "plan", "set_up", "close", "run"];
        let made = boss.post("/api/tokens", &json!({"name": "Keys", "rights": all, "days": 1})).await.expect(200);
        let program = server.another().with_token(made["token"].as_str().unwrap());
        let me = program.get("/api/me").await["person"]["id"].as_str().unwrap().to_owned();
        let size = boss.log_size().await;
        // One that lives longer, one that may do less: a token makes none at all, and lets nobody in by another way.
        for days in [400, 1] {
            let asked = json!({"name": "More", "rights": ["read"], "days": days});
            program.post("/api/tokens", &asked).await.problem(403, "forbidden");
        }
        program.post(&format!("/api/people/{me}/invitations"), &json!({})).await.problem(403, "forbidden");
        program.post(&format!("/api/people/{me}/pin"), &json!({"new": "2580"})).await.problem(403, "forbidden");
        program.post("/api/pairings", &json!({"name": "Mine"})).await.problem(403, "forbidden");
        program.put(&format!("/api/people/{}", server.id()), &json!({"name": "X", "role": "owner"})).await.problem(403, "forbidden");
        assert_eq!(boss.log_size().await, size);
        for never in ["people", "own"] {
            let answer = boss.post("/api/tokens", &json!({"name": "Never", "rights": ["read", never], "days": 1})).await;
            assert_eq!(answer.pointers(), ["/rights"], "{}", answer.text);
        }
    }

    async fn undoing_needs_the_right_of_what_is_undone(server: &Server) {
        let boss = first_owner(server).await.client(server);
        let r = roastery(&boss).await;
        let token = async |rights: Value| {
            let made = boss.post("/api/tokens", &json!({"name": rights.to_string(), "rights": rights, "days": 30})).await.expect(200);
            server.another().with_token(made["token"].as_str().unwrap())
        };
        let program = token(json!(["read", "floor"])).await;
        let (lot, room) = (&r.washed, &r.storeroom);
        let loft = boss.put_new("storerooms", json!({"name": "Loft"})).await;
        let of_lot = |grams: i64| json!({"lot": lot, "storeroom": room, "weight": reckoned(grams)});
        let batch = boss.id();
        let weigh_in = json!({"batch": batch, "lot": lot, "style": r.dark, "roaster": r.drum, "weight": reckoned(10_000)});
        boss.command("weigh-ins", weigh_in).await;
        boss.command("weigh-outs", json!({"batches": [batch], "weight": reckoned(8_350)})).await;
        let booked = [
            ("green", "receipts", json!({"delivery": r.huila_delivery, "lines": [of_lot(1_000)]})),
            ("green", "returns", of_lot(1_000)),
            ("green", "transfers", json!({"lot": lot, "from": room, "to": loft, "weight": reckoned(1_000)})),
            ("green", "dryings", of_lot(100)),
            ("green", "samples", merged(of_lot(300), json!({"purpose": "cupping"}))),
            ("green", "wastes", of_lot(80)),
            ("green", "blends", json!({"lot": r.peaberry, "storeroom": room, "parts": [of_lot(100)]})),
            ("count", "used-ups", json!({"lot": lot, "storeroom": room, "confirmed": ["far_from_book"]})),
            ("judge", "corrections", json!({"batch": batch, "roasted_g": 8_300, "reason": "misread"})),
        ];
        for (right, name, body) in booked {
            let id = boss.id();
            boss.order(name, &id, body.clone()).await.expect(201);
            program.order(name, &program.id(), body).await.problem(403, "forbidden");
            let refused = program.order("reversals", &program.id(), json!({"posting": id})).await;
            refused.problem(403, "forbidden");
            let with_it = token(json!(["floor", right])).await;
            with_it.order("reversals", &with_it.id(), json!({"posting": id})).await.expect(201);
        }
        // What is of the floor needs no more than that.
        let undo = boss.get(&format!("/api/batches/{batch}")).await["undo"].clone();
        program.order("reversals", &program.id(), json!({"posting": undo})).await.expect(201);
    }

    async fn what_an_operator_may_not_undo_waits_when_a_tablet_kept_it(server: &Server) {
        let boss = first_owner(server).await.client(server);
        let r = roastery(&boss).await;
        let (_, operator, signed_in) = floor(server, &boss).await;
        let tablet = signed_in.client(server);
        let batch = boss.id();
        let weigh_in = json!({"batch": batch, "lot": r.washed, "style": r.dark, "roaster": r.drum, "weight": reckoned(10_000)});
        tablet.command("weigh-ins", weigh_in).await;
        tablet.command("weigh-outs", json!({"batches": [batch], "weight": reckoned(8_350)})).await;
        let correction = boss.id();
        boss.order("corrections", &correction, json!({"batch": batch, "roasted_g": 8_300, "reason": "misread"})).await.expect(201);
        let undo = json!({"posting": correction});
        tablet.order("reversals", &boss.id(), undo.clone()).await.problem(403, "forbidden");
        let claiming = signed_in.client(server).showing("outturn-person", operator);
        claiming.order("reversals", &boss.id(), merged(undo.clone(), json!({"kept": true}))).await.expect(202);
        assert_eq!(boss.get("/api/unsettled").await["items"].as_array().unwrap().len(), 1);
        boss.order("reversals", &boss.id(), undo).await.expect(201);
    }

    async fn the_last_owner_stays(server: &Server) {
        let boss = first_owner(server).await.client(server);
        let me = boss.get("/api/me").await["person"].clone();
        let path = format!("/api/people/{}", me["id"].as_str().unwrap());
        let answer = boss.change(&path, 1, &json!({"name": "Owner", "role": "auditor"})).await;
        assert_eq!(answer.pointers(), ["/role"]);
        let answer = boss.change(&path, 1, &json!({"name": "Owner", "role": "owner", "retired": true})).await;
        assert_eq!(answer.pointers(), ["/retired"]);
    }

    async fn an_open_line_ends_when_who_may_come_in_changes(server: &Server) {
        let cookies = first_owner(server).await;
        let boss = cookies.client(server);
        let (id, _) = person(server, &boss, "Ines", "operator").await;
        let listening = boss.request(Method::GET, "/api/events").send().await.unwrap();
        boss.put_change("people", &id, json!({"retired": true})).await;
        let text = tokio::time::timeout(std::time::Duration::from_secs(20), listening.text()).await;
        assert!(text.expect("the line ends").unwrap().contains("retry: 200"));
    }

    async fn an_invitation_replaces_the_one_before(server: &Server) {
        let boss = first_owner(server).await.client(server);
        let id = boss.put_new("people", json!({"name": "Ines", "role": "auditor"})).await;
        let invite = || async { boss.send(boss.request(Method::POST, &format!("/api/people/{id}/invitations"))).await.expect(200)["path"].as_str().unwrap().to_owned() };
        let (first, second) = (invite().await, invite().await);
        let code = first.rsplit('=').next().unwrap();
        from_a_page(server).post("/api/passwords", &json!({"code": code, "password": PASSWORD})).await.problem(401, "sign-in");
        choose_password(server, &second).await.client(server).get("/api/me").await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn secrets_are_in_no_leaf_and_no_plain_text() {
    let server = Server::closed(Database::Sqlite, 1).await;
    let owner = first_owner(&server).await;
    let boss = owner.client(&server);
    floor(&server, &boss).await;
    let token = boss
        .post(
            "/api/tokens",
            &json!({"name": "Shop", "rights": ["read"], "days": 3}),
        )
        .await
        .expect(200)["token"]
        .as_str()
        .unwrap()
        .to_owned();
    let mut tx = server.app.read().await.unwrap();
    let leaves = tx.leaves(server.app.site, 0, 10_000).await.unwrap();
    drop(tx);
    let book: String = leaves.into_iter().map(|row| row.leaf).collect();
    let file = server
        .database_url()
        .trim_start_matches("sqlite:")
        .to_owned();
    let mut disk = std::fs::read(&file).unwrap();
    disk.extend(std::fs::read(format!("{file}-wal")).unwrap_or_default());
    let disk = String::from_utf8_lossy(&disk).into_owned();
    for secret in [
        owner.device.as_str(),
        owner.session.as_str(),
        &token,
        PASSWORD,
    ] {
        assert!(
            !book.contains(secret) && !disk.contains(secret),
            "a secret lies in the open"
        );
    }
    assert!(!book.contains("argon2"), "no hash is in the book");
    assert!(disk.contains("$argon2id$"), "the hash lies beside the book");
    server.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn answers_are_private_and_pages_run_nothing_from_elsewhere() {
    let server = Server::closed(Database::Sqlite, 1).await;
    let boss = first_owner(&server).await.client(&server);
    let answer = boss.ask("/api/me").await;
    assert_eq!(answer.header("cache-control"), "no-store");
    for page in ["/floor", "/sign-in", "/people", "/trust"] {
        let page = server.ask(page).await;
        assert_eq!(page.status, 200);
        let policy = page.header("content-security-policy").to_owned();
        assert!(
            policy.starts_with("default-src 'none'") && !policy.contains("unsafe"),
            "{policy}"
        );
        assert_eq!(page.header("x-content-type-options"), "nosniff");
        assert!(
            !page.text.contains("<style")
                && !page.text.contains(" style=")
                && !page.text.contains("onclick"),
            "nothing inline"
        );
    }
    server.finish().await;
}
