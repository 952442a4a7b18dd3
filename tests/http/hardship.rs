//! What a disk, a file and a clock can do to the program while people work: each is said in words that help, nothing that was answered is
//! lost, and it goes on by itself when the cause is gone.

use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Read, Seek, SeekFrom, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::{Value, json};
use sqlx::{Connection, Executor};

use crate::green::reckoned;
use crate::program::{OUTTURN, Program, Refused, run, serving, token, token_args};
use crate::support::{Answer, Client, Roastery, each_database, roastery};

/// A folder with a book and its keys.
struct Place {
    folder: tempfile::TempDir,
}

impl Place {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        Self { folder }
    }

    fn path(&self) -> &Path {
        self.folder.path()
    }

    fn book(&self) -> PathBuf {
        self.path().join("book.sqlite")
    }

    fn url(&self) -> String {
        format!("sqlite:{}", self.book().display())
    }

    fn start(&self) -> Program {
        Program::start(&self.url(), self.path())
    }

    fn refused(&self) -> Refused {
        match Program::try_start(&self.url(), self.path()) {
            Ok(_) => panic!("it serves"),
            Err(refused) => refused,
        }
    }

    /// Starts it with a roastery in it.
    async fn furnished(&self) -> (Program, Shift) {
        let program = self.start();
        let shift = Shift::on(&program, token(&self.url())).await;
        (program, shift)
    }
}

/// Green that comes kilogram by kilogram, and what the service answered to it.
struct Shift {
    client: Client,
    made: Roastery,
    /// Path and body of each receipt that was answered.
    answered: Vec<(String, Value, Value)>,
}

impl Shift {
    async fn on(program: &Program, token: String) -> Self {
        let client = program.client(&token, 1);
        let made = roastery(&client).await;
        Self {
            client,
            made,
            answered: Vec::new(),
        }
    }

    /// The same people at a program that was started again.
    fn at(&mut self, program: &Program) {
        self.client.address.clone_from(&program.address);
    }

    fn receipt(&self) -> (String, Value) {
        let line = json!({"lot": self.made.peaberry, "storeroom": self.made.storeroom, "weight": reckoned(1_000)});
        let body = json!({"v": 1, "happened_at": self.client.now(), "delivery": self.made.kivu_delivery, "lines": [line],
            "reason": "a receipt with a few words, so that it takes up room"});
        (format!("/api/receipts/{}", self.client.id()), body)
    }

    /// Sends a receipt; an answer is written down.
    async fn send(&mut self, (path, body): (String, Value)) -> Answer {
        let answer = self.client.put(&path, &body).await;
        if answer.status == 201 {
            self.answered.push((path, body, answer.json()));
        }
        answer
    }

    async fn receive(&mut self) {
        let receipt = self.receipt();
        self.send(receipt).await.expect(201);
    }

    /// Everything that was answered is there, once.
    async fn check(&self) {
        for (path, body, answer) in &self.answered {
            assert_eq!(&self.client.put(path, body).await.expect(200), answer);
        }
        let lot = self
            .client
            .get(&format!("/api/lots/{}", self.made.peaberry))
            .await;
        let kilograms = i64::try_from(self.answered.len()).unwrap();
        assert_eq!(lot["store_g"], 120_000 + 1_000 * kilograms);
    }

    async fn check_all(&self) {
        self.check().await;
        assert_eq!(self.client.get("/api/verify").await["ok"], true);
    }
}

/// Says why a test cannot be made on this machine.
fn skipped(why: &str) {
    eprintln!("not tried here: {why}");
}

/// A small file system of its own for a process, without being root: a user and mount namespace (Linux, user_namespaces(7)).
fn on_small_disk(mount: &Path, keys: &Path) -> Option<Command> {
    let may = Command::new("unshare")
        .args(["-Urm", "mount", "-t", "tmpfs", "tmpfs"])
        .arg(mount)
        .output();
    if !may.is_ok_and(|tried| tried.status.success()) {
        skipped("this machine lets nobody mount a small disk (unshare -Urm)");
        return None;
    }
    let mut command = Command::new("unshare");
    let script = "mount -t tmpfs -o size=16m tmpfs \"$0\" && exec \"$@\"";
    command
        .args(["-Urm", "sh", "-c", script])
        .arg(mount)
        .arg(OUTTURN);
    command.args(serving(
        &format!("sqlite:{}", mount.join("book.sqlite").display()),
        keys,
    ));
    Some(command)
}

/// What a command says that sees the small disk of a process.
fn inside(program: &Program, command: &str, args: &[&str]) -> String {
    let target = program.id().to_string();
    let join = [
        "--user",
        "--mount",
        "--preserve-credentials",
        "--target",
        &target,
    ];
    let ran = Command::new("nsenter")
        .args(join)
        .arg(command)
        .args(args)
        .output()
        .unwrap();
    assert!(
        ran.status.success(),
        "{}",
        String::from_utf8_lossy(&ran.stderr)
    );
    String::from_utf8(ran.stdout).unwrap().trim().to_owned()
}

/// Fills a disk to the last byte.
fn fill(file: &Path) {
    let mut filler = File::create(file).unwrap();
    let mut block: &[u8] = &[7; 1 << 16];
    loop {
        match filler.write(block) {
            Ok(_) => {}
            Err(error) if error.kind() == ErrorKind::StorageFull && block.len() > 1 => {
                block = &block[..block.len() / 2]
            }
            Err(error) if error.kind() == ErrorKind::StorageFull => return,
            Err(error) => panic!("{error}"),
        }
    }
}

/// Receives until the disk takes nothing more; the receipt that did not get in.
async fn until_full(shift: &mut Shift) -> (String, Value) {
    // The log of changes is used again from its beginning for some time.
    for _ in 0..2_000 {
        let receipt = shift.receipt();
        let answer = shift.send(receipt.clone()).await;
        if answer.status != 201 {
            let problem = answer.problem(507, "no-room");
            assert!(
                problem["detail"].as_str().unwrap().contains("Make room"),
                "{problem}"
            );
            return receipt;
        }
    }
    panic!("the disk never fills");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_full_disk() {
    let place = Place::new();
    let mount = place.path().join("disk");
    std::fs::create_dir(&mount).unwrap();
    let Some(command) = on_small_disk(&mount, place.path()) else {
        return;
    };
    let program = Program::of(command, place.path()).unwrap();
    let url = format!("sqlite:{}", mount.join("book.sqlite").display());
    let mut shift = Shift::on(&program, inside(&program, OUTTURN, &token_args(&url))).await;
    // The disk as the process sees it.
    let disk = PathBuf::from(format!("/proc/{}/root{}", program.id(), mount.display()));
    shift.receive().await;
    fill(&disk.join("filler"));
    let (path, body) = until_full(&mut shift).await;
    // Reading goes on, and what was answered is answered again.
    shift.check().await;
    assert_eq!(shift.client.ask("/readyz").await.status, 200);
    shift.client.put(&path, &body).await.problem(507, "no-room");
    std::fs::remove_file(disk.join("filler")).unwrap();
    shift.send((path, body)).await.expect(201);
    shift.receive().await;
    shift.check_all().await;
}

/// A quota is told as an error of writing (here EFBIG by `ulimit -f`; EDQUOT of a file system's quota comes the same way).
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_quota_used_up() {
    let place = Place::new();
    let (program, mut shift) = place.furnished().await;
    program.stop();
    let kilobytes = std::fs::metadata(place.book()).unwrap().len() / 1_024;
    let mut command = Command::new("sh");
    // In blocks of 512 bytes; without the signal a write fails as on any other disk.
    let script = format!(
        "trap '' XFSZ; ulimit -S -f {}; exec \"$@\"",
        kilobytes * 2 + 200
    );
    command
        .args(["-c", &script, "sh", OUTTURN])
        .args(serving(&place.url(), place.path()));
    let program = Program::of(command, place.path()).unwrap();
    shift.at(&program);
    let (path, body) = until_full(&mut shift).await;
    shift.check().await;
    let id = program.id().to_string();
    let raised = Command::new("prlimit")
        .args(["--pid", &id, "--fsize=unlimited:"])
        .status();
    if !raised.is_ok_and(|status| status.success()) {
        return skipped("prlimit is not there to raise the quota again");
    }
    shift.send((path, body)).await.expect(201);
    shift.check_all().await;
}

/// A disk that is full at the start is named, and where there is room again it starts.
#[test]
fn a_disk_full_at_the_start() {
    let place = Place::new();
    let mount = place.path().join("disk");
    std::fs::create_dir(&mount).unwrap();
    let Some(_) = on_small_disk(&mount, place.path()) else {
        return;
    };
    let script = "mount -t tmpfs -o size=64k tmpfs \"$0\" && exec \"$@\"";
    let mut command = Command::new("unshare");
    command
        .args(["-Urm", "sh", "-c", script])
        .arg(&mount)
        .arg(OUTTURN);
    command.args(serving(
        &format!("sqlite:{}", mount.join("book.sqlite").display()),
        place.path(),
    ));
    let Err(refused) = Program::of(command, place.path()) else {
        panic!("it serves from a disk of 64 KB")
    };
    assert_eq!(refused.code, Some(1), "{refused:?}");
    assert!(
        refused.said.starts_with(
            "outturn: the book cannot be opened: the disk takes nothing more: make room"
        ),
        "{refused:?}"
    );
}

/// The program as somebody who may not do everything: root reads and writes whatever the rights of a file say.
fn bound_by_rights(place: &Place) -> Option<Command> {
    let probe = place.path().join("probe");
    File::create(&probe).unwrap();
    std::fs::set_permissions(&probe, PermissionsExt::from_mode(0o444)).unwrap();
    let mut command = if OpenOptions::new().write(true).open(&probe).is_err() {
        Command::new(OUTTURN)
    } else {
        let none = ["--inh-caps=-all", "--bounding-set=-all"];
        let may = Command::new("setpriv").args(none).arg("true").status();
        if !may.is_ok_and(|status| status.success()) {
            skipped("root cannot give its rights up here (setpriv)");
            return None;
        }
        let mut command = Command::new("setpriv");
        command.args(none).arg(OUTTURN);
        command
    };
    command.args(serving(&place.url(), place.path()));
    Some(command)
}

/// A file that nobody may write is named at the start; one that a running service holds open is no matter to it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_read_only_file() {
    let place = Place::new();
    let (program, mut shift) = place.furnished().await;
    let set =
        |mode| std::fs::set_permissions(place.book(), PermissionsExt::from_mode(mode)).unwrap();
    set(0o444);
    shift.receive().await;
    program.stop();
    let Some(command) = bound_by_rights(&place) else {
        return;
    };
    let Err(refused) = Program::of(command, place.path()) else {
        panic!("it serves a book that it may not write")
    };
    assert_eq!(refused.code, Some(1), "{refused:?}");
    assert!(
        refused
            .said
            .starts_with("outturn: the book cannot be opened: the database may not be written"),
        "{refused:?}"
    );
    set(0o644);
    let program = Program::of(bound_by_rights(&place).unwrap(), place.path()).unwrap();
    shift.at(&program);
    shift.receive().await;
    shift.check_all().await;
}

/// A disk that fails is made read-only beneath a running service, as systems do. What is open stays open: the service notices when it opens its file
/// anew, here because the disk was full before. Whoever writes is then told so, whoever reads is not held up, and it goes on once the disk may be
/// written again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_disk_that_becomes_read_only() {
    let place = Place::new();
    let mount = place.path().join("disk");
    std::fs::create_dir(&mount).unwrap();
    let Some(command) = on_small_disk(&mount, place.path()) else {
        return;
    };
    let program = Program::of(command, place.path()).unwrap();
    let url = format!("sqlite:{}", mount.join("book.sqlite").display());
    let token = inside(&program, OUTTURN, &token_args(&url));
    let mut shift = Shift::on(&program, token).await;
    let disk = PathBuf::from(format!("/proc/{}/root{}", program.id(), mount.display()));
    fill(&disk.join("filler"));
    let (path, body) = until_full(&mut shift).await;
    std::fs::remove_file(disk.join("filler")).unwrap();
    let at = mount.to_str().unwrap();
    inside(&program, "mount", &["--bind", at, at]);
    inside(&program, "mount", &["-o", "remount,bind,ro", at]);
    for _ in 0..3 {
        let problem = shift
            .client
            .put(&path, &body)
            .await
            .problem(503, "read-only");
        let detail = problem["detail"].as_str().unwrap();
        assert!(detail.contains("nothing was saved"), "{problem}");
        shift.client.get("/api/lots").await;
        assert_eq!(shift.client.ask("/readyz").await.status, 200);
    }
    inside(&program, "mount", &["-o", "remount,bind,rw", at]);
    shift.send((path, body)).await.expect(201);
    shift.receive().await;
    shift.check_all().await;
}

async fn hold(place: &Place, how: &'static str) -> sqlx::SqliteConnection {
    let mut other = sqlx::SqliteConnection::connect(&place.url()).await.unwrap();
    other.execute(how).await.unwrap();
    other
}

/// Another program holds the file: whoever writes is told to try again, whoever reads is not held up.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_locked_file() {
    let place = Place::new();
    let (program, mut shift) = place.furnished().await;
    let other = hold(&place, "BEGIN EXCLUSIVE").await;
    let (path, body) = shift.receipt();
    let answer = shift.client.put(&path, &body).await;
    answer.problem(503, "busy");
    assert_eq!(answer.header("retry-after"), "1");
    let lot = shift
        .client
        .get(&format!("/api/lots/{}", shift.made.peaberry))
        .await;
    assert_eq!(lot["store_g"], 120_000);
    other.close().await.unwrap();
    shift.send((path, body)).await.expect(201);
    shift.check_all().await;
    program.stop();

    let other = hold(
        &place,
        "PRAGMA locking_mode = EXCLUSIVE; BEGIN EXCLUSIVE; CREATE TABLE held (n); COMMIT",
    )
    .await;
    let refused = place.refused();
    assert_eq!(refused.code, Some(1), "{refused:?}");
    let said = "outturn: the book cannot be opened: the database did not answer in time; another program may hold it";
    assert!(refused.said.starts_with(said), "{refused:?}");
    other.close().await.unwrap();
    let program = place.start();
    shift.at(&program);
    shift.check_all().await;
}

each_database! {
    /// The machine's clock is put back an hour: the book's time stands still until it has caught up, and everything goes on in order.
    async fn a_clock_that_jumps_back(server: &Server) {
        let made = roastery(server).await;
        let weight = |grams: i64| reckoned(grams);
        let batch = server.id();
        let weigh_in = json!({"batch": batch, "lot": made.washed, "style": made.dark, "roaster": made.drum, "weight": weight(8_000)});
        let before = server.command("weigh-ins", weigh_in).await["posting"].clone();
        let time = |posting: &Value| posting["recorded_at"].as_str().unwrap().to_owned();
        server.advance_minutes(-60);
        let out = server.command("weigh-outs", json!({"batches": [batch], "weight": weight(6_800)})).await["posting"].clone();
        assert!(time(&out) >= time(&before), "{out} before {before}");
        let undone = server.command("reversals", json!({"posting": out["id"]})).await["posting"].clone();
        assert!(time(&undone) >= time(&out));
        // What is sent again is known, and what a tablet sends whose own clock is right is not put into the future.
        let ahead = json!({"lot": made.washed, "storeroom": made.storeroom, "weight": weight(90), "happened_at": "2026-11-25T08:40:00.000Z"});
        let id = server.id();
        let drawn = server.order("wastes", &id, ahead.clone()).await.expect(201);
        assert_eq!(server.order("wastes", &id, ahead).await.expect(200), drawn);
        assert!(time(&drawn["posting"]) >= time(&undone));
        server.advance_minutes(61);
        let after = server.command("wastes", json!({"lot": made.washed, "storeroom": made.storeroom, "weight": weight(10)})).await;
        assert!(time(&after["posting"]) > time(&drawn["posting"]));
        assert_eq!(server.get("/api/verify").await["ok"], true);
    }
}

/// What a power cut may leave: the last write is there in part, or something else stands behind the last whole one. What was answered is
/// whole, the torn write is not there at all, and sent again it is booked.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_torn_tail() {
    for tear in [
        Tear::Cut(1),
        Tear::Cut(2),
        Tear::Cut(3),
        Tear::Overwritten,
        Tear::Followed,
    ] {
        torn(tear).await;
    }
}

#[derive(Debug, Clone, Copy)]
enum Tear {
    /// So many quarters of the last write are there.
    Cut(u64),
    /// Half of the last write is something else.
    Overwritten,
    /// The last write is whole, and something else follows.
    Followed,
}

async fn torn(tear: Tear) {
    let place = Place::new();
    let (program, mut shift) = place.furnished().await;
    // Stopped in peace it leaves no log of changes, so that the next one begins from nothing.
    program.stop();
    let program = place.start();
    shift.at(&program);
    for _ in 0..5 {
        shift.receive().await;
    }
    let wal = place.path().join("book.sqlite-wal");
    let length = || std::fs::metadata(&wal).unwrap().len();
    let before = length();
    let last = shift.receipt();
    shift.client.put(&last.0, &last.1).await.expect(201);
    let after = length();
    program.kill();
    assert!(before < after, "the last write lies at the end");
    let mut file = OpenOptions::new().write(true).open(&wal).unwrap();
    match tear {
        Tear::Cut(quarters) => file
            .set_len(before + (after - before) * quarters / 4)
            .unwrap(),
        Tear::Overwritten => overwrite(&mut file, before + (after - before) / 2, after),
        Tear::Followed => overwrite(&mut file, after, after + 10_000),
    }
    let program = place.start();
    shift.at(&program);
    let whole = matches!(tear, Tear::Followed);
    let answer = shift.client.put(&last.0, &last.1).await;
    shift
        .answered
        .push((last.0, last.1, answer.expect(if whole { 200 } else { 201 })));
    shift.check_all().await;
    shift.receive().await;
    program.stop();
    run(&["verify", "--database", &place.url()]);
}

fn overwrite(file: &mut File, from: u64, to: u64) {
    file.seek(SeekFrom::Start(from)).unwrap();
    let noise: Vec<u8> = (from..to)
        .map(|n| ((n * 2_654_435_761) >> 7) as u8)
        .collect();
    file.write_all(&noise).unwrap();
    file.sync_all().unwrap();
}

/// What commits leave beside the book is written back while work goes on, so that it takes no more room however long that is.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_committed_is_written_back() {
    let place = Place::new();
    let (program, mut shift) = place.furnished().await;
    let beside = place.path().join("book.sqlite-wal");
    let length = || std::fs::metadata(&beside).unwrap().len();
    let begin = length();
    for _ in 0..50 {
        shift.receive().await;
    }
    let fifty = length() - begin;
    for _ in 0..950 {
        shift.receive().await;
    }
    // After two hundred commits it begins anew, a few later where somebody reads.
    let most = length();
    assert!(most < begin + 10 * fifty, "{begin} {fifty} {most}");
    shift.check_all().await;
    program.stop();
}

/// A book whose file was cut, or is no book at all, is never gone on with: the program says what to do, and a copy brings everything back.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_cut_file() {
    let place = Place::new();
    let (program, mut shift) = place.furnished().await;
    shift.receive().await;
    let copy = place.path().join("copy.jsonl");
    run(&[
        "export",
        "book",
        copy.to_str().unwrap(),
        "--database",
        &place.url(),
    ]);
    program.stop();
    let mut whole = Vec::new();
    File::open(place.book())
        .unwrap()
        .read_to_end(&mut whole)
        .unwrap();
    let noise: Vec<u8> = whole
        .iter()
        .map(|byte| byte.wrapping_mul(31).wrapping_add(7))
        .collect();
    for damaged in [
        &whole[..whole.len() / 2],
        &whole[..whole.len() - 4_096],
        &whole[..50],
        &noise,
    ] {
        std::fs::write(place.book(), damaged).unwrap();
        let refused = place.refused();
        assert_eq!(refused.code, Some(1), "{refused:?}");
        assert!(
            refused.said.contains("outturn import book"),
            "{} bytes: {refused:?}",
            damaged.len()
        );
    }
    std::fs::remove_file(place.book()).unwrap();
    run(&[
        "import",
        "book",
        copy.to_str().unwrap(),
        "--database",
        &place.url(),
    ]);
    let program = place.start();
    // Who may come in does not leave with a copy.
    shift.client = program.client(&token(&place.url()), 9);
    let lot = shift
        .client
        .get(&format!("/api/lots/{}", shift.made.peaberry))
        .await;
    assert_eq!(lot["store_g"], 121_000);
    assert_eq!(shift.client.get("/api/verify").await["ok"], true);
    // The old device's command is known and is not booked again for another one.
    let (path, body, _) = &shift.answered[0];
    shift.client.put(path, body).await.problem(409, "id-taken");
}
