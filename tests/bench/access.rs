//! How long signing in takes with a wrong password, for a name that is known and for one that nobody has: the time must not tell which is which.

use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

use divan::Bencher;
use outturn::access::{self, InvitationUsed, PasswordGiven};
use outturn::app::App;
use outturn::clock::Clock;
use outturn::day::Zone;
use outturn::store;
use outturn::text::{Name, Note};
use tempfile::TempDir;
use tokio::runtime::Runtime;

fn main() {
    divan::main();
}

struct Service {
    app: Arc<App>,
    runtime: Runtime,
    /// Each try comes from an address of its own, so that none has to wait.
    addresses: AtomicU32,
    _folder: TempDir,
}

impl Service {
    fn new() -> Self {
        let runtime = Runtime::new().expect("a runtime");
        let folder = tempfile::tempdir().expect("a folder");
        let url = format!("sqlite:{}", folder.path().join("book.sqlite").display());
        let app = runtime.block_on(async {
            let store = store::open(&url).await.expect("a database");
            let app = App::open(
                store,
                Clock::Machine,
                Zone::UTC,
                outturn::book::seal::SealKey::of_secret(&[7; 32]),
            )
            .await
            .expect("a book");
            let invitation = access::invite_owner(&app).await.expect("a book");
            let path = invitation.expect("no owner can sign in yet").path;
            let given = InvitationUsed {
                code: note(path.rsplit('=').next().unwrap_or_default()),
                password: note("four words in a row"),
                name: None,
            };
            access::use_invitation(&app, &access::Shown::default(), given)
                .await
                .expect("let in");
            app
        });
        Self {
            app,
            runtime,
            addresses: AtomicU32::new(0),
            _folder: folder,
        }
    }

    fn try_in(&self, name: &str) {
        let from = IpAddr::V4(Ipv4Addr::from(
            self.addresses.fetch_add(1, Ordering::Relaxed),
        ));
        let given = PasswordGiven {
            name: Name::new(name).expect("a name"),
            password: note("not the password"),
        };
        let shown = access::Shown::default();
        let tried = access::sign_in(&self.app, &shown, Some(from), given);
        assert!(self.runtime.block_on(tried).is_err());
    }
}

fn note(text: &str) -> Note {
    Note::new(text).expect("a line")
}

#[divan::bench(args = ["Owner", "Nobody"], sample_count = 50, sample_size = 1)]
fn wrong_password(bencher: Bencher, name: &str) {
    let service = Service::new();
    bencher.bench(|| service.try_in(name));
}
