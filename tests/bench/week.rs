//! How long the demo's coming week takes: from the book to the plan and back, and its cards.

use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::{Arc, OnceLock};

use outturn::app::App;
use outturn::clock::Clock;
use outturn::store;
use outturn::week::{self, Asked};
use tokio::runtime::Runtime;

/// When the demo's coming week begins.
const TODAY: &str = "2026-09-14T05:55:00Z";

/// The demo's book, told once.
struct Demo {
    runtime: Runtime,
    app: Arc<App>,
    _folder: tempfile::TempDir,
}

fn demo() -> &'static Demo {
    static DEMO: OnceLock<Demo> = OnceLock::new();
    DEMO.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a temporary folder");
        tell(folder.path());
        let runtime = Runtime::new().expect("a runtime");
        let url = format!("sqlite:{}", folder.path().join("outturn.sqlite").display());
        let clock = Clock::set(TODAY.parse().expect("an instant"), 1);
        let zone = "Europe/Lisbon".parse().expect("a zone");
        let app = runtime.block_on(async {
            let store = store::open(&url).await.expect("the demo's book");
            App::open(
                store,
                clock,
                zone,
                outturn::book::seal::SealKey::of_secret(&[7; 32]),
            )
            .await
            .expect("a book")
        });
        Demo {
            runtime,
            app,
            _folder: folder,
        }
    })
}

fn tell(folder: &Path) {
    let status = Command::new(env!("CARGO_BIN_EXE_outturn"))
        .args(["demo", "--once", "--data"])
        .arg(folder)
        .stdout(Stdio::null())
        .status()
        .expect("the program");
    assert!(status.success());
}

impl Demo {
    fn plan(&self, freely: bool) -> week::PlanView {
        self.runtime.block_on(async {
            let asked = Asked {
                freely,
                ..Asked::default()
            };
            week::plan(&self.app, asked).await.expect("a plan")
        })
    }
}

fn main() {
    divan::main();
}

/// All of it anew, as when a week is planned.
#[divan::bench(sample_count = 10, sample_size = 1)]
fn plan_freely(bencher: divan::Bencher) {
    let demo = demo();
    bencher.bench(|| demo.plan(true));
}

/// Around the released cards, as while somebody looks.
#[divan::bench(sample_count = 10, sample_size = 1)]
fn plan_around_cards(bencher: divan::Bencher) {
    let demo = demo();
    bencher.bench(|| demo.plan(false));
}

/// The cards of the week with their ranges, as the floor page reads them.
#[divan::bench(sample_count = 10, sample_size = 1)]
fn cards(bencher: divan::Bencher) {
    let demo = demo();
    let from = "2026-09-14".parse().expect("a day");
    let to = "2026-09-20".parse().expect("a day");
    bencher.bench(|| {
        demo.runtime.block_on(async {
            let mut tx = demo.app.read().await.expect("a snapshot");
            week::of_days(&demo.app, &mut *tx, from, to)
                .await
                .expect("cards")
        })
    });
}
