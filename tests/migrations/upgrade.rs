//! A book that an earlier release wrote: copied as it was, then brought up to date.
//!
//! tests/fixtures/book-0007.zip holds a file that the program wrote when its last migration was the seventh: three lots, two closings, an
//! owner with a password.

use std::collections::BTreeSet;
use std::io::Read;
use std::path::{Path, PathBuf};

use outturn::app::App;
use outturn::audit::verify::verify;
use outturn::book::seal::SealKey;
use outturn::clock::Clock;
use outturn::day::Zone;
use outturn::store;
use tempfile::TempDir;

use crate::{opened, sqlite};

/// What stood in it when it was written, read with nothing of this program (the `sqlite3` module of Python).
const LEAVES: i64 = 49;
const ROOT: &str = "b5d4ef40f55415637c6da429dd4aca29d7f28b1ee09e1a47313c321876d83954";
const LAST: i64 = 7;

fn stored(folder: &TempDir, name: &str) -> PathBuf {
    let packed = std::io::Cursor::new(include_bytes!("../fixtures/book-0007.zip"));
    let mut packed = zip::ZipArchive::new(packed).expect("a ZIP file");
    let mut bytes = Vec::new();
    let mut file = packed.by_name("book.sqlite").expect("a book");
    file.read_to_end(&mut bytes).expect("its bytes");
    let path = folder.path().join(name);
    std::fs::write(&path, bytes).expect("a file");
    path
}

fn url(file: &Path) -> String {
    format!("sqlite:{}", file.display())
}

fn names(folder: &TempDir) -> BTreeSet<String> {
    let entries = std::fs::read_dir(folder.path()).expect("a folder");
    entries
        .map(|entry| {
            entry
                .expect("an entry")
                .file_name()
                .to_string_lossy()
                .into()
        })
        .collect()
}

#[tokio::test]
async fn a_book_of_an_earlier_release_is_copied_and_brought_up_to_date() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = stored(&folder, "book.sqlite");
    opened(&url(&file)).await;
    assert_eq!(
        names(&folder),
        BTreeSet::from(["book.sqlite".to_owned(), "book.sqlite.0007".to_owned()])
    );

    let copy = folder.path().join("book.sqlite.0007");
    let elsewhere = tempfile::tempdir().expect("a folder");
    let original = stored(&elsewhere, "original");
    assert_eq!(
        sqlite::different_rows(&original, &copy).await,
        Vec::<String>::new(),
        "the copy is as it was"
    );
    assert_eq!(sqlite::last_migration(&copy).await, LAST);

    let fresh = elsewhere.path().join("fresh.sqlite");
    opened(&url(&fresh)).await;
    assert_eq!(sqlite::tables(&file).await, sqlite::tables(&fresh).await);
    assert_eq!(
        sqlite::last_migration(&file).await,
        sqlite::last_migration(&fresh).await
    );

    // The service starts on it, and it holds.
    let store = store::open(&url(&file)).await.expect("the book");
    let app = App::open(
        store,
        Clock::Machine,
        Zone::UTC,
        SealKey::of_secret(&[7; 32]),
    )
    .await
    .expect("a service");
    let mut tx = app.read().await.expect("a snapshot");
    let head = tx.head(app.site).await.expect("a head").expect("a log");
    assert_eq!(
        (head.size, hex::encode(head.root)),
        (LEAVES, ROOT.to_owned())
    );
    let report = verify(&mut *tx, app.site).await.expect("a report");
    assert!(report.ok, "{report}");
    drop(tx);
    app.stop().await;
    assert_eq!(
        names(&folder).len(),
        2,
        "no copy is made of what is up to date"
    );

    // The way back: the copy in the file's place is taken for what it is.
    std::fs::rename(&copy, &file).expect("the copy");
    opened(&url(&file)).await;
    assert!(copy.exists());
}

#[tokio::test]
async fn without_room_for_the_copy_nothing_is_changed() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = stored(&folder, "book.sqlite");
    std::fs::create_dir(folder.path().join("book.sqlite.0007.part")).expect("something in its way");
    let error = store::open(&url(&file))
        .await
        .expect_err("it is not opened")
        .to_string();
    assert!(
        error.contains("book.sqlite.0007 cannot be written"),
        "{error}"
    );
    assert_eq!(sqlite::last_migration(&file).await, LAST);
    let elsewhere = tempfile::tempdir().expect("a folder");
    let original = stored(&elsewhere, "original");
    assert_eq!(
        sqlite::different_rows(&original, &file).await,
        Vec::<String>::new()
    );
    std::fs::remove_dir(folder.path().join("book.sqlite.0007.part")).expect("out of its way");
    opened(&url(&file)).await;
}
