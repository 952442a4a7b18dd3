//! The program itself, as whoever keeps the service runs it: started, killed, stopped, and what it says when it does not start.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use outturn::clock::Clock;

use crate::support::{BEGINS, Client};

/// The built program.
pub const OUTTURN: &str = env!("CARGO_BIN_EXE_outturn");

/// The program, serving a book; it is killed when this goes.
pub struct Program {
    child: Child,
    /// Where it listens.
    pub address: String,
}

/// The program that is measured: the built one, or the one that `OUTTURN_BIN` names.
pub fn run_by(args: Vec<String>) -> Command {
    let mut command =
        Command::new(std::env::var("OUTTURN_BIN").unwrap_or_else(|_| OUTTURN.to_owned()));
    command.args(args);
    command
}

/// How it ended instead of serving.
#[derive(Debug)]
pub struct Refused {
    /// Its exit code.
    pub code: Option<i32>,
    /// Its last line on standard error.
    pub said: String,
}

/// What is given to the program to serve a book; its keys lie in a folder.
pub fn serving(url: &str, keys: &Path) -> Vec<String> {
    let seal_key = keys.join("seal.pem").display().to_string();
    let args = [
        "serve",
        "--listen",
        "127.0.0.1:0",
        "--zone",
        "Europe/Lisbon",
        "--database",
        url,
        "--seal-key",
        &seal_key,
    ];
    args.map(ToOwned::to_owned).to_vec()
}

impl Program {
    /// Starts it on a book.
    pub fn start(url: &str, keys: &Path) -> Self {
        let started = Self::try_start(url, keys);
        started.unwrap_or_else(|refused| panic!("it does not start: {refused:?}"))
    }

    /// Starts it on a book, or answers why it does not serve.
    pub fn try_start(url: &str, keys: &Path) -> Result<Self, Refused> {
        let mut command = Command::new(OUTTURN);
        command.args(serving(url, keys));
        Self::of(command, keys)
    }

    /// Starts what a command line makes of it.
    pub fn of(mut command: Command, keys: &Path) -> Result<Self, Refused> {
        let log = keys.join("log");
        let mut child = command
            .env("OUTTURN_LOG", "warn")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(File::create(&log).unwrap())
            .spawn()
            .unwrap();
        let said = BufReader::new(child.stdout.take().unwrap()).lines().next();
        let Some(said) = said.map(Result::unwrap) else {
            let code = child.wait().unwrap().code();
            let said = std::fs::read_to_string(&log).unwrap();
            let said = said.lines().last().unwrap_or_default().to_owned();
            return Err(Refused { code, said });
        };
        let address = said.rsplit(' ').next().unwrap().to_owned();
        let ours = ["http://127.0.0.1:", "https://localhost:"];
        assert!(ours.iter().any(|one| address.starts_with(one)), "{said}");
        Ok(Self { child, address })
    }

    /// The process.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// SIGKILL: no time to save anything.
    pub fn kill(mut self) {
        self.end();
    }

    /// SIGTERM: it finishes what it has begun and lets go of the book.
    pub fn stop(mut self) {
        let told = Command::new("kill")
            .arg(self.child.id().to_string())
            .status();
        assert!(told.unwrap().success());
        assert!(self.child.wait().unwrap().success(), "it stops in peace");
    }

    fn end(&mut self) {
        // It may have gone by itself: then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// A client of it that shows a token; its ids and times follow from a seed.
    pub fn client(&self, token: &str, seed: u64) -> Client {
        let clock = Clock::set(BEGINS.parse().unwrap(), seed);
        Client::new(self.address.clone(), clock).with_token(token)
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        self.end();
    }
}

/// What a command of the program says on standard output; it must succeed.
pub fn run(args: &[&str]) -> String {
    let ran = Command::new(OUTTURN).args(args).output().unwrap();
    let said = String::from_utf8_lossy(&ran.stdout).trim().to_owned();
    assert!(
        ran.status.success(),
        "{args:?}: {said} {}",
        String::from_utf8_lossy(&ran.stderr)
    );
    said
}

/// What makes a token with which a client acts as the owner.
pub fn token_args(url: &str) -> [&str; 7] {
    let rights = "read,floor,green,count,judge,find,plan,set_up,close,run";
    [
        "person",
        "--database",
        url,
        "token",
        "Owner",
        "--rights",
        rights,
    ]
}

/// A token with which a client acts as the owner.
pub fn token(url: &str) -> String {
    run(&token_args(url))
}
