//! A copy of a book: carried between databases it keeps its head and every byte, and what is damaged or cut off is refused with its line.

use std::io::Cursor;
use std::process::{Command, Output};

use outturn::audit::copy;
use outturn::audit::verify::verify;
use outturn::book::seal::{Checkpoint, PublicKey, SealKey};
use outturn::store::{self, Store};
use serde_json::json;

use crate::support::{Database, Home, Roastery, Server, each_database, roastery};
use crate::tamper::busy_weeks;

/// A copy of what a database holds.
pub async fn copied(store: &dyn Store) -> Vec<u8> {
    let mut tx = store.read().await.unwrap();
    let mut bytes = Vec::new();
    copy::write(&mut *tx, &mut bytes).await.unwrap();
    bytes
}

/// Takes a copy into a new database, and shows that it holds there, and that a copy of it is the same to the byte.
pub async fn carries(bytes: &[u8], database: Database) {
    let home = Home::new(database).await;
    let store = store::open(&home.url()).await.unwrap();
    let reports = copy::take(&*store, Cursor::new(bytes)).await.unwrap();
    assert!(reports.iter().all(|report| report.ok));
    let mut tx = store.read().await.unwrap();
    for site in tx.sites().await.unwrap() {
        let report = verify(&mut *tx, site).await.unwrap();
        assert!(report.ok, "{report}");
    }
    drop(tx);
    let again = copied(&*store).await;
    assert!(again == bytes, "a copy of the copy differs");
    let error = copy::take(&*store, Cursor::new(bytes)).await.unwrap_err();
    assert!(
        error
            .to_string()
            .contains("a book in this database already"),
        "{error}"
    );
    store.close().await;
    home.remove().await;
}

/// Takes what was damaged into a new database: the line that is named, and nothing is there.
async fn refused(bytes: &[u8]) -> u64 {
    let home = Home::new(Database::Sqlite).await;
    let store = store::open(&home.url()).await.unwrap();
    let error = copy::take(&*store, Cursor::new(bytes)).await.unwrap_err();
    assert!(
        store
            .read()
            .await
            .unwrap()
            .sites()
            .await
            .unwrap()
            .is_empty()
    );
    store.close().await;
    line_of(&error)
}

fn line_of(error: &copy::CopyError) -> u64 {
    match error {
        copy::CopyError::Line { line, .. } | copy::CopyError::Read { line, .. } => *line,
        other => panic!("{other} names no line"),
    }
}

fn lines(bytes: &[u8]) -> Vec<&[u8]> {
    bytes.split_inclusive(|byte| *byte == b'\n').collect()
}

async fn busy(server: &Server) -> (Roastery, Vec<u8>) {
    let r = roastery(server).await;
    busy_weeks(server, &r).await;
    let bytes = copied(&*server.app.store).await;
    (r, bytes)
}

/// The key of every book in these tests.
fn key(server: &Server) -> PublicKey {
    let name = outturn::book::seal::origin(server.app.site);
    SealKey::of_secret(&[7; 32]).public(name)
}

fn program(arguments: &[&str]) -> Output {
    let mut program = Command::new(env!("CARGO_BIN_EXE_outturn"));
    program
        .env_remove("DATABASE_URL")
        .args(arguments)
        .output()
        .unwrap()
}

fn says(output: &Output) -> String {
    let (out, err) = (
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr),
    );
    format!("{out}{err}")
}

each_database! {
    async fn a_book_is_carried_to_both_databases_with_the_same_head(server: &Server) {
        let (_, bytes) = busy(server).await;
        let head = server.get("/api/log").await;
        let first: serde_json::Value = serde_json::from_slice(lines(&bytes)[0]).unwrap();
        assert_eq!([&first["root"], &first["size"], &first["site"]], [&head["root"], &head["size"], &head["site"]]);
        for database in [Database::Sqlite, Database::Postgres] {
            carries(&bytes, database).await;
        }
    }

    /// Who carries a book away in the middle of a command's repeats is answered the same from the copy.
    async fn a_command_sent_again_to_the_copy_is_answered_the_same(server: &Server) {
        let r = roastery(server).await;
        let body = json!({"lot": r.washed, "storeroom": r.storeroom, "weight": r.weighed("0.30")});
        let (id, happened_at) = (server.id(), server.now());
        let body = crate::support::merged(body, json!({"v": 1, "happened_at": happened_at}));
        let answer = server.put(&format!("/api/samples/{id}"), &body).await.expect(201);
        let bytes = copied(&*server.app.store).await;
        let home = Home::new(server.database()).await;
        let store = store::open(&home.url()).await.unwrap();
        copy::take(&*store, Cursor::new(&bytes[..])).await.unwrap();
        store.close().await;
        let other = Server::at(home, 5).await;
        assert_eq!(other.put(&format!("/api/samples/{id}"), &body).await.expect(200), answer);
        other.command("samples", json!({"lot": r.washed, "storeroom": r.storeroom, "weight": r.weighed("0.20")})).await;
        other.finish().await;
    }

    /// One byte changed anywhere is seen, at its line: a line of hashes speaks for the leaves that follow it.
    async fn a_damaged_line_is_named(server: &Server) {
        let (_, bytes) = busy(server).await;
        assert!(copy::check(Cursor::new(&bytes[..]), &[]).unwrap()[0].report.ok);
        let whole = lines(&bytes);
        let mut start = 0;
        for (i, line) in whole.iter().enumerate() {
            let number = i as u64 + 1;
            for at in [0, line.len() / 3, line.len() / 2, line.len() - 3, line.len() - 1] {
                let mut other = bytes.clone();
                other[start + at] = if other[start + at] == b'1' { b'2' } else { b'1' };
                let error = copy::check(Cursor::new(&other[..]), &[]).expect_err("a changed byte");
                let named = line_of(&error);
                let hashes = line.starts_with(b"{\"hashes\"");
                assert!(named == number || (named > number && (hashes || i == 0)), "byte {at} of line {number}: {error}");
            }
            start += line.len();
        }
        for i in [0, 1, 2, whole.len() / 2, whole.len() - 2, whole.len() - 1] {
            let mut other = bytes.clone();
            let start: usize = whole[..i].iter().map(|line| line.len()).sum();
            other[start + whole[i].len() / 2] ^= 1;
            assert!(refused(&other).await > i as u64, "line {}", i + 1);
        }
    }

    async fn a_copy_that_is_cut_or_has_a_line_too_few_or_many_is_refused(server: &Server) {
        let (_, bytes) = busy(server).await;
        let whole = lines(&bytes);
        for end in [0, 1, bytes.len() / 4, bytes.len() / 2, bytes.len() - 1] {
            let cut = bytes[..end].iter().filter(|byte| **byte == b'\n').count() as u64;
            assert_eq!(refused(&bytes[..end]).await, cut + 1, "cut at {end}");
        }
        for i in 0..whole.len() {
            let cut = whole[..i].concat();
            assert_eq!(line_of(&copy::check(Cursor::new(&cut[..]), &[]).unwrap_err()), i as u64 + 1);
            let less = [&whole[..i], &whole[i + 1..]].concat().concat();
            copy::check(Cursor::new(&less[..]), &[]).expect_err("a line is missing");
            let more = [&whole[..=i], &whole[i..]].concat().concat();
            copy::check(Cursor::new(&more[..]), &[]).expect_err("a line stands there twice");
        }
    }

    /// Hashes can be made anew; what cannot be stays impossible.
    async fn a_book_that_cannot_be_is_refused_however_well_it_is_hashed(server: &Server) {
        let (_, bytes) = busy(server).await;
        let text = String::from_utf8(bytes).unwrap();
        // A sample of ten times the store.
        let forged = crate::copies::rehashed(&text, |leaf| {
            leaf.replace("\"mass_mg\":300000,", "\"mass_mg\":3000000000,")
        });
        let checked = copy::check(Cursor::new(forged.as_bytes()), &[]).unwrap();
        let report = &checked[0].report;
        assert!(!report.ok && report.places.iter().any(|fault| fault.what.contains("more of lot")), "{report}");
        refused(forged.as_bytes()).await;
        // A closing that says something else stood there.
        let forged = crate::copies::rehashed(&text, |leaf| {
            if leaf.contains("\"totals\"") { leaf.replacen("\"place\":\"store\"", "\"place\":\"waste\"", 1) } else { leaf.to_owned() }
        });
        let checked = copy::check(Cursor::new(forged.as_bytes()), &[]).unwrap();
        assert!(checked[0].report.places.iter().any(|fault| fault.what.contains("totals")), "{}", checked[0].report);
    }

    async fn a_seal_is_made_with_each_closing_and_holds_for_ever(server: &Server) {
        let (_, bytes) = busy(server).await;
        let seals = server.get("/api/seals").await;
        assert_eq!(seals["key"], key(server).to_string());
        let items = seals["items"].as_array().unwrap();
        assert_eq!(items.len(), 2);
        let closings = server.get("/api/closings").await;
        let mut given = Vec::new();
        for (seal, closing) in items.iter().zip(closings["items"].as_array().unwrap()) {
            assert_eq!([&seal["closing"], &seal["to_day"], &seal["size"]], [&closing["id"], &closing["to_day"], &closing["known"]]);
            let note = server.ask(&format!("/api/closings/{}/seal.txt", closing["id"].as_str().unwrap())).await;
            assert_eq!(note.text, seal["note"].as_str().unwrap());
            given.push(Checkpoint::read(key(server).open(&note.text).unwrap()).unwrap());
        }
        // The closing and the seals say the same of what stood in the house.
        let totals = server.get(&format!("/api/closings/{}", items[1]["closing"].as_str().unwrap())).await;
        for total in totals["totals"].as_array().unwrap().iter().filter(|t| t["place"] == "store") {
            let mg = (total["mass_g"].as_f64().unwrap() * 1_000.0).round();
            let line = format!("lot {} store {mg} mg", total["lot"].as_str().unwrap());
            assert!(given[1].lines.contains(&line), "{line} in {:?}", given[1].lines);
        }
        let checked = copy::check(Cursor::new(&bytes[..]), &given).unwrap();
        assert!(checked[0].seals.iter().all(|seal| seal.fault.is_none()), "{:?}", checked[0].seals);
        let mut tx = server.app.read().await.unwrap();
        let live = outturn::audit::seal::check(&mut *tx, server.app.site, given.clone()).await.unwrap();
        assert!(live.iter().all(|seal| seal.fault.is_none()));
        // Every bit of a root, of a size and of a mass is bound.
        for wrong in [
            Checkpoint { root: [0; 32], ..given[0].clone() },
            Checkpoint { size: given[0].size - 1, ..given[0].clone() },
            Checkpoint { size: given[1].size + 1_000, ..given[1].clone() },
            Checkpoint { lines: given[0].lines[1..].to_vec(), ..given[0].clone() },
        ] {
            let live = outturn::audit::seal::check(&mut *tx, server.app.site, vec![wrong.clone(), given[1].clone()]).await.unwrap();
            assert!(live.iter().any(|seal| seal.fault.is_some()), "{wrong:?}");
        }
    }

    /// The leaves behind the seal may be forged with all their hashes: the seal from outside still tells.
    async fn a_rewritten_past_does_not_fit_its_seal(server: &Server) {
        let (_, bytes) = busy(server).await;
        let seals = server.get("/api/seals").await;
        let note = seals["items"][0]["note"].as_str().unwrap();
        let given = Checkpoint::read(key(server).open(note).unwrap()).unwrap();
        let text = String::from_utf8(bytes).unwrap();
        let forged = rehashed(&text, |leaf| leaf.replace("Lakeside Exports", "Seaside Exports"));
        let checked = copy::check(Cursor::new(forged.as_bytes()), std::slice::from_ref(&given)).unwrap();
        let fault = checked[0].seals[0].fault.clone().unwrap();
        assert!(fault.contains("another root"), "{fault}");
        // The seals kept in the log tell too, unless the forger has the key.
        assert!(!checked[0].report.ok);
    }

    async fn a_later_seal_only_adds_to_an_earlier(server: &Server) {
        busy(server).await;
        let seals = server.get("/api/seals").await;
        let head = |i: usize| -> (u64, [u8; 32]) {
            let seal = &seals["items"][i];
            (seal["size"].as_u64().unwrap(), hex::decode(seal["root"].as_str().unwrap()).unwrap().try_into().unwrap())
        };
        let (old, new) = (head(0), head(1));
        let path = format!("/api/log/consistency?old={}&new={}", old.0, new.0);
        let proof: outturn::audit::Consistency = serde_json::from_value(server.get(&path).await).unwrap();
        assert!(proof.shows(old, new));
        assert!(!proof.shows(new, old));
        assert!(!proof.shows((old.0, new.1), new));
        server.ask(&format!("/api/log/consistency?old={}&new={}", new.0, old.0)).await.problem(422, "invalid");
        server.ask(&format!("/api/log/consistency?old=1&new={}", new.0 + 1_000)).await.problem(422, "invalid");
    }

    /// The drill: a copy each day while people work, and the book restored from the last one after its database is gone.
    async fn the_book_comes_back_from_a_daily_copy(server: &Server) {
        let r = roastery(server).await;
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(server.get("/api/copies").await, json!({"kept": false, "items": []}));
        server.app.copies.set(folder.path().to_owned()).unwrap();
        let mut last = String::new();
        for _ in 0..40 {
            let weight = json!({"basis": "reckoned", "mass_g": 1});
            let work = (0..4).map(|_| server.command("dryings", json!({"lot": r.washed, "storeroom": r.storeroom, "weight": weight})));
            let (made, _) = tokio::join!(outturn::daily::make(&server.app, folder.path()), futures_util::future::join_all(work));
            last = made.unwrap().expect("a copy").file;
            assert_eq!(outturn::daily::make(&server.app, folder.path()).await.unwrap(), None, "once a day");
            server.advance_minutes(24 * 60);
        }
        let kept = server.get("/api/copies").await;
        let items = kept["items"].as_array().unwrap();
        assert_eq!(kept["kept"], json!(true));
        assert_eq!(items.len(), 14 + 1, "two weeks, and the last of November: {kept}");
        assert_eq!(items[0]["file"], json!(last));
        let bytes = std::fs::read(folder.path().join(&last)).unwrap();
        for database in [Database::Sqlite, Database::Postgres] {
            carries(&bytes, database).await;
        }
        let mut damaged = bytes.clone();
        damaged[bytes.len() / 2] ^= 1;
        assert!(refused(&damaged).await > 1);
        let left: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
        assert!(left.iter().all(|name| name.to_string_lossy().ends_with(".jsonl")), "{left:?}");
    }

    /// On a machine that has only files: the program itself.
    async fn the_command_line_carries_and_checks(server: &Server) {
        let (_, bytes) = busy(server).await;
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name).to_string_lossy().into_owned();
        let url = server.database_url();
        let done = program(&["export", "book", &at("book.jsonl"), "--database", &url]);
        assert!(done.status.success(), "{}", says(&done));
        assert_eq!(std::fs::read(at("book.jsonl")).unwrap(), bytes);
        assert_eq!(program(&["export", "book", "--database", &url]).stdout, bytes);
        let done = program(&["import", "book", &at("book.jsonl"), "--database", &format!("sqlite:{}", at("other.sqlite"))]);
        assert!(done.status.success() && says(&done).contains("The book holds"), "{}", says(&done));
        let again = program(&["export", "book", "--database", &format!("sqlite:{}", at("other.sqlite"))]);
        assert_eq!(again.stdout, bytes);
        let seals = server.get("/api/seals").await;
        std::fs::write(at("key"), seals["key"].as_str().unwrap()).unwrap();
        for (i, seal) in seals["items"].as_array().unwrap().iter().enumerate() {
            std::fs::write(at(&format!("seal-{i}")), seal["note"].as_str().unwrap()).unwrap();
        }
        let two = [at("seal-0"), at("seal-1")];
        let seals_of = ["--seal", &two[0], "--seal", &two[1], "--key", &at("key")];
        let good = program(&[&["verify", "--book", &at("book.jsonl")], &seals_of[..]].concat());
        assert!(good.status.success() && says(&good).matches("holds").count() == 3, "{}", says(&good));
        let good = program(&[&["verify", "--database", &url], &seals_of[..]].concat());
        assert!(good.status.success(), "{}", says(&good));
        let sizes = [0, 1].map(|i| seals["items"][i]["size"].as_u64().unwrap());
        let proof = server.ask(&format!("/api/log/consistency?old={}&new={}", sizes[0], sizes[1])).await;
        std::fs::write(at("proof"), &proof.text).unwrap();
        let good = program(&[&["verify", "--proof", &at("proof")], &seals_of[..]].concat());
        assert!(good.status.success() && says(&good).contains("only adds"), "{}", says(&good));
        if server.database() == Database::Sqlite {
            keep_for_the_reference(folder.path());
        }
        std::fs::write(at("proof"), proof.text.replacen('a', "b", 1)).unwrap();
        let bad = program(&[&["verify", "--proof", &at("proof")], &seals_of[..]].concat());
        assert!(!bad.status.success() && says(&bad).contains("NOT"), "{}", says(&bad));
        let mut cut = bytes.clone();
        cut.truncate(bytes.len() / 2);
        std::fs::write(at("cut.jsonl"), &cut).unwrap();
        for arguments in [vec!["verify", "--book"], vec!["import", "book", "--database", "sqlite::memory:"]] {
            let file = at("cut.jsonl");
            let bad = program(&[arguments, vec![&file]].concat());
            assert!(!bad.status.success() && says(&bad).contains("line "), "{}", says(&bad));
        }
        let bad = program(&["export", "book", "--database", &format!("sqlite:{}", at("nobody.sqlite"))]);
        assert!(!bad.status.success() && says(&bad).contains("there is no file"), "{}", says(&bad));
        let forged = std::fs::read_to_string(at("seal-0")).unwrap().replacen("store", "waste", 1);
        std::fs::write(at("seal-0"), forged).unwrap();
        let bad = program(&[&["verify", "--book", &at("book.jsonl")], &seals_of[..]].concat());
        assert!(!bad.status.success() && says(&bad).contains("signature"), "{}", says(&bad));
    }
}

/// What `tests/reference/seals/check.py` checks with nothing of this program.
fn keep_for_the_reference(folder: &std::path::Path) {
    let to = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("seals");
    std::fs::create_dir_all(&to).unwrap();
    for name in ["book.jsonl", "key", "seal-0", "seal-1", "proof"] {
        std::fs::copy(folder.join(name), to.join(name)).unwrap();
    }
}

/// A copy with leaves changed and all hashes made anew, as a forger would.
pub fn rehashed(text: &str, change: impl Fn(&str) -> String) -> String {
    use outturn::book::canonical;
    use outturn::book::merkle::{Frontier, leaf_hash};
    use sha2::{Digest, Sha256};
    let mut tree = Frontier::default();
    let (mut leaves, mut commands) = (Vec::new(), Vec::new());
    for line in text.lines().skip(1) {
        if line.contains("\"leaf\":") && !line.starts_with("{\"answer\"") {
            let value: serde_json::Value = serde_json::from_str(&change(line)).unwrap();
            leaves.push(canonical::text(&value));
        } else if line.starts_with("{\"answer\"") {
            commands.push(line);
        }
    }
    leaves
        .iter()
        .for_each(|leaf| tree.push(leaf_hash(leaf.as_bytes())));
    let mut first: serde_json::Value = serde_json::from_str(text.lines().next().unwrap()).unwrap();
    first["root"] = json!(hex::encode(tree.root()));
    let mut made = vec![canonical::text(&first)];
    for some in leaves.chunks(256) {
        let hashes: Vec<String> = some
            .iter()
            .map(|leaf| hex::encode(leaf_hash(leaf.as_bytes())))
            .collect();
        made.push(canonical::text(&json!({ "hashes": hashes })));
        made.extend(some.iter().cloned());
    }
    made.extend(commands.iter().map(|line| (*line).to_owned()));
    let body = made.join("\n") + "\n";
    let end =
        json!({"commands": commands.len(), "sha256": hex::encode(Sha256::digest(body.as_bytes()))});
    format!("{body}{}\n", canonical::text(&end))
}
