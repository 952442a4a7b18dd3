//! The table of routes. A route is added with the right that it needs, and there is no other way to add one, so that none can be without
//! a rule; `who.rs` asks the table before any handler runs, and a test sends every kind of caller to every line of it.

use std::collections::HashMap;
use std::sync::Arc;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::Method;
use axum::routing::{MethodRouter, get};
use utoipa::openapi::OpenApi;
use utoipa::openapi::path::PathItem;
use utoipa_axum::router::{OpenApiRouter, UtoipaMethodRouter, UtoipaMethodRouterExt};

use crate::app::App;
use crate::setup::Right;

/// What somebody may send of whom nothing is known yet.
const SMALL_BODY: usize = 128 * 1024;

/// One line of the table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Route {
    /// The method.
    pub method: Method,
    /// The path, with `{id}` where an id stands.
    pub path: String,
    /// The right it needs; none if it is open to everybody who can reach the service.
    pub needs: Option<Right>,
    /// Whether it takes what a tablet kept: then who is claimed, and what was cut off, comes through to its handler.
    pub command: bool,
}

/// Routes, each with the right it needs.
#[derive(Default)]
pub struct Routes {
    api: OpenApiRouter<Arc<App>>,
    table: Vec<Route>,
}

/// The table, for looking up.
pub type Table = HashMap<(Method, String), Route>;

impl Routes {
    /// No routes yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// No routes yet, under a description.
    #[must_use]
    pub fn described(description: OpenApi) -> Self {
        Self {
            api: OpenApiRouter::with_openapi(description),
            table: Vec::new(),
        }
    }

    /// Adds what `routes!(..)` makes, for callers with a right.
    #[must_use]
    pub fn needs(self, right: Right, routes: UtoipaMethodRouter<Arc<App>>) -> Self {
        self.add(Some(right), false, routes)
    }

    /// Adds a command of `commands.rs`, for callers with a right.
    #[must_use]
    pub fn command(self, right: Right, routes: UtoipaMethodRouter<Arc<App>>) -> Self {
        self.add(Some(right), true, routes)
    }

    /// Adds what `routes!(..)` makes, for everybody: nothing of the book may be read or changed through it.
    #[must_use]
    pub fn open(self, routes: UtoipaMethodRouter<Arc<App>>) -> Self {
        let small = routes.layer(DefaultBodyLimit::max(SMALL_BODY));
        self.add(None, false, small)
    }

    /// Adds a file of the pages: for everybody, and not part of the description.
    #[must_use]
    pub fn file<H, T>(mut self, path: &str, handler: H) -> Self
    where
        H: axum::handler::Handler<T, Arc<App>>,
        T: 'static,
    {
        self.table.push(Route {
            method: Method::GET,
            path: path.to_owned(),
            needs: None,
            command: false,
        });
        self.api = self.api.route(path, get(handler) as MethodRouter<Arc<App>>);
        self
    }

    fn add(
        mut self,
        needs: Option<Right>,
        command: bool,
        routes: UtoipaMethodRouter<Arc<App>>,
    ) -> Self {
        for (path, item) in &routes.1.paths {
            let methods = methods(item);
            self.table.extend(methods.map(|method| Route {
                method,
                path: path.clone(),
                needs,
                command,
            }));
        }
        self.api = self.api.routes(routes);
        self
    }

    /// Adds others.
    #[must_use]
    pub fn merge(mut self, other: Self) -> Self {
        self.api = self.api.merge(other.api);
        self.table.extend(other.table);
        self
    }

    /// The router, its description and its table.
    pub fn split(self) -> (Router<Arc<App>>, OpenApi, Vec<Route>) {
        let (router, description) = self.api.split_for_parts();
        (router, description, self.table)
    }
}

/// The methods of a path.
fn methods(item: &PathItem) -> impl Iterator<Item = Method> {
    let there = [
        (Method::GET, item.get.is_some()),
        (Method::PUT, item.put.is_some()),
        (Method::POST, item.post.is_some()),
        (Method::DELETE, item.delete.is_some()),
        (Method::PATCH, item.patch.is_some()),
        (Method::HEAD, item.head.is_some()),
        (Method::OPTIONS, item.options.is_some()),
        (Method::TRACE, item.trace.is_some()),
    ];
    there
        .into_iter()
        .filter_map(|(method, is_there)| is_there.then_some(method))
}

/// The table by method and path.
#[must_use]
pub fn by_address(table: Vec<Route>) -> Table {
    let entry = |route: Route| ((route.method.clone(), route.path.clone()), route);
    table.into_iter().map(entry).collect()
}
