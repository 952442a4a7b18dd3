//! The open door of the demo: for this machine alone, whatever a page elsewhere makes its own name lead to.

use reqwest::Method;
use serde_json::json;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use crate::support::each_database;

each_database! {
    /// A page at `evil.example` whose name leads to this machine: to the browser it is of the service's own origin.
    async fn a_name_that_was_made_to_lead_here_opens_nothing(server: &Server) {
        let port = server.address.rsplit(':').next().unwrap();
        let host = format!("evil.example:{port}");
        let page = || {
            let client = server.another().showing("host", host.clone());
            client.showing("origin", format!("http://{host}"))
        };
        let path = format!("/api/coffees/{}", server.id());
        for caller in [page(), page().with_token("x")] {
            caller.put(&path, &json!({"name": "Kivu"})).await.problem(403, "forbidden");
            caller.ask("/api/coffees").await.problem(403, "forbidden");
            caller.ask("/floor").await.problem(403, "forbidden");
        }
        // Behind a proxy the host is whatever the proxy makes of it.
        server.another().showing("x-forwarded-for", "192.0.2.7".to_owned()).ask("/api/coffees").await.problem(403, "forbidden");
        server.ask(&path).await.problem(404, "not-found");
        for name in ["localhost", "127.0.0.1", "[::1]"] {
            let here = server.another().showing("host", format!("{name}:{port}"));
            here.get("/api/coffees").await;
        }
    }

    /// A token that lets nobody in is no reason to take a change from another origin.
    async fn a_token_that_nobody_asks_for_changes_nothing(server: &Server) {
        let elsewhere = server.another().showing("origin", "http://evil.example".to_owned()).with_token("x");
        let path = format!("/api/coffees/{}", server.id());
        elsewhere.put(&path, &json!({"name": "Kivu"})).await.problem(403, "forbidden");
        let out = elsewhere.request(Method::POST, "/api/sign-outs");
        elsewhere.send(out).await.problem(403, "forbidden");
        server.ask(&path).await.problem(404, "not-found");
    }

    /// A request whose target names a host is for that one, whatever its `Host` says (RFC 9112, section 3.2.2); two hosts are none.
    async fn the_host_is_the_one_of_the_target(server: &Server) {
        let here = server.address.strip_prefix("http://").unwrap();
        for (target, hosts, status) in [
            ("/api/coffees", vec![here], 200),
            ("/api/coffees", vec!["evil.example"], 403),
            ("/api/coffees", vec![here, here], 400),
            ("/api/coffees", vec![here, "evil.example"], 400),
            ("http://evil.example/api/coffees", vec![here], 403),
            ("http://evil.example/api/coffees", vec!["evil.example"], 403),
            (&format!("http://{here}/api/coffees"), vec!["evil.example"], 200),
            (&format!("http://{here}@evil.example/api/coffees"), vec![here], 400),
            (&format!("http://evil.example@{here}/api/coffees"), vec![here], 400),
        ] {
            let hosts: String = hosts.iter().map(|host| format!("Host: {host}\r\n")).collect();
            let mut line = TcpStream::connect(here).await.unwrap();
            let request = format!("GET {target} HTTP/1.1\r\n{hosts}Connection: close\r\n\r\n");
            line.write_all(request.as_bytes()).await.unwrap();
            let mut answer = String::new();
            line.read_to_string(&mut answer).await.unwrap();
            assert!(answer.starts_with(&format!("HTTP/1.1 {status} ")), "{request}{answer}");
        }
    }
}
