//! The command line: what it says of itself.

use std::process::Command;

fn help(arguments: &[&str]) -> String {
    let mut program = Command::new(env!("CARGO_BIN_EXE_outturn"));
    // What is set here must not show as a default.
    program
        .env_remove("DATABASE_URL")
        .env_remove("OUTTURN_LISTEN")
        .env_remove("OUTTURN_ZONE");
    let said = program.args(arguments).output().unwrap();
    assert!(
        said.status.success(),
        "{arguments:?}: {}",
        String::from_utf8_lossy(&said.stderr)
    );
    String::from_utf8(said.stdout).unwrap()
}

#[test]
fn help_says_all() {
    let mut text = help(&["--help"]);
    let commands = text
        .split("Commands:\n")
        .nth(1)
        .unwrap()
        .split("\n\n")
        .next()
        .unwrap();
    let names: Vec<String> = commands
        .lines()
        .filter_map(|line| line.split_whitespace().next())
        .map(ToOwned::to_owned)
        .collect();
    assert!(names.len() > 3, "{text}");
    for name in names.iter().filter(|name| *name != "help") {
        text.push_str(&format!(
            "\n--- outturn {name}\n{}",
            help(&[name, "--help"])
        ));
    }
    insta::assert_snapshot!(text);
}

/// Beyond this machine nobody is served without TLS: neither the service, nor the demo, where nobody signs in.
#[test]
fn nobody_is_served_beyond_this_machine_in_the_clear() {
    let folder = tempfile::tempdir().unwrap();
    let url = format!("sqlite:{}", folder.path().join("book.sqlite").display());
    let serve = [
        "serve",
        "--database",
        &url,
        "--zone",
        "UTC",
        "--listen",
        "0.0.0.0:0",
    ];
    let demo = ["demo", "--listen", "0.0.0.0:0"];
    for arguments in [&serve[..], &demo[..]] {
        let mut program = Command::new(env!("CARGO_BIN_EXE_outturn"));
        program.env_remove("DATABASE_URL").current_dir(&folder);
        let said = program.args(arguments).output().unwrap();
        assert!(!said.status.success(), "{arguments:?}");
        let said = String::from_utf8_lossy(&said.stderr).into_owned();
        assert!(said.contains("0.0.0.0:0"), "{said}");
    }
    assert!(!folder.path().join("book.sqlite").exists());
}
