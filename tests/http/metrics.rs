//! What a monitor reads: OpenMetrics text that says what happened, for whoever may watch and needs no more.

use reqwest::Method;
use serde_json::json;

use crate::green::reckoned;
use crate::support::entrance::first_owner;
use crate::support::{Answer, Database, Server, each_database, roastery};

/// The value of a line.
fn value(said: &str, line: &str) -> Option<f64> {
    let found = said
        .lines()
        .find_map(|one| one.strip_prefix(line)?.strip_prefix(' '));
    found.map(|value| {
        value
            .parse()
            .unwrap_or_else(|e| panic!("{line} {value}: {e}"))
    })
}

async fn metrics(server: &Server) -> Answer {
    let answer = server.ask("/metrics").await;
    assert_eq!(answer.status, 200, "{}", answer.text);
    answer
}

/// The names of all metrics of a text, as a monitor queries them; checks its form by the rules of OpenMetrics 1.0 (from memory): each
/// metric is described before its lines, its lines stand together, nothing stands twice, and the text ends with `# EOF`.
fn names(said: &str) -> Vec<String> {
    assert!(said.ends_with("# EOF\n"), "{said}");
    let (mut family, mut families, mut lines, mut names) =
        (String::new(), Vec::new(), Vec::new(), Vec::new());
    for line in said.lines().filter(|line| *line != "# EOF") {
        if let Some(about) = line.strip_prefix("# ") {
            let mut words = about.splitn(3, ' ');
            let (word, name) = (words.next().unwrap(), words.next().unwrap());
            assert!(["HELP", "TYPE", "UNIT"].contains(&word), "{line}");
            if name != family {
                family = name.to_owned();
                assert!(!families.contains(&family), "{family} stands in two places");
                families.push(family.clone());
            }
            continue;
        }
        let (series, number) = line.rsplit_once(' ').unwrap();
        number
            .parse::<f64>()
            .unwrap_or_else(|e| panic!("{line}: {e}"));
        let name = series.split('{').next().unwrap();
        assert!(name.starts_with(&family), "{line} stands below {family}");
        assert!(!lines.contains(&series), "{series} stands twice");
        lines.push(series);
        names.push(name.to_owned());
    }
    names
}

each_database! {
    async fn a_monitor_reads_what_happened(server: &Server) {
        let has = roastery(server).await;
        let before = metrics(server).await;
        assert_eq!(before.headers["content-type"], "application/openmetrics-text; version=1.0.0; charset=utf-8");
        let wastes = "outturn_requests_total{method=\"PUT\",route=\"/api/wastes/{id}\",status=\"201\"}";
        assert_eq!(value(&before.text, wastes), None);
        for _ in 0..3 {
            let waste = json!({"lot": has.washed, "storeroom": has.storeroom, "reason": "spilled", "weight": reckoned(80)});
            server.command("wastes", waste).await;
        }
        server.ask("/api/nowhere").await.problem(404, "not-found");
        server.app.learned().await;
        let after = metrics(server).await.text;
        assert_eq!(value(&after, wastes), Some(3.0));
        assert_eq!(value(&after, "outturn_requests_total{method=\"GET\",route=\"none\",status=\"404\"}"), Some(1.0));
        let timed = |line: &str| value(&after, &format!("outturn_request_duration_seconds_{line}"));
        assert_eq!(timed("count{method=\"PUT\",route=\"/api/wastes/{id}\"}"), Some(3.0));
        assert_eq!(timed("bucket{le=\"+Inf\",method=\"PUT\",route=\"/api/wastes/{id}\"}"), Some(3.0));
        #[expect(clippy::cast_precision_loss, reason = "small")]
        let size = server.log_size().await as f64;
        for line in ["outturn_log_leaves", "outturn_followed_leaves"] {
            assert_eq!(value(&after, line), Some(size), "{line}");
        }
        assert_eq!(value(&after, "outturn_unsettled"), Some(0.0));
        assert_eq!(value(&after, "outturn_last_copy_timestamp_seconds"), None, "no copies are kept");
        // 2026-11-25T08:00:00Z (tests/support), by `date -d ... +%s`.
        assert_eq!(value(&after, "process_start_time_seconds"), Some(1_795_593_600.0));
        names(&after);
    }

    async fn a_good_copy_is_told_with_its_time(server: &Server) {
        let folder = tempfile::tempdir().unwrap();
        server.app.copies.set(folder.path().to_owned()).unwrap();
        outturn::daily::make(&server.app, folder.path()).await.unwrap().expect("a copy");
        let said = metrics(server).await.text;
        let at = value(&said, "outturn_last_copy_timestamp_seconds").unwrap();
        let made = std::fs::metadata(folder.path().join("outturn-2026-11-25.jsonl")).unwrap().modified().unwrap();
        let made = made.duration_since(std::time::UNIX_EPOCH).unwrap().as_secs_f64();
        assert!((at - made).abs() < 1.5, "{at}, {made}");
    }

    /// Every metric that README.md says to be warned of is there.
    async fn the_warnings_name_metrics_that_are_there(server: &Server) {
        roastery(server).await;
        let folder = tempfile::tempdir().unwrap();
        server.app.copies.set(folder.path().to_owned()).unwrap();
        outturn::daily::make(&server.app, folder.path()).await.unwrap();
        metrics(server).await;
        let said = metrics(server).await.text;
        let there = names(&said);
        let manual = include_str!("../../README.md");
        let (_, warnings) = manual.split_once("### What to be warned of").unwrap();
        let (warnings, _) = warnings.split_once("\n### ").unwrap();
        let named: Vec<&str> = warnings
            .split(|c: char| !(c.is_ascii_alphanumeric() || c == '_'))
            .filter(|word| word.starts_with("outturn_") || word.starts_with("process_"))
            .collect();
        assert!(named.len() > 5, "{named:?}");
        for name in named {
            assert!(there.iter().any(|one| one == name), "{name} is not in\n{said}");
        }
    }
}

/// A token that may watch reads this and nothing of the book; without one nobody does.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whoever_watches_needs_no_more() {
    let server = Server::closed(Database::Sqlite, 1).await;
    let owner = first_owner(&server).await.client(&server);
    assert_eq!(server.ask("/metrics").await.status, 401);
    let asked = json!({"name": "Monitor", "rights": ["watch"], "days": 400});
    let made = owner.post("/api/tokens", &asked).await.expect(200);
    let monitor = server.another().with_token(made["token"].as_str().unwrap());
    assert_eq!(monitor.ask("/metrics").await.status, 200);
    for path in ["/api/lots", "/api/log", "/api/me"] {
        let request = monitor.request(Method::GET, path);
        assert_eq!(monitor.status(request).await, 403, "{path}");
    }
    server.finish().await;
}
